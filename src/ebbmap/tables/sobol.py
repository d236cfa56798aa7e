"""Tables of Sobol indices: what drives the safety margin, and how sure that is."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.analyses.common.growth import rows_needed
from ebbmap.analyses.common.pawn import few_cases_notes
from ebbmap.digits import share_text
from ebbmap.tables.common import by_population, leaders, margins_of, shown_places
from ebbmap.tables.model import COUNT, THOUSANDTHS, Column, Form, Table, table

#: Width of an interval that is narrow, where no stopping width was asked for.
NARROW = 0.02

#: A yes-or-no outcome with a share below this has hardly any variance to share out.
RARE = 0.05

_WIDTH = Form(THOUSANDTHS.spec, missing="not known of every index")


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the leading factors at three places, and the certainty of the indices."""
    along, places = shown_places(result)
    rows = []
    for name, found in by_population(result):
        for outcome in margins_of(result):
            own = found.sel(outcome=outcome)
            rows.append((name, outcome, *(leaders(own.sel({along: p}), "total") for p in places)))
    heads = ["population", "outcome", *(f"{along} {place:.3g}" for place in places)]
    size = result.attrs["base_size"]
    yield table(f"what drives the safety margin (total index, N = {size})", heads, rows)
    yield _certainty_table(result)


def _certainty_table(result: xr.Dataset) -> Table:
    columns = [
        "population",
        "verdict",
        Column("base rows", COUNT),
        Column("widest interval", _WIDTH),
        "ranking by distribution (PAWN)",
    ]
    rows = []
    for name, found in by_population(result):
        count = int(found["rows"])
        widest = float(found["widest_by_size"].sel(size=count))
        pawn = found["disagreement"].item() if "disagreement" in found else "not asked"
        rows.append(
            (
                name,
                found["verdict"].item(),
                count,
                widest if np.isfinite(widest) else np.nan,
                pawn,
            )
        )
    notes = [str(result.attrs["failures"]), *size_notes(result), *rare_notes(result)]
    runs = int(result.attrs.get("surrogate_runs", 0))
    if runs:
        notes.append(
            f"a surrogate stands in for the lung: {result.attrs['surrogate_kind']} fitted to "
            f"{runs:,} cases at each place and judged by half as many; its error is in the "
            "intervals"
        )
    if "pawn" in result:
        notes += [
            f"{name}: {text}."
            for name, one in by_population(result)
            for text in few_cases_notes(one)
        ]
    return table("how sure that is", columns, rows, notes=notes)


def size_notes(result: xr.Dataset) -> Iterator[str]:
    """Yield how many base rows each population would need for narrow intervals."""
    asked = float(result.attrs["stopping_width"])
    until = asked if np.isfinite(asked) else NARROW
    for name, found in by_population(result):
        rows = int(found["rows"])
        width = float(found["widest_by_size"].sel(size=rows))
        if np.isfinite(width) and width > until:
            needed = rows_needed(width, rows, until)
            yield (
                f"{name}: for intervals of {until:g} about {needed:,} base rows would be needed, "
                f"{needed // rows:,} times the cases"
            )


def rare_notes(result: xr.Dataset) -> Iterator[str]:
    """Yield a warning for each yes-or-no outcome that is nearly always the same somewhere."""
    for name, found in by_population(result):
        for outcome in result["outcome"].values.astype(str):
            variance = found["variance"].sel(outcome=outcome)
            if outcome.startswith("safe_") and bool((variance < RARE * (1.0 - RARE)).any()):
                yield (
                    f"{outcome} of {name} lungs is the same in more than "
                    f"{share_text(1.0 - RARE)} of the "
                    "cases at some places: there variance-based indices say little. Ask for "
                    "analyses.given, which tests what being unsafe depends on, or analyses.rare, "
                    "which says how lungs differ where harm occurs."
                )
