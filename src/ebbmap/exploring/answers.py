"""Answers to an explorer's questions by the program itself, for any lung.

A question comes from a page, so it is checked whole before anything is solved.
Sizes: n lungs, c cells along each axis, k hard bounds.
"""

from __future__ import annotations

from collections.abc import Mapping
from time import perf_counter
from typing import Any

import numpy as np

from ebbmap.cases.evaluate import evaluate, resolve
from ebbmap.cases.trace import input_of
from ebbmap.errors import EbbmapError
from ebbmap.exploring.asked import SETTINGS, SHOWN, Asked, Axis
from ebbmap.exploring.drawn import Drawn, Values
from ebbmap.exploring.page import FACTORS
from ebbmap.exploring.questions import (
    Message,
    Questions,
    number_in,
    sent,
    sent_counts,
    table_in,
    text_in,
)
from ebbmap.kernels.judging import UNDETERMINED, Judgement
from ebbmap.lungs import lung_model
from ebbmap.lungs.base import SOLVED, WAVES
from ebbmap.registries.parameters import PARAMETERS

#: The settings whose values a page needs to draw a cycle.
DRIVEN = ("p_high", "p_low", "t_high", "t_low")

#: Cases a second before anything was measured, of a lung that costs much and of others.
COSTLY_SPEED, SPEED = 3e3, 1e6

#: Times of a curve, and values of one lung, that may be asked at once.
MOST_TIMES, MOST_VALUES = 2000, 64


class Answers(Questions):
    """Answers questions about the lungs of an explorer.

    Parameters
    ----------
    asked : Asked
        Lungs, settings, limits and size of the map.
    """

    def __init__(self, asked: Asked):
        self.lung = lung_model(asked.question.lung)
        super().__init__(asked, COSTLY_SPEED if self.lung.costly else SPEED)
        self._drawn = Drawn(asked)
        self._names = {*SETTINGS, *self._drawn.names}

    def _lungs(self, message: Message) -> dict[str, Any]:
        """Judge every lung at some values."""
        changes = self._changes(message.get("changes"))
        values, fair = self._values(message, given=changes)
        judged = self._judged(message, {**values, **changes})
        verdict = np.where(fair, judged.verdict, UNDETERMINED)
        margin = np.where(fair, judged.margin, np.nan)
        both = zip(verdict.tolist(), margin.tolist(), strict=True)
        return {"lungs": [{"verdict": v, "margin": sent(m)} for v, m in both]}

    def _one(self, message: Message) -> dict[str, Any]:
        """Solve one lung at a list of values, and draw its curves at the first."""
        asked = message.get("list")
        if not isinstance(asked, list) or not 1 <= len(asked) <= MOST_VALUES:
            raise EbbmapError(f"list must have 1 to {MOST_VALUES} entries. Send fewer.")
        most = self.asked.question.lungs - 1
        number = int(number_in(message.get("number"), "number", 0, most))
        each = []
        for one in asked:
            changes = self._changes(one)
            own, _ = self._values(message, np.array([number]), given=changes)
            each.append({**own, **changes})
        first = resolve(each[0], (*self.lung.parameters,))
        return {
            "values": {name: sent(float(np.ravel(first[name])[0])) for name in DRIVEN},
            "found": [self._found(message, values) for values in each],
            "points": self._points(first, message.get("times")),
        }

    def _found(self, message: Message, values: Values) -> dict[str, Any]:
        """Return what a page shows of one case."""
        wanted = tuple(dict.fromkeys((*SHOWN, *SOLVED, *self.asked.limits.outcomes)))
        solved = evaluate(self.lung, values, wanted).outcomes
        judged = self._judge(message, solved)
        found = {name: solved[name] for name in (*SHOWN, *SOLVED)}
        for bound, margin in zip(judged.hard, judged.bound_margin, strict=True):
            found[f"margin_of_{input_of(bound)}"] = margin
        found |= {"verdict": judged.verdict, "binding": judged.binding, "margin": judged.margin}
        return {name: sent(float(np.ravel(value)[0])) for name, value in found.items()}

    def _points(self, values: Values, times: Any) -> list[dict[str, Any]]:
        """Return the signals of the settled cycle at times since the release began [s]."""
        if not isinstance(times, list) or len(times) > MOST_TIMES:
            raise EbbmapError(f"times must be a list of at most {MOST_TIMES}. Send fewer.")
        since = np.array([number_in(time, "times", -1e3, 1e3) for time in times])
        own = {name: float(np.ravel(values[name])[0]) for name in self.lung.parameters}
        within = (since + own["t_high"]) % (own["t_high"] + own["t_low"])
        if own["p_high"] <= own["p_low"]:
            return [{} for _ in times]
        # a lung that lays its own steps wants rising times
        order = np.argsort(within, kind="stable")
        drawn = self.lung.waveform(self.lung.settle(**own), within[order], **own)
        back = np.argsort(order, kind="stable")
        columns = {name: np.reshape(drawn[name], -1)[back].tolist() for name in WAVES}
        return [
            {name: sent(column[place]) for name, column in columns.items()}
            for place in range(len(times))
        ]

    def _counts(self, message: Message, lungs: np.ndarray, cells: int) -> dict[str, Any]:
        """Count verdicts of some lungs on a grid, spread over every cell of the map."""
        begun = perf_counter()
        across, up = self._axes(message)
        places = {up.name: up.places(cells), across.name: across.places(cells)}
        values, fair = self._values(message, lungs, given=places, on_axes=True)
        values[across.name] = places[across.name][None, :, None]
        values[up.name] = places[up.name][:, None, None]
        judged = self._judged(message, values)
        shape = (cells, cells, lungs.size)
        verdict = np.broadcast_to(np.where(fair, judged.verdict, UNDETERMINED), shape)
        counts = self._tally(verdict, np.broadcast_to(judged.binding, shape))
        self._learn(verdict.size, perf_counter() - begun)
        nearest = np.rint(np.linspace(0, cells - 1, self.asked.cells)).astype(int)
        return sent_counts([count[np.ix_(nearest, nearest)] for count in counts], lungs.size)

    def _judged(self, message: Message, values: Values) -> Judgement:
        solved = evaluate(self.lung, values, self.asked.limits.outcomes)
        return self._judge(message, solved.outcomes)

    def _values(
        self,
        message: Message,
        lungs: np.ndarray | None = None,
        *,
        given: Mapping[str, np.ndarray],
        on_axes: bool = False,
    ) -> tuple[Values, np.ndarray]:
        """Return every value of some lungs at the settings of a question; all lungs if None.

        Properties in `given` are held, and the others are drawn given these: at one value each, or
        on the axes up and across, with lungs on the last.
        """
        question = table_in(message.get("question"), "question")
        group = self._group(message)
        own = self._drawn.groups[group].properties
        held = {name: np.atleast_1d(places) for name, places in given.items() if name in own}
        drawn = self._drawn.given(group, held)
        index = np.arange(self.asked.question.lungs) if lungs is None else lungs
        # an axis of length one for each of up and across that is no property
        apart = tuple(slice(None) if name in held else None for name in given) if on_axes else ()
        shape = (*apart, slice(None))

        def laid(column: np.ndarray) -> np.ndarray:
            some: np.ndarray = column[..., index] if column.shape[-1] > 1 else column
            return some[shape] if on_axes else some.reshape(-1)

        factors = table_in(question.get("factors"), "factors")
        values: Values = {}
        for name, column in drawn.values.items():
            factor = number_in(factors.get(name, 1.0), f"factors.{name}", *FACTORS)
            if factor != 1.0:
                column = np.clip(column * factor, PARAMETERS[name].low, PARAMETERS[name].high)
            if name in self.asked.inputs:
                values[name] = laid(column)
        for name, value in self.asked.question.fixed.items():
            values[name] = np.asarray(float(value))
        values |= self._changes(question.get("settings"))
        # what is on an axis is no longer what it was set to
        kept = {name: value for name, value in values.items() if name not in given or not on_axes}
        return kept, laid(drawn.fair)

    def _group(self, message: Message) -> str:
        """Return which lungs are asked about."""
        question = table_in(message.get("question"), "question")
        return text_in(question.get("group"), self._drawn.groups, "group")

    def _changes(self, changes: Any) -> Values:
        """Return settings and properties by name, each within the registry's bounds."""
        found: Values = {}
        for name, value in table_in(changes, "settings").items():
            text_in(name, self._names, "settings")
            entry = PARAMETERS[name]
            found[name] = np.asarray(number_in(value, name, entry.low, entry.high))
        return found

    def _axes(self, message: Message) -> tuple[Axis, Axis]:
        question = table_in(message.get("question"), "question")
        axes = []
        for side in ("x", "y"):
            axis = table_in(question.get(side), side)
            name = text_in(axis.get("name"), self._names, side)
            entry = PARAMETERS[name]
            ends = [
                number_in(axis.get(end), f"{side}.{end}", entry.low, entry.high)
                for end in ("from", "to")
            ]
            axes.append(Axis(name, *ends))
        if axes[0].name == axes[1].name:
            raise EbbmapError("x and y must differ. Choose another axis.")
        return axes[0], axes[1]
