"""Boxes that hold the unsafe cases: short rules such as "resistance above 18, T low below 0.9"."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.common.checks import check_something_drawn
from ebbmap.analyses.common.events import (
    TOO_HIGH,
    TOO_LOW,
    UNSAFE,
    Events,
    event_words,
    find_events,
)
from ebbmap.analyses.common.factors import FAILED, count_failed, varying
from ebbmap.analyses.common.failures import range_words
from ebbmap.analyses.common.over import analysis_over, check_over, refuse_drawn
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.options import (
    NO_AXES,
    Axes,
    Options,
    ParameterName,
    Share,
    axes_of,
    refuse_unused,
)
from ebbmap.cases.design import RESAMPLING_STREAM, draw_random_design, seed_stream
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups, listed
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance, span_text
from ebbmap.kernels.boxes import Box, Stability, box_stability
from ebbmap.kernels.covering import Covering, find_covering
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import Population

#: Cases with an event below which no box is looked for: any five cases fit a box.
LEAST_EVENTS = 50

CI_BOX = "central interval over bootstrap resamples; coverage and density on cases left out"

#: Events for which a box is searched, the first of every rule.
BOXED = (UNSAFE, TOO_LOW, TOO_HIGH)

#: What to do where a setting is drawn with the lungs.
TRY_SETTINGS = "Try the lungs at settings."

_EDGE_UNITS = "see parameter_units"

VARIABLES: Mapping[str, Variable] = {
    "coverage": Variable("share of the cases with the event that lie in the box"),
    "density": Variable("share of the cases in the box that have the event"),
    "support": Variable("share of all cases that lie in the box"),
    "coverage_interval": Variable("interval of the coverage on other cases"),
    "density_interval": Variable("interval of the density on other cases"),
    "restricted": Variable("share of the resamples in which the edge is restricted"),
    "path_coverage": Variable("coverage after each peel"),
    "path_density": Variable("density after each peel"),
    "path_support": Variable("support after each peel"),
    "share": Variable("share of all cases that surely have the event"),
    "undetermined": Variable("share of all cases of which the event is not known; in no box"),
    # registry units differ between the parameters, so one string cannot say them
    "edge": Variable("edge of the box", _EDGE_UNITS),
    "edge_interval": Variable("interval of the edge", _EDGE_UNITS),
    "path_edge": Variable("edges after each peel", _EDGE_UNITS),
    "chosen_step": Variable("step before pasting", None),
    "sentence": Variable("the box in words", None),
    "cover_edge": Variable("edge of each box of the sequence", _EDGE_UNITS),
    "quasi_p": Variable("chance of as many events without this edge, on the same cases"),
    "cover_coverage": Variable("coverage of the boxes up to this one"),
    "cover_density": Variable("density of the boxes up to this one"),
    "cover_sentence": Variable("each box in words", None),
    "failed": FAILED,
    "parameter_units": Variable("units of the edges", None),
}


class Boxes(Options):
    """Boxes of properties and settings that hold the unsafe cases."""

    over: list[ParameterName] = Field(
        default=["t_low"],
        min_length=1,
        description="settings drawn evenly between the ends of their axes",
    )
    density: Annotated[float, Field(gt=0, le=1)] = Field(
        default=0.9, description="share of the cases in a box that must have the event"
    )
    resamples: int = Field(
        default=50, ge=10, le=10_000, strict=True, description="bootstrap resamples of a box"
    )
    most: int = Field(
        default=3, ge=1, le=10, strict=True, description="boxes that cover an event, at most"
    )
    level: Share = Field(default=0.95, description="level of the intervals")


def find_boxes(
    question: Question,
    options: Boxes | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Find the box of properties and settings that holds most unsafe cases.

    Parameters
    ----------
    question : Question
        Model, lungs with their correlations, samples, and the rules that are compared.
    options : Boxes, optional
        The settings that each lung is tried at, one value drawn evenly between the ends of each
        axis, of which the first splits the unsafe cases into the two sides; the share of a box
        that must have the event, the resamples, and the level of the intervals.
    axes : mapping of str to ndarray, shape (m,)
        The values of these settings, by name; only their ends are used.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, event): `edge` (parameter, bound_side), infinite where not
        restricted, with `edge_interval` and `restricted`; `coverage`, `density`, `support` with
        intervals; the trajectory `path_coverage`, `path_density`, `path_support`, `path_edge`
        (step); `sentence`; along `box`, `cover_edge` and `quasi_p` of a sequence of boxes, and
        what all boxes up to one come to, `cover_coverage` and `cover_density`. NaN, and a
        sentence that says so, below `LEAST_EVENTS` cases.

    Raises
    ------
    EbbmapError
        For values that cannot be, or a setting without values.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> from ebbmap.registries.populations import population
    >>> judged_by = {"flow_ratio": limit_set("flow_ratio")}
    >>> normal = (population("normal"),)
    >>> asked = Question("linear", populations=normal, rules=judged_by, lungs=256)
    >>> found = find_boxes(asked, Boxes(resamples=10), axes={"t_low": [0.2, 1.5]})
    >>> edge = found["edge"].sel(event="unsafe", parameter="t_low", bound_side="lower")
    >>> edge.values.round(1).tolist()
    [[0.3]]
    """
    options = options or Boxes()
    refuse_unused(axes, *options.over)
    return boxes_pieces(question, options, axes).whole(progress)


def boxes_pieces(question: Question, options: Boxes, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut the search for boxes into populations; see `find_boxes`."""
    question.require_rules()
    refuse_drawn(question, options.over, TRY_SETTINGS)
    groups, spans = question.groups(), axes_of(axes, *options.over)
    return listed(
        len(groups),
        lambda number, progress: _in_population(question, groups[number], spans, options, progress),
        lambda found: _finished(question, found, spans, options),
    )


def _finished(
    question: Question, found: list[xr.Dataset], axes: Axes, options: Boxes
) -> xr.Dataset:
    dataset = join_groups(found, question.group_names)
    units = [PARAMETERS[str(name)].units for name in dataset["parameter"].values]
    dataset = dataset.assign_coords(parameter_units=("parameter", units))
    label_variables(dataset, VARIABLES)
    interval: dict[str, str | float] = {"ci_method": CI_BOX, "ci_level": options.level}
    return add_provenance(
        dataset,
        question,
        "boxes that hold the unsafe cases",
        Use(tuple(axes), factors=True, outcomes=question.outcomes),
        comment="Edges are inside; a box is fitted to its cases, so judge it by the intervals.",
        lungs=question.lungs,
        along=next(iter(axes)),
        wanted_density=options.density,
        resamples=options.resamples,
        tried="; ".join(
            span_text(name, np.sort(axis)[[0, -1]], counted=False) for name, axis in axes.items()
        ),
        **interval,
    )


def _in_population(
    question: Question,
    group: Population | None,
    axes: Axes,
    options: Boxes,
    progress: Progress,
) -> xr.Dataset:
    values: dict[str, Any] = draw_cases(question, group, {})
    points = draw_random_design(tuple(axes), question.lungs, seed=question.seed)["unit"].values
    for column, (name, axis) in enumerate(axes.items()):
        span = axis.max() - axis.min()
        values[name] = xr.DataArray(axis.min() + span * points[:, column], dims="sample")
    names = varying(question, values)
    solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
    cases = np.stack([values[name].values for name in names], axis=1)
    along = next(iter(axes))
    streams = iter(
        seed_stream(question.seed, RESAMPLING_STREAM).spawn(len(BOXED) * len(question.rules))
    )
    events = find_events(
        question,
        {name: array.values for name, array in values.items()},
        {name: solved[name].values for name in question.outcomes},
        along=along,
        ends=(float(np.min(axes[along])), float(np.max(axes[along]))),
    )
    rules = []
    for found in events.values():
        each = [
            _box_of(found, number, cases, names, along, options, next(streams))
            for number in range(len(BOXED))
        ]
        rules.append(xr.concat(each, dim="event", join="outer"))
    dataset = xr.concat(rules, dim=xr.Variable("rule", list(question.rules)), join="outer")
    return dataset.assign(failed=count_failed(solved))


def _box_of(
    found: Events,
    number: int,
    cases: np.ndarray,
    names: list[str],
    along: str,
    options: Boxes,
    stream: np.random.SeedSequence,
) -> xr.Dataset:
    """Search the box of one event, if there are enough cases of it."""
    known = found.known[:, number]
    happens = found.happens[known, number]
    box = stable = covering = None
    if happens.sum() >= LEAST_EVENTS:
        covering = find_covering(cases[known], happens, density=options.density, most=options.most)
        box = covering.boxes[0]
        stable = box_stability(
            cases[known],
            happens,
            density=options.density,
            resamples=options.resamples,
            level=options.level,
            rng=stream,
        )
    shares = float(happens.sum()) / known.size, 1.0 - float(known.mean())
    found_box = _as_dataset(BOXED[number], names, along, box, stable, *shares)
    return found_box.assign(_covered(covering, names, options.most))


def _covered(covering: Covering | None, names: list[str], most: int) -> dict[str, Any]:
    """Return the boxes of a sequence as variables along `box`; NaN where there are fewer."""
    edges, chances = np.full((2, most, len(names), 2), np.nan)
    worth = np.full((2, most), np.nan)
    sentences = [""] * most
    boxes = covering.boxes if covering else ()
    for number, box in enumerate(boxes):
        edges[number] = np.stack([box.lower, box.upper], axis=1)
        sentences[number] = range_words(names, box.lower, box.upper)
    if covering:
        chances[: len(boxes)] = covering.quasi_p
        worth[:, : len(boxes)] = covering.coverage, covering.density
    dims = ("box", "parameter", "bound_side")
    return {
        "cover_edge": (dims, edges),
        "quasi_p": (dims, chances),
        "cover_coverage": ("box", worth[0]),
        "cover_density": ("box", worth[1]),
        "cover_sentence": ("box", sentences),
    }


def _as_dataset(
    event: str,
    names: list[str],
    along: str,
    box: Box | None,
    stable: Stability | None,
    share: float,
    undetermined: float,
) -> xr.Dataset:
    d = len(names)
    if box is None or stable is None:
        nothing = np.full(d, np.nan)
        path = np.full(1, np.nan)
        box = Box(nothing, nothing, *(np.nan,) * 3, 0, *(nothing[None],) * 2, *(path,) * 3)
        pair = np.full(2, np.nan)
        stable = Stability(np.full((d, 2), np.nan), np.full((d, 2, 2), np.nan), pair, pair)
        sentence = f"fewer than {LEAST_EVENTS} cases: {event_words(event, along)}"
    else:
        sentence = box_sentence(names, box, event_words(event, along))
    return xr.Dataset(
        {
            "edge": (("parameter", "bound_side"), np.stack([box.lower, box.upper], axis=1)),
            "edge_interval": (("parameter", "bound_side", "ci_bound"), stable.edges),
            "restricted": (("parameter", "bound_side"), stable.restricted),
            "coverage": ((), box.coverage),
            "density": ((), box.density),
            "support": ((), box.support),
            "coverage_interval": ("ci_bound", stable.coverage),
            "density_interval": ("ci_bound", stable.density),
            "path_coverage": ("step", box.path_coverage),
            "path_density": ("step", box.path_density),
            "path_support": ("step", box.path_support),
            "path_edge": (
                ("step", "parameter", "bound_side"),
                np.stack([box.path_lower, box.path_upper], axis=2),
            ),
            "chosen_step": ((), float(box.step)),
            "share": ((), share),
            "undetermined": ((), undetermined),
            "sentence": ((), sentence),
        },
        {
            "event": event,
            "parameter": names,
            "bound_side": ["lower", "upper"],
            "ci_bound": ["lower", "upper"],
            "step": np.arange(len(box.path_density)),
        },
    )


def box_sentence(names: list[str], box: Box, event: str) -> str:
    """Return a box in words.

    Examples
    --------
    >>> from ebbmap.kernels.boxes import find_box
    >>> x = np.random.default_rng(0).random((2000, 1)) * 40.0
    >>> box = find_box(x, x[:, 0] > 18.0, density=0.95)
    >>> box_sentence(["resistance_exp"], box, "unsafe")
    'expiratory resistance above 17 cmH₂O·s/L covers 100 % of the cases (unsafe) at density 0.96'
    """
    return (
        f"{range_words(names, box.lower, box.upper)} covers {100 * box.coverage:.0f} % of the "
        f"cases ({event}) at density {box.density:.2f}"
    )


def _size(question: Question, options: Boxes, axes: Axes) -> Size:
    lungs = lungs_drawn(question)
    return Size(groups_of(question) * lungs, lungs, lungs)


def _check(asked: Asked) -> Iterator[str]:
    yield from check_over(TRY_SETTINGS)(asked)
    yield from check_something_drawn(asked)


ANALYSIS = analysis_over(
    "boxes",
    Boxes,
    long_name="boxes that hold the unsafe cases",
    pieces=boxes_pieces,
    size=_size,
    variables=VARIABLES,
    check=_check,
    by_population=True,
    counts_cases=True,
)
