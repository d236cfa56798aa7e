"""Tables of what knowledge leaves open, and of the numbers that would close it."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.analyses.unknowns import CONCLUSIONS, leading, number_words
from ebbmap.tables.common import by_rule_and_population, number_cell, number_column
from ebbmap.tables.model import HUNDREDTHS, SHARE, SIGNED, Column, Table, table

#: Numbers that are listed for each conclusion.
LISTED = 5

#: How each conclusion is called, and written.
SAID = {
    "safe_share": ("safe at the T low asked for", SHARE, "1"),
    "best_share": ("served by the best single T low", SHARE, "1"),
    "best_t_low": ("best single T low", HUNDREDTHS, "s"),
}


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield what is concluded, with both intervals, then the numbers that move it most."""
    first = ["rule", "population"]
    columns = [*first, *(number_column(result, name, *said) for name, said in SAID.items())]
    rows = [
        (rule, name, *(number_cell(found, one) for one in CONCLUSIONS))
        for rule, name, found in by_rule_and_population(result)
    ]
    title = f"what is concluded at T low {result.attrs['t_low_asked']:g} s"
    yield table(title, columns, rows)
    columns = [
        *first,
        "conclusion",
        "number",
        Column("accounts for", SHARE),
        Column("standard error", SHARE),
        Column("one standard error higher moves it by", SIGNED),
        "known",
    ]
    yield table("what to measure next", columns, _numbers(result))


def _numbers(result: xr.Dataset) -> Iterator[tuple[object, ...]]:
    for rule, name, found in by_rule_and_population(result):
        for conclusion, (said, *_) in SAID.items():
            own = found.sel(conclusion=conclusion)
            for number in leading(own)[:LISTED]:
                one = own.sel(number=number)
                errors = (float(one["effect"]), float(one["effect_error"]), float(one["slope"]))
                yield rule, name, said, number_words(number), *errors, str(one["grade"].values)
            every = float(own["explained"]), float(own["explained_error"])
            yield rule, name, said, "all numbers, one by one", *every, None, ""
