"""Tables of a lung that the page to play with cannot solve: middle lungs and lungs to guess."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ebbmap.errors import EbbmapError
from ebbmap.kernels.chebyshev import Side
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.teaching.sliders import EFFORT, SETTINGS
from ebbmap.web import Table, entry_of, make_table
from ebbmap.web.tables import BOX, DROP, LEVELS, box_words

Values = Mapping[str, float]
Sliders = Mapping[str, Mapping[str, Any]]

#: Nodes along a side of another slider, for each level of nodes along the settings.
OWN_NODES = (5, 5, 7)

#: Nodes along the settings where no lung's own properties are moved, so that more can be had.
FINER = (*LEVELS, (5, 7, 6, 26))

#: By how much T low may go past its slider's upper end: a card asks for three times the opening.
PAST = 1.5


class Tables:
    """The tables of a page, and which lung has which.

    Parameters
    ----------
    lung : str
        Lung model; one that can be followed, which draws its curves.
    sliders : mapping
        Sliders of the page by name, with their ends `low` and `high`.
    wanted : sequence of str
        Outcomes that the page shows.
    limits : LimitSet
        What judges.
    told : callable
        Called with a sentence before lungs are solved.

    """

    def __init__(
        self,
        lung: str,
        sliders: Sliders,
        wanted: Sequence[str],
        limits: LimitSet,
        told: Callable[[str], None],
    ):
        self.lung, self.wanted, self.limits, self.told = lung, tuple(wanted), limits, told
        self.sliders = sliders
        self.unmoved = ""
        self.breathes = EFFORT in sliders
        self.made: list[Table] = []
        self.called: list[str] = []

    def add(
        self, lungs: Sequence[dict[str, Any]], called: str, own: Sequence[str] = ()
    ) -> tuple[str, ...]:
        """Make a table of some lungs, and note in each where its own lies.

        A lung that is not smooth enough for the smallest table needs its nodes for the settings;
        its own properties are not moved then.

        Parameters
        ----------
        lungs : sequence of dict
            Each with its `values`; `table` is added, the numbers of the table and of the lung.
        called : str
            What they are called.
        own : sequence of str
            Properties that the page would move too.

        Returns
        -------
        tuple of str
            Those of them that it can.

        Raises
        ------
        EbbmapError
            If no table is near enough.
        """
        names = lung_model(self.lung).parameters
        others = {name for one in lungs for name in one["values"]}
        self.breathes |= any(one["values"].get(EFFORT, 0.0) > 0.0 for one in lungs)
        settings = {"p_high", *(side.name for side in BOX), *self._moved}
        columns = {
            name: np.array([one["values"].get(name, PARAMETERS[name].default) for one in lungs])
            for name in {*names, *others} - settings
        }
        made = own and self._try(columns, called, own)
        moved = tuple(own) if made else ()
        table = made or self._make(columns, called, (), FINER)
        for number, one in enumerate(lungs):
            one["table"] = len(self.made), number
        self.made.append(table)
        self.called.append(called)
        return moved

    def _try(
        self, columns: Mapping[str, np.ndarray], called: str, own: Sequence[str]
    ) -> Table | None:
        """Make a table over properties too, if the smallest one without them is near enough."""
        try:
            self._make(columns, called, (), LEVELS[:1])
            return self._make(columns, called, own, LEVELS)
        except EbbmapError:
            words = " and ".join(str(entry_of(name)["label"]) for name in own)
            self.unmoved = (
                f"There are no sliders for {words}: this lung bends too sharply with its settings "
                "for tables that hold those too."
            )
            self.told(self.unmoved)
            return None

    def _make(
        self,
        columns: Mapping[str, np.ndarray],
        called: str,
        own: Sequence[str],
        levels: Sequence[tuple[int, ...]],
    ) -> Table:
        """Make the smallest table over settings and some properties that is near enough."""
        sides = [*map(self._side, BOX), *map(self._own_side, (*self._moved, *own))]
        finest = (*OWN_NODES, *OWN_NODES[-1:])
        each = [
            (*level, *(nodes for _ in sides[len(BOX) :]))
            for level, nodes in zip(levels, finest, strict=False)
        ]
        return make_table(
            self.lung,
            columns,
            self.wanted,
            self.limits,
            sides=sides,
            levels=each,
            called=called,
            told=self.told,
        )

    @property
    def _moved(self) -> tuple[str, ...]:
        """What the page moves in both lungs that the solver of this lung takes beside the box."""
        taken = set(lung_model(self.lung).parameters) & set(SETTINGS) & set(self.sliders)
        return tuple(sorted(taken - {"p_high", *(side.name for side in BOX)}))

    def data(self) -> list[dict[str, Any]]:
        """Return what the page reads, table by table."""
        both = zip(self.made, self.called, strict=True)
        return [{**table.data(), "called": called} for table, called in both]

    def says(self) -> str:
        """Return how the page computes, and how near that is to the solver."""
        efforts = (
            "Efforts keep no step with the releases: numbers are means over when they come, and "
            "curves show one of many cycles. "
        )
        efforts = efforts if self.breathes else ""
        presets = self.made[0]
        return (
            f"The solver of the lung {self.lung} was run once, at chosen settings; between them "
            "this page reads its results from tables, and computes gas exchange, load and "
            "verdicts from those by the program's own formulas. Curves are followed here, step by "
            f"step, by the lung's own equations. {efforts}Held against the solver at settings "
            "drawn anew, "
            f"{presets.held.sentence()}. Nothing is said outside {box_words(presets.sides)}. "
            f"{self.unmoved}"
        ).strip()

    def _side(self, side: Side) -> Side:
        """Return a side of the box as wide as the page's sliders."""
        slider = self.sliders
        if side.name == DROP:
            high, low = slider["p_high"], slider["p_low"]
            return replace(
                side, low=max(high["low"] - low["high"], 1.0), high=high["high"] - low["low"]
            )
        past = PAST if side.name == "t_low" else 1.0
        own = slider[side.name]
        return replace(side, low=own["low"], high=past * own["high"])

    def _own_side(self, name: str) -> Side:
        """Return a side along which the page moves a property."""
        slider = self.sliders[name]
        ends = {"low": slider["low"], "high": slider["high"]}
        return replace(BOX[0], name=name, **ends, logarithmic=slider["low"] > 0.0)
