"""Which functions yield the outcomes that were asked for, and in which order."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from ebbmap.errors import EbbmapError
from ebbmap.lungs.base import Lung
from ebbmap.registries.outcomes.bundled import OUTCOMES, outcome
from ebbmap.registries.parameters import PARAMETERS, inputs_of


@dataclass(frozen=True)
class Plan:
    """What to compute, in order, to get the outcomes that were asked for.

    Parameters
    ----------
    outcomes : tuple of str
        The outcomes that were asked for.
    steps : tuple of (name, function, argument names)
        Every function to call after the lung is solved, each after all that it needs.
    parameters : tuple of str
        Every parameter that the lung or a step takes.
    """

    outcomes: tuple[str, ...]
    steps: tuple[tuple[str, Callable[..., Any], tuple[str, ...]], ...]
    parameters: tuple[str, ...]


def outcomes_of(lung: Lung) -> tuple[str, ...]:
    """Return the names of all outcomes that a lung model can give, in registry order."""
    known: dict[str, bool] = {}
    return tuple(name for name in OUTCOMES if _reachable(lung, name, known))


def plan(lung: Lung, names: Iterable[str] | None = None) -> Plan:
    """Order the functions that yield the named outcomes of a lung.

    Parameters
    ----------
    lung : Lung
        The model that solves the cycle.
    names : iterable of str, optional
        Outcomes; all that the lung can give if None.

    Raises
    ------
    EbbmapError
        If a name is unknown, or this lung cannot give it.
    """
    wanted = outcomes_of(lung) if names is None else tuple(dict.fromkeys(names))
    steps: dict[str, tuple[Callable[..., Any], tuple[str, ...]]] = {}
    parameters = dict.fromkeys(lung.parameters)

    def visit(name: str) -> None:
        if name in PARAMETERS:
            parameters[name] = None
        elif name not in lung.solves and name not in steps:
            outcome(name)
            function = _function(lung, name)
            if function is None:
                raise EbbmapError(
                    f"{name} is not an outcome of the lung {lung.name!r}. "
                    f"It has: {', '.join(outcomes_of(lung))}."
                )
            needs = inputs_of(function)
            for need in needs:
                visit(need)
            steps[name] = (function, needs)

    for name in wanted:
        outcome(name)
        visit(name)
    return Plan(wanted, tuple((n, f, needs) for n, (f, needs) in steps.items()), tuple(parameters))


def _reachable(lung: Lung, name: str, known: dict[str, bool]) -> bool:
    """Return whether a lung model can give a name; what was found before is in `known`."""
    if name not in known:
        function = None if name in PARAMETERS or name in lung.solves else _function(lung, name)
        known[name] = (name in PARAMETERS or name in lung.solves) or (
            function is not None
            and all(_reachable(lung, need, known) for need in inputs_of(function))
        )
    return known[name]


def _function(lung: Lung, name: str) -> Callable[..., Any] | None:
    """Return the function of an outcome in a lung: its own, or the registry's."""
    return lung.functions.get(name, OUTCOMES[name].compute)
