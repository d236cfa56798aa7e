"""Tables of bounds of sensitivity from slopes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.digits import exact_share
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.common import by_population, margins_of, number_cell, number_column
from ebbmap.tables.model import HUNDREDTHS, SIGNED, Cell, Table, table
from ebbmap.units import display

#: A property is listed where its largest share may reach this; the others are named below.
LISTED_FROM = 0.05


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield what each property explains at least and at most in the middle of the axis."""
    along = str(result.attrs["along"])
    middle = result.isel({along: result.sizes[along] // 2})
    rows: list[tuple[Cell, ...]] = []
    left_out: list[str] = []
    useless = False
    for name, found in by_population(middle):
        for outcome in margins_of(result) or result["outcome"].values.astype(str)[:3]:
            own = found.sel(outcome=outcome)
            own = own.isel(parameter=np.argsort(-own["most"].fillna(-1.0).values))
            ends = own["most_interval"].sel(ci_bound="upper").values
            for at, parameter in enumerate(own["parameter"].values.astype(str)):
                if ends[at] >= LISTED_FROM:
                    one = own.isel(parameter=at)
                    useless |= float(one["most"]) > 1.0
                    cells = (number_cell(one, key) for key in ("least", "most"))
                    unit = display(str(one["slope_units"].values))
                    change = f"{SIGNED.write(float(one['slope']))} {unit}".rstrip()
                    rows.append((str(name), str(outcome), str(parameter), *cells, change))
                elif np.isfinite(ends[at]):
                    left_out.append(str(parameter))
    columns = [
        "population",
        "outcome",
        "property",
        number_column(middle, "least", "at least", HUNDREDTHS),
        number_column(middle, "most", "at most", HUNDREDTHS),
        "mean change with one SD",
    ]
    place = PARAMETERS[along].say(round(float(middle[along]), 4))
    title = (
        f"share of the variance that each property explains, at least and at most, at {place} "
        f"({result.attrs['lungs']:,} lungs; slopes: {result.attrs['derivatives']})"
    )
    hidden = ", ".join(dict.fromkeys(left_out))
    notes = []
    if useless:
        notes.append("a largest share above 1 bounds nothing: the outcome rises and falls with it")
    if hidden:
        least = exact_share(LISTED_FROM)
        notes.append(f"left out where it has a part in less than {least} for sure: {hidden}")
    yield table(title, columns, rows, notes=notes)
