"""The engine: lung model and outcomes over any number of cases, block by block, arrays only.

A block is a box of the broadcast shape that fits the processor's cache; inputs that do not vary
along an axis keep length one there, so what depends on few axes is computed on few axes.
Sizes: shape (...) is the broadcast shape of all inputs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ebbmap.array import broadcast_to, code, floats, isnan, some, where
from ebbmap.cases.blocks import aligned, boxes, keep_heap, view
from ebbmap.engines import accuracy, compiles, in_single
from ebbmap.engines.columns import Compiled, block_size, blocks, later_block, least_left
from ebbmap.errors import EbbmapError
from ebbmap.lungs.base import Lung
from ebbmap.registries.derivations import Derivation, ways
from ebbmap.registries.outcomes import Plan, plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.steady import no_steady_state

#: Cases in one block: measured best for the linear lung (benchmark suite).
BLOCK = 4096

#: Where single precision was asked for, one in so many cases of a call is solved in double
#: precision too, at least and at most so many.
CHECKED_IN, LEAST_CHECKED, MOST_CHECKED = 128, 16, 4096


OK, NOT_CONVERGED, OUT_OF_DOMAIN, NO_STEADY_STATE = 0, 1, 2, 3
STATUS = ("ok", "not_converged", "out_of_domain", "no_steady_state")

Values = Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Result:
    """Outcomes of many cases.

    Parameters
    ----------
    outcomes : dict of str to ndarray, shape (...)
        NaN wherever `status` is not ok; without a steady state of CO2 or oxygen the outcomes that
        do not rest on one keep their values.
    status : ndarray of int8, shape (...)
        Index into `STATUS`.
    """

    outcomes: dict[str, np.ndarray]
    status: np.ndarray


def unsolved(status: np.ndarray) -> np.ndarray:
    """Return which cases could not be solved; one that is solved but flagged is not among them.

    Examples
    --------
    >>> unsolved(np.array([OK, NOT_CONVERGED, OUT_OF_DOMAIN, NO_STEADY_STATE])).tolist()
    [False, True, True, False]
    """
    return np.isin(status, (NOT_CONVERGED, OUT_OF_DOMAIN))


def resolve(values: Values, names: tuple[str, ...]) -> dict[str, np.ndarray]:
    """Return a value for every named parameter: given, derived from others, or the default.

    Parameters
    ----------
    values : mapping of str to ndarray
        What was given; shapes broadcast.
    names : tuple of str
        The parameters that are needed.

    Raises
    ------
    EbbmapError
        If a parameter is given both directly and through others.

    Examples
    --------
    >>> given = {"height": np.array(175.0), "sex": np.array(1.0)}
    >>> round(float(resolve(given, ("predicted_body_weight",))["predicted_body_weight"]), 2)
    70.57
    """
    resolved: dict[str, np.ndarray] = {}
    for name in names:
        asked = ways(name, values)
        given = [*([name] if name in values else []), *(way.trigger for way in asked)]
        if len(given) > 1:
            raise EbbmapError(f"{name} is given twice, by {' and by '.join(given)}. Drop one.")
        if asked:
            _check_inputs(asked[0], values, names)
            resolved[name] = floats(asked[0].function(**resolve(values, asked[0].inputs)))
        elif name in values:
            resolved[name] = values[name]
        else:
            resolved[name] = np.asarray(PARAMETERS[name].default)
    return resolved


def _check_inputs(way: Derivation, values: Values, names: tuple[str, ...]) -> None:
    """Refuse to derive from a lung property that this lung does not have and nobody gave."""
    for need in way.inputs:
        if PARAMETERS[need].kind == "lung property" and need not in {*values, *names}:
            raise EbbmapError(
                f"{way.trigger} needs {need}, which this lung does not have. "
                f"Give {need}, or {way.target} itself."
            )


def evaluate(
    lung: Lung,
    values: Values,
    names: tuple[str, ...] | None = None,
    *,
    block: int = BLOCK,
    progress: Callable[[int], None] | None = None,
    out: Mapping[str, np.ndarray] | None = None,
    tried: int = 0,
) -> Result:
    """Solve every case and compute the outcomes.

    Parameters
    ----------
    lung : Lung
        The model.
    values : mapping of str to ndarray
        Parameters by name; shapes broadcast to (...). For what is missing see `resolve`.
    names : tuple of str, optional
        Outcomes; all if None.
    block : int
        Cases at a time.
    progress : callable, optional
        Called with the number of cases just finished.
    out : mapping of str to ndarray, shape (...), optional
        Arrays to put the outcomes in; new ones if None. Who streams hands the same in again,
        for fresh memory costs about as much as the linear lung itself.
    tried : int
        Ways of `Lung.compiled` that have left these cases already.

    Returns
    -------
    Result
        A case with p_high <= p_low is NaN and `out_of_domain`; one that the solver could not
        settle is NaN and `not_converged`.

    Raises
    ------
    EbbmapError
        If a name is unknown or a parameter is given twice.

    Examples
    --------
    >>> from ebbmap.lungs import lung_model
    >>> values = {"t_low": np.array([0.3, 0.5])}
    >>> solved = evaluate(lung_model("linear"), values, ("flow_ratio",))
    >>> solved.outcomes["flow_ratio"].round(4).tolist()
    [0.6514, 0.4895]
    """
    todo = plan(lung, names)
    resolved = resolve(values, todo.parameters)
    shape = np.broadcast_shapes(*(np.shape(value) for value in resolved.values()))
    inputs = {name: aligned(value, len(shape)) for name, value in resolved.items()}
    outcomes = {name: np.empty(shape) for name in todo.outcomes} if out is None else dict(out)
    status = np.empty(shape, dtype=np.int8)
    if compiles(lung):
        return compiled(lung, todo, inputs, outcomes, status, progress, tried)
    keep_heap()
    for box in boxes(shape, block):
        piece = {name: view(value, box) for name, value in inputs.items()}
        solved, flags = compute(lung, todo, piece)
        for name, target in outcomes.items():
            target[box] = solved[name]
        status[box] = flags
        if progress is not None:
            progress(status[box].size)
    return Result(outcomes, status)


def compiled(
    lung: Lung,
    todo: Plan,
    inputs: Values,
    outcomes: dict[str, np.ndarray],
    status: np.ndarray,
    progress: Callable[[int], None] | None,
    tried: int = 0,
) -> Result:
    """Solve every case by compiled functions, and by NumPy those few that these leave.

    Parameters as `evaluate` has them: every input, and what is filled, which may be more than the
    outcomes of the plan.
    """
    shape, size = status.shape, status.size
    columns = {
        name: np.broadcast_to(v, shape).reshape(-1) if v.size > 1 else v.reshape(())
        for name, v in inputs.items()
    }
    names = tuple(outcomes)
    flat = {name: np.empty(size) for name in names}
    flags, left = np.full(size, NOT_CONVERGED, dtype=np.int8), np.arange(size)
    for number in range(tried, len(lung.compiled)):
        key = (id(lung), number, todo, names, in_single(lung))
        if left.size < least_left(number, len(lung.compiled)) and key not in _COMPILED:
            break
        function = _compiled(lung, number, todo, names)
        size = later_block() if number else block_size(left.size, costly=lung.costly)
        for index, part in blocks(columns, left, size):
            solved, found = function(part)
            # one case has no axis on which it could be filled up
            for name, column in flat.items():
                column[index] = np.broadcast_to(np.asarray(solved[name]), size)[: index.size]
            flags[index] = np.broadcast_to(np.asarray(found), size)[: index.size]
            if progress is not None and number == tried:
                progress(index.size)
        left = left[flags[left] == NOT_CONVERGED]
    if left.size:
        rest = {name: v[left] if v.ndim else v for name, v in columns.items()}
        known, found = compute(lung, todo, rest)
        for name, column in flat.items():
            column[left] = known[name]
        flags[left] = found
    if in_single(lung):
        _check_single(lung, todo, columns, flat, flags)
    for name, target in outcomes.items():
        target[...] = flat[name].reshape(shape)
    status[...] = flags.reshape(shape)
    return Result(outcomes, status)


def _check_single(
    lung: Lung, todo: Plan, columns: Values, found: Values, status: np.ndarray
) -> None:
    """Solve cases spread over all of them in double precision too, and note how far apart."""
    count = int(np.clip(status.size // CHECKED_IN, LEAST_CHECKED, MOST_CHECKED))
    index = np.linspace(0, status.size - 1, min(count, status.size)).astype(int)
    exact, flags = compute(lung, todo, {n: v[index] if v.ndim else v for n, v in columns.items()})
    full = {name: np.broadcast_to(exact[name], index.shape) for name in found}
    flags = np.broadcast_to(flags, index.shape)
    accuracy().note(full, {n: v[index] for n, v in found.items()}, (flags, status[index]))


_COMPILED: dict[tuple[int, int, Plan, tuple[str, ...], bool], tuple[Lung, Compiled]] = {}


def _compiled(lung: Lung, number: int, todo: Plan, names: tuple[str, ...]) -> Compiled:
    """Return the compiled function of one way to solve a lung; one for each question."""
    key = (id(lung), number, todo, names, in_single(lung))
    if key not in _COMPILED:
        one = replace(lung, solve=lung.compiled[number])

        def function(piece: Values) -> tuple[dict[str, Any], Any]:
            known, flags = compute(one, todo, piece)
            shape = np.broadcast_shapes(*(np.shape(value) for value in piece.values()))
            full = {name: broadcast_to(known[name], shape) for name in names}
            return full, broadcast_to(flags, shape)

        # the lung is kept too, so that its identity stays its own
        _COMPILED[key] = lung, Compiled(function, double=not in_single(lung))
    return _COMPILED[key][1]


def compute(lung: Lung, todo: Plan, piece: Values) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Solve one block: return all that was computed, and the status, shapes that broadcast."""
    legal, piece = _possible(piece)
    known, flags = _finish(
        todo, piece, lung.solve(**{name: piece[name] for name in lung.parameters})
    )
    if legal is None:
        return known, flags
    return known, where(legal, flags, code(OUT_OF_DOMAIN, legal))


def _possible(piece: Values) -> tuple[np.ndarray | None, Values]:
    """Return which cases are possible, None if all are, and values without the impossible ones.

    NaN goes through every formula as NaN, so the lung never sees an impossible case.
    """
    legal = piece["p_high"] > piece["p_low"]
    if not some(~legal):
        return None, piece
    return legal, {**piece, "p_high": where(legal, piece["p_high"], np.nan)}


def _finish(todo: Plan, piece: Values, solved: Values) -> tuple[dict[str, np.ndarray], np.ndarray]:
    known = {**piece, **solved}
    for name, function, needs in todo.steps:
        known[name] = function(**{need: known[need] for need in needs})
    lost = isnan(solved["release_volume"])
    if some(lost):  # what needs no lung, such as the release rate, is blanked too
        known |= {name: where(lost, np.nan, known[name]) for name in todo.outcomes}
    return known, _flags(known, lost)


def _flags(known: Values, lost: np.ndarray) -> np.ndarray:
    """Status of solved cases: one number where all are well, which is the common case."""
    flags = code(OK, lost)
    if some(unsteady := no_steady_state(known)):
        flags = where(unsteady, code(NO_STEADY_STATE, lost), flags)
    return where(lost, code(NOT_CONVERGED, lost), flags) if some(lost) else flags


def start_up(
    lung: Lung,
    values: Values,
    *,
    start_pressure: np.ndarray | float,
    cycles: int,
    names: tuple[str, ...] | None = None,
) -> dict[str, np.ndarray]:
    """Run the first cycles from a lung at rest, so that gas trapping can be seen building up.

    Parameters
    ----------
    lung, values, names
        As in `evaluate`.
    start_pressure : array_like, shape (...)
        End-expiratory pressure before the mode begins [cmH2O].
    cycles : int
        How many, >= 1.

    Returns
    -------
    dict of str to ndarray, shape (..., cycles)
        Outcomes of each cycle; NaN where p_high <= p_low.

    Raises
    ------
    EbbmapError
        If `cycles` < 1, a name is unknown, or a parameter is given twice.

    Examples
    --------
    >>> from ebbmap.lungs import lung_model
    >>> first = start_up(lung_model("linear"), {}, start_pressure=5.0, cycles=3)
    >>> first["auto_peep"].shape
    (3,)
    """
    if cycles < 1:
        raise EbbmapError(f"cycles must be >= 1; got {cycles}. Ask for at least one cycle.")
    todo = plan(lung, names)
    _, piece = _possible(resolve(values, todo.parameters))
    shape = np.broadcast_shapes(np.shape(start_pressure), *(np.shape(v) for v in piece.values()))
    own = {name: piece[name] for name in lung.parameters}
    state = lung.rest(start_pressure, **own)
    outcomes = {name: np.empty((*shape, cycles)) for name in todo.outcomes}
    for number in range(cycles):
        solved, state = lung.cycle(state, **own)
        known, _ = _finish(todo, piece, solved)
        for name, target in outcomes.items():
            target[..., number] = known[name]
    return outcomes
