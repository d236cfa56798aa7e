"""What is measured of a cohort, when, and with what error. Sizes: n patients.

Random numbers are counted, not drawn in turn: those of a reading in a minute depend on the seed,
the group, the piece, the quantity and the minute, and on nothing that happened before.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ebbmap.policies.conditions import possible
from ebbmap.policies.language import Reading


class Readings:
    """The measurements of a cohort.

    Parameters
    ----------
    readings : tuple of Reading
        What is measured.
    places : ndarray of int, shape (n,)
        Places of the patients in their piece, which their random numbers depend on.
    key : ndarray of uint64, shape (2,)
        Of the random numbers.
    piece : int
        Number of the cohort among the pieces of its group.
    """

    def __init__(
        self, readings: tuple[Reading, ...], places: np.ndarray, key: np.ndarray, piece: int = 0
    ) -> None:
        n = places.size
        self.readings, self.key, self.piece, self.places = readings, key, piece, places
        self.drawn = int(places.max(initial=-1)) + 1
        shape = (len(readings), n)
        first = [min(one.every, one.after_change) for one in readings]
        self.due = np.repeat(np.reshape(first, (-1, 1)), n, axis=1).astype(float)
        self.arrives = np.full(shape, np.inf)
        self.pending = np.full(shape, np.nan)
        self.known = {one.name: np.full(n, np.nan) for one in readings}

    def take(self, minute: int, now: Mapping[str, np.ndarray], active: np.ndarray) -> np.ndarray:
        """Measure what is due, and return who has a new value, shape (n,).

        Parameters
        ----------
        minute : int
            Since the mode began.
        now : mapping of str to ndarray, shape (n,)
            True values.
        active : ndarray of bool, shape (n,)
            Who is measured at all.
        """
        fresh = np.zeros(self.places.size, bool)
        for number, one in enumerate(self.readings):
            due = (self.due[number] <= minute) & active
            if due.any():
                self._measure(number, minute, now[one.name], due)
            arrived = self.arrives[number] <= minute
            if arrived.any():
                self.known[one.name][arrived] = self.pending[number, arrived]
                self.arrives[number, arrived] = np.inf
                fresh |= arrived
        return np.asarray(fresh & active)

    def after_change(self, minute: int, changed: np.ndarray) -> None:
        """Bring forward what is measured after a change, for the patients with these numbers."""
        for number, one in enumerate(self.readings):
            soon = np.minimum(self.due[number, changed], minute + one.after_change)
            self.due[number, changed] = soon

    def _measure(self, number: int, minute: int, values: np.ndarray, due: np.ndarray) -> None:
        one, true = self.readings[number], values[due]
        if one.error or one.error_share:
            scores = self._scores(number, minute)[due]
            true = true + scores * np.hypot(one.error, one.error_share * true)
        if one.round_to:
            true = np.round(true / one.round_to) * one.round_to
        bounds = possible(one.name)
        self.pending[number, due] = np.clip(true, bounds.low, bounds.high)
        self.arrives[number, due] = minute + one.delay
        self.due[number, due] = minute + max(one.every, one.delay)

    def _scores(self, number: int, minute: int) -> np.ndarray:
        """Return the standard normal scores of a quantity in a minute, shape (n,)."""
        counter = np.array([0, number, self.piece, minute], np.uint64)
        generator = np.random.Generator(np.random.Philox(key=self.key, counter=counter))
        return np.asarray(generator.standard_normal(self.drawn)[self.places])
