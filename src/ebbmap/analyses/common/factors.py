"""What an analysis varies, and the outcomes that it explains, at every place of an axis.

Sizes: n cases, d factors, m places.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtri

from ebbmap.analyses.options import Along, OfOutcomes
from ebbmap.cases.checks import check_memory
from ebbmap.cases.drawn_bounds import DRAWN
from ebbmap.cases.evaluate import unsolved
from ebbmap.cases.labelling import Variable, describe
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, judge
from ebbmap.lungs import lung_model
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of, plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import EDGE, Marginal, Population

#: Cases without an answer, in the results of all analyses that draw.
FAILED = Variable("cases that could not be solved")


def count_failed(solved: xr.Dataset) -> int:
    """Return how many of some solved cases could not be solved."""
    return int(unsolved(solved["status"].values).sum())


def say_factor(name: str) -> str:
    """Return a parameter in words; a group of them has its own name.

    Examples
    --------
    >>> say_factor("resistance_exp"), say_factor("settings")
    ('expiratory resistance', 'settings')
    """
    return PARAMETERS[name].long_name if name in PARAMETERS else name


def say_outcome(name: str) -> str:
    """Return an outcome, or the margin or verdict under a rule, in words.

    Examples
    --------
    >>> say_outcome("margin_flow_ratio")
    'the safety margin (flow ratio)'
    """
    if name in OUTCOMES:
        return OUTCOMES[name].long_name
    for start, what in (("margin_", "the safety margin"), ("safe_", "the verdict")):
        if name.startswith(start):
            return f"{what} ({name.removeprefix(start).replace('_', ' ')})"
    return name


@dataclass(frozen=True)
class Factors:
    """The parameters that vary, and how.

    Parameters
    ----------
    marginals : dict of str to Marginal
        Distribution of each of the d factors, by registry name.
    mean, covariance : ndarray, shape (d,) and (d, d)
        Of their normal scores, given the properties that are held. Samples of a question do
        not depend on the lung.
    """

    marginals: dict[str, Marginal]
    mean: np.ndarray
    covariance: np.ndarray

    @property
    def names(self) -> list[str]:
        """Registry names, in the order of the columns."""
        return list(self.marginals)

    @property
    def spread(self) -> np.ndarray:
        """Standard deviations of the normal scores, shape (d,)."""
        deviations: np.ndarray = np.sqrt(np.diag(self.covariance))
        return deviations

    def from_scores(self, scores: np.ndarray) -> dict[str, xr.DataArray]:
        """Return the parameters at normal scores, shape (n, d)."""
        return {
            name: xr.DataArray(marginal.at(scores[:, column]), dims="sample", attrs={DRAWN: 1})
            for column, (name, marginal) in enumerate(self.marginals.items())
        }

    def from_unit(self, unit: np.ndarray) -> dict[str, xr.DataArray]:
        """Return the parameters at points of the unit cube, shape (n, d), taken as independent.

        Mean and variance of each score stay what they are given the held properties.
        """
        scores = ndtri(np.clip(unit, EDGE, 1.0 - EDGE))
        return self.from_scores(self.mean + self.spread * scores)


def factors_of(
    question: Question,
    group: Population | None,
    along: str,
    outcomes: tuple[str, ...] | None = None,
    *,
    place: float | None = None,
) -> Factors:
    """Find what varies at a place: properties that are not held there, and the samples.

    Parameters
    ----------
    question : Question
        Model, fixed values and samples.
    group : Population or None
        The lungs.
    along : str
        Parameter on the axis, which is no factor; a property of the lung is held there, as
        fixed ones are.
    outcomes : tuple of str, optional
        What is explained, besides the rules: a property that none of it can depend on is no
        factor. All that the lung gives if None.
    place : float, optional
        Value of `along`; needed where it is a property of the population.

    Raises
    ------
    EbbmapError
        If `along` is a property and there is no place, or fewer than two parameters are left
        that the lung model uses.
    """
    wanted = None if outcomes is None else (*outcomes, *question.outcomes)
    values = {**question.fixed, along: place}
    properties = group.properties if group else ()
    given = {*values, *properties, *question.samples}
    used = all_inputs(plan(lung_model(question.lung), wanted).parameters, given)
    held = {name: values[name] for name in properties if name in values}
    if None in held.values():
        raise EbbmapError(f"{along} is a property of the lung: the factors need its place.")
    free = [n for n in properties if n in used and n not in held]
    mean, covariance = _given(group, free, held) if group else (np.empty(0),) * 2
    samples = {n: m for n, m in question.samples.items() if n != along}
    marginals = {n: group.marginals[n] for n in free} if group else {}
    marginals |= samples
    d, inside = len(marginals), len(free)
    if d < 2:
        found = ", ".join(marginals) or "none"
        raise EbbmapError(
            f"an analysis of what drives outcomes needs two factors or more; got {found}. "
            "Name a population, or give [samples]."
        )
    full = np.eye(d)
    full[:inside, :inside] = covariance if inside else 0.0
    return Factors(marginals, np.append(mean, np.zeros(len(samples))), full)


def _given(
    group: Population, free: list[str], held: Mapping[str, Any]
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and covariance of the free scores, given the properties that are held."""
    scores = group.given(held)
    index = [scores.names.index(name) for name in free]
    mean = np.reshape(scores.mean, -1)[index]
    return mean, scores.covariance[np.ix_(index, index)]


def solve_places(
    question: Question,
    values: Mapping[str, Any],
    *,
    along: str,
    grid: np.ndarray,
    outcomes: Sequence[str],
    progress: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Solve cases at every place of an axis, and judge them by every rule.

    Parameters
    ----------
    question : Question
        Model, fixed values and rules.
    values : mapping of str to DataArray
        What varies, with dim `sample`.
    along : str
        Parameter on the axis.
    grid : ndarray, shape (m,)
        Its values.
    outcomes : sequence of str
        Outcomes to keep.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Outcomes, `status`, and for each rule `margin_RULE` and `safe_RULE` (one where no hard
        limit is broken, zero where one is, NaN where undetermined), dims (sample, along).
    """
    axis = xr.DataArray(grid, dims=along, coords={along: grid})
    everything: dict[str, Any] = {**question.fixed, **values, along: axis}
    n = next(iter(values.values())).size
    wanted = tuple(dict.fromkeys((*outcomes, *question.outcomes)))
    check_memory(n * len(grid), len(wanted) + 2 * len(question.rules), "the design")
    solved = simulate(question.lung, outcomes=wanted, progress=progress, **everything)
    outputs = solved[[*outcomes, "status"]]
    outputs = outputs.drop_vars([name for name in outputs.coords if name != along])
    values = {name: solved[name].values for name in question.outcomes}
    judged = add_judgements(outputs, question, values, solved["status"].dims)
    return judged.transpose("sample", along)


def add_judgements(
    outputs: xr.Dataset,
    question: Question,
    values: Mapping[str, np.ndarray],
    dims: tuple[Hashable, ...],
) -> xr.Dataset:
    """Add margin and verdict under each rule of a question; see `solve_places`.

    Parameters
    ----------
    outputs : Dataset
        Changed in place.
    question : Question
        Its rules.
    values : mapping of str to ndarray
        Every outcome of the rules.
    dims : tuple of str
        Of these arrays.
    """
    for rule, limits in question.rules.items():
        judged = judge(limits, {name: values[name] for name in limits.outcomes})
        safe = np.isin(judged.verdict, (SAFE, CAUTION)).astype(float)
        safe[judged.verdict == UNDETERMINED] = np.nan
        outputs[f"margin_{rule}"] = describe(
            xr.DataArray(judged.margin, dims=dims), f"safety margin ({rule})"
        )
        outputs[f"safe_{rule}"] = describe(xr.DataArray(safe, dims=dims), f"being safe ({rule})")
    return outputs


def varying(question: Question, values: dict[str, xr.DataArray]) -> list[str]:
    """Return the names of the drawn parameters that the lung model or an outcome of the rules uses.

    Raises
    ------
    EbbmapError
        If there are none.
    """
    used = all_inputs(plan(lung_model(question.lung), question.outcomes).parameters, values)
    names = [name for name, array in values.items() if "sample" in array.dims and name in used]
    if not names:
        raise EbbmapError("no property varies. Name a population, or give [samples].")
    return names


def computed_outcomes(options: Along) -> tuple[str, ...] | None:
    """Return the outcomes that an analysis computes besides those of the rules; None for all."""
    named = options.outcomes if isinstance(options, OfOutcomes) else ()
    return None if named is None else tuple(named)


def named_outcomes(question: Question, options: Along) -> tuple[str, ...]:
    """Return the same outcomes by name: all that the lung gives where none is named."""
    named = computed_outcomes(options)
    return outcomes_of(lung_model(question.lung)) if named is None else named


def by_kind(names: Sequence[str]) -> dict[str, list[str]]:
    """Group parameters by their kind: settings against the properties of the lung.

    Examples
    --------
    >>> by_kind(["p_high", "compliance", "resistance_exp"])
    {'settings': ['p_high'], 'lung properties': ['compliance', 'resistance_exp']}
    """
    titles = {
        "setting": "settings",
        "lung property": "lung properties",
        "patient": "the patient's size",
        "gas exchange": "gas exchange",
    }
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(titles[PARAMETERS[name].kind], []).append(name)
    return found


def groups_among(
    names: Sequence[str], groups: Mapping[str, Sequence[str]] | str | None
) -> dict[str, list[str]] | None:
    """Return the groups with the members that vary here; "kind" groups by kind, None not at all."""
    if groups is None:
        return None
    if isinstance(groups, str):
        return by_kind(names)
    present = {group: [n for n in inside if n in names] for group, inside in groups.items()}
    return {group: inside for group, inside in present.items() if inside}
