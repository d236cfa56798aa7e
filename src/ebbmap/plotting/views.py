"""One way to draw any result: the name of its analysis, and axes of one's own.

Sizes: a result may have dimensions population, rule, outcome, event and so on; a view draws one
entry of each that it cannot draw together, the first unless another is named.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.errors import EbbmapError, shortened, unknown_name
from ebbmap.plotting.adjust import plot_adjust
from ebbmap.plotting.boxes import plot_boxes
from ebbmap.plotting.collapse import plot_collapse_closing
from ebbmap.plotting.compare import plot_compare_flow
from ebbmap.plotting.course import plot_course
from ebbmap.plotting.edge import plot_edge, room_words
from ebbmap.plotting.foretell import plot_foretell
from ebbmap.plotting.inside import plot_inside
from ebbmap.plotting.limits import plot_limits
from ebbmap.plotting.map import plot_map
from ebbmap.plotting.mapping import plot_mapping
from ebbmap.plotting.pages.adjust import COLUMNS
from ebbmap.plotting.pages.common import shown_outcomes
from ebbmap.plotting.profile import plot_profile
from ebbmap.plotting.rare import plot_rare
from ebbmap.plotting.robust import plot_robust
from ebbmap.plotting.rules import plot_rules
from ebbmap.plotting.screening import plot_screening
from ebbmap.plotting.shapley import plot_shapley, plot_shares
from ebbmap.plotting.slopes import plot_slopes
from ebbmap.plotting.sobol import plot_sobol
from ebbmap.plotting.startup import plot_startup
from ebbmap.plotting.strategies import plot_strategies
from ebbmap.plotting.style import colour_of, own_axes
from ebbmap.plotting.sweep import plot_sweep
from ebbmap.plotting.together import plot_together
from ebbmap.plotting.trade import plot_trade
from ebbmap.plotting.unknowns import plot_unknowns
from ebbmap.plotting.wean import plot_wean
from ebbmap.plotting.window import plot_window, plot_window_along
from ebbmap.registries.outcomes import OUTCOMES

Draw = Callable[..., Axes]


@dataclass(frozen=True)
class View:
    """How one analysis is drawn on single axes.

    Parameters
    ----------
    draw : callable
        ``draw(result, ax, **options) -> Axes``.
    one_of : tuple of str
        Dimensions of which one entry is drawn.
    one_of_along : tuple of str, optional
        The same where the result goes along an axis; as else if None.
    shades : callable
        ``shades(result) -> str``: what its map shows, where it has one.
    """

    draw: Draw
    one_of: tuple[str, ...] = ()
    one_of_along: tuple[str, ...] | None = None
    shades: Callable[[xr.Dataset], str] = lambda result: "share of lungs"

    def dims(self, result: xr.Dataset) -> tuple[str, ...]:
        """Return the dimensions of a result of which one entry is drawn."""
        if self.one_of_along is not None and result.attrs.get("along"):
            return self.one_of_along
        return self.one_of


def plot(kind: str, result: xr.Dataset, *, ax: Axes | None = None, **choice: Any) -> Axes:
    """Draw a result on axes.

    Parameters
    ----------
    kind : str
        Name of the analysis, as in a study file.
    result : xarray.Dataset
        What it gave.
    ax : Axes, optional
        Where to draw; new axes on a figure of their own if None.
    **choice : str or float
        Entry of a dimension, such as ``population="normal"`` or ``rule="harm"``, the first where
        none is named; and options of the drawing, such as ``outcome`` or ``along``.

    Returns
    -------
    Axes
        The same axes, with labels and units.

    Raises
    ------
    EbbmapError
        If there is no such analysis, entry or option.

    Examples
    --------
    >>> from ebbmap import find_profile
    >>> from ebbmap.cases.question import Question
    >>> asked = {"along": "t_low", "outcomes": ["auto_peep"]}
    >>> found = find_profile(Question("linear"), asked, axes={"t_low": np.array([0.3, 0.6])})
    >>> plot("profile", found).get_ylabel()
    'auto-PEEP [cmH₂O]'
    """
    if kind not in VIEWS:
        raise EbbmapError(unknown_name("analysis", kind, VIEWS))
    view = VIEWS[kind]
    one_of = view.dims(result)
    for dim in one_of:
        wanted = choice.pop(dim, None)
        if dim in result.dims:
            result = _entry(result, dim, wanted)
        elif wanted is not None and str(result.coords.get(dim, xr.DataArray("")).values) != wanted:
            raise EbbmapError(f"this result has no {dim}; got {dim}={shortened(wanted)}.")
    options = list(inspect.signature(view.draw).parameters)[2:]
    for name in choice:
        if name not in options:
            known = [*(dim for dim in one_of if dim in result.coords), *options]
            raise EbbmapError(unknown_name(f"choice for {kind}", name, known))
    return view.draw(result, own_axes(ax), **choice)


def plots() -> Mapping[str, Draw]:
    """Return every analysis that can be drawn, with ``plot_KEY(result, ax=None, **choice)``."""
    return MappingProxyType({kind: bound(kind) for kind in VIEWS})


def bound(kind: str) -> Draw:
    """Return `plot` for one analysis."""

    def plot_one(result: xr.Dataset, *, ax: Axes | None = None, **choice: Any) -> Axes:
        return plot(kind, result, ax=ax, **choice)

    plot_one.__name__ = plot_one.__qualname__ = f"plot_{kind}"
    plot_one.__doc__ = f"Draw a result of `{kind}` on axes; see `plot`."
    return plot_one


def _entry(result: xr.Dataset, dim: str, wanted: Any) -> xr.Dataset:
    if wanted is None:
        return result.isel({dim: 0})
    try:
        return result.sel({dim: wanted})
    except (KeyError, TypeError):
        known = [str(value) for value in result[dim].values]
        raise EbbmapError(unknown_name(dim, wanted, known)) from None


def _name(result: xr.Dataset) -> str:
    return str(result["population"].values) if "population" in result.variables else "all"


def _colour(result: xr.Dataset) -> str:
    return colour_of(_name(result), 0)


def _along(result: xr.Dataset) -> str:
    return str(result.attrs["along"])


def _adjust(result: xr.Dataset, ax: Axes) -> Axes:
    single = result.isel(move=np.flatnonzero(result["size"].values == 1))
    return plot_adjust(single, columns=[column for column in COLUMNS if column[0] in result], ax=ax)


def _given(result: xr.Dataset, ax: Axes) -> Axes:
    return plot_shares(result, "first", result["independent_total"], along=_along(result), ax=ax)


def _foretell(result: xr.Dataset, ax: Axes, way: str | None = None) -> Axes:
    return plot_foretell(result, way=way or str(result["way"].values[0]), ax=ax)


def _limits(result: xr.Dataset, ax: Axes) -> Axes:
    told = result.isel(bound=np.flatnonzero(result["limit"].values.astype(str) != ""))
    return plot_limits(told, colour=_colour(result), ax=ax)


def _map(result: xr.Dataset, ax: Axes) -> Axes:
    y, x = (str(dim) for dim in result["safe_share"].dims)
    return plot_map(result, x=x, y=y, ax=ax)


def _profile(
    result: xr.Dataset, ax: Axes, outcome: str | None = None, along: str | None = None
) -> Axes:
    outcome = outcome or next(str(name) for name in result.data_vars if str(name) in OUTCOMES)
    along = along or next(str(dim) for dim in result[outcome].dims if dim != "population")
    return plot_profile(result, outcome=outcome, along=along, ax=ax)


def _rules(result: xr.Dataset, ax: Axes) -> Axes:
    along = next(str(dim) for dim in result["sum"].dims if dim != "model")
    return plot_rules(result, along=along, ax=ax)


def _sobol(result: xr.Dataset, ax: Axes, outcome: str | None = None, index: str = "total") -> Axes:
    outcome = outcome or shown_outcomes(result["outcome"])[0]
    return plot_sobol(result, outcome=outcome, along=_along(result), index=index, ax=ax)


def _startup(result: xr.Dataset, ax: Axes, outcome: str = "end_release_pressure") -> Axes:
    return plot_startup(result, outcome=outcome, ax=ax)


def _strategies(result: xr.Dataset, ax: Axes, share: str = "unharmed_share") -> Axes:
    return plot_strategies(result, share=share, ax=ax)


def _sweep(
    result: xr.Dataset, ax: Axes, outcome: str | None = None, along: str | None = None
) -> Axes:
    outcome = outcome or next(str(name) for name in result.data_vars if str(name) in OUTCOMES)
    return plot_sweep(result, outcome=outcome, along=along, ax=ax)


def _trade(result: xr.Dataset, ax: Axes, x: str | None = None, y: str | None = None) -> Axes:
    first, second = str(result.attrs["costs"]).split()[:2]
    return plot_trade(result, x=x or first, y=y or second, colour=_colour(result), ax=ax)


def _unknowns(result: xr.Dataset, ax: Axes) -> Axes:
    from ebbmap.analyses.unknowns import leading, number_words

    labels = {name: number_words(name) for name in leading(result)[:5]}
    return plot_unknowns(result, labels=labels, colour=_colour(result), ax=ax)


def _window(result: xr.Dataset, ax: Axes) -> Axes:
    return (plot_window_along if result.attrs.get("along") else plot_window)(result, ax=ax)


_POPULATION, _RULE = "population", "rule"
_OWN = "spontaneous_alveolar_ventilation"

#: How each analysis is drawn; the walking tests ask for all of them.
VIEWS: Mapping[str, View] = MappingProxyType(
    {
        "adjust": View(_adjust, (_POPULATION,)),
        "boxes": View(lambda result, ax: plot_boxes(result, ax=ax), (_RULE, "event")),
        "collapse": View(
            lambda result, ax: plot_collapse_closing(result, colour=_colour(result), ax=ax),
            (_POPULATION,),
        ),
        "compare": View(
            lambda result, ax: plot_compare_flow(result, colour=_colour(result), ax=ax),
            (_POPULATION, "case"),
        ),
        "course": View(lambda result, ax: plot_course(result, ax=ax)),
        "edge": View(
            lambda result, ax: plot_edge(result, ax=ax), (_RULE, _POPULATION), shades=room_words
        ),
        "foretell": View(_foretell, ("model", _RULE, _OWN)),
        "given": View(_given, (_POPULATION, "outcome")),
        "inside": View(lambda result, ax: plot_inside(result, ax=ax), (_POPULATION,)),
        "limits": View(_limits, (_RULE, _POPULATION)),
        "map": View(_map, (_POPULATION, _RULE)),
        "mapping": View(
            lambda result, ax: plot_mapping(result, along=_along(result), ax=ax),
            (_RULE, _POPULATION, "event"),
        ),
        "profile": View(_profile),
        "rare": View(lambda result, ax: plot_rare(result, along=_along(result), ax=ax), (_RULE,)),
        "robust": View(
            lambda result, ax: plot_robust(result, ax=ax),
            (_RULE,),
            shades=lambda result: str(result.attrs["goal"]),
        ),
        "rules": View(_rules, (_POPULATION,)),
        "screening": View(
            lambda result, ax: plot_screening(result, along=_along(result), ax=ax),
            (_POPULATION, "outcome"),
        ),
        "shapley": View(
            lambda result, ax: plot_shapley(result, along=_along(result), ax=ax),
            (_POPULATION, "outcome"),
        ),
        "slopes": View(
            lambda result, ax: plot_slopes(result, along=_along(result), ax=ax),
            (_POPULATION, "outcome"),
        ),
        "sobol": View(_sobol, (_POPULATION,)),
        "startup": View(_startup),
        "strategies": View(_strategies, (_RULE, _OWN)),
        "sweep": View(_sweep),
        "together": View(lambda result, ax: plot_together(result, ax=ax), (_RULE,)),
        "trade": View(_trade, (_RULE, _POPULATION)),
        "unknowns": View(_unknowns, (_RULE, _POPULATION, "conclusion")),
        "wean": View(lambda result, ax: plot_wean(result, ax=ax), (_RULE, _POPULATION)),
        "window": View(_window, (_RULE,), one_of_along=(_POPULATION,)),
    }
)
