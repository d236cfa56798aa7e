"""What the page shows, computed on a grid of T low, resistance and compliance.

Sizes: b hard bounds, l levels of own breathing.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import describe, label, provenance
from ebbmap.cases.simulate import simulate
from ebbmap.cases.start import OWN_BREATHING, started
from ebbmap.cases.waveforms import CLEAR, waveforms
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import bound_margins
from ebbmap.lungs import DEFAULT_LUNG, lung_model
from ebbmap.lungs.tracheal_tube import tracheal_tube
from ebbmap.registries.limits import LimitSet, limit_set
from ebbmap.registries.parameters import SPONTANEOUS, parameter
from ebbmap.registries.populations import POPULATIONS
from ebbmap.registries.signals import SIGNALS

#: Axes of the grid, in the order of every array: evenly spaced in the logarithm; the ends are
#: those of the sliders.
AXES = MappingProxyType(
    {
        "resistance_exp": np.geomspace(3.0, 40.0, 14),
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
    "spo2",
    "time_constant_exp",
    "release_in_time_constants",
)

#: Curves that the page draws.
CURVES = ("alveolar_pressure", "flow", "volume")

#: Shown for each level of the patient's own breathing; the rest does not depend on it.
BY_LEVEL = ("paco2", "spo2", "co2_balance")

#: What judges. The rules for T low are shown beside it.
JUDGED_BY = "harm"


#: A tracheal tube, whose turbulent part no slider moves.
TUBE = float(tracheal_tube(7.5)[1])

#: Middle lungs with a larger slow part than this are not on the page.
SLOW_AT_MOST = 0.3

#: Margin of a bound where the body has no steady state: as far outside as a limit is wide.
NO_STEADY_STATE = -1.0


def teaching_grid(lung: str = DEFAULT_LUNG, **values: float) -> xr.Dataset:
    """Return everything that the page shows, on a grid of T low, resistance and compliance.

    Parameters
    ----------
    lung : str
        A lung model whose resistance can be set both ways by one slider.
    **values : float
        Settings and properties that have no slider, such as p_high. What is not given starts as
        commands do (`cases.start`), with a tracheal tube of 7.5 mm where the lung has one.

    Returns
    -------
    xarray.Dataset
        Dims (resistance_exp, compliance, t_low): the numbers in `SHOWN` and `p_high`; those in
        `BY_LEVEL` by level of own breathing, `margin` by `bound` and level; with a last dim
        `point` the curves in `CURVES`, first T high, then the release, at the shares `place` of
        the phase.

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
    start = {n: value for n, value in started(values)[0].items() if n != SPONTANEOUS}
    if "resistance_quadratic" in lung_model(lung).parameters:
        start = {"resistance_quadratic": TUBE, **start}
    given: dict[str, Any] = {**start, **grid, "resistance_insp": resistance_insp}
    limits = limit_set(JUDGED_BY)
    wanted = tuple(dict.fromkeys((*SHOWN, *BY_LEVEL, *limits.outcomes)))
    levels = xr.DataArray(
        list(OWN_BREATHING), dims=SPONTANEOUS, coords={SPONTANEOUS: [*OWN_BREATHING]}
    )
    solved = simulate(lung, outcomes=wanted, **{**given, SPONTANEOUS: levels})
    solved = solved.transpose(*AXES, SPONTANEOUS, ...)
    held = {name: float(solved[name]) for name in ("t_high", "p_low")}
    if not bool(np.isfinite(solved["release_volume"]).all()):
        raise EbbmapError(
            f"p_high must be above p_low; got {float(solved['p_high'].min()):g} and "
            f"{held['p_low']:g} cmH2O. Set a higher p_high, so that there is a release to show."
        )
    first = solved.isel({SPONTANEOUS: 0}, drop=True)
    frame = first["release_volume"]
    dataset = first[[name for name in SHOWN if name not in BY_LEVEL]].drop_vars("resistance_insp")
    for name in BY_LEVEL:
        dataset[name] = solved[name]
    p_high = (first["p_high"] + 0.0 * frame).transpose(*AXES)
    dataset = dataset.drop_vars("p_high").assign(p_high=label(p_high, "p_high"))
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
    for name in (*AXES, "resistance_insp", SPONTANEOUS):
        if name in values:
            raise EbbmapError(f"{name} is set by a slider or button of the page. Leave it out.")
        if name != SPONTANEOUS and name not in model.parameters:
            raise EbbmapError(
                f"the page needs a lung that takes {name}; got {lung!r}. Take the lung 'whole'."
            )


def _with_margins(dataset: xr.Dataset, limits: LimitSet, solved: xr.Dataset) -> xr.Dataset:
    """Add the margin of every hard bound at every level of own breathing, and its sentence."""
    margins = bound_margins(limits.hard, {name: solved[name].values for name in limits.outcomes})
    shape = (len(limits.hard), *solved["release_volume"].shape)
    margins = np.nan_to_num(np.broadcast_to(margins, shape), nan=NO_STEADY_STATE)
    dataset["margin"] = describe(
        xr.DataArray(margins, dims=("bound", *AXES, SPONTANEOUS)),
        "safety margin of every hard limit",
    )
    return dataset.assign_coords(
        bound=[bound.name for bound in limits.hard],
        bound_sentence=("bound", [bound.sentence for bound in limits.hard]),
    )


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
    high = "plateau_peep" if "plateau_peep" in solved.coords else "p_high"
    held = (high, "p_low", "t_high", "fio2", "resistance_quadratic", "predicted_body_weight")
    return ", ".join(
        parameter(name).say(float(solved[name]))
        for name in (*held, "co2_production")
        if name in solved.coords
    )


def middle_lungs() -> dict[str, tuple[float, float]]:
    """Return resistance and compliance of the middle lung of every bundled population.

    A population whose slow part decides is left out: no slider moves it.
    """
    return {
        name: (group.median["resistance_exp"], group.median["compliance"])
        for name, group in POPULATIONS.items()
        if group.median["slow_volume_share"] <= SLOW_AT_MOST
    }
