"""A stand-in for a dear lung: fits of its outcomes, judged like the outcomes themselves.

Sizes: n cases, s outputs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtr, ndtri

from ebbmap.analyses.common.factors import Factors, add_judgements
from ebbmap.analyses.common.surrogate_kinds import Fit, Fitter
from ebbmap.cases.design import draw_random_design
from ebbmap.cases.labelling import Variable
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.chaos import widened
from ebbmap.kernels.shares import wilson
from ebbmap.registries.populations import EDGE

#: Least Q2 of every outcome, on cases left out and on fresh ones, for a surrogate to be used.
LEAST_Q2 = 0.99

#: Level of the bound on the share of verdicts that are foretold wrongly.
SURE = 0.95

#: Cases are drawn this much wider than the lungs, so that tails are not extrapolated.
WIDER = 1.25

#: Fresh cases for each case that is fitted.
FRESH_SHARE = 0.5

SURROGATE: Mapping[str, Variable] = {
    "surrogate_q2": Variable("Q2 of the surrogate on fresh cases"),
}


def fresh_cases(runs: int) -> int:
    """Return how many fresh cases judge a surrogate that is fitted to so many."""
    return max(32, round(FRESH_SHARE * runs))


@dataclass(frozen=True)
class Surrogate:
    """A lung at one place of an axis, as what was fitted to some cases.

    Parameters
    ----------
    question : Question
        Its rules judge what is foretold.
    outcomes : tuple of str
        What is kept, besides margins and verdicts.
    along : str
        Parameter on the axis.
    place : float
        Its value.
    fits : mapping of str to Fit
        By outcome, those of the rules included.
    attrs : mapping of str to mapping
        Attributes of each outcome, and of the status.
    errors : mapping of str to float
        Mean square error of each output: outcomes, margins and verdicts.
    q2 : mapping of str to float
        1 less that over the output's variance; 1 for one that does not vary.
    """

    question: Question
    outcomes: tuple[str, ...]
    along: str
    place: float
    fits: Mapping[str, Fit]
    attrs: Mapping[str, Mapping[str, Any]]
    errors: Mapping[str, float]
    q2: Mapping[str, float]

    def predict(self, unit: np.ndarray) -> xr.Dataset:
        """Return outputs at points of the unit cube, shape (n, d), as `solve_places` has them."""
        scores = ndtri(unit)
        values = {name: fit.predict(scores) for name, fit in self.fits.items()}
        return _labelled(self, values, len(unit))

    def widen(self, indices: xr.Dataset) -> xr.Dataset:
        """Return indices whose intervals contain what the surrogate gets wrong."""
        names = indices["outcome"].values.astype(str)
        errors = xr.DataArray([self.errors[n] for n in names], {"outcome": names}, "outcome")
        share = errors / indices["variance"].where(indices["variance"] > 0)
        for name in (n for n in ("first", "total", "second") if n in indices):
            interval = indices[f"{name}_interval"]
            sides = {side: interval.sel(ci_bound=side) for side in ("lower", "upper")}
            wide = [
                xr.apply_ufunc(widened, sides[side], share, kwargs={"side": sign})
                for side, sign in (("lower", -1), ("upper", 1))
            ]
            both = xr.concat(wide, dim=interval["ci_bound"]).transpose(*interval.dims)
            indices[f"{name}_interval"] = interval.copy(data=both.values)
        q2 = [self.q2[name] for name in names]
        return indices.assign(surrogate_q2=(("outcome", self.along), np.array(q2)[:, None]))


def fit_surrogate(
    question: Question,
    factors: Factors,
    *,
    along: str,
    place: float,
    outcomes: Sequence[str],
    runs: int,
    fit_to: Fitter,
    least: float | None = None,
) -> Surrogate:
    """Fit the outcomes of a lung at one place, and refuse what fresh cases do not bear out.

    Parameters
    ----------
    question : Question
        Model, fixed values, rules and seed.
    factors : Factors
        What varies, taken as independent.
    along : str
        Parameter on the axis.
    place : float
        Its value.
    outcomes : sequence of str
        Outcomes to keep, besides those of the rules.
    runs : int
        Cases to fit; half as many judge them.
    fit_to : callable
        Fits an outcome; see `SurrogateOptions.fitter`.
    least : float, optional
        Q2 that every outcome must have; `LEAST_Q2` if None.

    Raises
    ------
    NonFiniteOutcomeError
        If an outcome is not finite in a case.
    EbbmapError
        If an outcome's Q2 is below `least`, with the numbers.
    """
    wanted = tuple(dict.fromkeys((*outcomes, *question.outcomes)))
    cases = runs + fresh_cases(runs)
    unit = draw_random_design(factors.names, cases, seed=question.seed)["unit"].values
    unit[:runs] = np.clip(ndtr(WIDER * ndtri(unit[:runs])), EDGE, 1.0 - EDGE)
    values: dict[str, Any] = {**question.fixed, **factors.from_unit(unit), along: place}
    solved = simulate(question.lung, outcomes=wanted, **values)
    true = {n: np.broadcast_to(solved[n].values, (cases,)).astype(float) for n in wanted}
    lost = [name for name, array in true.items() if not np.isfinite(array).all()]
    if lost:
        raise NonFiniteOutcomeError(
            f"surrogate: {', '.join(lost)} is not finite in some of {cases} cases at {along} "
            f"{place:g}. Name other outcomes, or solve without a surrogate."
        )
    scores = ndtri(unit)
    fits = {name: fit_to(scores[:runs], array[:runs]) for name, array in true.items()}
    attrs = {name: dict(solved[name].attrs) for name in (*wanted, "status")}
    bare = Surrogate(question, tuple(outcomes), along, place, fits, attrs, {}, {})
    fresh = {name: array[runs:] for name, array in true.items()}
    expected = _labelled(bare, fresh, cases - runs)
    foretold = bare.predict(unit[runs:])
    errors, q2 = {}, {}
    for name in expected.data_vars:
        error = float(((expected[name] - foretold[name]) ** 2).mean())
        spread = float(expected[name].var())
        known = str(name)
        if known in true:
            spread = float(fresh[known].var())
            error = max(error, (1.0 - fits[known].q2) * spread)
        q2[known] = 1.0 - error / spread if spread > 0 else 1.0
        if known.startswith("safe_"):
            # of few fresh cases none may be misjudged, though some of the others are
            error = float(wilson(round(error * (cases - runs)), cases - runs, SURE)[1])
        errors[known] = error
    of_fresh = {
        name: explained(fit.predict(scores[runs:]), fresh[name]) for name, fit in fits.items()
    }
    refuse_poor(fits, of_fresh, least, f"at {along} {place:g}", "leave these outcomes out")
    return Surrogate(question, tuple(outcomes), along, place, fits, attrs, errors, q2)


def explained(foretold: np.ndarray, true: np.ndarray) -> float:
    """Return Q2, 1 less the mean square error over the variance; 1 for what does not vary."""
    variance = float(true.var())
    return 1.0 - float(np.mean((foretold - true) ** 2)) / variance if variance > 0 else 1.0


def refuse_poor(
    fits: Mapping[str, Fit], q2: Mapping[str, float], least: float | None, where: str, remedy: str
) -> None:
    """Refuse outcomes that are foretold too poorly.

    Parameters
    ----------
    fits : mapping of str to Fit
        By outcome.
    q2 : mapping of str to float
        Of each on fresh cases.
    least : float, optional
        What each must have, on cases left out and on fresh ones; `LEAST_Q2` if None.
    where, remedy : str
        Where they stand in for the lung, and what else may be done about it.

    Raises
    ------
    EbbmapError
        If one has less, with the numbers.
    """
    least = LEAST_Q2 if least is None else least
    poor = [
        f"{name} {fit.q2:.3f} on cases left out, {q2[name]:.3f} on fresh ones"
        for name, fit in fits.items()
        if min(q2[name], fit.q2) < least
    ]
    if poor:
        raise EbbmapError(
            f"surrogate: Q2 must be at least {least} to stand in for the lung {where}; got "
            f"{'; '.join(poor)}. Raise surrogate_runs, {remedy}, try the other surrogate_kind "
            '("polynomials" or "gaussian_process"), or solve without a surrogate.'
        )


def _labelled(surrogate: Surrogate, values: Mapping[str, np.ndarray], n: int) -> xr.Dataset:
    """Return outcomes with margins and verdicts, dims (sample, along)."""
    along, dims = surrogate.along, ("sample", surrogate.along)
    columns = {name: array[:, None] for name, array in values.items()}
    outputs = xr.Dataset(
        {name: (dims, columns[name], surrogate.attrs[name]) for name in surrogate.outcomes},
        {along: [surrogate.place]},
    )
    outputs["status"] = (dims, np.zeros((n, 1), np.int8), surrogate.attrs["status"])
    return add_judgements(outputs, surrogate.question, columns, dims)
