"""What an entry must be like to be added: tried on a few cases before any work rests on it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from inspect import signature
from keyword import iskeyword
from types import MappingProxyType
from typing import Any

import numpy as np

from ebbmap.analyses.base import Analysis
from ebbmap.analyses.options import Options
from ebbmap.cases.evaluate import evaluate
from ebbmap.errors import unknown_name
from ebbmap.lungs import LUNGS, Lung
from ebbmap.lungs.base import SOLVED
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES, Outcome, outcomes_of
from ebbmap.registries.parameters import PARAMETERS, inputs_of
from ebbmap.registries.populations import Population
from ebbmap.registries.signals import SIGNALS

#: Cases that an entry is tried on, and the seed of their parameters.
TRIED, SEED = 8, 20
#: The case whose arguments are NaN where it is seen whether NaN passes through.
LOST = 3

#: Names that results need for themselves.
RESERVED = frozenset(
    {"status", "verdict", "margin", "binding", "sample", "time", "cycle", "population", "rule"}
)

#: What a lung must lose with a case, so that the engine blanks the rest.
MARKS_LOST = "release_volume"

SETTINGS = ("p_high", "p_low", "t_high", "t_low")

Arrays = Mapping[str, np.ndarray]


def problems_of(kind: str, entry: Any) -> list[str]:
    """List what is wrong with an entry; the catalogue that holds it must be active.

    Parameters
    ----------
    kind : str
        Kind of its registry.
    entry : object
        The entry.
    """
    place = f"{kind} {entry.name!r}"
    problems = [*_name_problems(entry.name), *_text_problems(entry)]
    check = _CHECKS.get(kind)
    if check is not None and not problems:
        problems += list(check(entry))
    return [f"{place}: {problem}" for problem in problems]


def lungs_with(outcome: str) -> list[Lung]:
    """Return the lungs that can give an outcome."""
    return [lung for lung in LUNGS.values() if outcome in outcomes_of(lung)]


def _name_problems(name: str) -> Iterator[str]:
    if not name.isidentifier() or iskeyword(name) or name.startswith("_"):
        yield "a name must be a word of letters, figures and _, as in my_outcome. Rename it."
    elif name in RESERVED:
        yield "results need this name for themselves. Rename it."


def _text_problems(entry: Any) -> Iterator[str]:
    if not str(entry.long_name).strip():
        yield "needs a name in words. Give long_name."
    if hasattr(entry, "source") and not isinstance(entry, Population) and not entry.source.strip():
        yield "needs a source, or the words 'common practice, no source'. Give source."


def _outcome_problems(entry: Outcome) -> Iterator[str]:
    """Check the arguments of an outcome's function, then what it does with cases."""
    if entry.compute is None:
        yield "needs a function. Mark one with @ebbmap.outcome(...)."
        return
    if any(
        word.kind not in (word.POSITIONAL_OR_KEYWORD, word.KEYWORD_ONLY)
        for word in signature(entry.compute).parameters.values()
    ):
        yield "takes arguments without names. Name each outcome and parameter that it takes."
        return
    unknown = [
        f"takes {need!r}: {unknown_name('outcome or parameter', need, {*OUTCOMES, *PARAMETERS})}"
        for need in inputs_of(entry.compute)
        if need not in OUTCOMES and need not in PARAMETERS
    ]
    if unknown:
        yield from unknown
        return
    try:
        lungs = lungs_with(entry.name)
    except RecursionError:
        yield "needs itself, by way of what it takes. Break the circle."
        return
    if not lungs:
        yield "no lung gives all that it takes. Take other outcomes, or add a lung that has them."
        return
    needs = inputs_of(entry.compute)
    try:
        arguments = _arguments(lungs[0], needs)
    except Exception as error:  # another own entry may raise anything
        yield f"what it takes cannot be computed: {error}"
        return
    yield from _trial_problems(entry.compute, needs, arguments)


def _arguments(lung: Lung, needs: tuple[str, ...]) -> dict[str, np.ndarray]:
    """Return arguments from plausible cases of a lung, shape (n,) each."""
    rng = np.random.default_rng(SEED)
    values = _plausible(dict.fromkeys((*lung.parameters, *needs)), rng)
    named = tuple(need for need in needs if need in OUTCOMES)
    solved = evaluate(lung, values, named).outcomes if named else {}
    return {need: np.array(solved[need] if need in solved else values[need]) for need in needs}


def _plausible(names: Any, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return values within the usual range of every parameter among the names."""
    entries = [PARAMETERS[name] for name in names if name in PARAMETERS]
    return {
        entry.name: rng.choice([entry.low, entry.high], TRIED)
        if entry.choices
        else rng.uniform(entry.usual_low, entry.usual_high, TRIED)
        for entry in entries
    }


def _trial_problems(
    function: Callable[..., Any], needs: tuple[str, ...], arguments: Arrays
) -> Iterator[str]:
    """Call a function with n cases, with one of them, and with NaN."""
    result, problem = _called(function, arguments)
    if problem is not None:
        yield problem
        return
    if result.shape != (TRIED,):
        yield f"must return one value a case, shape ({TRIED},); returned {result.shape}."
        return
    alone, problem = _called(function, {need: arguments[need][:1] for need in needs})
    if (
        problem is not None
        or alone.shape != (1,)
        or not np.allclose(alone, result[:1], rtol=1e-12, atol=0.0, equal_nan=True)
    ):
        yield problem or "a case must not depend on the others: alone it has another value."
    carriers = [need for need in needs if need in OUTCOMES]
    kept = [need for need in carriers if not _passes_nan(function, arguments, need)]
    if kept:
        yield (
            f"must be NaN where {kept[0]} is NaN, or a case that could not be solved gets a "
            f"value. Give np.where(np.isnan({kept[0]}), np.nan, ...)."
        )


def _passes_nan(function: Callable[..., Any], arguments: Arrays, need: str) -> bool:
    lost = arguments[need].astype(float)
    lost[LOST] = np.nan
    result, problem = _called(function, {**arguments, need: lost})
    return problem is None and result.shape == (TRIED,) and bool(np.isnan(result[LOST]))


def _called(function: Callable[..., Any], arguments: Arrays) -> tuple[np.ndarray, str | None]:
    """Return what a function gives for copies of its arguments, and what is wrong with it."""
    result, problem = _tried(function, arguments)
    if problem is not None:
        return np.empty(0), problem
    array = np.asarray(result)
    if array.dtype.kind not in "fiub":
        return np.empty(0), f"must return numbers; returned {array.dtype}."
    return array.astype(float), None


def _tried(function: Callable[..., Any], arguments: Arrays) -> tuple[Any, str | None]:
    """Call a function with copies of its arguments; say what it raises or changes."""
    handed = {name: value.copy() for name, value in arguments.items()}
    try:
        with np.errstate(all="ignore"):
            result = function(**handed)
    except Exception as error:  # whatever somebody's function raises is reported
        return None, f"raises {type(error).__name__} on arrays: {error}"
    for name, value in arguments.items():
        if not np.array_equal(handed[name], value, equal_nan=True):
            return None, f"changes its argument {name}. Work on a copy."
    return result, None


def _lung_problems(entry: Lung) -> Iterator[str]:
    """Check what a lung takes, solves and draws, then its settled cycle."""
    named = list(_lung_names(entry))
    yield from named or _lung_trial(entry)


def _lung_names(entry: Lung) -> Iterator[str]:
    known = (
        ("takes", entry.parameters, PARAMETERS),
        ("solves", entry.solves, OUTCOMES),
        ("draws", entry.signals, SIGNALS),
    )
    for verb, names, registry in known:
        for name in names:
            if name not in registry:
                yield f"{verb} {name!r}: {unknown_name(registry.kind, name, registry)}"
    for name in SETTINGS:
        if name not in entry.parameters:
            yield f"must take the setting {name}."
    for name in SOLVED:
        if name not in entry.solves:
            yield f"must solve {name}."


def _lung_trial(entry: Lung) -> Iterator[str]:
    values = _plausible(entry.parameters, np.random.default_rng(SEED))
    values["p_high"][LOST] = np.nan
    solved, problem = _tried(entry.solve, values)
    if problem is not None:
        yield f"solve {problem}"
    elif not isinstance(solved, Mapping) or any(name not in solved for name in entry.solves):
        lacking = [n for n in entry.solves if not isinstance(solved, Mapping) or n not in solved]
        yield f"must return a mapping with {', '.join(lacking)}."
    else:
        for name in entry.solves:
            shape = np.shape(solved[name])
            if shape not in ((), (1,), (TRIED,)):
                yield f"must return one {name} a case, shape ({TRIED},); returned {shape}."
            elif name == MARKS_LOST and not np.isnan(np.broadcast_to(solved[name], (TRIED,))[LOST]):
                yield f"{name} must be NaN where p_high is NaN: the case is marked by it."


def _limit_problems(entry: LimitSet) -> Iterator[str]:
    if not entry.limits:
        yield "has no limit. Add one."
    for name in entry.outcomes:
        if name not in OUTCOMES:
            yield unknown_name("outcome", name, OUTCOMES)


def _population_problems(entry: Population) -> Iterator[str]:
    """Check that every property is one of a lung or a patient, and that its middle is legal."""
    for name, marginal in entry.marginals.items():
        if name not in PARAMETERS:
            yield unknown_name("parameter", name, PARAMETERS)
        elif PARAMETERS[name].kind == "setting":
            yield f"{name} is a setting, not a property of a lung. Fix it or sample it in a study."
        elif problem := PARAMETERS[name].complaint(float(marginal.at(np.array(0.0)))):
            yield f"the middle of {problem}"


def _analysis_problems(entry: Analysis) -> Iterator[str]:
    """Check that every option is described, and that the variables are known or declared."""
    if not issubclass(entry.options, Options):
        yield "options must be a class of ebbmap.analyses.options.Options."
        return
    for name, field in entry.options.model_fields.items():
        if not field.description:
            yield f"the option {name} needs a description. Give Field(..., description=...)."
    for name in entry.variables:
        if name in OUTCOMES or name in PARAMETERS:
            yield f"the variable {name} has the name of an outcome or a parameter. Rename it."


_CHECKS: Mapping[str, Callable[[Any], Iterator[str]]] = MappingProxyType(
    {
        "outcome": _outcome_problems,
        "lung": _lung_problems,
        "limit set": _limit_problems,
        "population": _population_problems,
        "analysis": _analysis_problems,
    }
)
