"""Cases that are drawn, solved, judged and counted where they are; only counts come back.

A block is some lungs at all settings. What one way to solve leaves is named, by lung and setting,
and goes to the next way where it is much; whoever asks solves the rest otherwise and counts it too.
Sizes: n lungs, m settings, k hard bounds, u cases that are left.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from ebbmap.array import namespace, where
from ebbmap.engines.columns import blocks, double_precision, later_block, least_left
from ebbmap.engines.kernels import kernels_of_device
from ebbmap.kernels.judging import VERDICTS, judge
from ebbmap.registries.limits import LimitSet
from ebbmap.registry import active, keep_active

#: Blocks that are asked for before the first one's answer is looked at.
AHEAD = 16

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
    ways : int
        How many ways to solve these were tried on all of them.
    """

    verdicts: np.ndarray
    unsolved: np.ndarray
    ways: int


class Counter:
    """Draws lungs on the devices of this machine, judges each at every setting and counts.

    Parameters
    ----------
    ways : sequence of callable
        See `Solve`: the ways to solve, each for what the one before left.
    draw : callable
        See `Draw`.
    limits : LimitSet
        At least one hard bound.
    rows : int
        Lungs in a block; the last block is filled up and what fills it is not counted.
    double : bool
        Whether lungs are solved in double precision; they are drawn in it either way.
    """

    def __init__(
        self,
        ways: Sequence[Solve],
        draw: Draw,
        limits: LimitSet,
        rows: int,
        *,
        double: bool = True,
    ):
        self.rows, self.limits, self._ways = rows, limits, tuple(ways)
        self._later: dict[int, Any] = {}
        self._double = double
        with double_precision() as jax:
            self._kind = kind = jax.numpy.float64 if double else jax.numpy.float32

            def rounded(numbers: Any) -> Mapping[str, Any]:
                return {name: value.astype(kind) for name, value in draw(numbers).items()}

            # drawn by itself first: fused into the reduction, draws keep the compiler busy
            self._draw = jax.jit(
                lambda start: rounded(start + jax.numpy.arange(rows, dtype=jax.numpy.uint32))
            )
            self._draw_these = jax.jit(rounded)
            self._count = jax.jit(self._block)

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
            with double_precision() as jax, jax.default_device(device), kernels_of_device():
                return self._count_on(settings, *cut)

        if len(cuts) == 1:
            return part(devices[0], cuts[0])
        with ThreadPoolExecutor(len(cuts), initializer=keep_active, initargs=(active(),)) as pool:
            done = list(pool.map(part, devices, cuts))
        return Counts(
            np.sum([one.verdicts for one in done], axis=0),
            np.concatenate([one.unsolved for one in done]),
            min(one.ways for one in done),
        )

    def _block(self, drawn: Mapping[str, Any], placed: Mapping[str, Any], wanted: Any) -> Any:
        """Return counts of a block, whether a case is left, and which are."""
        values = {name: value[:, None] for name, value in drawn.items()}
        length = max(value.shape[1] for value in placed.values())
        valid = (namespace(wanted).arange(self.rows) < wanted)[:, None]
        counts, left = _counted(
            self._ways[0]({**values, **placed}), self.limits, valid, (self.rows, length)
        )
        return counts, left.any(), left

    def _later_way(self, way: int) -> Any:
        """Return the compiled function that counts cases by themselves, by one way to solve."""

        def count(
            drawn: Mapping[str, Any], placed: Mapping[str, Any], place: Any, valid: Any
        ) -> Any:
            values = {**drawn, **{name: value[0][place] for name, value in placed.items()}}
            verdict, left = _judged(self._ways[way](values), self.limits, valid, place.shape)
            length = max(value.shape[1] for value in placed.values())
            none = namespace(place).zeros((len(VERDICTS), length), dtype=place.dtype)
            # what is left has the verdict -1, and is counted nowhere
            return none.at[verdict, place].add(verdict >= 0), left

        if way not in self._later:
            with double_precision() as jax:
                self._later[way] = jax.jit(count)
        return self._later[way]

    def _count_left(self, placed: Mapping[str, Any], left: np.ndarray) -> Counts:
        """Count cases that the first way left, (u, 2), by the further ones as long as they pay."""
        total: Any = 0
        for way in range(1, len(self._ways)):
            least = least_left(way, len(self._ways))
            if not left.size or (len(left) < least and way not in self._later):
                return Counts(np.asarray(total), left, way)
            count, size, found = self._later_way(way), later_block(), []
            columns = {"lung": left[:, 0], "setting": left[:, 1]}
            for index, part in blocks(columns, np.arange(len(left)), size):
                drawn = self._draw_these(part["lung"].astype(np.uint32))
                counts, unsolved = count(
                    drawn, placed, part["setting"], np.arange(size) < index.size
                )
                total = total + counts
                found.append(index[np.asarray(unsolved)[: index.size]])
            left = left[np.concatenate(found)]
        return Counts(np.asarray(total), left, len(self._ways))

    def _count_on(self, settings: Mapping[str, np.ndarray], first: int, lungs: int) -> Counts:
        """Count as `count` does, on the device that is the default one."""
        with double_precision() as jax:
            placed = {n: jax.numpy.asarray(v, self._kind)[None, :] for n, v in settings.items()}
            total: Any = 0
            waiting: deque[tuple[int, Any, Any]] = deque()
            found = [np.zeros((0, 2), dtype=np.int64)]
            for start in range(0, lungs, self.rows):
                drawn = self._draw(np.uint32(first + start))
                with double_precision(self._double):
                    counts, some, left = self._count(drawn, placed, min(self.rows, lungs - start))
                total = total + counts.astype(jax.numpy.int64)
                waiting.append((first + start, some, left))
                # masks of all blocks would fill the device, and to look at once would hold it up
                if len(waiting) > AHEAD:
                    found += _places(*waiting.popleft())
            found += [places for one in waiting for places in _places(*one)]
            later = self._count_left(placed, np.concatenate(found))
            return Counts(np.asarray(total) + later.verdicts, later.unsolved, later.ways)


def _counted(
    solved: tuple[Mapping[str, Any], Any], limits: LimitSet, wanted: Any, shape: tuple[int, int]
) -> tuple[Any, Any]:
    """Return counts of each verdict at each setting, and which lungs have an unsolved case."""
    verdict, left = _judged(solved, limits, wanted, shape)
    space = namespace(wanted)
    counts = [(verdict == number).sum(axis=0) for number in range(len(VERDICTS))]
    counts = [space.broadcast_to(count, shape[1:]) for count in counts]
    return space.stack(counts), left


def _judged(
    solved: tuple[Mapping[str, Any], Any], limits: LimitSet, wanted: Any, shape: tuple[int, ...]
) -> tuple[Any, Any]:
    """Return the verdicts, -1 where a case is left or not wanted, and which are left."""
    outcomes, unsolved = solved
    verdict = judge(limits, {name: outcomes[name] for name in limits.outcomes}).verdict
    left = namespace(wanted).broadcast_to(unsolved & wanted, shape)
    return where(wanted & ~unsolved, verdict, -1), left


def _places(start: int, some: Any, left: Any) -> list[np.ndarray]:
    """Return lung and setting of every case that was left in a block, (u, 2); nothing if none."""
    if not bool(some):
        return []
    rows, columns = np.nonzero(np.asarray(left))
    return [np.stack([rows + start, columns], axis=1).astype(np.int64)]
