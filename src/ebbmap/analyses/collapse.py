"""Collapse and reopening within one settled cycle, for some release times and along T low."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import xarray as xr
from pydantic import Field
from scipy.interpolate import PchipInterpolator

from ebbmap.analyses.asked import Asked, values_complaint
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, Options, Positive, axis_of
from ebbmap.cases.evaluate import resolve
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.labelling import Variable, label_variables, signal_variables
from ebbmap.cases.pieces import Progress
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.cases.waveforms import CLEAR, waveforms
from ebbmap.errors import EbbmapError
from ebbmap.lungs import lung_model
from ebbmap.lungs.stepped.recruitment import held_open, open_fraction
from ebbmap.registries.limits import LIMIT_SETS, RULES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import Population

#: Release times that are drawn, unless the options name others [s].
DRAWN = (0.35, 0.9, 1.8)

#: Drawn before the release [s], and times in each phase.
BEFORE = 0.5
POINTS = 70

#: What the settled cycle adds.
KEPT = (
    "flow_ratio",
    "exhaled_fraction",
    "end_release_pressure",
    "open_fraction_end_high",
    "open_fraction_end_release",
    "closed_per_release",
)

#: Properties that say when units open and close.
PROPERTIES = (
    "recruitable_share",
    "opening_pressure",
    "opening_spread",
    "opening_time_constant",
    "closing_pressure",
    "closing_spread",
    "closing_time_constant",
)

#: The two ends of the range of T low in which a rule is kept.
ENDS = ("first", "last")


_T_LOW = Variable(PARAMETERS["t_low"].long_name, "s")

VARIABLES: Mapping[str, Variable] = {
    "time": Variable("time from the start of the release", "s"),
    "pressure_alone": Variable("open fraction, if units closed at once"),
    "closed_by_pressure": Variable("closed per release, if units closed at once"),
    "reopened": Variable("reopened in T high"),
    "rule_t_low": Variable("T low at which the rule is kept", "s"),
    "rule_closed": Variable("closed per release there"),
    "t_low": _T_LOW,
    "release": _T_LOW,
}


class Collapse(Options):
    """Units that close in a release and reopen in T high: some release times, and along T low."""

    t_low: list[Positive] = Field(
        default=list(DRAWN),
        min_length=1,
        max_length=4,
        description="release times that are drawn [s]",
    )


def find_collapse(
    question: Question,
    options: Collapse | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Follow what closes in a release and reopens in T high, in every population's middle lung.

    Parameters
    ----------
    question : Question
        A model with units that open and close, populations and settings other than T low.
    options : Collapse, optional
        T low whose cycle is drawn; they join the axis.
    axes : mapping of str to ndarray, shape (m,)
        Under ``t_low`` the T low at which the settled cycle is solved [s], increasing.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, release, point): the signals of one settled cycle, `time` from the start
        of the release [s], and `pressure_alone` (in the release; NaN elsewhere), what would still
        be open if units closed at once at the pressure that the lung has. Dims (population,
        t_low): outcomes of the settled cycle, and `closed_by_pressure`, what would have closed by
        the end of the release by that count. Dims (population, release): `reopened`, the rise of
        the open fraction in T high from its lowest. Dims (population, rule, end): `rule_t_low`,
        the first and last T low of the grid at which a rule is kept [s], NaN if there is none, and
        `rule_closed`, what closes per release there. Dims (population): the lung's properties.

    Raises
    ------
    EbbmapError
        If the model has no open fraction, if nothing can close, if the patient breathes, or if
        T high is not the same in every lung.

    Notes
    -----
    The pressure falls throughout a passive release, so what it alone would leave open is
    min(s, F_close(P)), with s what was open at the start. In the lung itself units that close
    later keep their gas longer, so its pressure is a little lower than if they closed at once.

    Examples
    --------
    >>> asked = Question("stepped", fixed={"recruitable_share": 0.3})
    >>> result = find_collapse(asked, Collapse(t_low=[2.0]), axes={"t_low": [0.4, 2.0]})
    >>> bool((result["closed_by_pressure"] > result["closed_per_release"]).sel(t_low=2.0).all())
    True
    """
    values = _middle_values(question)
    releases = np.asarray((options or Collapse()).t_low, float)
    places = axis_of(axes, "t_low")
    # a release that is on the grid up to rounding is not solved twice
    away = np.abs(places[:, None] - releases).min(axis=1) > CLEAR
    places = np.union1d(places[away], releases)
    axis = xr.DataArray(places, dims="t_low", coords={"t_low": places})
    varied = {**values, "t_low": axis}
    solved = simulate(question.lung, outcomes=KEPT, progress=progress, **varied)
    solved = solved[list(KEPT)].transpose("population", "t_low")
    solved = solved.drop_vars([n for n in solved.coords if n != "t_low"])
    drawn = xr.concat(
        [_one_cycle(question.lung, {**values, "t_low": one}) for one in releases],
        dim=xr.Variable("release", releases),
    ).transpose("population", "release", "point")
    dataset = xr.merge([solved, drawn], combine_attrs="drop").assign_coords(
        population=question.group_names
    )
    share = dataset["open_fraction_end_high"]
    dataset["closed_by_pressure"] = share - _left_open(
        share, solved["end_release_pressure"], values
    )
    for name in PROPERTIES:
        dataset[name] = values[name].copy()
    dataset = dataset.merge(_rule_ends(dataset))
    variables = {**signal_variables(lung_model(question.lung).signals), **VARIABLES}
    label_variables(dataset, variables, registry=(*PROPERTIES, *KEPT))
    use = Use(("t_low",), middle=True, outcomes=KEPT)
    return add_provenance(dataset, question, "collapse and reopening", use)


def _middle_values(question: Question) -> dict[str, Any]:
    """Return every parameter of the middle lungs but T low, by population.

    Raises
    ------
    EbbmapError
        If nothing can close, no cycle settles, or the lungs have no time axis in common.
    """
    if "open_fraction" not in lung_model(question.lung).signals:
        raise EbbmapError(f"in the lung {question.lung!r} no unit can close. Use 'stepped'.")
    lungs = [_lung(question, group) for group in question.groups()]
    values = {
        name: xr.DataArray([lung[name] for lung in lungs], dims="population") for name in lungs[0]
    }
    if not (values["recruitable_share"] > 0.0).all():
        raise EbbmapError("recruitable_share must be above 0, or nothing can close. Set it.")
    if (values["effort_pressure"] > 0.0).any():
        raise EbbmapError("effort_pressure must be 0: with effort no cycle settles. Set it to 0.")
    if np.ptp(values["t_high"].values) > 0.0:
        raise EbbmapError("t_high must be the same in every lung, to share a time axis. Fix it.")
    return values


def _lung(question: Question, group: Population | None) -> dict[str, float]:
    """Return every parameter of the model for one lung."""
    values = middle_lung(question, group, {})
    given = {name: array.values for name, array in as_arrays(values).items()}
    used = resolve(given, lung_model(question.lung).parameters)
    return {name: float(value) for name, value in used.items() if name != "t_low"}


def _one_cycle(lung: str, values: Mapping[str, Any]) -> xr.Dataset:
    """Return the signals from shortly before a release to the end of the next T high."""
    t_high = float(values["t_high"][0])
    t_low = float(values["t_low"])
    early = np.linspace(0.0, 1.0, POINTS) ** 2
    before = max(t_high - BEFORE, 0.0)
    filling = np.union1d(early * t_high * (1.0 - CLEAR), [before])
    times = np.concatenate([filling, t_high + early * t_low])
    signals = waveforms(lung, times=times, release_goes_on=True, **values)
    lead = np.flatnonzero((times >= before) & (times < t_high))
    order = np.concatenate([lead, np.arange(filling.size, times.size), np.arange(filling.size)])
    since = np.concatenate([times[lead], times[filling.size :], filling + t_high + t_low]) - t_high
    names = lung_model(lung).signals
    cycle = signals[list(names)].isel(time=order).drop_vars(list(signals.coords))
    cycle = cycle.rename(time="point")
    release = np.zeros(order.size, dtype=bool)
    release[lead.size : lead.size + POINTS] = True
    start = cycle["open_fraction"].isel(point=lead.size)
    left = _left_open(start, cycle["alveolar_pressure"], values)
    least = cycle["open_fraction"].isel(point=slice(lead.size, None)).min("point")
    return cycle.assign(
        time=("point", since),
        pressure_alone=left.where(xr.DataArray(release, dims="point")),
        reopened=cycle["open_fraction"].isel(point=-1) - least,
    )


def _left_open(
    start: xr.DataArray, pressure: xr.DataArray, values: Mapping[str, Any]
) -> xr.DataArray:
    """Return the open fraction that a falling pressure leaves, if units close at once."""
    share = values["recruitable_share"]
    openness = 1.0 - (1.0 - start) / share
    held = xr.apply_ufunc(held_open, pressure, values["closing_pressure"], values["closing_spread"])
    left: xr.DataArray = open_fraction(np.minimum(openness, held), share)
    return left


def _rule_ends(dataset: xr.Dataset) -> xr.Dataset:
    """Find the first and last T low at which a rule is kept, and what then closes per release."""
    shape = dataset.sizes["population"], len(RULES), len(ENDS)
    when, closed = np.full(shape, np.nan), np.full(shape, np.nan)
    place = dataset["t_low"].values
    for lung in range(shape[0]):
        one = dataset.isel(population=lung)
        solved = np.isfinite(one["closed_per_release"].values)
        if place.size < 2 or not solved.all():
            continue
        closing = PchipInterpolator(place, one["closed_per_release"].values)
        for number, rule in enumerate(RULES):
            ends = _kept_range(place, one[rule].values, rule)
            if len(ends) == len(ENDS):
                when[lung, number], closed[lung, number] = ends, closing(ends)
    dims = ("population", "rule", "end")
    return xr.Dataset(
        {"rule_t_low": (dims, when), "rule_closed": (dims, closed)},
        {"rule": list(RULES), "end": list(ENDS)},
    )


def _kept_range(place: np.ndarray, share: np.ndarray, rule: str) -> list[float]:
    """Find the ends between which a rule keeps a share that runs one way along places, or none."""
    bounds = LIMIT_SETS[rule].hard
    kept = np.all([bound.margin(share) >= 0.0 for bound in bounds], axis=0)
    # shape-keeping cubics run one way wherever the shares do
    curve = PchipInterpolator(place, share)
    ends = [root for one in bounds for root in curve.solve(one.value, extrapolate=False)[:1]]
    return sorted({*ends, *place[:1][kept[:1]].tolist(), *place[-1:][kept[-1:]].tolist()})


def _check(asked: Asked) -> Iterator[str]:
    """Check that units can close, and that T low has an axis and times that can be drawn."""
    place, study = asked.place, asked.study
    fixed, lung = study.table("fixed"), study.lung
    if "t_low" not in study.table("axes"):
        yield f"{place}: t_low has no axis. Add [axes.t_low]."
    if "open_fraction" not in lung.signals:
        yield f"{place}: in the lung {lung.name!r} no unit can close. Use 'stepped'."
        return
    if "recruitable_share" not in study.drawn and not fixed.get("recruitable_share"):
        yield f"{place}: nothing can close. Set fixed.recruitable_share above 0."
    if fixed.get("effort_pressure"):
        yield f"{place}: with effort no cycle settles. Set fixed.effort_pressure to 0."
    times = asked.raw.get("t_low")
    if isinstance(times, list) and (found := values_complaint("t_low", times)):
        yield f"{place}.t_low: {found}"


ANALYSIS = Analysis(
    name="collapse",
    long_name="collapse and reopening",
    options=Collapse,
    pieces=whole(find_collapse),
    size=middle_lungs(lambda question, options, axes: len(axes["t_low"]) + len(options.t_low)),
    variables=VARIABLES,
    lays_out=lambda asked: ["t_low"],
    check=_check,
)
