"""Exact derivatives of outcomes and of the safety margin, by the compiled engine.

Sizes: shape (...) is that of all values broadcast.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from ebbmap.array import broadcast_to
from ebbmap.cases.evaluate import NOT_CONVERGED, Values, compute, resolve
from ebbmap.engines import require_jax
from ebbmap.engines.columns import double_precision
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import DEFAULT_LUNG, lung_model
from ebbmap.lungs.base import Lung
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import Plan, plan

#: Name of the safety margin among what is differentiated.
MARGIN = "margin"

#: What a result says of slopes that it took from here.
EXACT = "exact, by JAX in double precision"

Slopes = dict[str, dict[str, np.ndarray]]


def gradient(
    outcomes: Iterable[str],
    by: Iterable[str],
    lung: str = DEFAULT_LUNG,
    *,
    limits: LimitSet | Mapping[str, LimitSet] | None = None,
    **values: Any,
) -> Slopes:
    """Return how outcomes change with settings and properties of the lung.

    Parameters
    ----------
    outcomes : iterable of str
        Registry names; `margin` is added where limits are given, `margin_NAME` for each of
        several.
    by : iterable of str
        Parameters, by which the derivatives are taken; others that are derived from them, such as
        P high from a plateau, move along.
    lung : str
        Name of a lung that the compiled engine solves.
    limits : LimitSet or mapping of str to LimitSet, optional
        Limits whose margin is differentiated too: that of the bound with the least margin.
    **values : array_like, shape (...)
        Parameters in registry units; what is not given takes its default.

    Returns
    -------
    dict of str to dict of str to ndarray, shape (...)
        By outcome, then by parameter: registry unit over registry unit. NaN where a case was not
        solved, is not possible or has no steady state; of a lung that may be limited, where the
        compiled passes did not settle it.

    Raises
    ------
    EbbmapError
        If a name is unknown, this lung does not use a parameter, the package jax is missing, or
        NumPy alone solves the lung.

    Examples
    --------
    The auto-PEEP of the linear lung changes with P high by the share that stays:

    >>> slopes = gradient(["auto_peep"], ["p_high"], "linear", p_high=25.0, p_low=0.0)
    >>> round(float(slopes["auto_peep"]["p_high"]), 4)
    0.4895
    """
    require_jax()
    model, names, wanted = lung_model(lung), tuple(outcomes), tuple(by)
    if not model.compiled:
        raise EbbmapError(
            f"the lung {lung!r} has no derivatives: NumPy alone solves it. Take another lung."
        )
    margins = _margins(limits)
    judged = dict.fromkeys(n for own in margins.values() for n in own.outcomes)
    todo = plan(model, dict.fromkeys((*names, *judged)))
    used = all_inputs(todo.parameters)
    if unused := [name for name in wanted if name not in used]:
        raise EbbmapError(f"{', '.join(unused)}: nothing here depends on it. Leave it out.")
    known = {name: np.asarray(value, dtype=float) for name, value in values.items()}
    known = resolve(known, tuple(dict.fromkeys((*wanted, *known)))) | known
    shape = np.broadcast_shapes(*(np.shape(value) for value in known.values()))
    flat = {
        name: np.broadcast_to(value, shape).ravel() if value.ndim else value
        for name, value in known.items()
    }

    left, slopes = np.arange(int(np.prod(shape))), _nothing_known((*names, *margins), wanted, shape)
    for number in range(len(model.compiled)):
        if not left.size:
            break
        piece = {name: value[left] if value.ndim else value for name, value in flat.items()}
        along = _differentiated(model, number, todo, names, tuple(margins.items()))
        found, status = _slopes(along, piece, wanted, left.size)
        for outcome, columns in found.items():
            for name, column in columns.items():
                slopes[outcome][name][left] = column
        left = left[status == NOT_CONVERGED]
    return {
        outcome: {name: column.reshape(shape) for name, column in columns.items()}
        for outcome, columns in slopes.items()
    }


def _margins(limits: LimitSet | Mapping[str, LimitSet] | None) -> dict[str, LimitSet]:
    """Return the limits by the name of their margin."""
    if isinstance(limits, LimitSet):
        return {MARGIN: limits}
    return {f"{MARGIN}_{name}": own for name, own in (limits or {}).items()}


def _nothing_known(names: tuple[str, ...], by: tuple[str, ...], shape: tuple[int, ...]) -> Slopes:
    size = int(np.prod(shape))
    return {outcome: {name: np.full(size, np.nan) for name in by} for outcome in names}


_DIFFERENTIATED: dict[tuple[Any, ...], tuple[Lung, Any]] = {}


def _differentiated(
    model: Lung,
    number: int,
    todo: Plan,
    names: tuple[str, ...],
    margins: tuple[tuple[str, LimitSet], ...],
) -> Any:
    """Return the compiled derivative of one way to solve a lung; one for each question.

    It is ``along(moved, held, direction) -> (outcomes, changes, status)``.
    """
    key = (id(model), number, todo, names, margins)
    if key in _DIFFERENTIATED:
        return _DIFFERENTIATED[key][1]
    way = replace(model, solve=model.compiled[number])

    def follow(moved: Values, held: Values) -> tuple[dict[str, Any], Any]:
        found, status = compute(way, todo, resolve({**held, **moved}, todo.parameters))
        kept = {name: found[name] for name in names}
        for name, limits in margins:
            kept[name] = judge(limits, {n: found[n] for n in limits.outcomes}).margin
        length = next(iter(moved.values())).shape
        kept = {name: broadcast_to(value, length) for name, value in kept.items()}
        return kept, broadcast_to(status, length)

    with double_precision() as jax:

        def along(values: Any, rest: Any, direction: Any) -> Any:
            return jax.jvp(lambda at: follow(at, rest), (values,), (direction,), has_aux=True)

        compiled = jax.jit(along)
    # the lung is kept too, so that its identity stays its own
    _DIFFERENTIATED[key] = model, compiled
    return compiled


def _slopes(
    along: Callable[..., Any],
    known: Values,
    wanted: tuple[str, ...],
    size: int,
) -> tuple[Slopes, np.ndarray]:
    """Differentiate by one parameter after the other, all outcomes and cases at once.

    Returns
    -------
    slopes : dict of str to dict of str to ndarray, shape (n,)
        NaN where the outcome is missing.
    status : ndarray, shape (n,)
        Of each case.
    """
    with double_precision() as jax:
        space = jax.numpy
        moved = {name: space.broadcast_to(space.asarray(known[name]), size) for name in wanted}
        held = {name: space.asarray(v) for name, v in known.items() if name not in wanted}
        slopes: Slopes = {}
        for name in wanted:
            direction = {k: space.full(size, 1.0 if k == name else 0.0) for k in wanted}
            found, changes, status = along(moved, held, direction)
            for outcome, change in changes.items():
                missing = np.isnan(np.asarray(found[outcome]))
                column = np.where(missing, np.nan, np.asarray(change))
                slopes.setdefault(outcome, {})[name] = column
        return slopes, np.asarray(status)
