"""Boxes that hold the unsafe cases: short rules such as "resistance above 18, T low below 0.9"."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.common.events import TOO_HIGH, TOO_LOW, UNSAFE, event_words, find_events
from ebbmap.analyses.common.failures import range_words
from ebbmap.analyses.mapping import varying
from ebbmap.cases.design import RESAMPLING_STREAM, draw_random_design, seed_stream
from ebbmap.cases.evaluate import unsolved
from ebbmap.cases.labelling import describe
from ebbmap.cases.pieces import Pieces, join_groups, listed
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.kernels.boxes import Box, Stability, box_stability, find_box
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import Population
from ebbmap.units import display

#: Cases with an event below which no box is looked for: any five cases fit a box.
LEAST_EVENTS = 50

CI_BOX = "central interval over bootstrap resamples; coverage and density on cases left out"

_TEXTS = {
    "coverage": "share of the cases with the event that lie in the box",
    "density": "share of the cases in the box that have the event",
    "support": "share of all cases that lie in the box",
    "coverage_interval": "interval of the coverage on other cases",
    "density_interval": "interval of the density on other cases",
    "restricted": "share of the resamples in which the edge is restricted",
    "path_coverage": "coverage after each peel",
    "path_density": "density after each peel",
    "path_support": "support after each peel",
    "share": "share of all cases that surely have the event",
    "undetermined": "share of all cases of which the event is not known; in no box",
}


def find_boxes(
    question: Question,
    axes: Mapping[str, np.ndarray],
    *,
    density: float = 0.9,
    resamples: int = 50,
    level: float = 0.95,
    progress: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Find the box of properties and settings that holds most unsafe cases.

    Parameters
    ----------
    question : Question
        Model, lungs with their correlations, samples, and the rules that are compared.
    axes : mapping of str to ndarray
        Settings that each lung is tried at, one value drawn evenly between the ends of each
        axis. The first one splits the unsafe cases into the two sides.
    density : float
        Share of a box that must have the event.
    resamples, level
        Bootstrap resamples for the stability of a box, and level of its intervals.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, event): `edge` (parameter, bound_side), infinite where not
        restricted, with `edge_interval` and `restricted`; `coverage`, `density`, `support` with
        intervals; the trajectory `path_coverage`, `path_density`, `path_support`, `path_edge`
        (step); `sentence`. NaN, and a sentence that says so, below `LEAST_EVENTS` cases.

    Raises
    ------
    EbbmapError
        For values that cannot be, or a density that is no share.
    """
    return box_pieces(question, axes, density=density, resamples=resamples, level=level).whole(
        progress
    )


def box_pieces(
    question: Question,
    axes: Mapping[str, np.ndarray],
    *,
    density: float,
    resamples: int,
    level: float,
) -> Pieces[xr.Dataset]:
    """Cut the search for boxes into populations; see `find_boxes`."""
    groups = question.groups()
    return listed(
        len(groups),
        lambda number, progress: _one_group(
            question, groups[number], axes, density, resamples, level, progress
        ),
        lambda found: _finished(question, found, axes, density, resamples, level),
    )


def _finished(question, found: list[xr.Dataset], axes, density, resamples, level) -> xr.Dataset:
    dataset = join_groups(found, question.group_names)
    for name, text in _TEXTS.items():
        dataset[name] = describe(dataset[name], text)
    for name, text in (
        ("edge", "edge of the box"),
        ("edge_interval", "interval of the edge"),
        ("path_edge", "edges after each peel"),
    ):
        # registry units differ between the parameters, so one string cannot say them
        dataset[name] = describe(dataset[name], text, "see parameter_units")
    units = [PARAMETERS[str(name)].units for name in dataset["parameter"].values]
    along = next(iter(axes))
    interval: dict[str, str | float] = {"ci_method": CI_BOX, "ci_level": level}
    dataset = dataset.assign_coords(
        parameter_units=("parameter", units, {"long_name": "units of the edges"})
    )
    use = Use(tuple(axes), factors=True, outcomes=question.outcomes)
    return add_provenance(
        dataset,
        question,
        "boxes that hold the unsafe cases",
        use,
        comment="Edges are inside; a box is fitted to its cases, so judge it by the intervals.",
        lungs=question.lungs,
        along=along,
        wanted_density=density,
        resamples=resamples,
        tried="; ".join(
            f"{PARAMETERS[n].long_name} {a.min():g} to {a.max():g} {display(PARAMETERS[n].units)}"
            for n, a in axes.items()
        ),
        **interval,
    )


def _one_group(question, group: Population | None, axes, density, resamples, level, progress):
    values: dict[str, Any] = draw_cases(question, group, {})
    points = draw_random_design(tuple(axes), question.lungs, seed=question.seed)["unit"].values
    for column, (name, axis) in enumerate(axes.items()):
        span = axis.max() - axis.min()
        values[name] = xr.DataArray(axis.min() + span * points[:, column], dims="sample")
    names = varying(question, values)
    solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
    cases = np.stack([values[name].values for name in names], axis=1)
    along = next(iter(axes))
    streams = iter(seed_stream(question.seed, RESAMPLING_STREAM).spawn(3 * len(question.rules)))
    events = find_events(
        question,
        {name: array.values for name, array in values.items()},
        {name: solved[name].values for name in question.outcomes},
        along=along,
        ends=(float(np.min(axes[along])), float(np.max(axes[along]))),
    )
    rules = []
    for found in events.values():
        each = []
        for number, event in enumerate((UNSAFE, TOO_LOW, TOO_HIGH)):
            known = found.known[:, number]
            happens = found.happens[known, number]
            stream = next(streams)
            box = stable = None
            if happens.sum() >= LEAST_EVENTS:
                box = find_box(cases[known], happens, density=density)
                stable = box_stability(
                    cases[known],
                    happens,
                    density=density,
                    resamples=resamples,
                    level=level,
                    rng=stream,
                )
            shares = float(happens.sum()) / known.size, 1.0 - float(known.mean())
            each.append(_labelled(event, names, along, box, stable, *shares))
        rules.append(xr.concat(each, dim="event", join="outer"))
    dataset = xr.concat(rules, dim=xr.Variable("rule", list(question.rules)), join="outer")
    failed = int(unsolved(solved["status"].values).sum())
    return dataset.assign(failed=describe(xr.DataArray(failed), "cases that could not be solved"))


def _labelled(
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
            "chosen_step": ((), float(box.step), {"long_name": "step before pasting"}),
            "share": ((), share),
            "undetermined": ((), undetermined),
            "sentence": ((), sentence, {"long_name": "the box in words"}),
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
    """Say a box in words.

    Examples
    --------
    >>> x = np.random.default_rng(0).random((2000, 1)) * 40.0
    >>> box = find_box(x, x[:, 0] > 18.0, density=0.95)
    >>> box_sentence(["resistance_exp"], box, "unsafe")
    'expiratory resistance above 17 cmH₂O·s/L covers 100 % of the cases (unsafe) at density 0.96'
    """
    return (
        f"{range_words(names, box.lower, box.upper)} covers {100 * box.coverage:.0f} % of the "
        f"cases ({event}) at density {box.density:.2f}"
    )
