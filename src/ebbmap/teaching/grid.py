"""What the page shows, computed on a grid of T low, resistance and compliance."""

from __future__ import annotations

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
from ebbmap.registries.populations import POPULATIONS
from ebbmap.registries.signals import SIGNALS

#: Grid: first, last and number of values, evenly spaced in the logarithm; ends are the sliders'.
T_LOW = (0.2, 2.0, 20)
RESISTANCE = (5.0, 50.0, 12)
COMPLIANCE = (15.0, 110.0, 11)

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

#: What the sliders stand for.
_SLIDERS = ("t_low", "resistance_exp", "resistance_insp", "compliance")


def teaching_grid(lung: str = "linear", **values: float) -> xr.Dataset:
    """Solve everything that the page shows.

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
    model = lung_model(lung)
    for name in _SLIDERS:
        if name in values:
            raise EbbmapError(f"{name} is moved by a slider of the page. Leave it out.")
        if name not in model.parameters:
            raise EbbmapError(f"the page needs a lung with one compartment; {lung!r} is none.")
    axes = {
        name: np.geomspace(first, last, count)
        for name, (first, last, count) in (
            ("resistance_exp", RESISTANCE),
            ("compliance", COMPLIANCE),
            ("t_low", T_LOW),
        )
    }
    grid: dict[str, Any] = {
        name: xr.DataArray(axis, dims=name, coords={name: axis}) for name, axis in axes.items()
    }
    given = {
        **values,
        **grid,
        "resistance_insp": grid["resistance_exp"].drop_vars("resistance_exp"),
    }
    limits = _limits()
    wanted = tuple(dict.fromkeys((*SHOWN, *limits.outcomes)))
    solved = simulate(lung, outcomes=wanted, **given).transpose(*axes)
    if not bool(np.isfinite(solved["release_volume"]).all()):
        raise EbbmapError("p_high must be above p_low, so that there is a release to show.")
    dataset = solved[list(SHOWN)].drop_vars("resistance_insp")
    margins = bound_margins(limits.hard, {n: solved[n].values for n in limits.outcomes})
    dataset["margin"] = describe(
        xr.DataArray(margins, dims=("bound", *axes)), "safety margin of every hard limit"
    )
    dataset = dataset.assign_coords(
        bound=[bound.name for bound in limits.hard],
        bound_rule=("bound", [b.outcome if b.outcome in RULES else "both" for b in limits.hard]),
        bound_sentence=("bound", [bound.sentence for bound in limits.hard]),
    )
    t_high = float(solved["t_high"])
    place = np.linspace(0.0, 1.0, POINTS)
    curves = _curves(lung, given, axes, t_high, place)
    for name in CURVES:
        dataset[name] = describe(
            xr.DataArray(curves[name], dims=(*axes, "point")),
            SIGNALS[name].long_name,
            SIGNALS[name].units,
        )
    for name in axes:
        dataset[name] = label(dataset[name], name)
    return dataset.assign_coords(place=("point", np.concatenate([place**2, place]))).assign_attrs(
        provenance(
            "a page to play with",
            lung=lung,
            fixed=_fixed(solved),
            t_high=t_high,
            p_high=float(solved["p_high"]),
            p_low=float(solved["p_low"]),
        )
    )


def _limits() -> LimitSet:
    """Every bound of both rules; the page keeps the rules apart."""
    return combine("page", *(limit_set(name) for name in (*SETS, *RULES)))


def _curves(lung: str, given, axes, t_high: float, place: np.ndarray) -> dict[str, np.ndarray]:
    """Draw each T low by itself, since its times follow it; shape (resistance, ..., point)."""
    parts = []
    for t_low in axes["t_low"]:
        # the last time of a phase lies just before the jump, the first of the release behind it
        times = np.concatenate(
            [place**2 * (t_high - CLEAR), t_high + CLEAR + place * (t_low - 2.0 * CLEAR)]
        )
        drawn = waveforms(lung, times=times, **{**given, "t_low": t_low})
        parts.append(drawn.transpose("resistance_exp", "compliance", "time"))
    return {name: np.stack([part[name].values for part in parts], axis=2) for name in CURVES}


def _fixed(solved: xr.Dataset) -> str:
    """Say what is held, for the caption."""
    held = ("p_high", "p_low", "t_high", "predicted_body_weight", "co2_production")
    return ", ".join(parameter(name).say(float(solved[name])) for name in held if name in solved)


def middle_lungs() -> dict[str, tuple[float, float]]:
    """Resistance and compliance of the middle lung of every bundled population.

    Those that set the tube apart are left out: the page has no place for what the tube resists.
    """
    return {
        name: (group.median["resistance_exp"], group.median["compliance"])
        for name, group in POPULATIONS.items()
        if "resistance_quadratic" not in group.properties
    }
