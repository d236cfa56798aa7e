"""What the page shows, computed on a grid of T low, resistance and compliance."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import describe, label, provenance
from ebbmap.cases.simulate import simulate
from ebbmap.cases.waveforms import CLEAR, waveforms
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import bound_margins
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import RULES, LimitSet, combine, limit_set
from ebbmap.registries.parameters import parameter
from ebbmap.registries.populations import POPULATIONS, folded
from ebbmap.registries.signals import SIGNALS

#: Axes of the grid, in the order of every array: evenly spaced in the logarithm; the ends are
#: those of the sliders.
AXES = MappingProxyType(
    {
        "resistance_exp": np.geomspace(5.0, 50.0, 12),
        "compliance": np.geomspace(15.0, 110.0, 11),
        "t_low": np.geomspace(0.2, 2.0, 20),
    }
)

#: Points in each phase. In T high they lie close together early on, where the lung fills fast.
POINTS = 18

#: Numbers that the page shows.
SHOWN = (
    "release_volume",
    "trapped_volume",
    "auto_peep",
    "flow_ratio",
    "exhaled_fraction",
    "paco2",
    "time_constant_exp",
    "release_in_time_constants",
)

#: Curves that the page draws.
CURVES = ("alveolar_pressure", "flow", "volume")

#: What is judged besides each rule.
SETS = ("pressure", "volume", "auto_peep")


def teaching_grid(lung: str = "linear", **values: float) -> xr.Dataset:
    """Return everything that the page shows, on a grid of T low, resistance and compliance.

    Parameters
    ----------
    lung : str
        A lung model with one compartment: its resistance is set both ways by one slider.
    **values : float
        Settings and properties that have no slider, such as p_high.

    Returns
    -------
    xarray.Dataset
        Dims (resistance_exp, compliance, t_low): the numbers in `SHOWN` and `margin` by `bound`;
        with a last dim `point` the curves in `CURVES`, first T high, then the release, at the
        shares `place` of the phase. `bound_rule` says to which rule a bound belongs ("both").

    Raises
    ------
    EbbmapError
        If a slider's parameter is given, the lung does not have it, or p_high <= p_low.

    Examples
    --------
    >>> grid = teaching_grid(p_high=24.0)
    >>> sorted(grid["flow_ratio"].dims)
    ['compliance', 'resistance_exp', 't_low']
    """
    _check_sliders(lung, values)
    grid: dict[str, Any] = {
        name: xr.DataArray(axis, dims=name, coords={name: axis}) for name, axis in AXES.items()
    }
    resistance_insp = grid["resistance_exp"].drop_vars("resistance_exp")
    given = {**values, **grid, "resistance_insp": resistance_insp}
    limits = _limits()
    wanted = tuple(dict.fromkeys((*SHOWN, *limits.outcomes)))
    solved = simulate(lung, outcomes=wanted, **given).transpose(*AXES)
    held = {name: float(solved[name]) for name in ("t_high", "p_high", "p_low")}
    if not bool(np.isfinite(solved["release_volume"]).all()):
        raise EbbmapError(
            f"p_high must be above p_low; got {held['p_high']:g} and {held['p_low']:g} cmH2O. "
            "Set a higher p_high, so that there is a release to show."
        )
    dataset = solved[list(SHOWN)].drop_vars("resistance_insp")
    dataset = _with_margins(dataset, limits, solved)
    place = np.linspace(0.0, 1.0, POINTS)
    for name, values_along in _curves(lung, given, held["t_high"], place).items():
        signal = SIGNALS[name]
        curve = xr.DataArray(values_along, dims=(*AXES, "point"))
        dataset[name] = describe(curve, signal.long_name, signal.units)
    for name in AXES:
        dataset[name] = label(dataset[name], name)
    dataset = dataset.assign_coords(place=("point", np.concatenate([place**2, place])))
    made_by = provenance("a page to explore", lung=lung, fixed=_held_text(solved))
    return dataset.assign_attrs(made_by | held)


def _check_sliders(lung: str, values: Mapping[str, float]) -> None:
    """Refuse a value that a slider sets, and a lung that a slider does not suit."""
    model = lung_model(lung)
    for name in (*AXES, "resistance_insp"):
        if name in values:
            raise EbbmapError(f"{name} is set by a slider of the page. Leave it out.")
        if name not in model.parameters:
            raise EbbmapError(
                f"the page needs a lung with one compartment; got {lung!r}, which has no {name}. "
                "Take the lung 'linear'."
            )


def _with_margins(dataset: xr.Dataset, limits: LimitSet, solved: xr.Dataset) -> xr.Dataset:
    """Add the margin of every hard bound, the rule it belongs to, and its sentence."""
    margins = bound_margins(limits.hard, {name: solved[name].values for name in limits.outcomes})
    dataset["margin"] = describe(
        xr.DataArray(margins, dims=("bound", *AXES)), "safety margin of every hard limit"
    )
    rules = [bound.outcome if bound.outcome in RULES else "both" for bound in limits.hard]
    return dataset.assign_coords(
        bound=[bound.name for bound in limits.hard],
        bound_rule=("bound", rules),
        bound_sentence=("bound", [bound.sentence for bound in limits.hard]),
    )


def _limits() -> LimitSet:
    """Return every bound of both rules; the page keeps the rules apart."""
    return combine("page", *(limit_set(name) for name in (*SETS, *RULES)))


def _curves(
    lung: str, given: Mapping[str, Any], t_high: float, place: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the curves, shape (resistance, compliance, T low, point).

    Each T low is drawn by itself, since the times follow it.
    """
    drawn = []
    for t_low in AXES["t_low"]:
        # the last time of a phase lies just before the jump, the first of the release behind it
        times = np.concatenate(
            [place**2 * (t_high - CLEAR), t_high + CLEAR + place * (t_low - 2.0 * CLEAR)]
        )
        curves = waveforms(lung, times=times, **{**given, "t_low": t_low})
        drawn.append(curves.transpose("resistance_exp", "compliance", "time"))
    return {name: np.stack([curves[name].values for curves in drawn], axis=2) for name in CURVES}


def _held_text(solved: xr.Dataset) -> str:
    """Return what is held, for the caption."""
    held = ("p_high", "p_low", "t_high", "predicted_body_weight", "co2_production")
    return ", ".join(parameter(name).say(float(solved[name])) for name in held if name in solved)


def middle_lungs() -> dict[str, tuple[float, float]]:
    """Return resistance and compliance of the middle linear lung of every bundled population."""
    lungs = {
        name: folded(group, lung_model("linear")).median for name, group in POPULATIONS.items()
    }
    return {name: (lung["resistance_exp"], lung["compliance"]) for name, lung in lungs.items()}
