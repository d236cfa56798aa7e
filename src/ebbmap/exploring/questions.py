"""Questions of an explorer's page: read and checked whole, judged and counted, whoever answers.

Sizes: n lungs, c cells along each axis, k hard bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import isfinite
from typing import Any

import numpy as np

from ebbmap.cases.trace import input_of
from ebbmap.errors import EbbmapError
from ebbmap.exploring.asked import Asked
from ebbmap.kernels.judging import NO_BOUND, UNDETERMINED, UNSAFE, Judgement, judge_bounds

#: Seconds that a draft and a slice of the whole may take.
DRAFT, SLICE = 0.12, 0.4

#: Lungs of a draft at least, and cells along each of its axes.
LEAST_LUNGS, LEAST_CELLS = 6, 7

#: Cells along each axis that are enough for a draft: more lungs then tell more than more cells, for
#: a share of 15 lungs is off by 13 points, and an edge by a fiftieth of an axis.
ENOUGH_CELLS = 25

Message = Mapping[str, Any]


class Questions:
    """Reads questions about the lungs of an explorer; those who answer say how cases are had.

    Parameters
    ----------
    asked : Asked
        Lungs, settings, limits and size of the map.
    speed : float
        Cases a second, before anything was measured.
    """

    def __init__(self, asked: Asked, speed: float):
        self.asked = asked
        self.speed = speed
        self._kinds: Mapping[str, Callable[[Message], dict[str, Any]]] = {
            "draft": self._draft,
            "slice": self._slice,
            "lungs": self._lungs,
            "one": self._one,
        }

    def answer(self, message: Any) -> dict[str, Any]:
        """Answer a message; what is wrong with it is the answer's `error`."""
        try:
            kind = text_in(table_in(message, "message").get("kind"), self._kinds, "kind")
            return self._kinds[kind](message)
        except EbbmapError as error:
            return {"error": str(error)}

    def _draft(self, message: Message) -> dict[str, Any]:
        """Count some lungs in some cells: as many as can be had while a hand moves."""
        lungs = self._numbers(message)
        cases = self.speed * DRAFT
        fewest = np.clip((cases / LEAST_LUNGS) ** 0.5, LEAST_CELLS, ENOUGH_CELLS)
        wanted = max(float(fewest), (cases / len(lungs)) ** 0.5)
        cells = int(min(wanted, self.asked.cells))
        many = int(np.clip(cases / cells**2, LEAST_LUNGS, len(lungs)))
        return self._counts(message, lungs[:many], cells)

    def _slice(self, message: Message) -> dict[str, Any]:
        """Count the next lungs in every cell."""
        lungs = self._numbers(message)
        first = int(number_in(message.get("first"), "first", 0, len(lungs) - 1))
        many = max(1, int(self.speed * SLICE / self.asked.cells**2))
        found = self._counts(message, lungs[first : first + many], self.asked.cells)
        return {**found, "of": len(lungs)}

    def _lungs(self, message: Message) -> dict[str, Any]:
        """Judge every lung at some values."""
        raise NotImplementedError

    def _one(self, message: Message) -> dict[str, Any]:
        """Give one lung at a list of values."""
        raise NotImplementedError

    def _counts(self, message: Message, lungs: np.ndarray, cells: int) -> dict[str, Any]:
        """Count verdicts of some lungs on the map, of as many cells along an axis if they can."""
        raise NotImplementedError

    def _learn(self, cases: int, seconds: float) -> None:
        """Take note of how many cases a second were solved."""
        if seconds > 1e-3:
            self.speed = 0.5 * self.speed + 0.5 * cases / seconds

    def _tally(self, verdict: np.ndarray, binding: np.ndarray) -> list[np.ndarray]:
        """Count over lungs, the last axis: safe, undetermined, and outside by each hard bound.

        Bounds that are switched off count too, as none, for a page numbers all of them.
        """
        unsafe = verdict == UNSAFE
        return [
            (verdict < UNSAFE).sum(axis=-1),
            (verdict == UNDETERMINED).sum(axis=-1),
            *((unsafe & (binding == k)).sum(axis=-1) for k in range(len(self.asked.limits.hard))),
        ]

    def _judge(self, message: Message, outcomes: Mapping[str, np.ndarray]) -> Judgement:
        """Judge by the limits as the page has moved them; one that is null judges nothing."""
        moved = table_in(table_in(message.get("question"), "question").get("limits"), "limits")
        kept: list[list[int]] = [[], []]
        bounds = (self.asked.limits.hard, self.asked.limits.caution)
        values: list[list[Any]] = [[], []]
        for side, some in enumerate(bounds):
            for place, bound in enumerate(some):
                value = moved.get(input_of(bound), bound.value)
                if value is not None:
                    value = number_in(value, input_of(bound), -1e6, 1e6)
                    kept[side].append(place)
                    values[side].append(replace(bound, value=value))
        if not values[0]:
            raise EbbmapError("every limit is switched off. Switch one on, so that it can judge.")
        judged = judge_bounds(tuple(values[0]), tuple(values[1]), outcomes)
        # the page numbers all hard bounds, switched off or not
        numbers = np.array([*kept[0], NO_BOUND], dtype=np.int8)
        return replace(judged, binding=numbers[judged.binding])

    def _numbers(self, message: Message) -> np.ndarray:
        """Return the numbers of the lungs that are asked about, all if null."""
        chosen = table_in(message.get("question"), "question").get("lungs")
        most = self.asked.question.lungs
        if chosen is None:
            return np.arange(most)
        if not isinstance(chosen, list) or not 1 <= len(chosen) <= most:
            raise EbbmapError(f"lungs must be null or a list of 1 to {most} numbers. Brush fewer.")
        return np.array([int(number_in(one, "lungs", 0, most - 1)) for one in chosen])


def table_in(value: Any, place: str) -> Mapping[str, Any]:
    """Return a table of a message, or raise EbbmapError that names its place."""
    if not isinstance(value, dict):
        raise EbbmapError(f"{place} must be a table of names and values. Load the page anew.")
    return value


def text_in(value: Any, known: Any, place: str) -> str:
    """Return a text that is among those known, or raise EbbmapError."""
    if not isinstance(value, str) or value not in known:
        raise EbbmapError(f"{place}: {str(value)[:40]!r} is not known. Load the page anew.")
    return value


def number_in(value: Any, place: str, low: float, high: float) -> float:
    """Return a finite number within its ends, or raise EbbmapError."""
    usable = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not usable or not isfinite(value) or not low <= value <= high:
        raise EbbmapError(
            f"{place} must be a number from {low:g} to {high:g}; got {str(value)[:40]}. "
            "Move the slider back."
        )
    return float(value)


def sent(value: float) -> float | None:
    """Return a number as JSON can have it: None where there is none."""
    return value if isfinite(value) else None


def sent_counts(counts: list[np.ndarray], lungs: int) -> dict[str, Any]:
    """Return counts of `_tally` as a page takes them: cell after cell, up after across."""
    safe, unknown, *broken = (count.reshape(-1).tolist() for count in counts)
    return {"safe": safe, "unknown": unknown, "broken": broken, "counted": lungs}
