"""Tables of limits that can hold together, and of those that exclude each other."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.analyses.together import find_middle_together, known_values
from ebbmap.files.study import Study
from ebbmap.registries.identities import algebra_sentences, identity_words
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.common import by_rule_and_population, number_cell, number_column
from ebbmap.tables.model import HUNDREDTHS, SHARE, Column, Table, table

#: Two margins whose ranks agree as well as this bound one quantity.
ALIKE = 0.95

#: T low that a middle lung is tried at, over the usual range.
PLACES = 48


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield how many lungs can keep all limits, what excludes what, and which limits are alike."""
    held, apart, joined, alike = [], [], [], []
    for rule, name, found in by_rule_and_population(result):
        held.append((rule, name, number_cell(found, "held_share")))
        apart += [(rule, name, *row) for row in _listed(found, "excluding")]
        joined += [(rule, name, *row) for row in _listed(found, "largest")]
        alike += [(rule, name, *row) for row in _alike(found["rank_correlation"])]
    first = ["rule", "population"]
    notes = [str(text) for text in result["identity"].values if text]
    share = Column("lungs", SHARE)
    title = "lungs that can keep all limits"
    columns = [*first, number_column(result, "held_share", title, SHARE)]
    yield table(result.attrs["title"], columns, held, notes=notes)
    yield table("limits that exclude each other", [*first, "limits", share], apart)
    yield table("limits that hold together", [*first, "limits", share], joined)
    # of one lung everything goes with the setting, so ranks say nothing
    if alike and "lungs" in result.attrs:
        columns = [*first, "limit", "other limit", Column("rank correlation", HUNDREDTHS)]
        yield table("limits that bound one quantity", columns, alike)


def study_tables(study: Study) -> Iterator[Table]:
    """Yield the limits of a study, what algebra says of them, and what the middle lungs keep."""
    question = study.question
    known = known_values(question)
    rows, notes = [], []
    for rule, limits in question.rules.items():
        bounds = [bound for limit in limits.limits for bound in limit.bounds]
        rows += [(rule, f"not {one.sentence}", one.severity, one.why) for one in bounds]
        notes += [f"{rule}: {said}" for said in algebra_sentences(limits, known)]
    yield table("limits", ["rule", "limit", "severity", "source"], rows, notes=notes)
    entry = PARAMETERS["t_low"]
    t_low = np.geomspace(entry.usual_low, entry.usual_high, PLACES)
    yield from tables(find_middle_together(question, t_low))


def clash_notes(study: Study) -> Iterator[str]:
    """Yield which limits of a study cannot hold together at the pressures that it fixes."""
    known = known_values(study.question)
    if {"p_high", "p_low"} <= set(known):
        for rule, limits in study.question.rules.items():
            if said := identity_words(limits, known):
                yield f"limits of {rule} cannot hold together {said}"


def _listed(found: xr.Dataset, name: str) -> Iterator[tuple[str, float]]:
    for text, share in zip(found[name].values, found[f"{name}_share"].values, strict=True):
        if share > 0:
            yield str(text) or "none", float(share)


def _alike(ranks: xr.DataArray) -> Iterator[tuple[str, str, float]]:
    names = ranks["bound"].values.astype(str)
    values = ranks.transpose("bound", "other_bound").values
    for i, j in np.argwhere(np.triu(np.abs(np.nan_to_num(values)) >= ALIKE, 1)):
        yield str(names[i]), str(names[j]), float(values[i, j])
