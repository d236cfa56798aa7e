"""The T low of one lung or of many at which no limit is broken."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from math import ceil, floor

import numpy as np
import xarray as xr

from ebbmap.analyses.common.windows import STATES
from ebbmap.digits import share_text
from ebbmap.registries.limits import LimitSet
from ebbmap.tables.brief.charts import curve, stretches
from ebbmap.tables.brief.words import broken, lines

#: Ends of the axis of T low in charts [s]; it reaches further where a window does.
_SPAN = (0.05, 5.0)

#: Columns of the charts.
_CHART = 60


def window_lines(found: xr.Dataset, limits: LimitSet, whose: str, width: int) -> Iterator[str]:
    """Yield one lung's window in words and on an axis.

    Parameters
    ----------
    found : Dataset
        Of `search_windows`, one lung.
    limits : LimitSet
        What judges.
    whose : str
        Which lung it is, in words.
    width : int
        Columns of the terminal.
    """
    lung = found.isel(sample=0)
    sentences = {bound.name: broken(bound) for bound in limits.hard}
    count, state = int(lung["pieces"]), STATES[int(lung["state"])]
    pieces = [
        (float(lung["lower"][number]), float(lung["upper"][number])) for number in range(count)
    ]
    if count:
        spans = " and ".join(_span(low, high) for low, high in pieces)
        best = float(lung["best"])
        yield from lines(f"T low {spans} breaks no limit, with most room at {best:.2f} s.", width)
        short = sentences.get(str(lung["lower_bound"][0].values), "")
        long = sentences.get(str(lung["upper_bound"][count - 1].values), "")
        yield from _closers(short, long, width)
    elif state == "no_window":
        yield from lines("NO T LOW KEEPS ALL LIMITS in this lung at these settings.", width)
        short, long = (
            sentences.get(str(lung[f"{side}_fails"].values), "") for side in ("shorter", "longer")
        )
        yield from _closers(short, long, width)
    else:
        yield from lines("CANNOT BE JUDGED: what the limits ask for is not known here.", width)
    constant = float(lung["time_constant_exp"])
    if np.isfinite(constant):
        yield from lines(
            f"The lung empties with a time constant of {constant:.2f} s ({whose}).",
            width,
            indent="  ",
        )
    yield ""
    yield from _axis_lines(pieces, float(lung["best"]) if count else np.nan, width)
    yield from lines(f"Limits: {limits.long_name}.", width, indent="  ", hang="  ")


def _span(low: float, high: float) -> str:
    """Return a stretch in hundredths of a second that lie within it.

    Examples
    --------
    >>> _span(0.2011, 0.7069), _span(0.3512, 0.3534)
    ('0.21 to 0.70 s', '0.351 to 0.353 s')
    """
    step = 100 if floor(high * 100) > ceil(low * 100) else 1000
    if step == 1000:
        return f"{low:.3f} to {high:.3f} s"
    return f"{ceil(low * step) / step:.2f} to {floor(high * step) / step:.2f} s"


def _closers(short: str, long: str, width: int) -> Iterator[str]:
    yield from lines(f"shorter:  {short or 'not searched'}", width, indent="  ", hang=" " * 10)
    yield from lines(f"longer:   {long or 'not searched'}", width, indent="  ", hang=" " * 10)


def _axis_lines(pieces: list[tuple[float, float]], best: float, width: int) -> Iterator[str]:
    ends = [end for piece in pieces for end in piece]
    span = (min([_SPAN[0], *ends]), max([_SPAN[1], *ends]))
    size = min(_CHART, width - 8)
    chart, ticks = stretches(pieces, best, size, span)
    yield f"  {chart}"
    yield f"  {ticks} T low [s]"


def population_lines(found: xr.Dataset, limits: LimitSet, width: int) -> Iterator[str]:
    """Yield how many lungs of a population have a window, and which T low serves most.

    Parameters
    ----------
    found : Dataset
        Of `find_window`, one rule.
    limits : LimitSet
        What judges.
    width : int
        Columns of the terminal.
    """
    one = found.isel(rule=0, population=0)
    count = one.sizes["sample"]
    name = str(one["population"].values)
    share = share_text(float(one["window_share"]), one["window_share_interval"].values.tolist())
    yield from lines(
        f"{share} of {count} {name} lungs have a T low that breaks no limit "
        f"(95 % interval {_ends(one['window_share_interval'].values)}).",
        width,
    )
    served = one["served_share"].values
    if np.nanmax(served, initial=0.0) > 0:
        top = int(np.nanargmax(served))
        interval = one["served_share_interval"].isel(t_low=top).values.tolist()
        said = share_text(float(served[top]), interval)
        yield from lines(
            f"One T low for all of them serves {said} at most, at "
            f"{float(one['best_t_low']):.2f} s.",
            width,
        )
    sentences = {bound.name: broken(bound) for bound in limits.hard}
    for word, side in (("shorter", "shorter_fails"), ("longer", "longer_fails")):
        names = [n for n in one[side].values.astype(str).ravel() if n in sentences]
        if names:
            most, times = Counter(names).most_common(1)[0]
            yield from lines(
                f"{word + ':':<10}mostly {sentences[most]} ({times} of {count} lungs)",
                width,
                indent="  ",
                hang=" " * 10,
            )
    yield ""
    yield from _served_lines(one, width)
    yield from lines(f"Limits: {limits.long_name}.", width, indent="  ", hang="  ")


def _ends(interval: np.ndarray) -> str:
    low, high = (100.0 * float(end) for end in interval)
    return f"{low:.0f} to {high:.0f}"


def _served_lines(one: xr.Dataset, width: int) -> Iterator[str]:
    size = min(_CHART, width - 8)
    places, shares = one["t_low"].values, np.nan_to_num(one["served_share"].values)
    at = np.geomspace(*_SPAN, size)
    drawn = np.interp(at, places, shares, left=0.0, right=0.0)
    yield f"  Share of lungs that a T low serves, {100 * drawn.max():.0f} % at the top"
    for line in curve(drawn):
        yield f"  {line}"
    _, ticks = stretches([], np.nan, size, _SPAN)
    yield f"  {ticks} T low [s]"
