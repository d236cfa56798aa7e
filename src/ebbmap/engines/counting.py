"""Cases that are drawn, solved, judged and counted where they are; only counts come back.

A block is some lungs at all settings; what one pass leaves unsolved is named, so that whoever asks
can solve it otherwise and count it with the rest. Sizes: n lungs, m settings, k hard bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from ebbmap.array import namespace, where
from ebbmap.engines.columns import double_precision
from ebbmap.kernels.judging import VERDICTS, judge
from ebbmap.registries.limits import LimitSet
from ebbmap.registry import active, keep_active

#: ``solve(values) -> (outcomes, unsolved)``, in functions of any engine.
Solve = Callable[[Mapping[str, Any]], tuple[Mapping[str, Any], Any]]

#: ``draw(numbers) -> {parameter: array}`` from the numbers of lungs, shape (n,).
Draw = Callable[[Any], Mapping[str, Any]]


@dataclass(frozen=True)
class Counts:
    """What lungs at settings came to.

    Parameters
    ----------
    verdicts : ndarray of int64, shape (4, m)
        Lungs at each setting with each verdict, in the order of `VERDICTS`.
    unsolved : ndarray of int64, shape (u, 2)
        Lung and setting of every case that was left; these are counted nowhere.
    """

    verdicts: np.ndarray
    unsolved: np.ndarray


def count_verdicts(
    solve: Solve,
    draw: Draw,
    settings: Mapping[str, np.ndarray],
    limits: LimitSet,
    lungs: int,
    *,
    rows: int,
    first: int = 0,
) -> Counts:
    """Draw lungs on the devices of this machine, judge each at every setting and count.

    Parameters
    ----------
    solve, draw : callable
        See `Solve` and `Draw`.
    settings : mapping of str to ndarray, shape (m,)
        What is set, by parameter.
    limits : LimitSet
        At least one hard bound.
    lungs, first : int
        How many lungs, and the number of the first.
    rows : int
        Lungs in a block; the last block is filled up and what fills it is not counted.

    Returns
    -------
    Counts
        The same for every size of block and number of devices.
    """
    with double_precision() as jax:
        devices = jax.local_devices()
        share = -(-lungs // (rows * len(devices))) * rows
        cuts = [(first + k * share, min(share, lungs - k * share)) for k in range(len(devices))]

    def part(device: Any, cut: tuple[int, int]) -> Counts:
        with double_precision() as jax, jax.default_device(device):
            return _count_on(solve, draw, settings, limits, cut[1], rows, cut[0])

    wanted = [pair for pair in zip(devices, cuts, strict=True) if pair[1][1] > 0]
    if len(wanted) == 1:
        return part(*wanted[0])
    with ThreadPoolExecutor(len(wanted), initializer=keep_active, initargs=(active(),)) as pool:
        done = list(pool.map(lambda pair: part(*pair), wanted))
    return Counts(
        np.sum([one.verdicts for one in done], axis=0),
        np.concatenate([one.unsolved for one in done]),
    )


def _count_on(
    solve: Solve,
    draw: Draw,
    settings: Mapping[str, np.ndarray],
    limits: LimitSet,
    lungs: int,
    rows: int,
    first: int,
) -> Counts:
    """Count as `count_verdicts` does, on one device."""
    with double_precision() as jax:
        space = jax.numpy
        placed = {name: space.asarray(value)[None, :] for name, value in settings.items()}
        length = max(np.size(value) for value in settings.values())

        def numbered(start: Any) -> Any:
            return start + space.arange(rows, dtype=space.uint32)

        def block(start: Any, drawn: Mapping[str, Any]) -> tuple[Any, Any]:
            values = {name: value[:, None] for name, value in drawn.items()}
            wanted = (numbered(start) < first + lungs)[:, None]
            return _counted(solve({**values, **placed}), limits, wanted, (rows, length))

        def counts_only(start: Any, drawn: Mapping[str, Any]) -> tuple[Any, Any]:
            counts, left = block(start, drawn)
            return counts, left.any()

        # drawn by itself first: fused into the reduction, draws keep the compiler busy for minutes
        drawing = jax.jit(lambda start: draw(numbered(start)))
        # masks of all blocks would fill the device: a block with something left is asked again
        step, again = jax.jit(counts_only), jax.jit(lambda *block_: block(*block_)[1])
        total = space.zeros((len(VERDICTS), length), dtype=space.int64)
        unsolved = []
        for start in range(first, first + lungs, rows):
            number = np.uint32(start)
            counts, left = step(number, drawing(number))
            total = total + counts
            unsolved.append((start, left))
        lost = [np.uint32(start) for start, left in unsolved if bool(left)]
        found = [_places(int(start), again(start, drawing(start))) for start in lost]
        none = np.zeros((0, 2), dtype=np.int64)
        return Counts(np.asarray(total), np.concatenate([none, *found]))


def _counted(
    solved: tuple[Mapping[str, Any], Any], limits: LimitSet, wanted: Any, shape: tuple[int, int]
) -> tuple[Any, Any]:
    """Return counts of each verdict at each setting, and which lungs have an unsolved case."""
    outcomes, unsolved = solved
    space = namespace(wanted)
    verdict = judge(limits, {name: outcomes[name] for name in limits.outcomes}).verdict
    left = space.broadcast_to(unsolved & wanted, shape)
    verdict = where(wanted & ~unsolved, verdict, -1)
    counts = [(verdict == number).sum(axis=0) for number in range(len(VERDICTS))]
    counts = [space.broadcast_to(count, shape[1:]) for count in counts]
    return space.stack(counts).astype(space.int64), left


def _places(start: int, left: Any) -> np.ndarray:
    """Return lung and setting of every case that was left in a block, shape (u, 2)."""
    rows, columns = np.nonzero(np.asarray(left))
    return np.stack([rows + start, columns], axis=1).astype(np.int64)
