"""Answers to an explorer's questions from a store: read, judged and counted, never solved.

Sizes: n lungs; a places across, b places up.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from time import perf_counter
from typing import Any

import numpy as np

from ebbmap.cases.trace import input_of
from ebbmap.errors import EbbmapError
from ebbmap.exploring.questions import (
    Message,
    Questions,
    number_in,
    sent,
    sent_counts,
    table_in,
    text_in,
)
from ebbmap.exploring.stored import POPULATION, SAMPLE, Stored, nearest

#: Stored cases judged in a second before anything was measured.
SPEED = 5e6

#: Bytes of what was read that are kept, for a hand that drags a limit asks for the same again.
KEPT_BYTES = 2**29

#: Values read at once at most: a chunk is unpacked anew for every part that is read of it.
READ = 2**25

#: Values of one lung that may be asked at once.
MOST_VALUES = 64

Outcomes = dict[str, np.ndarray]


class StoredAnswers(Questions):
    """Answers questions about stored cases.

    Parameters
    ----------
    stored : Stored
        The store, and what of it is shown.
    """

    def __init__(self, stored: Stored):
        super().__init__(stored, SPEED)
        self.stored = stored
        self.lungs = stored.cases.sizes.get(SAMPLE, 1)
        # limits without which a case is judged all the same, such as a balance, need not be there
        self._judging = [name for name in stored.limits.outcomes if name in stored.cases]
        self._groups = [str(name) for name in stored.cases[POPULATION].values]
        self._kept: OrderedDict[tuple[Any, ...], Outcomes] = OrderedDict()

    def _counts(self, message: Message, lungs: np.ndarray, cells: int) -> dict[str, Any]:
        """Count verdicts at every stored place of both axes, whatever number of cells is asked."""
        question = table_in(message.get("question"), "question")
        axes = [self._axis(question, side) for side in ("x", "y")]
        if axes[0] == axes[1]:
            raise EbbmapError("x and y must differ. Choose another axis.")
        at = self._places(message, {})
        across, up = (len(self.stored.places[name]) for name in axes)
        step = max(1, READ // (across * up * max(len(self._judging), 1)))
        counts: list[np.ndarray] | None = None
        # lungs that lie in one block are read together, and no more of them than that
        for block in np.unique(lungs // step):
            own = lungs[lungs // step == block] - block * step
            read = self._read(message, at, axes, slice(block * step, (block + 1) * step))
            begun = perf_counter()
            judged = self._judge(message, {name: found[..., own] for name, found in read.items()})
            some = self._tally(judged.verdict, judged.binding)
            self._learn(judged.verdict.size, perf_counter() - begun)
            counts = some if counts is None else [a + b for a, b in zip(counts, some, strict=True)]
        if counts is None:
            raise EbbmapError("no lung is asked about. Brush at least one.")
        return sent_counts(counts, int(lungs.size))

    def _lungs(self, message: Message) -> dict[str, Any]:
        """Judge every lung at stored places."""
        at = self._places(message, message.get("changes"))
        judged = self._judge(message, self._read(message, at, [], slice(0, self.lungs)))
        both = zip(judged.verdict.tolist(), judged.margin.tolist(), strict=True)
        return {"lungs": [{"verdict": v, "margin": sent(m)} for v, m in both]}

    def _one(self, message: Message) -> dict[str, Any]:
        """Give what is stored of one lung at a list of places; no curves are."""
        asked = message.get("list")
        if not isinstance(asked, list) or not 1 <= len(asked) <= MOST_VALUES:
            raise EbbmapError(f"list must have 1 to {MOST_VALUES} entries. Send fewer.")
        number = int(number_in(message.get("number"), "number", 0, self.lungs - 1))
        places = [self._places(message, changes) for changes in asked]
        found = [self._found(message, at, number) for at in places]
        return {"values": {}, "found": found, "points": []}

    def _found(self, message: Message, at: Mapping[str, int], number: int) -> dict[str, Any]:
        names = tuple(dict.fromkeys((*self._judging, *self.stored.shown)))
        read = self._read(message, at, [], slice(number, number + 1), names)
        judged = self._judge(message, read)
        found = {name: read[name] for name in self.stored.shown}
        for bound, margin in zip(judged.hard, judged.bound_margin, strict=True):
            found[f"margin_of_{input_of(bound)}"] = margin
        found |= {"verdict": judged.verdict, "binding": judged.binding, "margin": judged.margin}
        return {name: sent(float(np.ravel(value)[0])) for name, value in found.items()}

    def _axis(self, question: Message, side: str) -> str:
        axis = table_in(question.get(side), side)
        return text_in(axis.get("name"), self.stored.places, side)

    def _places(self, message: Message, changes: Any) -> dict[str, int]:
        """Return the number of the place on every axis; a value between places is refused."""
        question = table_in(message.get("question"), "question")
        if table_in(question.get("factors"), "factors").keys() and any(
            value != 1.0 for value in question["factors"].values()
        ):
            raise EbbmapError("changed properties are not stored. Explore the study instead.")
        given = {**table_in(question.get("settings"), "settings"), **table_in(changes, "changes")}
        found = {}
        for name, value in given.items():
            places = self.stored.places[text_in(name, self.stored.places, "settings")]
            value = number_in(value, name, float(places[0]), float(places[-1]))
            place = nearest(places, value)
            if not np.isclose(value, place, rtol=1e-9, atol=0.0):
                raise EbbmapError(
                    f"{name} must be a stored place; got {value:g}, the next is {place:g}. Move "
                    "the slider to it."
                )
            found[name] = int(np.flatnonzero(places == place)[0])
        lacking = [name for name in self.stored.places if name not in found]
        if lacking:
            raise EbbmapError(f"settings must hold {', '.join(lacking)}. Load the page anew.")
        return found

    def _read(
        self,
        message: Message,
        at: Mapping[str, int],
        axes: list[str],
        lungs: slice,
        names: tuple[str, ...] | None = None,
    ) -> Outcomes:
        """Read outcomes, shape (b, a, n) with axes across and up, else (n,); kept for a while."""
        question = table_in(message.get("question"), "question")
        group = text_in(question.get("group"), self._groups, "group")
        names = tuple(self._judging) if names is None else names
        others = {name: place for name, place in at.items() if name not in axes}
        key = (group, tuple(others.items()), tuple(axes), lungs.start, lungs.stop, names)
        if key not in self._kept:
            self._kept[key] = self._load(group, others, axes, lungs, names)
        self._kept.move_to_end(key)
        while len(self._kept) > 1 and self._bytes() > KEPT_BYTES:
            self._kept.popitem(last=False)
        return self._kept[key]

    def _load(
        self,
        group: str,
        others: Mapping[str, int],
        axes: list[str],
        lungs: slice,
        names: tuple[str, ...],
    ) -> Outcomes:
        cases = self.stored.cases[list(names)]
        cases = cases.isel({POPULATION: self._groups.index(group), **others})
        # an axis of one place is held in every case
        held = {name: 0 for name in cases.dims if name not in (*axes, SAMPLE)}
        cases = cases.isel(held)
        if SAMPLE in cases.dims:
            cases = cases.isel({SAMPLE: lungs})
        else:
            cases = cases.expand_dims({SAMPLE: 1}, axis=-1)
        order = [*reversed(axes), SAMPLE]
        return {name: cases[name].transpose(*order).values for name in names}

    def _bytes(self) -> int:
        return sum(array.nbytes for kept in self._kept.values() for array in kept.values())
