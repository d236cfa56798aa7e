"""What one step of each setting does, as a coloured table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, ListedColormap

from ebbmap.digits import share_text
from ebbmap.kernels.judging import CAUTION, SAFE
from ebbmap.plotting.style import FAINT, INK, dress, own_axes

#: From falls to rises; light enough for dark numbers on both ends.
CHANGE_MAP = LinearSegmentedColormap.from_list("change", ["#9cc0e2", "#f7f5f0", "#eeb98e"])

#: Behind a margin: some hard limit broken, all kept.
MARGIN_MAP = ListedColormap(["#e3dfd8", "#b9dbe3"])

#: From no lung against common practice to all of them.
AGAINST_MAP = LinearSegmentedColormap.from_list("against", ["#f7f5f0", "#eeb98e"])

#: Variable, heading, decimals, factor on the written numbers.
Column = tuple[str, str, int, float]


def plot_adjust(result: xr.Dataset, *, columns: Sequence[Column], ax: Axes | None = None) -> Axes:
    """Draw the change of some outcomes with every move, as a table.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `adjust`, with the moves to show.
    columns : sequence of (str, str, int, float)
        Variables, their headings, and how their numbers are written.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With one image: each column's changes over its largest one. The numbers are written in
        the cells; a dash where a move is not possible.
    """
    changes = np.stack([result[name].values for name, *_ in columns], axis=1)
    largest = np.nanmax(np.abs(changes), axis=0, initial=0.0, where=np.isfinite(changes))
    scaled = changes / np.where(largest > 0, largest, 1.0)
    ax = own_axes(ax)
    ax.imshow(scaled, cmap=CHANGE_MAP, vmin=-1, vmax=1, aspect="auto")
    for column, (_, _, digits, factor) in enumerate(columns):
        texts = [_signed(value * factor, digits) for value in changes[:, column]]
        _write(ax, column, texts)
    _frame(
        ax, [heading for _, heading, _, _ in columns], result["move"].values.astype(str).tolist()
    )
    return ax


def plot_adjust_margins(
    result: xr.Dataset, *, headings: Sequence[str], ax: Axes | None = None
) -> Axes:
    """Draw the safety margin after every move, a column for each rule, as a table.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `adjust`, with the moves to show.
    headings : sequence of str
        One for each rule.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With one image: 1 where every hard limit is kept, else 0. The margins are written in the
        cells, with a cross where a limit is broken.
    """
    ax = own_axes(ax)
    kept = np.isin(result["verdict"].transpose("move", "rule").values, (SAFE, CAUTION)).astype(
        float
    )
    margins = result["margin"].transpose("move", "rule").values
    kept = np.where(np.isfinite(margins), kept, np.nan)
    ax.imshow(kept, cmap=MARGIN_MAP, vmin=0, vmax=1, aspect="auto")
    for column in range(len(headings)):
        texts = [
            "–" if not np.isfinite(margin) else f"{'' if ok else '✕ '}{margin:.2f}"
            for margin, ok in zip(margins[:, column], kept[:, column] > 0, strict=True)
        ]
        _write(ax, column, texts)
    _frame(ax, headings, result["move"].values.astype(str))
    return ax


def _signed(value: float, digits: int) -> str:
    """Write a number with its sign; a dash where it is not known."""
    if not np.isfinite(value):
        return "–"
    return "0" if round(abs(value), digits) == 0 else f"{value:+.{digits}f}".replace("-", "−")


def _write(ax: Axes, column: int, texts: Sequence[str]) -> None:
    """Write texts into the cells of a column."""
    for row, text in enumerate(texts):
        ax.text(column, row, text, ha="center", va="center", color=INK)


def _frame(ax: Axes, headings: Iterable[str], rows: Iterable[str]) -> None:
    """Turn axes with an image into a table with headings and named rows."""
    headings, rows = list(headings), list(rows)
    dress(ax)
    ax.set_xticks(range(len(headings)), headings)
    ax.xaxis.tick_top()
    ax.set_yticks(range(len(rows)), [row.replace("-", "−") for row in rows])
    ax.tick_params(length=0)
    ax.spines[["left", "bottom"]].set_visible(False)
    for edge in np.arange(0.5, len(rows) - 1):
        ax.axhline(edge, color="white", lw=2.0)
    for edge in np.arange(0.5, len(headings) - 1):
        ax.axvline(edge, color="white", lw=2.0)
    ax.tick_params(axis="x", colors=FAINT, labelcolor=INK)


def plot_adjust_practice(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw in how many lungs of each population a step goes against common practice.

    Parameters
    ----------
    result : xarray.Dataset
        Result of `adjust`, with drawn lungs.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With one image: the share, a row for each practice, a column for each population.
    """
    ax = own_axes(ax)
    shares = result["against_share"].transpose("practice", "population").values
    ax.imshow(shares, cmap=AGAINST_MAP, vmin=0, vmax=1, aspect="auto")
    for column in range(shares.shape[1]):
        _write(ax, column, [share_text(share) for share in shares[:, column]])
    headings, rows = (result[dim].values.astype(str) for dim in ("population", "practice"))
    _frame(ax, headings, rows)
    return ax
