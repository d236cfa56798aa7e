"""Tables for an explorer of a lung that a page cannot solve: made once, for the lungs drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from ebbmap.cases.drawn_bounds import within_bounds
from ebbmap.cases.question import draw_cases
from ebbmap.errors import EbbmapError
from ebbmap.exploring.asked import SETTINGS, SHOWN, Asked
from ebbmap.lungs import lung_model
from ebbmap.registries.copula import Population
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.web import Table, make_table
from ebbmap.web.tables import box_words

#: What a page shows of any lung, numbers of its curves included.
TABLED = (
    *SHOWN,
    "peak_expiratory_flow",
    "end_high_pressure",
    "end_high_volume",
    "release_volume",
    "trapped_volume",
)

#: Bytes of all tables together, as text: what a page is to hold at most.
LARGEST = 8_000_000


def tabled_of(lung: str) -> tuple[str, ...]:
    """Return what a page shows of a lung, what its curves take included."""
    followed = lung_model(lung).followed
    return (*TABLED, *(followed.solved if followed else ()))


def with_tables(
    asked: Asked, data: Mapping[str, Any], told: Callable[[str], None]
) -> dict[str, Any]:
    """Return what a page's scripts read, with a table of every lung.

    Populations of which no table is near enough are left out, and that is said.

    Parameters
    ----------
    asked : Asked
        What is explored.
    data : mapping
        From `page_data`.
    told : callable
        Called with a sentence on what is being done.

    Raises
    ------
    EbbmapError
        If no population can be had, or the tables are too large for a page.
    """
    question = asked.question
    model = lung_model(question.lung)
    groups, missing = {}, []
    for group in asked.groups:
        try:
            table = _table(asked, group, told)
        except EbbmapError as error:
            missing.append(str(error))
            told(str(error))
            continue
        groups[group.name] = {**data["groups"][group.name], "table": table.data()}
    if not groups:
        raise EbbmapError(missing[0])
    size = sum(len(one["table"]["steps"]) for one in groups.values())
    if size > LARGEST:
        raise EbbmapError(
            f"tables of {question.lungs} lungs of each population would take {size / 1e6:.1f} MB "
            f"of the page, more than {LARGEST / 1e6:g} MB. Draw fewer with --lungs."
        )
    tabled = sorted(set(model.parameters) - set(SETTINGS))
    return {
        **data,
        "groups": groups,
        "tabled": tabled,
        "curves": model.followed is not None,
        "tables_say": _says(asked, missing),
    }


def _table(asked: Asked, group: Population, told: Callable[[str], None]) -> Table:
    """Make the table of a population's lungs, as they were drawn."""
    question = asked.question
    drawn = {n: a.values for n, a in draw_cases(question, group, {}).items() if n in PARAMETERS}
    kept, _ = within_bounds(drawn, drawn)
    own = {n: np.broadcast_to(v, question.lungs) for n, v in kept.items() if n not in SETTINGS}
    own |= {name: np.full(question.lungs, float(v)) for name, v in question.fixed.items()}
    wanted = tabled_of(question.lung)
    return make_table(question.lung, own, wanted, asked.limits, called=group.long_name, told=told)


def _says(asked: Asked, missing: list[str]) -> str:
    """Return what the tables are, and what is not among them."""
    says = (
        f"The solver of the lung {asked.question.lung} was run once for every lung of this page, "
        "at chosen settings; between them this page reads its results from tables, and computes "
        "gas exchange, load and verdicts from those by the program's own formulas. The tables were "
        "held against the solver at settings drawn anew. Outside these settings, and where a lung "
        f"did not settle, it is undetermined: {box_words()}."
    )
    return " ".join([says, *missing])
