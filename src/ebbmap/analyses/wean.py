"""Weaning: lower P high and lengthen T high towards continuous pressure, step by step."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import ceil
from typing import Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.practice import stand_ins
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, NotNegative, Options, Positive
from ebbmap.cases.evaluate import resolve
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.labelling import Variable, flags, label_variables
from ebbmap.cases.pieces import Progress, join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import add_verdict, simulate
from ebbmap.cases.steady import unsteady_words
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import UNDETERMINED, UNSAFE, VERDICTS
from ebbmap.kernels.paths import safest_path
from ebbmap.lungs import lung_model
from ebbmap.registries.bounds import with_steady_state
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import outcomes_of
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS, parameter
from ebbmap.registries.steady import BALANCES

#: P high less by this [cmH2O] with every step, T high longer by this for each [s cmH2O-1]:
#: summary of Habashi, Crit Care Med 2005;33(3 Suppl):S228 (1 to 2 cmH2O, 0.5 s per cmH2O).
P_HIGH_STEP = 2.0
SECONDS_PER_PRESSURE = 0.5

#: L min-1: alveolar ventilation that a patient is taken to breathe at most. An assumption.
OWN_BREATHING_AT_MOST = 5.0

#: What every step is looked at for.
WATCHED = (
    "paco2",
    "ph",
    "spo2",
    "closed_fraction",
    "mean_airway_pressure",
    "auto_peep",
    "release_volume_per_kg",
    "release_rate",
    "alveolar_ventilation",
)

#: The two routes.
COMMON, SAFEST = "common practice", "safest"


_PLACES = {
    name: Variable(parameter(name).long_name, parameter(name).units)
    for name in ("p_high", "t_high")
}

VARIABLES: Mapping[str, Variable] = {
    **_PLACES,
    **{f"route_{name}": variable for name, variable in _PLACES.items()},
    "own_breathing": Variable(parameter(SPONTANEOUS).long_name, parameter(SPONTANEOUS).units),
    "unsteady": Variable("why there is no steady state; empty where there is one", None),
    "margin": Variable("safety margin"),
    "route_margin": Variable("safety margin"),
    "first_unsafe": Variable("first step that is not safe: weaning stops, and goes back a step"),
    "leaves": Variable("limit that the first unsafe step breaks", None),
    "verdict": flags("verdict", VERDICTS),
    "route_verdict": flags("verdict", VERDICTS),
}


class Wean(Options):
    """P high down and T high up, step by step, from the settings as they are."""

    p_high_end: Positive = Field(
        default=12.0, description="P high at the end of the path [cmH2O], below the present one"
    )
    p_high_step: Positive = Field(
        default=P_HIGH_STEP, description="P high less by this with every step [cmH2O]"
    )
    seconds_per_pressure: Positive = Field(
        default=SECONDS_PER_PRESSURE, description="T high longer by this for each cmH2O [s]"
    )
    own_breathing_at_most: NotNegative = Field(
        default=OWN_BREATHING_AT_MOST,
        description="the patient takes over the ventilation that releases lose, up to this "
        "alveolar ventilation [L/min]; 0 leaves own breathing as it is set",
    )


def find_wean(
    question: Question,
    options: Wean | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Follow common practice from the present settings, and search a safer path to its end.

    Parameters
    ----------
    question : Question
        Model, populations (their middle lungs), present settings, and the rules that judge.
    options : Wean, optional
        The end of the path and its steps.
    axes : mapping of str to ndarray
        Not used.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, p_high, t_high): `margin` and `verdict` of every place on the
        grid. Dims (population, rule, route, step): `route_p_high`, `route_t_high`, the outcomes
        in `WATCHED` that the lung has, `own_breathing`, `unsteady` in words, `route_margin` and
        `route_verdict`; NaN after the end. Dims (population, rule, route): `first_unsafe`, the
        first step that is not safe (-1 if all are), at which weaning stops and goes back, and
        `leaves`, which limit it breaks, in words.

    Raises
    ------
    EbbmapError
        For values that cannot be, no rule, or an end that is not below the start.

    Notes
    -----
    The patient takes over the alveolar ventilation that the releases lose, so that the whole
    stays, up to `own_breathing_at_most`; inspired oxygen is held. Where the lung solves for the
    patient's efforts, these are held instead. A step without a steady state of CO2 and oxygen is
    unsafe, whatever the limits. Both routes start and end at the same settings; the last step of
    P high is shorter where the steps do not fit.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> judged_by = {"pressure": limit_set("pressure")}
    >>> path = find_wean(Question(fixed={"p_high": 24.0}, rules=judged_by))
    >>> path["route_p_high"].sel(route="common practice").values[0, 0, :7].tolist()
    [24.0, 22.0, 20.0, 18.0, 16.0, 14.0, 12.0]
    """
    question.require_rules()
    options = options or Wean()
    model = lung_model(question.lung)
    kept = tuple(name for name in WATCHED if name in outcomes_of(model))
    wanted = tuple(dict.fromkeys((*kept, *BALANCES, *question.outcomes)))
    groups = []
    for group in question.groups():
        values = middle_lung(question, group, {})
        path = _grid(values, options)
        values = {name: v for name, v in values.items() if name not in stand_ins(path)}
        grid = _handed_over(question.lung, values, path, options)
        solved = simulate(question.lung, outcomes=wanted, progress=progress, **{**values, **grid})
        solved = solved.transpose("p_high", "t_high", ...)
        rules = [_one_rule(solved, limits, kept) for limits in question.rules.values()]
        groups.append(xr.concat(rules, dim=xr.Variable("rule", list(question.rules))))
    dataset = join_groups(groups, question.group_names)
    label_variables(dataset, VARIABLES, registry=kept)
    return add_provenance(
        dataset,
        question,
        "weaning towards continuous pressure",
        Use(middle=True, outcomes=wanted),
        own_breathing=_own_breathing(options),
        p_high_step=options.p_high_step,
        seconds_per_pressure=options.seconds_per_pressure,
        own_breathing_at_most=options.own_breathing_at_most,
    )


def _own_breathing(options: Wean) -> str:
    """Return what is said of own breathing and oxygen."""
    if not options.own_breathing_at_most:
        return "The patient's own breathing and inspired oxygen are held."
    return (
        "The patient takes over the alveolar ventilation that releases lose, up to "
        f"{options.own_breathing_at_most:g} L/min (assumption); inspired oxygen is held."
    )


def _handed_over(
    lung: str, values: Mapping[str, Any], grid: Mapping[str, xr.DataArray], options: Wean
) -> dict[str, xr.DataArray]:
    """Return the grid with own breathing, which rises by what the releases have lost."""
    given = {name: array.values for name, array in as_arrays(values).items()}
    efforts = "effort_pressure" in lung_model(lung).parameters
    names = (SPONTANEOUS, *(("effort_pressure",) if efforts else ()))
    own, *effort = (float(resolve(given, names)[name]) for name in names)
    if any(effort) or options.own_breathing_at_most <= own:
        return dict(grid)
    found = simulate(lung, outcomes=("alveolar_ventilation",), **{**values, **grid})
    total = found["alveolar_ventilation"].reset_coords(drop=True).drop_attrs()
    lacking = (total.isel(p_high=0, t_high=0, drop=True) - total).clip(min=0.0).fillna(0.0)
    return {**grid, SPONTANEOUS: (own + lacking).clip(max=options.own_breathing_at_most)}


def _grid(values: Mapping[str, Any], options: Wean) -> dict[str, xr.DataArray]:
    """Return P high down and T high up, as many places each, from what is set."""
    given = {name: array.values for name, array in as_arrays(values).items()}
    # the plateau, if P high comes from it, takes the compliance
    found = resolve(given, ("p_high", "t_high", "compliance"))
    now = {name: float(found[name]) for name in ("p_high", "t_high")}
    end = options.p_high_end
    if not end < now["p_high"]:
        raise EbbmapError(
            f"p_high_end must be below the present P high of {now['p_high']:g} cmH₂O; got {end:g}."
        )
    steps = _steps_between(now["p_high"], end, options.p_high_step)
    p_high = np.maximum(now["p_high"] - options.p_high_step * np.arange(steps + 1), end)
    t_high = now["t_high"] + (now["p_high"] - p_high) * options.seconds_per_pressure
    return {
        "p_high": xr.DataArray(p_high, dims="p_high", coords={"p_high": p_high}),
        "t_high": xr.DataArray(t_high, dims="t_high", coords={"t_high": t_high}),
    }


def _steps_between(start: float, end: float, step: float) -> int:
    """Return how many steps there are, the last shorter where they do not fit.

    Examples
    --------
    >>> _steps_between(25.0, 12.0, 2.0), _steps_between(24.0, 12.0, 2.0)
    (7, 6)
    """
    # a rest below a millionth of a step is rounding
    return max(1, ceil((start - end) / step - 1e-6))


def _one_rule(solved: xr.Dataset, limits: LimitSet, kept: tuple[str, ...]) -> xr.Dataset:
    limits = with_steady_state(limits, solved.data_vars)
    judged = add_verdict(solved, limits)
    margins = judged["margin"].values
    diagonal = np.repeat(np.arange(margins.shape[0])[:, None], 2, axis=1)
    routes = [_one_route(judged, path, limits, kept) for path in (diagonal, safest_path(margins))]
    dataset = xr.concat(routes, dim=xr.Variable("route", [COMMON, SAFEST]))
    dims = ("p_high", "t_high")
    return dataset.assign(
        margin=(dims, margins), verdict=(dims, judged["verdict"].values)
    ).assign_coords(p_high=solved["p_high"].values, t_high=solved["t_high"].values)


def _one_route(
    judged: xr.Dataset, path: np.ndarray, limits: LimitSet, kept: tuple[str, ...]
) -> xr.Dataset:
    """Follow places of the grid; padded to the longest path there can be."""
    longest = judged.sizes["p_high"] + judged.sizes["t_high"] - 1
    rows, columns = path.T
    names = (*kept, "margin", "verdict")
    found = {name: judged[name].values[rows, columns].astype(float) for name in names}
    own = judged[SPONTANEOUS].broadcast_like(judged["verdict"]).transpose("p_high", "t_high")
    found["own_breathing"] = own.values[rows, columns]
    found["route_p_high"] = judged["p_high"].values[rows]
    found["route_t_high"] = judged["t_high"].values[columns]
    bad = np.flatnonzero(np.isin(found["verdict"], (UNSAFE, UNDETERMINED)))
    found["route_margin"], found["route_verdict"] = found.pop("margin"), found.pop("verdict")
    if not len(path):
        leaves = "no path: a place on the way cannot be judged"
    elif not bad.size:
        leaves = "no limit broken"
    else:
        bound = int(judged["binding"].values[rows[bad[0]], columns[bad[0]]])
        unsafe = found["route_verdict"][bad[0]] == UNSAFE
        leaves = limits.hard[bound].sentence if unsafe else "cannot be judged"
    pad = np.full(longest, np.nan)
    said = judged.isel(p_high=xr.DataArray(rows, dims="s"), t_high=xr.DataArray(columns, dims="s"))
    words = np.append(unsteady_words(said), [""] * longest)[:longest]
    return xr.Dataset(
        {
            **{n: ("step", np.concatenate([v, pad])[:longest]) for n, v in found.items()},
            "unsteady": ("step", words.astype(str)),
            "first_unsafe": int(bad[0]) if bad.size else -1,
            "leaves": leaves,
        },
        {"step": np.arange(longest)},
    )


def _steps(question: Question, options: Wean, axes: Axes) -> int:
    start = question.fixed.get("p_high", PARAMETERS["p_high"].default)
    return (_steps_between(float(start), options.p_high_end, options.p_high_step) + 1) ** 2


def _check(asked: Asked) -> Iterator[str]:
    end, now = asked.raw.get("p_high_end"), asked.study.table("fixed").get("p_high")
    if isinstance(end, (int, float)) and isinstance(now, (int, float)) and not end < now:
        yield f"{asked.place}.p_high_end: must be below P high of {now:g}; got {end:g}."


ANALYSIS = Analysis(
    name="wean",
    long_name="weaning towards continuous pressure",
    options=Wean,
    pieces=whole(find_wean),
    size=middle_lungs(_steps),
    variables=VARIABLES,
    check=_check,
    computes=lambda options: None,
)
