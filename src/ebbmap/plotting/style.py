"""One look for every figure: own colours, safe for colour-blind eyes and in grey print."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.cm import ScalarMappable
from matplotlib.colorbar import Colorbar
from matplotlib.colors import LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from ebbmap.plotting.colours import COLOURS as COLOURS
from ebbmap.plotting.colours import CYCLE as CYCLE
from ebbmap.plotting.colours import FAINT as FAINT
from ebbmap.plotting.colours import GRID as GRID
from ebbmap.plotting.colours import INK as INK
from ebbmap.plotting.colours import fixed_colour
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import bracketed

MARKS = ("o", "s", "^", "D", "v", "P", "X", "*")

_SHARE_COLOURS = {0: "#f7f3ea", 0.15: "#c9ddb8", 0.4: "#6db09d", 0.7: "#22747f", 1: "#0a3a50"}

#: From nobody served to everybody served.
SHARE_MAP = LinearSegmentedColormap.from_list("share", list(_SHARE_COLOURS.items()))

#: Numbers of axes that show shares.
PERCENT = PercentFormatter(1.0, decimals=0, symbol=" %")

#: Lines of limits and of clock ranges, of what is not set, and of the quieter of two.
LONG_DASHES, DASHES, SHORT_DASHES = (0, (5, 3)), (0, (4, 3)), (0, (3, 2))

#: Ticks of T low on a logarithmic axis [s].
T_LOW_TICKS = (0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 4.0)


#: Keywords of a drawing that several calls share, or that a call has too many of for one line.
Look = dict[str, Any]


class Entry(NamedTuple):
    """One entry of a dataset along a dimension, and how it is drawn."""

    number: int
    name: str
    data: xr.Dataset
    colour: str


def entries(result: xr.Dataset, dim: str) -> Iterator[Entry]:
    """Yield each entry along a dimension whose coordinate holds names.

    Parameters
    ----------
    result : xarray.Dataset
        With the dimension `dim`.
    dim : str
        Such as "population" or "parameter".
    """
    for number, name in enumerate(result[dim].values.astype(str)):
        yield Entry(number, name, result.sel({dim: name}), colour_of(name, number))


def colour_of(name: str, number: int) -> str:
    """Return the colour of a named thing: its own, or the next of the cycle."""
    return fixed_colour(name) or CYCLE[number % len(CYCLE)]


def mark_of(number: int) -> str:
    """Return the mark of a line, so that lines which share a colour of the cycle differ in it.

    Examples
    --------
    >>> mark_of(0), mark_of(len(CYCLE))
    ('o', 's')
    """
    return MARKS[(number + number // len(CYCLE)) % len(MARKS)]


def text_of(array: xr.DataArray) -> str:
    """Return the text of an axis that shows a variable: its name in words and its unit."""
    return bracketed(str(array.attrs.get("long_name", array.name)), array.attrs.get("units", "1"))


def words(name: str) -> str:
    """Name in words of a parameter, an outcome, or one side of a limit."""
    if name in PARAMETERS:
        return PARAMETERS[name].long_name
    if name in OUTCOMES:
        return OUTCOMES[name].long_name
    for side, word in (("_low", "too low"), ("_high", "too high")):
        if name.endswith(side) and name.removesuffix(side) in OUTCOMES:
            return f"{OUTCOMES[name.removesuffix(side)].long_name} {word}"
    return name.replace("_", " ")


def judged_by(rule: str) -> str:
    """Name in words what judges: a rule for T low, or the limits, perhaps at a stated breathing.

    Examples
    --------
    >>> judged_by("flow_ratio"), judged_by("limits"), judged_by("no own breathing")
    ('flow ratio rule', 'limits', 'no own breathing')
    """
    return words(rule) if rule == "limits" or "own breathing" in rule else f"{words(rule)} rule"


def short(name: str) -> str:
    """Return the name of a parameter for legends and ticks; other names in words."""
    return PARAMETERS[name].short_name if name in PARAMETERS else words(name)


#: Mark of a text that names what ends beside the axes.
END = "end of a line"


def name_ends(ax: Axes, ends: Sequence[tuple[str, str, float]], gap: float) -> None:
    """Name lines beside the right edge of their axes.

    Parameters
    ----------
    ax : Axes
        The axes.
    ends : sequence of (str, str, float)
        Text, colour, and height at which the line ends [data].
    gap : float
        Least distance of two names [data]; a page sets it anew from the size of the texts.
    """
    look: Look = {"va": "center", "fontsize": 9, "annotation_clip": False, "gid": END}
    beside: Look = {"xycoords": ("axes fraction", "data"), "textcoords": "offset points"}
    placed = spread_labels([height for *_, height in ends], gap)
    for (text, colour, height), place in zip(ends, placed, strict=True):
        name = ax.annotate(text, (1.0, place), xytext=(6, 0), color=colour, **look, **beside)
        name.height = height  # type: ignore[attr-defined]


def own_axes(ax: Axes | None) -> Axes:
    """Return the given axes, or new ones on a figure of their own."""
    return Figure(figsize=(6.4, 4.4), layout="constrained").add_subplot() if ax is None else ax


def ruled_axes(ax: Axes | None, along: Any = "both") -> Axes:
    """Return the given axes, or new ones, with grid lines.

    Parameters
    ----------
    ax : Axes, optional
        Where to draw.
    along : {"both", "x", "y"}
        Which axis has them.
    """
    ax = own_axes(ax)
    ax.grid(axis=along, color=GRID, lw=0.8)
    return ax


def finish(ax: Axes, x: str | xr.DataArray, y: str | xr.DataArray) -> Axes:
    """Write both axes' labels, give the axes their frame and return them.

    Parameters
    ----------
    ax : Axes
        The axes.
    x, y : str or DataArray
        Label, or a variable that is named in words with its unit.
    """
    ax.set_xlabel(x if isinstance(x, str) else text_of(x))
    ax.set_ylabel(y if isinstance(y, str) else text_of(y))
    dress(ax)
    return ax


def add_share_scale(axes: Axes | np.ndarray, label: str) -> Colorbar:
    """Add the scale of `SHARE_MAP`, from none to all, beside axes that show shares by it.

    Parameters
    ----------
    axes : Axes or ndarray of Axes
        Panels that share the scale.
    label : str
        Of what the shares are.
    """
    first: Axes = axes if isinstance(axes, Axes) else axes.flat[0]
    shades = ScalarMappable(Normalize(0.0, 1.0), SHARE_MAP)
    ticks = [0.0, 0.25, 0.5, 0.75, 1.0]
    bar: Colorbar = first.figure.colorbar(
        shades, ax=axes, label=label, pad=0.01, ticks=ticks, format=PERCENT
    )
    bar.outline.set_visible(False)
    bar.ax.tick_params(colors=INK, labelsize=10)
    bar.ax.yaxis.label.set_color(INK)
    return bar


def say(ax: Axes, text: str, height: float = 0.5) -> None:
    """Write in the middle of axes why nothing is drawn, at a height [share of the axes]."""
    ax.text(0.5, height, text, transform=ax.transAxes, ha="center", color=FAINT)


def place_ticks(axis: Axis, ticks: Sequence[float]) -> None:
    """Give an axis these ticks and no others."""
    axis.set_ticks(ticks, [f"{tick:g}" for tick in ticks])
    axis.set_ticks([], minor=True)


def last_known(values: np.ndarray) -> float:
    """Return the last finite of some values, shape (n,); NaN if there is none.

    Examples
    --------
    >>> last_known(np.array([1.0, 2.0, np.nan])), last_known(np.array([np.nan]))
    (2.0, nan)
    """
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else np.nan


def dress(ax: Axes) -> None:
    """Draw axes in the project's plain frame."""
    ax.set_facecolor("white")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(FAINT)
    ax.tick_params(colors=INK, labelsize=10)
    ax.xaxis.label.set_color(INK)
    ax.yaxis.label.set_color(INK)
    ax.title.set_color(INK)
    ax.set_axisbelow(True)


def spread_labels(positions: Iterable[float], gap: float) -> list[float]:
    """Move labels apart so that neighbours are at least `gap` from each other, order kept.

    Examples
    --------
    >>> [round(float(place), 2) for place in spread_labels([0.0, 0.0, 1.0], 0.2)]
    [-0.1, 0.1, 1.0]
    """
    order = sorted(enumerate(positions), key=lambda item: item[1])
    clusters: list[tuple[list[int], float]] = []
    for index, position in order:
        clusters.append(([index], float(position)))
        while len(clusters) > 1:
            (left, a), (right, b) = clusters[-2:]
            if b - a >= gap * (len(left) + len(right)) / 2:
                break
            centre = (a * len(left) + b * len(right)) / (len(left) + len(right))
            clusters[-2:] = [(left + right, centre)]
    placed = dict.fromkeys(range(len(order)), 0.0)
    for members, centre in clusters:
        for rank, index in enumerate(members):
            placed[index] = centre + gap * (rank - (len(members) - 1) / 2)
    return [placed[index] for index in range(len(order))]
