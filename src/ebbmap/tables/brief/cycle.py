"""One settled cycle: the verdict, blood, release, what stays, and how near each limit is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import xarray as xr

from ebbmap.cases.steady import unsteady_words
from ebbmap.kernels.judging import Judgement, judge
from ebbmap.registries.bounds import Bound
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.steady import BALANCES
from ebbmap.tables.brief.charts import bar, curve
from ebbmap.tables.brief.words import (
    WIDEST,
    bound_now,
    columns,
    limit_text,
    lines,
    name_of,
    said,
    settings_line,
    values_of,
)

#: What is read together, and the words that lead it in.
GROUPS = (
    ("blood", ("paco2", "ph", "pao2", "spo2")),
    ("release", ("release_volume_per_kg", "exhaled_fraction", "flow_ratio")),
    ("what stays", ("auto_peep", "trapped_volume", "closed_fraction")),
    ("pressures", ("end_high_pressure", "mean_airway_pressure", "time_constant_exp")),
)

#: Columns of the bars and of the flow curve.
_BAR, _CURVE = 10, 48


def cycle_lines(
    solved: xr.Dataset, limits: LimitSet, drawn: xr.Dataset | None, whose: str, width: int
) -> Iterator[str]:
    """Yield what a reader must know of one cycle, the verdict first.

    Parameters
    ----------
    solved : Dataset
        One case with every outcome of the limits.
    limits : LimitSet
        What it is judged by.
    drawn : Dataset or None
        Its `flow` over `time` [s] within the release; None for no chart.
    whose : str
        Which lung it is, in words.
    width : int
        Columns of the terminal.
    """
    values = values_of(solved)
    judged = judge(limits, {n: np.atleast_1d(solved[n].values) for n in limits.outcomes})
    yield from verdict_lines(judged, limits, values, width)
    if words := str(unsteady_words(solved)):
        yield from lines(f"{words[0].upper()}{words[1:]}.", width)
    yield from lines(f"{settings_line(values)}; {whose}", width, indent="  ", hang="  ")
    yield ""
    for head, names in GROUPS:
        told = [said(name, values[name]) for name in names if np.isfinite(values.get(name, np.nan))]
        if told:
            yield from lines(
                f"{head + ':':<12}{', '.join(told)}", width, indent="  ", hang=" " * 12
            )
    if drawn is not None:
        yield from _flow_lines(drawn, width)
    yield ""
    yield f"  Limits: {limits.long_name}"
    yield from _limit_lines(judged, values, width)


def verdict_lines(
    judged: Judgement, limits: LimitSet, values: dict[str, float], width: int
) -> Iterator[str]:
    """Yield the verdict on one case and what it rests on."""
    margins = judged.bound_margin[:, 0]
    broken = [bound for bound, margin in zip(judged.hard, margins, strict=True) if margin < 0]
    if broken:
        said_of = "; ".join(bound_now(b, values.get(b.outcome, np.nan)) for b in broken)
        yield from lines(f"UNSAFE: {said_of}.", width)
        return
    if not judged.determined[0]:
        pairs = zip(judged.hard, margins, strict=True)
        unknown = [name_of(bound.outcome) for bound, margin in pairs if margin != margin]
        yield from lines(f"CANNOT BE JUDGED: no value of {', '.join(unknown)}.", width)
        return
    nearest = judged.hard[int(judged.binding[0])]
    near = f"earest limit: {bound_now(nearest, values[nearest.outcome])}."
    warned = [
        bound_now(bound, values[bound.outcome])
        for bound in limits.caution
        if bound.margin(np.array([values[bound.outcome]]))[0] < 0
    ]
    if warned:
        yield from lines(f"CAUTION: no limit is broken, but {'; '.join(warned)}. N{near}", width)
    else:
        yield from lines(f"SAFE: no limit is broken; n{near}", width)


def _limit_lines(judged: Judgement, values: dict[str, float], width: int) -> Iterator[str]:
    """Yield each hard limit with the value found and a bar: how much room is left."""
    rows = []
    for bound, margin in zip(judged.hard, judged.bound_margin[:, 0], strict=True):
        value = values.get(bound.outcome, np.nan)
        room = "?" if margin != margin else "BROKEN" if margin < 0 else bar(float(margin), _BAR)
        here = said(bound.outcome, value, named=False)
        rows.append((_bound_words(bound), here, room.ljust(_BAR)))
    yield from _fitted(rows, width)


def _fitted(rows: Sequence[tuple[str, ...]], width: int) -> Iterator[str]:
    """Yield rows below each other, without the bars where they would not fit."""
    told = list(columns(rows))
    if max(map(len, told)) <= width:
        yield from told
        yield "  (bars: the room left before each limit)"
    else:
        yield from columns(row[:2] for row in rows)


def _bound_words(bound: Bound) -> str:
    """Return what a bound asks for."""
    if bound.outcome in BALANCES:
        return name_of(bound.outcome)
    word = "at least" if bound.side == "low" else "at most"
    return f"{name_of(bound.outcome)}, {word} {limit_text(bound)}"


def _flow_lines(drawn: xr.Dataset, width: int) -> Iterator[str]:
    """Yield the flow that leaves the lung during the release."""
    times, out = drawn["time"].values, np.clip(-drawn["flow"].values, 0.0, None)
    size = min(_CURVE, width - 6, WIDEST)
    at = np.linspace(times[0], times[-1], size)
    yield ""
    yield f"  Flow out of the lung: {out.max():.2f} L/s at its peak, {out[-1]:.2f} at the end"
    for line in curve(np.interp(at, times, out)):
        yield f"  {line}"
    end = f"{times[-1] - times[0]:.2f} s"
    yield f"  0{end.rjust(size - 1)}"
