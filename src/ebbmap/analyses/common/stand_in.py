"""Fits that stand in for a dear lung over many cases, settings and properties alike.

Some of a map's, or of a window's, own cases, picked at random, are solved and fitted; fresh ones
judge the fit; all others are foretold, and judged as solved ones are.
Sizes: n cases, d inputs that vary.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.common.surrogate import explained, fresh_cases, refuse_poor
from ebbmap.analyses.common.surrogate_kinds import Fit, Fitter, SurrogateOptions
from ebbmap.cases.design import DESIGN_STREAM, seed_stream
from ebbmap.cases.evaluate import unsolved
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Found, Pieces, Progress
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.digits import percent
from ebbmap.errors import NonFiniteOutcomeError
from ebbmap.kernels.judging import judge
from ebbmap.kernels.shares import wilson
from ebbmap.registries.limits import LimitSet

#: What the method of an interval says besides, where a surrogate stood in.
STOOD_IN = " of the cases that a surrogate surely judges, and of those that it may"

#: Cases that are foretold at a time.
BLOCK = 2**16

STAND_IN: Mapping[str, Variable] = {
    "surrogate_q2": Variable("Q2 of the surrogate on fresh cases, the least of all outcomes"),
    "surrogate_misjudged": Variable("share of the fresh cases that the surrogate misjudges"),
    "surrogate_falsely_safe": Variable(
        "largest margin at which a fresh case was foretold safe and is not"
    ),
    "surrogate_falsely_unsafe": Variable(
        "largest shortfall at which a fresh case was foretold unsafe and is not"
    ),
}


@dataclass(frozen=True)
class StandIn:
    """A lung over all cases of a map or a window, as what was fitted to some.

    Parameters
    ----------
    names : tuple of str
        The d inputs that vary, in the order of the fits' scores.
    logs : ndarray of bool, shape (d,)
        Whether an input's logarithm is taken.
    middle, spread : ndarray, shape (d,)
        Mean and standard deviation of the inputs so taken, by which they become scores.
    fits : mapping of str to Fit
        By outcome.
    fresh : int
        Fresh cases that judged it.
    q2 : float
        Least Q2 of any outcome on these.
    """

    names: tuple[str, ...]
    logs: np.ndarray
    middle: np.ndarray
    spread: np.ndarray
    fits: Mapping[str, Fit]
    fresh: int
    q2: float

    def scores(self, inputs: np.ndarray) -> np.ndarray:
        """Return the scores of inputs, shape (n, d)."""
        taken = np.where(self.logs, np.log(np.where(self.logs, inputs, 1.0)), inputs)
        return (taken - self.middle) / self.spread

    def foretell(self, values: Mapping[str, xr.DataArray], dims: Sequence[str]) -> dict[str, Any]:
        """Return every outcome at all cases, as arrays with these dims."""
        frame = xr.broadcast(*(values[name] for name in self.names))[0].transpose(*dims)
        columns = (values[name].broadcast_like(frame).transpose(*dims) for name in self.names)
        return self.outcomes_at(dict(zip(self.names, (c.values for c in columns), strict=True)))

    def outcomes_at(self, cases: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return every outcome of cases, whose inputs' shapes broadcast to (...)."""
        columns = np.broadcast_arrays(*(np.asarray(cases[name], float) for name in self.names))
        flat = np.stack([column.reshape(-1) for column in columns], axis=1)
        found = {name: np.empty(len(flat)) for name in self.fits}
        for start in range(0, len(flat), BLOCK):
            part = slice(start, start + BLOCK)
            scores = self.scores(flat[part])
            for name, fit in self.fits.items():
                found[name][part] = fit.predict(scores)
        return {name: array.reshape(columns[0].shape) for name, array in found.items()}


@dataclass(frozen=True)
class Misjudged:
    """How a surrogate's verdicts under one rule fare on fresh cases.

    Parameters
    ----------
    share : float
        Of these that it misjudges.
    safe, unsafe : float
        Largest margin at which one was foretold safe and is not, and largest shortfall at which
        one was foretold unsafe and is not; 0 where there is none.
    beyond : float
        Share of all cases that may be misjudged although their margin is larger.
    """

    share: float
    safe: float
    unsafe: float
    beyond: float

    def widened(self, margin: np.ndarray, level: float) -> list[np.ndarray]:
        """Return both ends of the safe share of foretold margins, shape (..., n) to (...).

        Below, only those cases count as safe whose margin is larger than that of any fresh case
        that was falsely foretold so; above, all that are not as surely unsafe.
        """
        n = margin.shape[-1]
        surely = (margin > self.safe).sum(axis=-1)
        perhaps = ((margin >= 0) | (margin >= -self.unsafe)).sum(axis=-1)
        low = wilson(surely, n, level)[0] - self.beyond
        high = wilson(perhaps, n, level)[1] + self.beyond
        return [np.maximum(low, 0.0), np.minimum(high, 1.0)]

    def said(self) -> dict[str, float]:
        """Return what a result says of it."""
        return {
            "surrogate_misjudged": self.share,
            "surrogate_falsely_safe": self.safe,
            "surrogate_falsely_unsafe": self.unsafe,
        }


def picked_cases(
    question: Question,
    values: Mapping[str, xr.DataArray],
    outcomes: Sequence[str],
    count: int,
    progress: Progress = None,
) -> xr.Dataset:
    """Solve some of all the cases that values lay out, picked at random.

    Parameters
    ----------
    question : Question
        Model and seed.
    values : mapping of str to DataArray
        Parameters on axes and over lungs.
    outcomes : sequence of str
        Outcomes to solve.
    count : int
        Cases n.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    Dataset
        Along `pick`: what varies, and the outcomes as ``solved_NAME``.

    Raises
    ------
    NonFiniteOutcomeError
        If an outcome is not finite in a case.
    """
    dims = {d: n for array in values.values() for d, n in array.sizes.items()}
    rng = np.random.default_rng(seed_stream(question.seed, DESIGN_STREAM))
    at = {d: xr.DataArray(rng.integers(n, size=count), dims="pick") for d, n in dims.items()}
    picked: dict[str, Any] = {
        name: array.isel({d: at[d] for d in array.dims}).reset_coords(drop=True)
        for name, array in values.items()
    }
    solved = simulate(question.lung, outcomes=outcomes, progress=progress, **picked)
    true = {n: np.broadcast_to(solved[n].values, (count,)).astype(float) for n in outcomes}
    lost = [name for name, array in true.items() if not np.isfinite(array).all()]
    if lost or unsolved(solved["status"].values).any():
        raise NonFiniteOutcomeError(
            f"surrogate: {', '.join(lost) or 'an outcome'} is not finite in some of {count} cases. "
            "Leave out where it is not, by axes or ranges or by other limits, or solve without a "
            "surrogate."
        )
    varying = {name: array.variable for name, array in picked.items() if array.dims}
    found = {name: variable.values for name, variable in varying.items()}
    return xr.Dataset(
        {name: ("pick", array) for name, array in found.items() if np.ptp(array) > 0}
        | {f"solved_{name}": ("pick", array) for name, array in true.items()}
    )


def fit_stand_in(
    solved: xr.Dataset, runs: int, fit_to: Fitter, least: float | None = None
) -> StandIn:
    """Fit the first cases of a random pick, and refuse what the others do not bear out.

    Parameters
    ----------
    solved : Dataset
        From `picked_cases`.
    runs : int
        Cases to fit; the others are fresh.
    fit_to : callable
        Fits an outcome; see `SurrogateOptions.fitter`.
    least : float, optional
        Q2 that every outcome must have; `LEAST_Q2` if None.

    Raises
    ------
    EbbmapError
        If an outcome's Q2 is below `least`, with the numbers.
    """
    true = {str(n): solved[n].values for n in solved.data_vars if str(n).startswith("solved_")}
    names = tuple(str(name) for name in solved.data_vars if str(name) not in true)
    inputs = np.stack([solved[name].values for name in names], axis=1)
    logs = np.asarray((inputs > 0).all(axis=0))
    taken = np.where(logs, np.log(np.where(logs, inputs, 1.0)), inputs)
    middle, spread = taken.mean(axis=0), taken.std(axis=0)
    scores = (taken - middle) / spread
    fits, q2 = {}, {}
    for key, output in true.items():
        name = key.removeprefix("solved_")
        fits[name] = fit_to(scores[:runs], output[:runs])
        q2[name] = explained(fits[name].predict(scores[runs:]), output[runs:])
    remedy = "narrow axes or ranges, judge by other limits"
    refuse_poor(fits, q2, least, "over its cases", remedy)
    return StandIn(names, logs, middle, spread, fits, len(inputs) - runs, min(q2.values()))


def misjudged(stand_in: StandIn, solved: xr.Dataset, limits: LimitSet) -> Misjudged:
    """Compare a surrogate's verdicts with those of the fresh cases.

    Notes
    -----
    Cases are exchangeable, so the chance that one is misjudged with a margin beyond that of all n
    fresh ones is at most 1 / (n + 1): a conformal bound, which asks nothing of the error's shape.
    """
    fresh = solved.isel(pick=slice(-stand_in.fresh, None))
    scores = stand_in.scores(np.stack([fresh[name].values for name in stand_in.names], axis=1))
    foretold = {name: stand_in.fits[name].predict(scores) for name in limits.outcomes}
    margin = judge(limits, foretold).margin
    true = judge(limits, {n: fresh[f"solved_{n}"].values for n in limits.outcomes}).margin
    return compared(margin, true)


def compared(margin: np.ndarray, true: np.ndarray) -> Misjudged:
    """Return how foretold margins of fresh cases, or lungs, fare beside the true ones, (n,)."""
    safe, unsafe = (margin >= 0) & (true < 0), (margin < 0) & (true >= 0)
    return Misjudged(
        float((safe | unsafe).mean()),
        float(margin[safe].max(initial=0.0)),
        float((-margin[unsafe]).max(initial=0.0)),
        1.0 / (len(margin) + 1),
    )


def surrogate_cases(runs: int) -> int:
    """Return the cases that are solved where so many are fitted."""
    return runs + fresh_cases(runs)


def stood_in(
    groups: int,
    pick: Callable[[int, Progress], xr.Dataset],
    of: Sequence[int],
    foretell: Callable[[int, StandIn, xr.Dataset], xr.Dataset],
    join: Callable[[list[xr.Dataset]], xr.Dataset],
    options: SurrogateOptions,
) -> Pieces[xr.Dataset]:
    """Cut work that a surrogate stands in for: what each population's is fitted to, then the rest.

    Parameters
    ----------
    groups : int
        Populations.
    pick : callable
        ``pick(group, progress) -> Dataset``: as `picked_cases` gives it.
    of : sequence of int
        The population that each of the other pieces is of.
    foretell : callable
        ``foretell(number, stand_in, cases) -> Dataset``: do another piece.
    join : callable
        ``join(datasets) -> result`` of these, in order.
    options : SurrogateOptions
        Cases to fit, and how.

    Raises
    ------
    EbbmapError
        If a package that it needs is not installed.
    """
    fit_to = options.fitter()
    picks = [f"fit_{group:04d}" for group in range(groups)]
    names = [f"{number:06d}" for number in range(len(of))]
    kept: dict[str, StandIn] = {}

    def wanted(found: Found) -> list[str]:
        return picks + (names if all(name in found for name in picks) else [])

    def solve(name: str, found: Found, progress: Progress) -> xr.Dataset:
        if name in picks:
            return pick(picks.index(name), progress)
        own = picks[of[int(name)]]
        if own not in kept:
            kept[own] = fit_stand_in(found[own], options.surrogate_runs, fit_to)
        return foretell(int(name), kept[own], found[own])

    return Pieces(wanted, solve, lambda found: join([found[name] for name in names]))


def surrogate_notes(result: xr.Dataset) -> Iterator[str]:
    """Yield what stood in for the lung, and how it fared; nothing where the lung was solved."""
    if not int(result.attrs.get("surrogate_runs", 0)):
        return
    wrong = float(result["surrogate_misjudged"].max())
    yield (
        f"a surrogate stands in for the lung: {result.attrs['surrogate_kind']} fitted to "
        f"{result.attrs['surrogate_runs']:,} of the cases in each population; of half as many "
        f"fresh ones it misjudges {percent(wrong, 1)} % at most (Q2 "
        f"{float(result['surrogate_q2'].min()):.3f}); intervals contain what it may misjudge"
    )
