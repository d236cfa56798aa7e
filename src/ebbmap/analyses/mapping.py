"""Factor mapping: which property sets the unsafe cases apart, at every place of an axis."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import xarray as xr

from ebbmap.analyses.common.events import (
    TOO_HIGH,
    TOO_LOW,
    UNSAFE,
    Events,
    event_words,
    find_events,
)
from ebbmap.analyses.common.factors import finish, place_pieces
from ebbmap.cases.checks import check_memory
from ebbmap.cases.design import RESAMPLING_STREAM, seed_stream
from ebbmap.cases.evaluate import unsolved
from ebbmap.cases.labelling import describe
from ebbmap.cases.pieces import Pieces, Progress, join_groups
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.contrast import LEAST_CASES, contrast_events, event_quantiles
from ebbmap.lungs import lung_model
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.outcomes import plan
from ebbmap.registries.populations import Population

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)

CI_CONTRAST = (
    "bootstrap of cases, normal above; below less twice the resamples' excess, and zero "
    "within the noise"
)

_TEXTS = {
    "distance": "distance of the property between cases with and without the event",
    "direction": "1: larger values with the event, -1: smaller",
    "distance_interval": "interval of the distance",
    "noise": "distance that equal distributions stay below",
    "share": "share of all cases that surely have the event",
    "cases": "cases that surely have the event",
    "undetermined": "share of all cases of which the event is not known",
    "quantiles": "quantiles of the property with and without the event",
}


def map_factors(
    question: Question,
    *,
    along: str,
    grid: np.ndarray,
    resamples: int = 100,
    level: float = 0.95,
    quantiles: Sequence[float] = QUANTILES,
    progress: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Set the unsafe cases beside the safe ones, at every place and split by what is broken.

    Parameters
    ----------
    question : Question
        Model, lungs with their correlations, samples, and the rules that are compared.
    along : str
        Parameter on the axis, such as t_low.
    grid : ndarray, shape (m,)
        Its values.
    resamples, level
        Bootstrap resamples of the lungs, and level of the intervals.
    quantiles : sequence of float
        Quantiles of each property to keep.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, event, along, parameter): `distance` (Kolmogorov-Smirnov), its
        interval, `direction` and `noise`; `quantiles` by `side` (with, without the event);
        `share`, `cases` and `undetermined`, all of all cases. Events are being unsafe, the two
        sides of the axis, and every hard bound; `trend` tells the side that a bound points to, on
        the average of the cases that break it.

    Raises
    ------
    EbbmapError
        For values that cannot be, or if no property varies.
    """
    return mapping_pieces(
        question, along=along, grid=grid, resamples=resamples, level=level, quantiles=quantiles
    ).whole(progress)


def mapping_pieces(
    question: Question,
    *,
    along: str,
    grid: np.ndarray,
    resamples: int,
    level: float,
    quantiles: Sequence[float] = QUANTILES,
) -> Pieces[xr.Dataset]:
    """Cut factor mapping into one population at one place; see `map_factors`."""

    def solve(group: Population | None, place: np.ndarray, progress: Progress) -> xr.Dataset:
        return _at_place(question, group, along, grid, place, resamples, level, quantiles, progress)

    return place_pieces(
        question,
        along,
        grid,
        solve,
        lambda rows: _finished(question, rows, along, resamples, level),
    )


def _finished(question, rows: list[xr.Dataset], along, resamples, level) -> xr.Dataset:
    dataset = join_groups(rows, question.group_names)
    for name, text in _TEXTS.items():
        dataset[name] = describe(dataset[name], text)
    interval = {"ci_method": CI_CONTRAST, "ci_level": level}
    dataset["distance_interval"].attrs |= interval
    # registry units differ between the properties, so one string cannot say them
    dataset["quantiles"].attrs["units"] = "see the parameter"
    events = {name: event_words(name, along) for name in (UNSAFE, TOO_LOW, TOO_HIGH)}
    dataset = finish(
        dataset,
        question,
        f"which property makes a value of {along} unsafe",
        along,
        f"Kolmogorov-Smirnov distance; none below {LEAST_CASES} cases on a side. Along {along}: "
        + "; ".join(f"{name}: {words}" for name, words in events.items())
        + ".",
        (),
        design=False,
    )
    dataset.attrs |= {"lungs": question.lungs, "resamples": resamples, **interval}
    return dataset


def varying(question: Question, values: dict[str, xr.DataArray]) -> list[str]:
    """Names of the drawn parameters that the lung model or an outcome of the rules uses.

    Raises
    ------
    EbbmapError
        If there are none.
    """
    used = all_inputs(plan(lung_model(question.lung), question.outcomes).parameters)
    names = [name for name, array in values.items() if "sample" in array.dims and name in used]
    if not names:
        raise EbbmapError("no property varies. Name a population, or give [samples].")
    return names


def _at_place(
    question, group: Population | None, along, grid, place, resamples, level, shares, progress
) -> xr.Dataset:
    values = draw_cases(question, group, {along: place})
    names = varying(question, values)
    check_memory(question.lungs, 2 * len(question.outcomes) + 4, "the mapping")
    solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
    solved = solved.transpose(along, "sample")
    properties = np.stack([_squeezed(values[name], along) for name in names], axis=1)
    number = int(np.flatnonzero(grid == place)[0])
    events = find_events(
        question,
        {name: _squeezed(array, along) for name, array in values.items()},
        {name: solved[name].values[0] for name in question.outcomes},
        along=along,
        ends=(float(np.min(grid)), float(np.max(grid))),
    )
    rules = []
    for found in events.values():
        happens = found.happens
        stream = seed_stream(question.seed, RESAMPLING_STREAM).spawn(len(grid))[number]
        one = contrast_events(
            properties, happens, known=found.known, resamples=resamples, level=level, rng=stream
        )
        quantiles = event_quantiles(properties, happens, shares, known=found.known)
        rules.append(_labelled(one, quantiles, found, names, along, place, shares))
    # rules differ in their limits; a limit that a rule does not know has no numbers under it
    every = list(dict.fromkeys(name for one in rules for name in one["event"].values.astype(str)))
    dim = xr.Variable("rule", list(question.rules))
    dataset = xr.concat([one.reindex(event=every) for one in rules], dim=dim)
    failed = int(unsolved(solved["status"].values).sum())
    return dataset.assign(failed=describe(xr.DataArray(failed), "cases that could not be solved"))


def _squeezed(array: xr.DataArray, along: str) -> np.ndarray:
    return array.isel({along: 0}).values if along in array.dims else array.values


def _trend(found: Events) -> np.ndarray:
    """Mean side of each event among its cases, shape (e,); NaN where there is none."""
    count = (found.side != 0).sum(axis=0)
    bounds = found.side.sum(axis=0) / np.where(count > 0, count, np.nan)
    return np.array([0.0, 1.0, -1.0, *bounds])


def _labelled(one, quantiles, found: Events, names, along, place, shares) -> xr.Dataset:
    cases = one.with_event[:, None]
    by = ("event", along, "parameter")
    return xr.Dataset(
        {
            "distance": (by, one.distance[:, None]),
            "direction": (by, one.direction[:, None]),
            "distance_interval": ((*by, "ci_bound"), one.interval[:, None]),
            "noise": (by[:2], one.noise[:, None]),
            "cases": (by[:2], cases.astype(float)),
            "share": (by[:2], cases / len(found.known)),
            "undetermined": (by[:2], 1.0 - found.known.mean(axis=0)[:, None]),
            "quantiles": (
                ("event", along, "side", "parameter", "quantile"),
                quantiles[:, None],
            ),
            "trend": (
                by[:2],
                _trend(found)[:, None],
                {
                    "units": "1",
                    "long_name": f"1: broken where {along} is too low, -1: too high, "
                    "mean of the cases that blame a side",
                },
            ),
        },
        {
            "event": list(found.names),
            along: place,
            "parameter": names,
            "ci_bound": ["lower", "upper"],
            "side": ["with", "without"],
            "quantile": list(shares),
        },
    )
