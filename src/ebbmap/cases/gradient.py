"""Exact derivatives of outcomes and of the safety margin, by the compiled engine.

Sizes: shape (...) is that of all values broadcast.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from ebbmap.array import broadcast_to, where
from ebbmap.cases.evaluate import OK, Values, compute, resolve
from ebbmap.engines import require_jax
from ebbmap.engines.columns import double_precision
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import DEFAULT_LUNG, lung_model
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import plan

#: Name of the safety margin among what is differentiated.
MARGIN = "margin"

Slopes = dict[str, dict[str, np.ndarray]]


def gradient(
    outcomes: Iterable[str],
    by: Iterable[str],
    lung: str = DEFAULT_LUNG,
    *,
    limits: LimitSet | None = None,
    **values: Any,
) -> Slopes:
    """Return how outcomes change with settings and properties of the lung.

    Parameters
    ----------
    outcomes : iterable of str
        Registry names; `margin` is added where limits are given.
    by : iterable of str
        Parameters, by which the derivatives are taken; others that are derived from them, such as
        P high from a plateau, move along.
    lung : str
        Name of a lung that the compiled engine solves.
    limits : LimitSet, optional
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
    judged = limits.outcomes if limits is not None else ()
    todo = plan(model, dict.fromkeys((*names, *judged)))
    used = all_inputs(todo.parameters)
    if unused := [name for name in wanted if name not in used]:
        raise EbbmapError(f"{', '.join(unused)}: nothing here depends on it. Leave it out.")
    known = {name: np.asarray(value, dtype=float) for name, value in values.items()}
    known = resolve(known, tuple(dict.fromkeys((*wanted, *known)))) | known
    shape = np.broadcast_shapes(*(np.shape(value) for value in known.values()))
    ways = [replace(model, solve=solve) for solve in model.compiled]

    def follow(moved: Mapping[str, Any], held: Values) -> Mapping[str, Any]:
        piece = {k: v for k, v in resolve({**held, **moved}, todo.parameters).items()}
        solved = [compute(way, todo, piece) for way in ways]
        found, status = solved[0]
        for other, flags in solved[1:]:
            first = status == OK
            found = {name: where(first, found[name], other[name]) for name in todo.outcomes}
            status = where(first, status, flags)
        kept = {name: found[name] for name in names}
        if limits is not None:
            kept[MARGIN] = judge(limits, {name: found[name] for name in judged}).margin
        return {name: broadcast_to(value, shape) for name, value in kept.items()}

    return _slopes(follow, known, wanted, shape)


def _slopes(follow: Any, known: Values, wanted: tuple[str, ...], shape: tuple[int, ...]) -> Slopes:
    """Differentiate by one parameter after the other, all outcomes and cases at once."""
    with double_precision() as jax:
        space = jax.numpy
        moved = {name: space.broadcast_to(space.asarray(known[name]), shape) for name in wanted}
        held = {name: space.asarray(v) for name, v in known.items() if name not in wanted}

        def along(values: Any, rest: Any, direction: Any) -> Any:
            return jax.jvp(lambda at: follow(at, rest), (values,), (direction,))

        along = jax.jit(along)
        slopes: Slopes = {}
        for name in wanted:
            direction = {k: space.full(shape, 1.0 if k == name else 0.0) for k in wanted}
            found, changes = along(moved, held, direction)
            for outcome, change in changes.items():
                missing = np.isnan(np.asarray(found[outcome]))
                column = np.where(missing, np.nan, np.asarray(change))
                slopes.setdefault(outcome, {})[name] = column
        return slopes
