"""Further outcomes of stored cases: computed from those that are stored, where they suffice."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import where
from ebbmap.cases.evaluate import NO_STEADY_STATE, unsolved
from ebbmap.registries.outcomes import Plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.steady import no_steady_state

#: What every case must have for a cycle to be possible.
_PRESSURES = ("p_high", "p_low")


class Derivation(NamedTuple):
    """How outcomes follow from others."""

    steps: list[tuple[str, Callable[..., Any], tuple[str, ...]]]
    """Functions to call, in order, as a plan has them."""
    uses: tuple[str, ...]
    """Stored outcomes that they take."""
    parameters: tuple[str, ...]
    """Parameters that they take."""
    lacking: tuple[str, ...]
    """What the lung alone can give, and is not stored; nothing follows where there is any."""


def derivation(todo: Plan, wanted: Iterable[str], stored: Collection[str]) -> Derivation:
    """Return how outcomes follow from stored ones and from parameters.

    Parameters
    ----------
    todo : Plan
        What yields all of them where cases are solved.
    wanted : iterable of str
        Outcomes that are not stored.
    stored : collection of str
        Outcomes that are.

    Examples
    --------
    >>> from ebbmap.lungs import lung_model
    >>> from ebbmap.registries.outcomes import plan
    >>> todo = plan(lung_model("linear"), ["auto_peep", "flow_ratio"])
    >>> found = derivation(todo, ["auto_peep"], ["end_release_pressure"])
    >>> found.uses, found.parameters, found.lacking
    (('end_release_pressure',), ('p_high', 'p_low'), ())
    >>> derivation(todo, ["flow_ratio"], ["auto_peep"]).lacking
    ('end_release_flow', 'peak_expiratory_flow')
    """
    functions = {name: (function, needs) for name, function, needs in todo.steps}
    called: set[str] = set()
    uses: dict[str, None] = {}
    parameters = dict.fromkeys(_PRESSURES)
    lacking: dict[str, None] = {}

    def visit(name: str) -> None:
        if name in stored:
            uses[name] = None
        elif name in PARAMETERS:
            parameters[name] = None
        elif name not in functions:
            lacking[name] = None
        elif name not in called:
            called.add(name)
            for need in functions[name][1]:
                visit(need)

    for name in wanted:
        visit(name)
    steps = [step for step in todo.steps if step[0] in called]
    return Derivation(steps, tuple(uses), tuple(parameters), tuple(sorted(lacking)))


def derive(
    found: Derivation,
    inputs: Mapping[str, np.ndarray],
    stored: Mapping[str, np.ndarray],
    status: np.ndarray,
) -> tuple[dict[str, Any], np.ndarray]:
    """Compute outcomes of cases from stored ones; see `derivation`.

    Parameters
    ----------
    found : Derivation
        With nothing lacking.
    inputs : mapping of str to ndarray
        Its parameters; shapes broadcast with those of the cases, (...).
    stored : mapping of str to ndarray, shape (...)
        The outcomes that it uses.
    status : ndarray of int8, shape (...)
        Of the stored cases.

    Returns
    -------
    dict of str to ndarray
        Everything that was computed or given; NaN where a case was not solved.
    ndarray of int8, shape (...)
        The status, with what the further outcomes tell of a steady state.
    """
    lost = unsolved(status)
    known: dict[str, Any] = {**inputs, **stored}
    if lost.any():
        # a formula never sees an impossible case
        known["p_high"] = where(lost, np.nan, known["p_high"])
    for name, function, needs in found.steps:
        known[name] = function(**{need: known[need] for need in needs})
        if lost.any():
            known[name] = where(lost, np.nan, known[name])
    unsteady = no_steady_state(known) & ~lost
    return known, np.where(unsteady, np.int8(NO_STEADY_STATE), status)
