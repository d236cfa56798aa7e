"""Factor mapping: which property sets the unsafe cases apart, at every place of an axis."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.common.checks import check_drawn_along
from ebbmap.analyses.common.events import (
    TOO_HIGH,
    TOO_LOW,
    UNSAFE,
    Events,
    event_words,
    find_events,
)
from ebbmap.analyses.common.factors import FAILED, count_failed, varying
from ebbmap.analyses.common.places import Place, analysis_along, pieces_along
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.options import NO_AXES, Along, Axes, refuse_unused
from ebbmap.cases.checks import check_memory
from ebbmap.cases.design import RESAMPLING_STREAM, seed_stream
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces, Progress
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.kernels.contrast import LEAST_CASES, Contrasts, contrast_events, event_quantiles

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)

CI_CONTRAST = (
    "bootstrap of cases, normal above; below less twice the resamples' excess, and zero "
    "within the noise"
)

VARIABLES: Mapping[str, Variable] = {
    "distance": Variable("distance of the property between cases with and without the event"),
    "direction": Variable("1: larger values with the event, -1: smaller"),
    "distance_interval": Variable("interval of the distance", "1", {"ci_method": CI_CONTRAST}),
    "noise": Variable("distance that equal distributions stay below"),
    "share": Variable("share of all cases that surely have the event"),
    "cases": Variable("cases that surely have the event"),
    "undetermined": Variable("share of all cases of which the event is not known"),
    # registry units differ between the properties, so one string cannot say them
    "quantiles": Variable(
        "quantiles of the property with and without the event", "see the parameter"
    ),
    "trend": Variable(
        "1: broken where {along} is too low, -1: too high, mean of the cases that blame a side"
    ),
    "failed": FAILED,
}


class FactorMapping(Along):
    """Which property sets the unsafe cases apart."""

    resamples: int = Field(
        default=100, ge=50, le=10_000, strict=True, description="bootstrap resamples of the lungs"
    )


def find_mapping(
    question: Question,
    options: FactorMapping | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Set the unsafe cases beside the safe ones, at every place and split by what is broken.

    Parameters
    ----------
    question : Question
        Model, lungs with their correlations, samples, and the rules that are compared.
    options : FactorMapping, optional
        The axis, the resamples, and the level of the intervals.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name, unless the options give them.
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

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> from ebbmap.registries.populations import population
    >>> judged_by = {"flow_ratio": limit_set("flow_ratio")}
    >>> normal = (population("normal"),)
    >>> asked = Question("linear", populations=normal, rules=judged_by, lungs=256)
    >>> found = find_mapping(asked, FactorMapping(at=[0.5], resamples=50))
    >>> found["direction"].sel(event="unsafe").values.ravel().tolist()
    [-1.0, -1.0, -1.0]
    """
    options = options or FactorMapping()
    refuse_unused(axes, options.along)
    return mapping_pieces(question, options, axes).whole(progress)


def mapping_pieces(
    question: Question, options: FactorMapping, axes: Axes = NO_AXES
) -> Pieces[xr.Dataset]:
    """Cut factor mapping into one population at one place; see `find_mapping`."""
    question.require_rules()
    grid, along = options.grid(axes), options.along
    said = "; ".join(f"{n}: {event_words(n, along)}" for n in (UNSAFE, TOO_LOW, TOO_HIGH))
    return pieces_along(
        question,
        options,
        axes,
        lambda here: _at_place(here, options, grid),
        variables=VARIABLES,
        title=f"which property makes a value of {along} unsafe",
        comment=f"Kolmogorov-Smirnov distance; none below {LEAST_CASES} cases on a side. "
        f"Along {along}: {said}.",
        design=False,
        attrs={
            "lungs": question.lungs,
            "resamples": options.resamples,
            "ci_method": CI_CONTRAST,
            "ci_level": options.level,
        },
    )


def _at_place(here: Place, options: FactorMapping, grid: np.ndarray) -> xr.Dataset:
    """Contrast every event of every rule at one place of a grid, shape (m,)."""
    question, along, place = here.question, options.along, here.grid
    values = draw_cases(question, here.group, {along: place})
    names = varying(question, values)
    check_memory(question.lungs, 2 * len(question.outcomes) + 4, "the mapping")
    solved = simulate(question.lung, outcomes=question.outcomes, progress=here.progress, **values)
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
            properties,
            happens,
            known=found.known,
            resamples=options.resamples,
            level=options.level,
            rng=stream,
        )
        quantiles = event_quantiles(properties, happens, QUANTILES, known=found.known)
        rules.append(_as_dataset(one, quantiles, found, names, along, place))
    # rules differ in their limits; a limit that a rule does not know has no numbers under it
    every = list(dict.fromkeys(name for one in rules for name in one["event"].values.astype(str)))
    dim = xr.Variable("rule", list(question.rules))
    dataset = xr.concat([one.reindex(event=every) for one in rules], dim=dim)
    return dataset.assign(failed=count_failed(solved))


def _squeezed(array: xr.DataArray, along: str) -> np.ndarray:
    return array.isel({along: 0}).values if along in array.dims else array.values


def _trend(found: Events) -> np.ndarray:
    """Return the mean side of each event among its cases, shape (e,); NaN where there is none."""
    count = (found.side != 0).sum(axis=0)
    bounds = found.side.sum(axis=0) / np.where(count > 0, count, np.nan)
    return np.array([0.0, 1.0, -1.0, *bounds])


def _as_dataset(
    contrast: Contrasts,
    quantiles: np.ndarray,
    found: Events,
    names: list[str],
    along: str,
    place: np.ndarray,
) -> xr.Dataset:
    cases = contrast.with_event[:, None]
    by = ("event", along, "parameter")
    return xr.Dataset(
        {
            "distance": (by, contrast.distance[:, None]),
            "direction": (by, contrast.direction[:, None]),
            "distance_interval": ((*by, "ci_bound"), contrast.interval[:, None]),
            "noise": (by[:2], contrast.noise[:, None]),
            "cases": (by[:2], cases.astype(float)),
            "share": (by[:2], cases / len(found.known)),
            "undetermined": (by[:2], 1.0 - found.known.mean(axis=0)[:, None]),
            "quantiles": (
                ("event", along, "side", "parameter", "quantile"),
                quantiles[:, None],
            ),
            "trend": (by[:2], _trend(found)[:, None]),
        },
        {
            "event": list(found.names),
            along: place,
            "parameter": names,
            "ci_bound": ["lower", "upper"],
            "side": ["with", "without"],
            "quantile": list(QUANTILES),
        },
    )


def _size(question: Question, options: FactorMapping, axes: Axes) -> Size:
    lungs = lungs_drawn(question)
    return Size(groups_of(question) * len(options.grid(axes)) * lungs, lungs, lungs)


ANALYSIS = analysis_along(
    "mapping",
    FactorMapping,
    long_name="factor mapping",
    pieces=mapping_pieces,
    size=_size,
    variables=VARIABLES,
    check=check_drawn_along,
    counts_cases=True,
)
