"""The search for settings that serve most lungs: on a grid, over groups and outer draws.

Sizes: k groups, m outer draws, r rules, g = (g1 ... gd) places of the grid, b = (b1 ... bd) boxes
of settings (single places where no width is asked for), c choices, n lungs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
import xarray as xr

from ebbmap.analyses.common.at_settings import BLOCK, SolveAt, how_many, lungs_of, solver_at
from ebbmap.analyses.common.sizes import lungs_drawn
from ebbmap.cases.design import OTHER_LUNGS_STREAM, RESAMPLING_STREAM, seed_stream
from ebbmap.cases.pieces import Found, Progress
from ebbmap.cases.question import Question, seed_of
from ebbmap.cases.uncertain import asked_again
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.kernels.robust import (
    best_place,
    goal_of,
    lost_to_best,
    reached,
    served_boxes,
    spans_of,
)
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import PARAMETERS

#: Settings of a box that other lungs are tried at, besides the places of the grid in it.
TRIED = 64

#: Verdicts in memory at once, under each rule.
CELLS = 2**26

#: The choice for all groups; the others are the best for one group alone, under its name.
ALL_GROUPS = "all groups"

#: Names of the pieces: of the search, of what it chose, of the lungs that did not choose.
SEARCH, CHOICE, FRESH = "search.{:06d}", "choice", "fresh.{:06d}"


@dataclass(frozen=True)
class Search:
    """What is looked for, and among what.

    Parameters
    ----------
    question : Question
        Its populations, limits and outer draws.
    axes : mapping of str to ndarray, shapes (g1,) ... (gd,)
        Places of each setting.
    width : mapping of str to float
        Between the ends of a setting's range; single values where it is left out.
    goal : str
        What is wanted of the groups' shares; see `kernels.robust.goal_of`.
    sure : float or None
        See `kernels.robust.reached`.
    near : float
        A choice that is worse than the best by no more than this is as good.
    """

    question: Question
    axes: Mapping[str, np.ndarray]
    width: Mapping[str, float]
    goal: str
    sure: float | None
    near: float

    @cached_property
    def spans(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """First and last place of the boxes along each setting.

        Raises
        ------
        EbbmapError
            If a width is between no two places.
        """
        found = []
        for name, places in self.axes.items():
            width = self.width.get(name, 0.0)
            found.append(spans_of(places, width))
            if not found[-1][0].size:
                raise EbbmapError(
                    f"width.{name}: no two values of its axis are {PARAMETERS[name].say(width)} "
                    "apart. Give a multiple of the axis' steps."
                )
        return found

    @property
    def shape(self) -> tuple[int, ...]:
        """Boxes along each setting."""
        return tuple(first.size for first, _ in self.spans)

    @property
    def works(self) -> list[tuple[int, int]]:
        """Group and draw of each piece of either kind; draw 0 is the populations as they are."""
        draws = range(1 + self.question.knowledge)
        return list(product(range(len(self.question.groups())), draws))

    @property
    def choices(self) -> list[str]:
        """Names of the choices."""
        names = self.question.group_names
        return [ALL_GROUPS, *(names if len(names) > 1 else ())]

    def wanted(self, found: Found) -> list[str]:
        """Return the pieces that are known to be needed."""
        every = range(len(self.works))
        names = [SEARCH.format(number) for number in every]
        if any(name not in found for name in names):
            return names
        names.append(CHOICE)
        return names if CHOICE not in found else names + [FRESH.format(number) for number in every]

    def solve(self, name: str, found: Found, progress: Progress) -> xr.Dataset:
        """Do one piece."""
        if name == CHOICE:
            return self.choose(found)
        group, draw = self.works[int(name.partition(".")[2])]
        if name.startswith(SEARCH.partition(".")[0]):
            return self._searched(group, draw, progress)
        return self._certified(group, draw, found[CHOICE], progress)

    def _searched(self, group: int, draw: int, progress: Progress) -> xr.Dataset:
        """Count the lungs that each box serves, under each rule."""
        asked = self.question if draw == 0 else asked_again(self.question, draw - 1)
        settings = np.stack(np.meshgrid(*self.axes.values(), indexing="ij"), axis=-1)
        grid = settings.shape[:-1]
        settings = settings.reshape(-1, len(self.axes))
        counts = np.zeros((len(asked.rules), *self.shape), np.int64)
        for solve, n in self._few_lungs(asked, group, len(settings), progress):
            safe = self._safe(solve, settings, n)
            for number, own in enumerate(safe):
                counts[number] += served_boxes(own.reshape(*grid, n), self.spans).sum(axis=-1)
        return xr.Dataset({"count": (("rule", *self._box_dims), counts)})

    @property
    def _box_dims(self) -> tuple[str, ...]:
        return tuple(f"box_{name}" for name in self.axes)

    def _few_lungs(
        self, asked: Question, group: int, settings: int, progress: Progress
    ) -> Iterator[tuple[SolveAt, int]]:
        """Yield solvers of as many lungs as fit into memory at all settings, and their number."""
        lungs = lungs_of(asked, asked.groups()[group], self.axes)
        total, size = how_many(lungs), max(1, CELLS // settings)
        for at in range(0, total, size):
            chosen = slice(at, at + size)
            few = {
                name: value.isel(sample=chosen) if "sample" in value.dims else value
                for name, value in lungs.items()
            }
            solve = solver_at(asked, few, list(self.axes), asked.outcomes, progress)
            yield solve, min(size, total - at)

    def _safe(self, solve: SolveAt, settings: np.ndarray, n: int) -> np.ndarray:
        """Return whether settings are safe for lungs under each rule, shape (r, m, n)."""
        rules = list(self.question.rules.values())
        safe = np.empty((len(rules), len(settings), n), bool)
        step = max(1, BLOCK // n)
        for at in range(0, len(settings), step):
            solved = solve(settings[at : at + step])
            for number, limits in enumerate(rules):
                safe[number, at : at + step] = _judged(limits, solved)
        return safe

    def choose(self, found: Found) -> xr.Dataset:
        """Choose among all boxes: for all groups, and for each group alone.

        Returns
        -------
        Dataset
            Dims (rule, choice): `place` (setting), a box by its number along each; `searched`,
            what it reaches on the lungs and draws of the search. Dims (rule): `best_draws`,
            `near_draws`, `lost`, `lost_most`. `attainable`: see `_attainable`.
        """
        of = 1 + self.question.knowledge
        counts = np.stack(
            [found[SEARCH.format(i)]["count"].values for i in range(len(self.works))]
        ).reshape(-1, of, len(self.question.rules), *self.shape)
        share = counts / lungs_drawn(self.question)
        # what is not known is averaged over; without it, populations are as they are
        share = share[:, 1:] if of > 1 else share
        return xr.concat(
            [self._chosen(share[:, :, number]) for number in range(share.shape[2])], dim="rule"
        )

    def _chosen(self, share: np.ndarray) -> xr.Dataset:
        """Choose under one rule, from shares of shape (k, m, b1, ..., bd)."""
        alone = [own[None] for own in share] if len(share) > 1 else []
        places, searched, goal, value = [], [], np.empty(0), np.empty(0)
        for number, groups in enumerate([share, *alone]):
            own = goal_of(groups, self.goal)
            over_draws = reached(own, self.sure)
            places.append(best_place(over_draws))
            searched.append(float(over_draws[places[-1]]))
            if number == 0:
                goal, value = own, over_draws
        lost = lost_to_best(goal, places[0])
        return xr.Dataset(
            {
                "place": (("choice", "setting"), np.array(places)),
                "searched": ("choice", searched),
                "best_draws": ((), (lost == 0.0).mean()),
                "near_draws": ((), (lost <= self.near + 1e-12).mean()),
                "lost": ((), lost.mean()),
                "lost_most": ((), lost.max()),
                "attainable": (self._box_dims[:2], _attainable(value)),
            }
        )

    def ends_of(self, place: np.ndarray) -> np.ndarray:
        """Return the ends of a box's settings, shape (d, 2)."""
        ends = []
        for (first, last), axis, at in zip(self.spans, self.axes.values(), place, strict=True):
            ends.append((axis[first[at]], axis[last[at]]))
        return np.array(ends)

    def _tried(self, place: np.ndarray) -> np.ndarray:
        """Return settings of a box: the places of the grid in it, and others drawn evenly."""
        inside = [
            axis[first[at] : last[at] + 1]
            for (first, last), axis, at in zip(self.spans, self.axes.values(), place, strict=True)
        ]
        grid = np.stack(np.meshgrid(*inside, indexing="ij"), axis=-1).reshape(-1, len(inside))
        if len(grid) == 1:
            return grid
        low, high = self.ends_of(place).T
        rng = np.random.default_rng(seed_stream(self.question.seed, RESAMPLING_STREAM))
        return np.concatenate([grid, low + rng.random((TRIED, len(low))) * (high - low)])

    def _certified(
        self, group: int, draw: int, chosen: xr.Dataset, progress: Progress
    ) -> xr.Dataset:
        """Return whether each choice serves lungs, in an outer draw, that the search never met."""
        asked = self.question
        if draw:
            asked = asked_again(asked, asked.knowledge + draw - 1)
        asked = replace(asked, seed=seed_of(seed_stream(asked.seed, OTHER_LUNGS_STREAM)))
        place = chosen["place"].transpose("rule", "choice", "setting").values
        own, which = np.unique(place.reshape(-1, place.shape[-1]), axis=0, return_inverse=True)
        tried = [self._tried(one) for one in own]
        ends = np.cumsum([len(settings) for settings in tried])[:-1]
        settings = np.concatenate(tried)
        parts = []
        for solve, n in self._few_lungs(asked, group, len(settings), progress):
            safe = np.split(self._safe(solve, settings, n), ends, axis=1)
            served = np.empty((*place.shape[:2], n), np.int8)
            for at, number in zip(np.ndindex(*place.shape[:2]), which.reshape(-1), strict=True):
                served[at] = safe[number][at[0]].all(axis=0)
            parts.append(served)
        whole = np.concatenate(parts, axis=-1)
        return xr.Dataset({"served": (("rule", "choice", "sample"), whole)})


def _judged(limits: LimitSet, solved: Mapping[str, np.ndarray]) -> np.ndarray:
    return judge(limits, {name: solved[name] for name in limits.outcomes}).safe


def _attainable(value: np.ndarray) -> np.ndarray:
    """Return the most that is reached at each place of the first two settings."""
    return np.asarray(value.max(axis=tuple(range(2, value.ndim))))
