"""Small charts of a terminal: a curve, a bar, and a stretch of T low."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

#: Eighths of a cell, from none to all of it.
_HEIGHTS = " ▁▂▃▄▅▆▇█"
_FULL, _EMPTY = "█", "·"


def curve(values: np.ndarray, rows: int = 4) -> Iterator[str]:
    """Yield the lines of a curve from 0 to its largest value, the highest first.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Heights, one for each column of the terminal; not below 0.
    rows : int
        Lines of the chart.

    Examples
    --------
    >>> list(curve(np.array([4.0, 2.0, 1.0]), rows=2))
    ['█  ', '██▄']
    """
    top = float(np.max(values, initial=0.0)) or 1.0
    eighths = np.rint(np.clip(values, 0.0, None) / top * rows * 8).astype(int)
    for row in reversed(range(rows)):
        yield "".join(_HEIGHTS[int(level)] for level in np.clip(eighths - 8 * row, 0, 8))


def bar(share: float, width: int) -> str:
    """Return a bar that is filled to a share of its width.

    Examples
    --------
    >>> bar(0.5, 4), bar(-1.0, 4), bar(9.0, 4)
    ('██··', '····', '████')
    """
    filled = round(min(max(share, 0.0), 1.0) * width)
    return _FULL * filled + _EMPTY * (width - filled)


def stretches(
    pieces: Sequence[tuple[float, float]],
    best: float,
    width: int,
    span: tuple[float, float],
) -> tuple[str, str]:
    r"""Return two lines: where on a logarithmic axis of T low something holds, and its ticks.

    Parameters
    ----------
    pieces : sequence of (float, float)
        Ends of each stretch [s].
    best : float
        A place that is marked [s]; NaN for none.
    width : int
        Columns of the axis.
    span : (float, float)
        Its ends [s].

    Examples
    --------
    >>> print("\n".join(stretches([(0.2, 0.7)], 0.37, 30, (0.1, 2.0))))
    ·······██████◆██████··········
    0.1    0.2      0.5   1      2
    """
    low, high = np.log(span)

    def place(seconds: float) -> int:
        return round(float((np.log(seconds) - low) / (high - low)) * (width - 1))

    line = [_EMPTY] * width
    for start, end in pieces:
        first, last = max(place(start), 0), min(place(end), width - 1)
        line[first : last + 1] = _FULL * (last + 1 - first)
    if np.isfinite(best) and 0 <= place(best) < width:
        line[place(best)] = "◆"
    ticks = [" "] * (width + 4)
    for tick in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0):
        if span[0] * 0.999 <= tick <= span[1] * 1.001:
            text, at = f"{tick:g}", place(tick)
            if not "".join(ticks[max(at - 1, 0) : at + len(text)]).strip():
                ticks[at : at + len(text)] = text
    return "".join(line), "".join(ticks).rstrip()
