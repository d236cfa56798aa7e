"""The edge of the safe region of some settings: its volume, and where it runs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Annotated, Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.common.at_settings import BLOCK, lungs_of, solver_at
from ebbmap.analyses.common.inner_box import INNER_BOX, find_inner_box, settings_tried
from ebbmap.analyses.common.over import (
    analysis_over,
    check_over,
    describe_settings,
    refuse_drawn,
)
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.options import (
    NO_AXES,
    Axes,
    Options,
    Settings,
    Share,
    axes_of,
    refuse_unused,
)
from ebbmap.cases.design import OTHER_LUNGS_STREAM, RESAMPLING_STREAM, seed_stream
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups, listed
from ebbmap.cases.question import Question, seed_of
from ebbmap.cases.uses import Use, add_provenance, span_text
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.kernels.refining import Cells, fresh_points, measure, projected, refine
from ebbmap.registries.limits import LimitSet

#: Places of the picture along each axis.
BINS = 32

#: Resamples of the lungs, for what drawing them leaves open.
RESAMPLES = 200

#: What to do where a setting is drawn with the lungs.
OVER_SETTINGS = "Seek the edge over settings."

VARIABLES: Mapping[str, Variable] = {
    "volume": Variable("share of the settings' ranges that serves enough lungs"),
    "volume_interval": Variable(
        "interval of the volume", attrs={"ci_method": "stratified fresh settings, Wilson score"}
    ),
    "volume_lungs_interval": Variable(
        "interval of the volume over other lungs", attrs={"ci_method": "bootstrap of lungs"}
    ),
    "crossed_share": Variable("share of the ranges in cells that the edge may cross"),
    "misjudged_share": Variable("share of the fresh settings in decided cells on the other side"),
    "solved": Variable("settings solved"),
    "grid": Variable("settings of a grid that is as exact"),
    "complete": Variable("whether the tolerance was reached: 1 if so"),
    "safest": Variable("setting with the largest margin that enough lungs keep", "see its name"),
    **INNER_BOX,
    "room": Variable("share of all other settings' ranges that serves enough lungs"),
}


class Edge(Options):
    """Volume and edge of the safe region of up to six settings."""

    over: Settings = Field(
        default=["t_low"],
        description="settings whose region is sought, between the ends of their axes",
    )
    wanted: Share = Field(default=0.9, description="share of lungs that a setting must serve")
    tolerance: Annotated[float, Field(ge=0.001, le=0.25)] = Field(
        default=0.02, description="step of a grid as exact, as a share of each range"
    )
    budget: int = Field(
        default=500_000, ge=1000, le=50_000_000, strict=True, description="settings to solve"
    )
    points: int = Field(
        default=1000, ge=100, le=1_000_000, strict=True, description="fresh settings of a stratum"
    )
    level: Share = Field(default=0.95, description="level of the intervals")


def find_edge(
    question: Question,
    options: Edge | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Find the region of some settings that serves enough lungs, by halving cells at its edge.

    Parameters
    ----------
    question : Question
        Model, lungs with their correlations, and the rules that are compared.
    options : Edge, optional
        The settings, the share of lungs that must be served, and how exactly.
    axes : mapping of str to ndarray, shape (m,)
        The values of these settings, by name; only their ends are used.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule): `volume` as a share of the ranges' box, with an interval from
        fresh settings, which assumes nothing of the edge, and one over other lungs;
        `crossed_share`, what is left open; `misjudged_share`; `solved` settings and those of a
        `grid` as exact; `safest_NAME` of each setting; and, over the first two settings, `room`.
        `box_NAME` (bound_side) is the largest box of settings inside the region, `box_volume` its
        share of the ranges, which none exceeds by more than to `box_most`; `box_served` and
        `box_lungs`, with intervals, are from lungs that did not choose it.

    Raises
    ------
    EbbmapError
        For values that cannot be, a setting without values or with a single one, or no rules.

    Notes
    -----
    A setting belongs to the region where at least the wanted share of the same drawn lungs surely
    breaks no hard limit. What is assumed is in `kernels.refining.refine`.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> asked = Question("linear", rules={"flow_ratio": limit_set("flow_ratio")})
    >>> found = find_edge(asked, axes={"t_low": [0.1, 1.1]})
    >>> round(float(found["volume"].item()), 2)
    0.28
    """
    options = options or Edge()
    refuse_unused(axes, *options.over)
    return edge_pieces(question, options, axes).whole(progress)


def edge_pieces(question: Question, options: Edge, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut the search into one rule of one population; see `find_edge`."""
    spans = {n: (float(a.min()), float(a.max())) for n, a in axes_of(axes, *options.over).items()}
    for name, (low, high) in spans.items():
        if not low < high:
            raise EbbmapError(f"{name} must have two values; got {low:g}. Give both ends.")
    refuse_drawn(question, spans, OVER_SETTINGS)
    question.require_rules()
    groups, rules = question.groups(), list(question.rules.values())

    def solve(number: int, progress: Progress) -> xr.Dataset:
        group, limits = groups[number // len(rules)], rules[number % len(rules)]
        lungs = lungs_of(question, group, spans)
        stream = seed_stream(question.seed, OTHER_LUNGS_STREAM)
        others = lungs_of(replace(question, seed=seed_of(stream)), group, spans)
        tried = _judged(question, limits, others, spans, progress)
        return _of_rule(question, limits, lungs, spans, options, progress, tried)

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        of = len(rules)
        rows = [
            xr.concat(found[at : at + of], dim=xr.Variable("rule", list(question.rules)))
            for at in range(0, len(found), of)
        ]
        dataset = join_groups(rows, question.group_names)
        return _with_words(dataset, question, spans, options)

    return listed(len(groups) * len(rules), solve, join)


def _with_words(
    dataset: xr.Dataset,
    question: Question,
    spans: Mapping[str, tuple[float, float]],
    options: Edge,
) -> xr.Dataset:
    label_variables(dataset, VARIABLES, axes=tuple(spans)[:2], level=options.level)
    describe_settings(dataset, "safest", spans, "of the safest setting")
    describe_settings(dataset, "box", spans, "of the largest box inside the region")
    return add_provenance(
        dataset,
        question,
        f"edge of the safe region over {', '.join(spans)}",
        Use(tuple(spans), outcomes=question.outcomes),
        comment="Cells are halved where the edge may cross them; fresh settings check them.",
        lungs=lungs_drawn(question),
        wanted=options.wanted,
        tolerance=options.tolerance,
        points=options.points,
        ci_level=options.level,
        over="; ".join(span_text(name, ends, counted=False) for name, ends in spans.items()),
    )


def _judged(
    question: Question,
    limits: LimitSet,
    lungs: Mapping[str, Any],
    spans: Mapping[str, tuple[float, float]],
    progress: Progress,
) -> Callable[[np.ndarray], np.ndarray]:
    """Return the least margin of each lung as a function of points, (n, d) to (n, lungs)."""
    low, high = np.array(list(spans.values())).T
    solve = solver_at(question, lungs, list(spans), limits.outcomes, progress)

    def margins(points: np.ndarray) -> np.ndarray:
        return judge(limits, solve(low + points * (high - low))).margin

    def in_blocks(points: np.ndarray) -> np.ndarray:
        size = max(1, BLOCK // lungs_drawn(question))
        return np.concatenate(
            [margins(points[at : at + size]) for at in range(0, len(points), size)]
        )

    return in_blocks


def _of_rule(
    question: Question,
    limits: LimitSet,
    lungs: Mapping[str, Any],
    spans: Mapping[str, tuple[float, float]],
    options: Edge,
    progress: Progress,
    others: Callable[[np.ndarray], np.ndarray],
) -> xr.Dataset:
    margins = _judged(question, limits, lungs, spans, progress)
    n = lungs_drawn(question)
    needed = int(np.ceil(options.wanted * n - 1e-9))

    def kept_by_enough(points: np.ndarray) -> np.ndarray:
        own = np.nan_to_num(margins(points), nan=-1.0, posinf=np.inf, neginf=-np.inf)
        return np.partition(own, n - needed, axis=1)[:, n - needed]

    d = len(spans)
    cells = refine(kept_by_enough, d, tolerance=options.tolerance, budget=options.budget)
    rng = np.random.default_rng(seed_stream(question.seed, RESAMPLING_STREAM))
    points, state = fresh_points(cells, options.points, rng)
    safe = margins(points) >= 0
    found = measure(cells, state, safe.sum(axis=1) >= needed, options.level)
    data: dict[str, Any] = {
        "volume": found.volume,
        "volume_interval": ("ci_bound", [found.low, found.high]),
        "volume_lungs_interval": (
            "ci_bound",
            _over_lungs(safe, found.weight, options, rng) if n > 1 else [np.nan, np.nan],
        ),
        "crossed_share": found.crossed,
        "misjudged_share": found.misjudged,
        "solved": cells.solved + len(points),
        "grid": float(np.ceil(1.0 / options.tolerance) ** d),
        "complete": int(cells.complete),
    }
    box = find_inner_box(cells, spans, others, wanted=options.wanted, level=options.level, rng=rng)
    return xr.Dataset(
        data | box | _pictured(cells, spans),
        {"ci_bound": ["lower", "upper"], "bound_side": ["lower", "upper"], **_bins(spans)},
    )


def _over_lungs(
    safe: np.ndarray, weight: np.ndarray, options: Edge, rng: np.random.Generator
) -> np.ndarray:
    """Return the interval of the volume over resampled lungs, on the fresh settings."""
    n = safe.shape[1]
    counts = rng.multinomial(n, np.full(n, 1.0 / n), size=RESAMPLES).astype(float)
    served = counts @ safe.T.astype(float)
    volumes = (served >= np.ceil(options.wanted * n - 1e-9)) @ weight
    tail = 0.5 - options.level / 2.0
    return np.quantile(volumes, [tail, 1.0 - tail])


def _bins(spans: Mapping[str, tuple[float, float]]) -> dict[str, np.ndarray]:
    """Return the middles of the places of the picture, along the first two settings."""
    unit = (np.arange(BINS) + 0.5) / BINS
    return {name: low + unit * (high - low) for name, (low, high) in [*spans.items()][:2]}


def _pictured(cells: Cells, spans: Mapping[str, tuple[float, float]]) -> dict[str, Any]:
    """Return the safest setting, and how much room there is over the first two settings."""
    names = list(spans)
    best = int(cells.value.argmax())
    unit = cells.low[best] + cells.size[best] / 2.0
    some = cells.value[best] >= 0
    data: dict[str, Any] = {
        f"safest_{name}": low + unit[column] * (high - low) if some else np.nan
        for column, (name, (low, high)) in enumerate(spans.items())
    }
    shown = tuple(range(min(2, len(names))))
    data["room"] = (tuple(names[axis] for axis in shown), projected(cells, shown, BINS))
    return data


def _size(question: Question, options: Edge, axes: Axes) -> Size:
    works = groups_of(question) * max(1, len(question.rules))
    settings = options.budget + 3 * options.points + settings_tried(len(options.over))
    return Size(works * settings * lungs_drawn(question), BLOCK, works * (BINS**2 + 40))


ANALYSIS = analysis_over(
    "edge",
    Edge,
    long_name="edge of the safe region",
    pieces=edge_pieces,
    size=_size,
    variables=VARIABLES,
    check=check_over(OVER_SETTINGS),
    by_population=True,
)
