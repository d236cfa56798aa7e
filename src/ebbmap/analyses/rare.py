"""Rare harm: how often lungs break a limit where that is far below one in a hundred."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr
from pydantic import Field
from scipy.special import stdtrit

from ebbmap.analyses.common.checks import check_drawn_along
from ebbmap.analyses.common.factors import Factors
from ebbmap.analyses.common.places import Place, analysis_along, pieces_along
from ebbmap.analyses.common.sizes import Size, groups_of, places_of
from ebbmap.analyses.options import NO_AXES, Along, Axes, refuse_unused
from ebbmap.cases.design import RESAMPLING_STREAM, seed_stream
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces, Progress
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.kernels.rare import MOST_LEVELS, SCOUTS, STEP, Rare, rare_share
from ebbmap.registries.limits import LimitSet

CI_RARE = (
    "logarithm of the mean over replicates, corrected for skewness (Hall), degrees of freedom by "
    "kurtosis; Wilson score where harm is common; exact upper bound where none was found"
)

VARIABLES: Mapping[str, Variable] = {
    "harm_share": Variable("share of all lungs that surely break a hard limit"),
    "harm_share_interval": Variable("interval of the share that surely breaks a hard limit"),
    "undetermined_share": Variable("share of all lungs that could not be determined"),
    "levels": Variable("levels of a descent, on average"),
    "cases": Variable("cases solved"),
    "plain_cases": Variable("lungs that counting would need for the same error"),
    "score_given_harm": Variable("mean normal score of the property where harm occurs"),
    "score_given_harm_interval": Variable("interval of the mean normal score"),
}


class RareHarm(Along):
    """Share of lungs that break a limit, however rare that is."""

    cases: int = Field(
        default=500,
        ge=100,
        le=100_000,
        multiple_of=10,
        strict=True,
        description="cases of a level in one replicate, a multiple of ten",
    )
    replicates: int = Field(
        default=16, ge=4, le=256, strict=True, description="independent runs that give the interval"
    )


def find_rare(
    question: Question,
    options: RareHarm | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Estimate how often lungs break a limit, however rare that is.

    Parameters
    ----------
    question : Question
        Model, populations with their correlations, samples, and the rules that are compared.
    options : RareHarm, optional
        The axis, the size of a level, the replicates, and the level of the intervals.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name, unless the options give them.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, along): `harm_share` with its interval, `undetermined_share`, the
        `cases` solved and the `plain_cases` that counting would need; by `parameter`,
        `score_given_harm`, how many SD from its mean a property lies where harm occurs. Where no
        harm was found the interval ends at the exact bound of the plain draws; where few
        replicates hold the share there is none.

    Raises
    ------
    EbbmapError
        For values that cannot be, or fewer than two factors.

    Notes
    -----
    Subset simulation in the populations' normal scores, along the margin of each limit by itself;
    see `kernels.rare.rare_share` for what it assumes.

    Examples
    --------
    >>> from ebbmap.registries.limits import Limit
    >>> from ebbmap.registries.populations import population
    >>> rule = LimitSet("rule", "rule", (Limit("auto_peep", "invented", high=12.0),))
    >>> asked = Question("linear", populations=(population("normal"),), rules={"rule": rule})
    >>> found = find_rare(asked, RareHarm(at=[1.0], cases=100))
    >>> bool(0 < found["harm_share"].item() < 0.001)
    True
    """
    options = options or RareHarm()
    refuse_unused(axes, options.along)
    return rare_pieces(question, options, axes).whole(progress)


def rare_pieces(question: Question, options: RareHarm, axes: Axes = NO_AXES) -> Pieces[xr.Dataset]:
    """Cut the search into one population at one place; see `find_rare`."""
    if not question.rules:
        raise EbbmapError("rare harm needs limits to break. Give rules.")

    def solve(here: Place) -> xr.Dataset:
        factors = here.factors
        held = {**question.fixed, options.along: float(here.grid[0])}
        streams = seed_stream(question.seed, RESAMPLING_STREAM).spawn(len(question.rules))
        found = []
        for limits, stream in zip(question.rules.values(), streams, strict=True):
            rare = rare_share(
                _margin_of(question, limits, factors, held, here.progress),
                len(factors.names),
                cases=options.cases,
                replicates=options.replicates,
                level=options.level,
                rng=stream,
            )
            found.append(_as_dataset(rare, factors, options.level))
        rules = xr.Variable("rule", list(question.rules))
        return xr.concat(found, dim=rules, join="outer").expand_dims({options.along: here.grid})

    return pieces_along(
        question,
        options,
        axes,
        solve,
        variables=VARIABLES,
        title=f"how often a limit is broken along {options.along}",
        comment="Each level of a descent is ten times rarer; limits that add less than one in a "
        "hundred to the harm are left out. The interval comes from independent replicates, which "
        "may all miss a small remote part of what breaks one limit.",
        design=False,
        attrs={
            "replicates": options.replicates,
            "level_cases": options.cases,
            "ci_level": options.level,
            "ci_method": CI_RARE,
        },
    )


def _margin_of(
    question: Question,
    limits: LimitSet,
    factors: Factors,
    held: Mapping[str, float],
    progress: Progress,
) -> Callable[[np.ndarray], np.ndarray]:
    """Return the margin of every hard bound as a function of independent standard normal scores."""
    root = np.linalg.cholesky(factors.covariance)

    def margin(scores: np.ndarray) -> np.ndarray:
        values: dict[str, Any] = {**held, **factors.from_scores(factors.mean + scores @ root.T)}
        solved = simulate(question.lung, outcomes=limits.outcomes, progress=progress, **values)
        judged = judge(limits, {name: solved[name].values for name in limits.outcomes})
        return np.broadcast_to(judged.bound_margin, (len(judged.hard), len(scores)))

    return margin


def _as_dataset(rare: Rare, factors: Factors, level: float) -> xr.Dataset:
    """Label what was found; scores are those of the properties, not of the independent ones."""
    root = np.linalg.cholesky(factors.covariance)
    scores = rare.scores @ root.T / np.sqrt(np.diag(factors.covariance))
    some = np.isfinite(scores).all(axis=1)
    mean, spread = np.full((2, len(factors.names)), np.nan)
    if some.sum() > 1:
        mean = scores[some].mean(axis=0)
        quantile = float(stdtrit(some.sum() - 1, 0.5 + level / 2.0))
        spread = quantile * scores[some].std(axis=0, ddof=1) / np.sqrt(some.sum())
    return xr.Dataset(
        {
            "harm_share": rare.share,
            "harm_share_interval": ("ci_bound", [rare.low, rare.high]),
            "undetermined_share": rare.undetermined,
            "levels": rare.levels,
            "cases": rare.cases,
            "plain_cases": _plain_cases(rare),
            "score_given_harm": ("parameter", mean),
            "score_given_harm_interval": (
                ("parameter", "ci_bound"),
                np.stack([mean - spread, mean + spread], axis=1),
            ),
        },
        {"parameter": factors.names, "ci_bound": ["lower", "upper"]},
    )


def _plain_cases(rare: Rare) -> float:
    """Return the lungs that counting would need for the same error; NaN where none is known."""
    if rare.levels == 1 or not rare.error > 0:
        return float(rare.cases) if rare.share > 0 else np.nan
    return float(round((1.0 - rare.share) / rare.share / rare.error**2))


def _size(question: Question, options: RareHarm, axes: Axes) -> Size:
    places, rules = groups_of(question) * places_of(options, axes), max(1, len(question.rules))
    # every replicate goes down along one bound, and the scouts along the others
    others = sum(len(limits.hard) - 1 for limits in question.rules.values())
    descents = rules * options.replicates + SCOUTS * max(0, others)
    deepest = 1.0 + (1.0 - STEP) * (MOST_LEVELS - 1)
    cases = round(places * descents * options.cases * deepest)
    return Size(cases, options.cases, places * rules * 40)


ANALYSIS = analysis_along(
    "rare",
    RareHarm,
    long_name="rare harm",
    pieces=rare_pieces,
    size=_size,
    variables=VARIABLES,
    check=check_drawn_along,
)
