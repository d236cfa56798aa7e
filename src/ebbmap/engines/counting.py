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


class Counter:
    """Draws lungs on the devices of this machine, judges each at every setting and counts.

    Parameters
    ----------
    solve, draw : callable
        See `Solve` and `Draw`.
    limits : LimitSet
        At least one hard bound.
    rows : int
        Lungs in a block; the last block is filled up and what fills it is not counted.
    """

    def __init__(self, solve: Solve, draw: Draw, limits: LimitSet, rows: int):
        self.rows, self.limits, self._solve = rows, limits, solve
        with double_precision() as jax:
            # drawn by itself first: fused into the reduction, draws keep the compiler busy
            self._draw = jax.jit(
                lambda start: draw(start + jax.numpy.arange(rows, dtype=jax.numpy.uint32))
            )
            # masks of all blocks would fill the device: a block with something left is asked again
            self._count = jax.jit(lambda *block: self._block(*block)[:2])
            self._left = jax.jit(lambda *block: self._block(*block)[2])

    def count(self, settings: Mapping[str, np.ndarray], lungs: int, first: int = 0) -> Counts:
        """Count lungs, from the number of the first on.

        Parameters
        ----------
        settings : mapping of str to ndarray, shape (m,)
            What is set, by parameter.
        lungs, first : int
            How many lungs, and the number of the first.

        Returns
        -------
        Counts
            The same for every size of block and number of devices.
        """
        with double_precision() as jax:
            devices = jax.local_devices()
        share = -(-lungs // (self.rows * len(devices))) * self.rows
        cuts = [(first + start, min(share, lungs - start)) for start in range(0, lungs, share)]

        def part(device: Any, cut: tuple[int, int]) -> Counts:
            with double_precision() as jax, jax.default_device(device):
                return self._count_on(settings, *cut)

        if len(cuts) == 1:
            return part(devices[0], cuts[0])
        with ThreadPoolExecutor(len(cuts), initializer=keep_active, initargs=(active(),)) as pool:
            done = list(pool.map(part, devices, cuts))
        return Counts(
            np.sum([one.verdicts for one in done], axis=0),
            np.concatenate([one.unsolved for one in done]),
        )

    def _block(self, drawn: Mapping[str, Any], placed: Mapping[str, Any], wanted: Any) -> Any:
        """Return counts of a block, whether a case is left, and which are."""
        values = {name: value[:, None] for name, value in drawn.items()}
        length = max(value.shape[1] for value in placed.values())
        valid = (namespace(wanted).arange(self.rows) < wanted)[:, None]
        counts, left = _counted(
            self._solve({**values, **placed}), self.limits, valid, (self.rows, length)
        )
        return counts, left.any(), left

    def _count_on(self, settings: Mapping[str, np.ndarray], first: int, lungs: int) -> Counts:
        """Count as `count` does, on the device that is the default one."""
        with double_precision() as jax:
            placed = {n: jax.numpy.asarray(v)[None, :] for n, v in settings.items()}
            total, lost = 0, []
            for start in range(0, lungs, self.rows):
                drawn = self._draw(np.uint32(first + start))
                counts, left = self._count(drawn, placed, np.int64(lungs - start))
                total = total + counts
                lost.append((start, left))
            found = [np.zeros((0, 2), dtype=np.int64)]
            for start, left in lost:
                if bool(left):
                    drawn = self._draw(np.uint32(first + start))
                    mask = self._left(drawn, placed, np.int64(lungs - start))
                    found.append(_places(first + start, mask))
            return Counts(np.asarray(total), np.concatenate(found))


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
