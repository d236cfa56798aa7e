"""Tables and plain data of release windows: of one lung, and of populations."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.common.stand_in import surrogate_notes
from ebbmap.analyses.common.window_stand_in import window_notes
from ebbmap.analyses.common.windows import STATES
from ebbmap.kernels.serving import top_place
from ebbmap.registries.limits import LimitSet
from ebbmap.tables.brief.words import side_words
from ebbmap.tables.common import by_rule_and_population, number_cell, number_column
from ebbmap.tables.held import held_text
from ebbmap.tables.model import HUNDREDTHS, SHARE, THOUSANDTHS, Column, Table, table
from ebbmap.tables.plain import document

#: What closes a piece where no limit does.
NO_LIMIT = {"none": "end of the range searched", "unknown": "not known beyond", "": ""}

_PIECE_KEYS = ("lower", "upper", "lower_bound", "upper_bound")
_LUNG_KEYS = (
    "best",
    "best_margin",
    "best_piece",
    "widest_piece",
    "shorter_fails",
    "longer_fails",
)


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the windows of populations: how many lungs have one, and what closes it."""
    if "served_share" not in result:
        return
    columns = [
        "rule",
        "population",
        number_column(result, "window_share", "lungs with a window", SHARE),
        Column("undetermined", SHARE),
        Column("several pieces", SHARE),
        number_column(result, "served_share", "one T low serves at most", SHARE),
        number_column(result, "best_t_low", "at T low", HUNDREDTHS, "s"),
        "closes most windows below",
        "closes most windows above",
    ]
    rows = []
    for rule, name, found in by_rule_and_population(result):
        top = top_place(found["served_share"].values)
        rows.append(
            (
                rule,
                name,
                number_cell(found, "window_share"),
                float(found["window_undetermined_share"]),
                float((found["pieces"] > 1).mean()),
                number_cell(found.isel(t_low=top), "served_share"),
                number_cell(found, "best_t_low"),
                _commonest(found["shorter_fails"]),
                _commonest(found["longer_fails"]),
            )
        )
    notes = [*surrogate_notes(result), window_notes(result)]
    yield table("release windows", columns, rows, notes=notes)


def _commonest(names: xr.DataArray) -> str:
    (name, _), *_ = Counter(names.values.astype(str).tolist()).most_common(1)
    return NO_LIMIT.get(name) or side_words(name)


def lung_table(found: xr.Dataset, limits: LimitSet) -> Table:
    """Return one lung's window, piece by piece, or the limits that leave none."""
    lung = found.isel(sample=0)
    sentences = {bound.name: bound.sentence for bound in limits.hard} | NO_LIMIT
    rows = [*_piece_rows(lung, sentences), *_unknown_rows(lung)]
    if np.isfinite(lung["best_margin"]):
        rows.append(("margin there", f"{float(lung['best_margin']):.3f}", ""))
    rows.append(("expiratory time constant", _seconds(lung["time_constant_exp"]), ""))
    title = f"release window by: {limits.long_name}"
    return table(title, ["what", "T low", "closed by"], rows, notes=[held_text(found)])


def _piece_rows(lung: xr.Dataset, sentences: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    count, state = int(lung["pieces"]), STATES[int(lung["state"])]
    for number in range(count):
        piece = lung.isel(piece=number)
        which = f", piece {number + 1} of {count}" if count > 1 else ""
        for word, side in (("shortest", "lower"), ("longest", "upper")):
            closer = sentences[str(piece[f"{side}_bound"].values)]
            yield f"{word}{which}", _seconds(piece[side]), closer
    if count:
        yield "largest margin", _seconds(lung["best"]), ""
        return
    yield "no window" if state == "no_window" else "undetermined", "", ""
    for word in ("shorter", "longer"):
        yield f"{word} fails by", "", sentences[str(lung[f"{word}_fails"].values)]


def _unknown_rows(lung: xr.Dataset) -> Iterator[tuple[str, str, str]]:
    for number in range(lung.sizes["unknown_piece"]):
        low, high = (float(lung[f"unknown_{side}"][number]) for side in ("lower", "upper"))
        if np.isfinite(low):
            yield "could not be judged", f"{low:.3f} to {high:.3f} s", ""


def _seconds(value: xr.DataArray) -> str:
    return f"{THOUSANDTHS.write(float(value))} s"


def window_document(found: xr.Dataset) -> dict[str, Any]:
    """Return windows as plain data, every piece of them."""
    lungs = [str(dim) for dim in found["best"].dims]
    flat = {
        name: found[name].transpose(*lungs, ...).values.reshape(found["best"].size, -1)
        for name in (*_PIECE_KEYS, *_LUNG_KEYS, "state", "pieces")
    }
    windows = [
        {
            "state": STATES[int(flat["state"][number, 0])],
            "pieces": [
                {name: flat[name][number, piece] for name in _PIECE_KEYS}
                for piece in range(int(flat["pieces"][number, 0]))
            ],
            **{name: flat[name][number, 0] for name in _LUNG_KEYS},
        }
        for number in range(found["best"].size)
    ]
    return document(
        lung=found.attrs["lung"], held=found.attrs.get("fixed", ""), units="s", windows=windows
    )
