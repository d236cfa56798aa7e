"""From a check to files: the page, the tables as CSV, the results as NetCDF."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from ebbmap.caution import CAUTION, CONTRAINDICATIONS
from ebbmap.committee.boxes import EXTRA, SEARCH_LUNGS
from ebbmap.committee.certificates import CERTIFICATE_LUNGS, CERTIFICATE_SETTINGS
from ebbmap.committee.check import Check
from ebbmap.files.writing import make_folder, save_dataset, write_text
from ebbmap.plotting.committee import (
    drivers_figure,
    map_figure,
    served_figure,
    trade_off_figure,
    verdict_figure,
    ways_figure,
)
from ebbmap.plotting.intervals import without_interval
from ebbmap.registries.limits import LIMIT_SETS, RULES
from ebbmap.tables.report import Table, show, tables_of

#: Dots per inch of the pictures on the page.
DPI = 120

SECTIONS = (
    ("question-section", "The question"),
    ("verdict-section", "The verdict"),
    ("fails-section", "Where it fails, and why"),
    ("hold-section", "What would hold"),
    ("ways-section", "Fixed range or rule?"),
    ("windows-section", "Release windows"),
    ("drivers-section", "What drives it"),
    ("limits-section", "Limits and lungs"),
    ("methods-section", "Methods and provenance"),
)

GRADES = (
    "Grades: safe, even the combinations without any warning surely reach what is wanted; "
    "caution, they do so only if warnings are let pass; unsafe, they surely do not; "
    "undetermined, what is wanted lies inside the interval, so more lungs are needed. "
    "A combination that could not be computed is undetermined and counts as not safe. The draft "
    "holds if every group that gets the mode, and the whole, is safe or caution."
)

BOX_METHOD = (
    "A box serves a lung if every setting in it is safe for that lung. All boxes of a grid are "
    f"compared on {SEARCH_LUNGS:,} lungs, the best is refined, and the certificate comes from up "
    f"to {CERTIFICATE_LUNGS:,} fresh lungs at {CERTIFICATE_SETTINGS} fresh settings and all "
    f"corners; at most {len(EXTRA)} boxes are tried and share the doubt of 5 %. Settings that the "
    "draft fixes or sets by a rule stay as they are; the usual ranges are the registry's."
)


@dataclass(frozen=True)
class Picture:
    """A picture on the page: where it is, its alternative text, caption and size."""

    source: str
    text: str
    caption: str
    width: int
    height: int


def write_report(check: Check, folder: Path, date: str) -> list[Path]:
    """Write everything that a check found.

    Parameters
    ----------
    check : Check
        What was found.
    folder : Path
        Made if missing.
    date : str
        Stated on the page.

    Returns
    -------
    list of Path
        The page first, then CSV tables, then datasets.

    Raises
    ------
    EbbmapError
        If the folder cannot be written.
    """
    make_folder(folder)
    tables = tables_of(check)
    written = [write_text(folder / "report.html", page(check, tables, date))]
    written += [write_text(folder / f"{name}.csv", table.csv()) for name, table in tables.items()]
    written += [save_dataset(ds, folder / f"{name}.nc") for name, ds in check.results.items()]
    return written


def page(check: Check, tables: dict[str, Table], date: str) -> str:
    """Return the page as HTML; every text that comes from a file is escaped."""
    environment = Environment(
        loader=PackageLoader("ebbmap.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals["grade_class"] = _grade_class
    protocol = check.protocol
    return environment.get_template("page.html").render(
        title=protocol.title,
        institution=protocol.institution,
        question=protocol.question or "For whom is this draft safe, and where does it fail?",
        answer="the draft holds" if check.holds else "the draft does not hold",
        holds=check.holds,
        lead=lead(check),
        unjudged=unjudged(check),
        date=date,
        caution=CAUTION,
        contraindications=", ".join(CONTRAINDICATIONS),
        sections=SECTIONS,
        tables=tables,
        figures=_figures(check, tables),
        grades=GRADES,
        needs=needs(check),
        box_method=BOX_METHOD,
        ways_text=_ways_text(check),
        drivers_text=_drivers_text(check),
        rule_text=_rule_text(check),
        methods=_methods(check),
        provenance=_provenance(check),
        file=protocol.text,
    )


def lead(check: Check) -> str:
    """Say the verdict in one or two sentences."""
    ds = check.results["verdict"]
    said = []
    for name in ds["group"].values.astype(str):
        one = ds.sel(group=name)
        grade = str(one["grade"].values)
        if grade == "excluded":
            said.append(f"{name} does not get the mode")
        else:
            said.append(
                f"{name} {grade}, {float(one['safe_share']):.0%} safe of "
                f"{float(one['wanted_share']):.0%} wanted".replace("%", " %")
            )
    answer = "The draft holds." if check.holds else "The draft does not hold."
    return f"{answer} {'; '.join(said)}."


def unjudged(check: Check) -> str:
    """Name what the draft's hard limits leave out, so that safe is not read as more than it is."""
    judged = {bound.outcome for bound in check.protocol.limits.hard}
    left_out = [
        limits.long_name
        for name, limits in LIMIT_SETS.items()
        if name not in RULES and not judged & set(limits.outcomes)
    ]
    if not left_out:
        return "Safe means within this draft's own hard limits."
    return f"Safe means within this draft's own hard limits. Not judged: {'; '.join(left_out)}."


def needs(check: Check) -> list[str]:
    """Say for every group what would hold."""
    ds = check.results["boxes"]
    return [
        f"{name}: {text}"
        for name, text in zip(
            ds["group"].values.astype(str), ds["needs"].values.astype(str), strict=True
        )
    ]


def _grade_class(cell: str) -> str:
    word = cell.split()[-1]
    return "caution-grade" if word == "caution" else word


def _figures(check: Check, tables: dict[str, Table]) -> dict[str, Picture]:
    found = check.results
    made = {
        "verdict": (
            verdict_figure(found["verdict"]),
            f"Bars of the verdicts. {lead(check)}",
            "Share of combinations with each verdict; the upright tick is what is wanted.",
        ),
        "trade_off": (
            trade_off_figure(found["boxes"]),
            "Size of the largest box against the share of lungs it serves. "
            + " ".join(f"{line}." for line in needs(check)),
            "The more lungs a box has to serve, the smaller it gets (search sample).",
        ),
        "ways": (
            ways_figure(found["ways"]),
            f"Share of lungs served by each way of choosing T low. {_ways_text(check)}",
            "Share of lungs served against the error of the time constant, 95 % intervals.",
        ),
        "served": (
            served_figure(found["windows"]),
            "Share of lungs in whose release window a T low lies. "
            + _rows(tables["windows"], (0, 5, 6)),
            "Curves with 95 % intervals; marks: best T low of each group.",
        ),
    }
    if "map" in found:
        ds = found["map"]
        y, x = (str(dim) for dim in ds["safe_share"].dims[1:])
        spans = check.protocol.draft.spans
        ranges = {name: (spans[name].low, spans[name].high) for name in (x, y)}
        best = ", ".join(
            f"{name} {float(ds['safe_share'].sel(group=name).max()):.0%}"
            for name in ds["group"].values.astype(str)
        )
        words = f"{ds[x].attrs['long_name']} and {ds[y].attrs['long_name']}"
        made["map"] = (
            map_figure(ds, ranges),
            f"Maps of the share of safe lungs over {words}, and of the limit broken most often "
            f"elsewhere. Largest share: {best}.",
            f"Over {words}, the other settings half-way; dashed: the draft. Upper row: share of "
            "safe lungs, the line is one half. Lower row: what fails most.",
        )
    if "drivers" in found:
        drivers = drivers_figure(found["drivers"])
        made["drivers"] = (
            drivers,
            "Total Sobol indices of the safety margin along T low; the numbers are in the table.",
            "Share of the margin's variance that goes through each property or setting."
            + without_interval(drivers.axes),
        )
    return {name: _picture(*parts) for name, parts in made.items()}


def _picture(figure: Any, text: str, caption: str) -> Picture:
    data = io.BytesIO()
    figure.savefig(data, format="png", dpi=DPI, metadata={"Software": None}, facecolor="white")
    width, height = (round(side * DPI) for side in figure.get_size_inches())
    encoded = base64.b64encode(data.getvalue()).decode("ascii")
    return Picture(f"data:image/png;base64,{encoded}", text, caption, width, height)


def _rows(table: Table, picked: tuple[int, ...]) -> str:
    head = [table.columns[i] for i in picked]
    return " ".join(
        ", ".join(f"{c.title} {show(c, row[i])}" for c, i in zip(head, picked, strict=True)) + "."
        for row in table.rows
    )


def _ways_text(check: Check) -> str:
    ds = check.results["ways"]
    ways = ds["way"].values.astype(str)
    said = []
    for name in ds["group"].values.astype(str):
        one = ds["served_share"].sel(group=name)
        if not one.notnull().any():
            continue
        fixed, ruled = one.sel(way=ways[0]), one.sel(way=ways[1])
        high = float(ds["served_share_interval"].sel(group=name, way=ways[0])[0, 1])
        better = [f"{float(e):.0%}" for e in ds["error"].values if float(ruled.sel(error=e)) > high]
        said.append(
            f"{name}: one T low serves {float(fixed[0]):.0%}, the time constant "
            f"{float(ruled[0]):.0%} without error and {float(ruled[-1]):.0%} with "
            f"{float(ds['error'][-1]):.0%}"
            + (f" (clearly better up to an error of {better[-1]})" if better else " (no gain)")
        )
    return (
        "; ".join(said).replace("%", " %") + ". Every lung meets one setting of the draft's other "
        "ranges; ends of the draft's own rules for T low are not applied. In a lung with one time "
        "constant a flow ratio is a multiple of the time constant (-ln of the ratio), so the two "
        "rules differ only in their targets."
    )


def _drivers_text(check: Check) -> str:
    text = (
        "The first table compares the lungs that the draft serves with the others: the further "
        "apart a property lies in the two, the more it decides."
    )
    if "drivers" in check.results:
        return text + (
            " Then the total Sobol indices: shares of the variance of the safety margin over "
            "lungs and the draft's ranges, properties drawn independently."
        )
    return text + (
        " Sobol indices need independent factors with a number each; this draft gives none, since "
        "P high comes from a rule or margins could not be judged."
    )


def _rule_text(check: Check) -> str:
    named = check.protocol.rules
    if not named:
        return "No rule for T low is among the limits."
    rule = named[0]
    known = f": {LIMIT_SETS[rule].long_name}" if rule in RULES else " (the committee's own)"
    return (
        f"Rule for T low among the limits: {rule}{known}. Share of peak flow and share of a full "
        "exhalation are two different rules; they are never mixed."
    )


def _methods(check: Check) -> str:
    protocol = check.protocol
    drawn = protocol.settings_drawn if protocol.draft.free else 1
    return (
        f"Each group is {protocol.lungs:,} invented lungs, drawn from joint distributions of "
        f"their properties; each lung meets {drawn:,} settings, spread over the draft's ranges by "
        "a scrambled Sobol sequence, and every corner. The settled cycle of the lung model "
        f"({protocol.lung.long_name}) is solved for every combination and judged by every limit: "
        "the margin is the signed distance to the nearest hard limit over that limit's width. "
        "Intervals take the lung as the sampling unit, since all combinations of one lung hang "
        "together: Wilson's interval at the number of trials that has the variance of the lungs' "
        "shares. What a rule measures is blurred by a lognormal error. What is searched for on "
        "some lungs is certified on others. A model of this kind leaves out much that matters in a "
        "patient."
    )


def _provenance(check: Check) -> list[tuple[str, str]]:
    attrs = check.results["verdict"].attrs
    return [
        ("made by", attrs["source"]),
        ("seed", str(attrs["seed"])),
        ("protocol file, hash", attrs["protocol_hash"]),
        ("versions", attrs["versions"]),
        ("date", attrs["history"].split(" ")[0]),
    ]
