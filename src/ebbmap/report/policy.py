"""From a policy's check to files: the page, the tables as CSV, the results as NetCDF."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.caution import CAUTION, CONTRAINDICATIONS
from ebbmap.errors import EbbmapError
from ebbmap.files.writing import make_folder, save_dataset, write_text, write_whole
from ebbmap.plotting.mended import front_figure
from ebbmap.plotting.path import path_figure
from ebbmap.plotting.policy import policy_figure
from ebbmap.policies.findings import Finding
from ebbmap.policies.language import Policy
from ebbmap.policies.yields import policy_holds
from ebbmap.registries.bounds import Bound
from ebbmap.report.build import template, write_workbook
from ebbmap.report.pictures import DPI, Picture, drawn_or_said, picture
from ebbmap.tables.csv import to_csv
from ebbmap.tables.held import engine_note
from ebbmap.tables.html import to_html
from ebbmap.tables.mended import NO_CLAIM, front_table, mended_sentence, single_table
from ebbmap.tables.model import Table
from ebbmap.tables.policy import findings_table, policy_answer, policy_notes, yields_tables

#: Geometry of the strips of patients: whole width, where time begins, and height of a line.
WIDTH, LEFT, LINE = 900, 200, 22

#: Minutes to which a strip is drawn.
STEP = 10

STRIPS = (
    "Five patients of each group, from the one who is safe for the fewest hours to the one who is "
    "for the most, evenly between. Blue: safe; brown: not safe; grey: has left the mode. Choose a "
    "line to see its path."
)


@dataclass(frozen=True)
class Run:
    """A stretch of a strip: what the patient is, and where it lies."""

    kind: str
    left: float
    width: float


@dataclass(frozen=True)
class Strip:
    """A patient over time, and the picture of the path behind."""

    id: str
    label: str
    top: int
    runs: tuple[Run, ...]
    picture: Picture


def write_policy_report(
    policy: Policy, results: Mapping[str, xr.Dataset], findings: list[Finding], folder: Path
) -> list[Path]:
    """Write everything that a check of a policy found.

    Parameters
    ----------
    policy : Policy
        The policy.
    results : mapping of str to Dataset
        `policy`, `paths` and perhaps `mended`, as a check gives them.
    findings : list of Finding
        In its rules.
    folder : Path
        Made if missing.

    Returns
    -------
    list of Path
        The result and the page first.

    Raises
    ------
    EbbmapError
        If the folder cannot be written.
    """
    make_folder(folder)
    saved = [save_dataset(found, folder / f"{name}.nc") for name, found in results.items()]
    tables = policy_tables(policy, results, findings)
    page = write_text(folder / "report.html", policy_page(policy, results, findings, tables))
    written = [write_text(folder / f"{name}.csv", to_csv(one)) for name, one in tables.items()]
    written += write_workbook(folder, tables, policy.protocol.title)
    return [saved[0], page, *saved[1:], *written, *_drawn(results["policy"], folder)]


def _drawn(yields: xr.Dataset, folder: Path) -> list[Path]:
    """Write the picture of the patients as a file; none where it cannot be drawn."""
    look: dict[str, Any] = {"dpi": DPI, "format": "png", "metadata": {"Software": None}}
    try:
        figure = policy_figure(yields)
        return [write_whole(folder / "policy.png", lambda part: figure.savefig(part, **look))]
    except EbbmapError:
        raise
    except Exception:  # said on the page, which draws the same picture
        return []


def policy_tables(
    policy: Policy, results: Mapping[str, xr.Dataset], findings: list[Finding]
) -> dict[str, Table]:
    """Return every table of a policy's check, by name."""
    tables = {"findings": findings_table(policy, findings)}
    tables |= yields_tables(policy, results["policy"])
    if "mended" in results:
        tables |= {
            "mended": single_table(results["mended"]),
            "front": front_table(results["mended"]),
        }
    return tables


def policy_page(
    policy: Policy,
    results: Mapping[str, xr.Dataset],
    findings: list[Finding],
    tables: Mapping[str, Table],
) -> str:
    """Return the page as HTML; every text that comes from a file is escaped."""
    yields, mended = results["policy"], results.get("mended")
    holds = policy_holds(yields)
    said = policy_answer(policy, yields, findings)
    strips = list(_strips(policy, results["paths"]))
    return template("policy.html").render(
        title=policy.protocol.title,
        answer="the policy holds" if holds else "the policy does not hold",
        holds=holds,
        meta=[yields.attrs["history"]],
        caution=CAUTION,
        contraindications=", ".join(CONTRAINDICATIONS),
        sentences=said,
        tables={name: to_html(one) for name, one in tables.items()},
        cohort=drawn_or_said(
            "patients over time",
            lambda: picture(
                policy_figure(yields),
                f"Shares of patients over time. {said[0]}",
                "Patients of each group over time: solid safe, dotted in the mode.",
            ),
        ),
        strips=strips,
        strips_text=STRIPS,
        width=WIDTH,
        height=LINE * len(strips),
        mend_text=mended_sentence(mended) if mended is not None else "",
        front=None if mended is None else drawn_or_said("front", lambda: _front(mended)),
        notes=policy_notes(policy),
        provenance=". ".join([yields.attrs["source"], *engine_note(yields)]),
        file=policy.protocol.text,
    )


def _front(mended: xr.Dataset) -> Picture:
    text = "Shares of patients who are safe at the end against changes at the bedside."
    return picture(front_figure(mended), f"{text} {mended_sentence(mended)}", f"{text} {NO_CLAIM}")


def _strips(policy: Policy, paths: xr.Dataset) -> Iterator[Strip]:
    bounds = policy.protocol.limits.hard
    for number in range(paths.sizes["patient"]):
        path = paths.isel(patient=number)
        label = f"{path['group'].item()}, patient {int(path['patient'])}"
        safe = f"safe for {float(path['safe'].mean()) * policy.hours:.1f} of {policy.hours} h."
        drawn = drawn_or_said(label, partial(_path_picture, path, bounds, label, safe))
        yield Strip(f"patient-{number}", label, LINE * number, tuple(_runs(path)), drawn)


def _path_picture(path: xr.Dataset, bounds: tuple[Bound, ...], label: str, safe: str) -> Picture:
    return picture(
        path_figure(path, bounds),
        f"{label}: {safe}",
        f"{label}: settings, readings, truth and limits over time; {safe}",
    )


def _runs(path: xr.Dataset) -> Iterator[Run]:
    """Yield the stretches of a patient's strip."""
    kinds = np.where(path["in_mode"], np.where(path["safe"], "yes", "no"), "gone")[::STEP]
    each, place = (WIDTH - LEFT) / kinds.size, 0
    for kind, members in groupby(kinds.tolist()):
        length = len(list(members))
        yield Run(kind, round(LEFT + each * place, 2), round(each * length, 2))
        place += length
