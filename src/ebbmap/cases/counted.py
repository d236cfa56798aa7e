"""Verdicts on lungs that are drawn by counter: solved and counted where they are, by any engine.

Sizes: n lungs, m settings.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from ebbmap.array import where
from ebbmap.cases.evaluate import NOT_CONVERGED, Values, compute, evaluate, resolve
from ebbmap.cases.precision import compare_single
from ebbmap.engines import compiles, in_single
from ebbmap.engines.columns import costly_block
from ebbmap.engines.counting import Counter
from ebbmap.engines.draws import normals
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import VERDICTS, judge
from ebbmap.lungs import lung_model
from ebbmap.lungs.base import Lung
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.folding import folded
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import Population

#: Cases in a block on an accelerator, of a lung whose cases take little memory.
CASES = 2**24

#: Cases in a block that NumPy counts.
HOST_CASES = 2**15

#: Cases that are solved in both precisions before any are counted in single.
COMPARED = 2**16

#: More lungs than counters of 32 bits can number are refused.
MOST_LUNGS = 2**32


#: What was compiled for a question, and what must stay so that its identity does.
_COUNTERS: dict[tuple[Any, ...], tuple[Any, Counter]] = {}


def drawn(
    group: Population, seed: int, numbers: Any, wanted: Container[str] | None = None
) -> dict[str, Any]:
    """Draw lungs of a population by their numbers, shape (n,): the same by any engine.

    Parameters
    ----------
    group : Population
        Its properties are correlated as it says.
    seed : int
        Below 2^32.
    numbers : array of uint32, shape (n,)
        Numbers of the lungs.
    wanted : container of str, optional
        Properties that are wanted; all if None.

    Examples
    --------
    >>> from ebbmap.registries.populations import POPULATIONS
    >>> lungs = drawn(POPULATIONS["restrictive"], 0, np.arange(3, dtype=np.uint32))
    >>> lungs["compliance"].shape
    (3,)
    """
    scores = normals(seed, len(group.properties), numbers)
    factors = np.linalg.cholesky(group.correlation_matrix).tolist()
    lungs = {}
    for row, (name, marginal) in zip(factors, group.marginals.items(), strict=True):
        if wanted is None or name in wanted:
            parts = [f * scores[column] for column, f in enumerate(row) if f != 0.0]
            lungs[name] = marginal.at(sum(parts[1:], parts[0]))
    return lungs


def count_shares(
    group: Population,
    settings: Mapping[str, np.ndarray],
    limits: LimitSet,
    lung: str,
    *,
    lungs: int,
    seed: int = 0,
    cases: int | None = None,
) -> np.ndarray:
    """Count the verdicts on drawn lungs at every setting, by the engine in use.

    Parameters
    ----------
    group : Population
        Lungs are drawn from it by counter: what one lung is depends on seed and number only.
    settings : mapping of str to ndarray, shape (m,)
        What is set.
    limits : LimitSet
        At least one hard bound.
    lung : str
        Name of a lung model.
    lungs, seed : int
        How many lungs, up to 2^32, and the seed, below 2^32.
    cases : int, optional
        Cases in a block; no count depends on it.

    Returns
    -------
    ndarray of int64, shape (4, m)
        Lungs at each setting with each verdict, in the order of `VERDICTS`. A drawn value out of
        its bounds makes a case undetermined, as in a study. In single precision lungs are drawn
        in double, rounded, and solved in single.

    Raises
    ------
    EbbmapError
        If a name is unknown, there are too many lungs, or single precision is asked for and
        changes more than one verdict in a thousand of the first `COMPARED` cases.
    """
    if not 0 < lungs <= MOST_LUNGS or not 0 <= seed < MOST_LUNGS:
        raise EbbmapError(f"lungs must be 1 to 2^32 and seed below; got {lungs} and {seed}.")
    model = lung_model(lung)
    known_group, group = group, folded(group, model)
    todo = plan(model, limits.outcomes)
    used = all_inputs(todo.parameters)
    length = max(np.size(value) for value in settings.values())

    def draw(numbers: Any) -> dict[str, Any]:
        return drawn(group, seed, numbers, used - set(settings))

    def solver(way: Lung) -> Callable[[Values], tuple[Mapping[str, Any], Any]]:
        def solve(values: Values) -> tuple[Mapping[str, Any], Any]:
            known, flags = compute(way, todo, resolve(_barred(values, group), todo.parameters))
            return known, flags == NOT_CONVERGED

        return solve

    if not compiles(model):
        return _count_here(solver(model), draw, settings, limits, lungs, cases or HOST_CASES)
    size = cases or (costly_block() if model.costly else CASES)
    rows = max(1, size // length if cases else min(size // length, lungs))
    single = in_single(model)
    if single:
        some = draw(np.arange(min(lungs, max(1, COMPARED // length)), dtype=np.uint32))
        compared = {name: value[:, None] for name, value in some.items()} | dict(settings)
        compare_single(
            model, _barred(compared, group), limits.outcomes, {limits.name: limits}, group.name
        )
    key = (id(model), id(known_group), limits, tuple(settings), seed, rows, single)
    if key not in _COUNTERS:
        ways = [solver(replace(model, solve=way)) for way in model.compiled]
        kept = known_group, model
        _COUNTERS[key] = kept, Counter(ways, draw, limits, rows, double=not single)
    counted = _COUNTERS[key][1].count(settings, lungs)
    total = counted.verdicts
    if counted.unsolved.size:
        number, place = counted.unsolved.T
        left = draw(number.astype(np.uint32)) | {
            name: np.broadcast_to(value, (length,))[place] for name, value in settings.items()
        }
        solved = evaluate(model, _barred(left, group), limits.outcomes, tried=counted.ways).outcomes
        np.add.at(total := total.copy(), (judge(limits, solved).verdict, place), 1)
    return total


def _barred(values: Values, group: Population) -> Values:
    """Take P high from cases with a drawn value out of bounds, as `bar_leavers` does."""
    legal, kept = None, dict(values)
    for name in group.properties:
        if name in values:
            entry, value = PARAMETERS[name], values[name]
            inside = (value >= entry.low) & (value <= entry.high)
            kept[name] = where(inside, value, entry.default)
            legal = inside if legal is None else legal & inside
    if legal is not None:
        kept["p_high"] = where(legal, kept.get("p_high", PARAMETERS["p_high"].default), np.nan)
    return kept


def _count_here(
    solve: Callable[[Values], tuple[Mapping[str, Any], Any]],
    draw: Callable[[Any], dict[str, Any]],
    settings: Mapping[str, np.ndarray],
    limits: LimitSet,
    lungs: int,
    cases: int,
) -> np.ndarray:
    """Count as `Counter` does, by NumPy."""
    length = max(np.size(value) for value in settings.values())
    total = np.zeros((len(VERDICTS), length), dtype=np.int64)
    rows = max(1, cases // length)
    placed = {name: np.asarray(value, dtype=float)[None, :] for name, value in settings.items()}
    for start in range(0, lungs, rows):
        numbers = np.arange(start, min(start + rows, lungs), dtype=np.uint32)
        values = {name: value[:, None] for name, value in draw(numbers).items()} | placed
        known, _ = solve(values)
        verdict = judge(limits, {name: known[name] for name in limits.outcomes}).verdict
        verdict = np.broadcast_to(verdict, (numbers.size, length))
        total += np.stack([(verdict == code).sum(axis=0) for code in range(len(VERDICTS))])
    return total
