"""The lungs of a served explorer, drawn given what an axis holds.

Sizes: n lungs; a and b places along two axes of properties.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from ebbmap.cases.drawn_bounds import within_bounds
from ebbmap.cases.question import draw_cases
from ebbmap.exploring.asked import Asked
from ebbmap.registries.copula import Population

#: Draws that are kept: a hand comes back to the same axes.
KEPT = 8

Values = dict[str, np.ndarray]


class Lungs(NamedTuple):
    """Lungs of one population."""

    values: Values
    """Each property that was drawn, shape (n,), or with an axis before it for each that is held."""
    fair: np.ndarray
    """Lungs within the registry's bounds, of the same shape; another is undetermined."""


class Drawn:
    """Draws lungs of an explorer's populations, as an analysis with its seed does.

    Parameters
    ----------
    asked : Asked
        What is explored.
    """

    def __init__(self, asked: Asked):
        self.question = asked.question
        self.groups: Mapping[str, Population] = {group.name: group for group in asked.groups}
        self._kept: dict[tuple[object, ...], Lungs] = {}
        plain = [self.given(name, {}).values for name in self.groups]
        self.names = frozenset(name for one in plain for name in one)

    def given(self, group: str, held: Mapping[str, np.ndarray]) -> Lungs:
        """Return the lungs of a population, given some properties; others are not looked at.

        Parameters
        ----------
        group : str
            Name of a population.
        held : mapping of str to ndarray, shape (a,)
            Places of axes by name, in order.

        Returns
        -------
        Lungs
            Shape (n,), or (a, n) and (a, b, n) for held properties; an axis has length one where
            a property does not hang on it.
        """
        own = self.groups[group].properties
        axes = {name: places for name, places in held.items() if name in own}
        key = (group, *((name, places.tobytes()) for name, places in axes.items()))
        if key not in self._kept:
            if len(self._kept) >= KEPT + len(self.groups):
                self._kept.pop(next(one for one in self._kept if len(one) > 1))
            self._kept[key] = self._draw(group, axes)
        return self._kept[key]

    def _draw(self, group: str, axes: Mapping[str, np.ndarray]) -> Lungs:
        cases = draw_cases(self.question, self.groups[group], axes)
        dims = (*axes, "sample")
        drawn = {}
        for name, array in cases.items():
            if name in self.question.fixed or name in axes:
                continue
            sizes = [array.sizes.get(dim, 1) for dim in dims]
            order = [dim for dim in dims if dim in array.dims]
            drawn[name] = array.transpose(*order).values.reshape(sizes)
        values, legal = within_bounds(drawn, drawn)
        fair = np.asarray(True if legal is None else legal)
        shape = (*(1 for _ in axes), self.question.lungs)
        return Lungs(values, np.broadcast_to(fair, np.broadcast_shapes(fair.shape, shape)))
