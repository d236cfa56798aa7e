"""Whether a lung has a safe setting of its own, searched for until the answer no longer moves.

A search shows that a setting exists, never that none does. So the lungs come in three kinds:
served by a setting that was found, ruled out by two searches that agree well below the limits,
and in doubt. Sizes: n lungs, d free parameters, m settings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from ebbmap.committee.draft import Draft
from ebbmap.committee.lungs import Drawn, corners, solver, streams
from ebbmap.committee.protocol import Protocol
from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, judge
from ebbmap.kernels.shares import wilson
from ebbmap.kernels.tally import BLOCK

#: What the draw of settings is for; see `lungs.streams`.
OWN = 5

#: Settings of the first round; of the last one whatever it finds; and from which on a round that
#: finds nothing more ends the search. Every lung meets so many of each of two sequences.
FIRST, LAST, ENOUGH = 64, 8192, 1024

#: The two sequences are searched apart, so that each tells how far the other is off.
SEARCHES = 2

#: Refining: rounds around the best setting so far, candidates in each, how wide the first one is
#: (in shares of the ranges), and by how much each next one is narrower.
ROUNDS, CANDIDATES, WIDTH, NARROWER = 20, 16, 0.3, 0.7

#: A lung is ruled out where both searches stay below the limits by this many times the distance
#: between their best margins, and by this many widths of a limit besides.
TIMES_APART, CLEARLY = 3.0, 0.01


@dataclass(frozen=True)
class OwnSettings:
    """What the search found for each of n lungs.

    Parameters
    ----------
    served : ndarray of bool, shape (n,)
        A safe setting was found.
    doubtful : ndarray of bool, shape (n,)
        None was found, but none can be ruled out either.
    setting : ndarray, shape (n, d)
        The setting found, or else the best one met, in the unit cube.
    settings : int
        Settings that a lung without a safe one met, those of refining left out.
    gain : ndarray of bool, shape (n,)
        Lungs that the last round served: none where the answer no longer moves.
    """

    served: np.ndarray
    doubtful: np.ndarray
    setting: np.ndarray
    settings: int
    gain: np.ndarray


class _Search:
    """The state of a search: best margin and setting of every lung, for both sequences."""

    def __init__(self, protocol: Protocol, draft: Draft, drawn: Drawn):
        self.protocol, self.draft, self.drawn = protocol, draft, drawn
        n, d = drawn.size, len(draft.free)
        self.served = np.zeros(n, bool)
        self.unknown = np.zeros(n, bool)
        self.margin = np.full((SEARCHES, n), -np.inf)
        self.unit = np.full((SEARCHES, n, d), 0.5)

    def look(self, which: int, lungs: np.ndarray, unit: np.ndarray) -> None:
        """Try settings on some lungs: the same for all, shape (m, d), or own ones, (n', m, d)."""
        rows = max(1, BLOCK // unit.shape[-2])
        for start in range(0, lungs.size, rows):
            own = lungs[start : start + rows]
            here = unit if unit.ndim == 2 else unit[start : start + rows]
            self._try(which, own, here)

    def _try(self, which: int, lungs: np.ndarray, unit: np.ndarray) -> None:
        some = self.drawn.part(lungs)
        solve, _ = solver(self.protocol, self.draft, some, self.draft.places(unit))
        judged = judge(self.protocol.limits, solve(slice(0, lungs.size)))
        full = (lungs.size, unit.shape[-2])
        verdict = np.broadcast_to(judged.verdict, full)
        safe = (verdict == SAFE) | (verdict == CAUTION)
        margin = np.where(np.isnan(judged.margin), -np.inf, judged.margin)
        # a safe setting goes before any other, whatever its margin
        rank = np.where(safe, np.inf, np.broadcast_to(margin, full))
        best = rank.argmax(axis=1)
        row = np.arange(lungs.size)
        better = rank[row, best] > np.where(self.served[lungs], np.inf, self.margin[which, lungs])
        chosen = unit[best] if unit.ndim == 2 else unit[row, best]
        self.unit[which, lungs[better]] = chosen[better]
        self.margin[which, lungs[better]] = rank[row, best][better]
        self.served[lungs] |= safe.any(axis=1)
        self.unknown[lungs] |= (verdict == UNDETERMINED).any(axis=1)

    def refine(self, which: int, steps: np.ndarray) -> None:
        """Look ever closer around the best setting of every lung that is not served.

        `steps`, shape (rounds, candidates, d), are standard normal.
        """
        for number, step in enumerate(steps):
            lungs = np.flatnonzero(~self.served)
            if not lungs.size:
                return
            near = self.unit[which, lungs, None] + WIDTH * NARROWER**number * step
            self.look(which, lungs, np.clip(near, 0.0, 1.0))

    def result(self, settings: int, gain: np.ndarray) -> OwnSettings:
        """Separate the lungs in doubt from those ruled out."""
        top = self.margin.max(axis=0)
        finite = np.where(np.isfinite(self.margin), self.margin, np.nan)
        apart = np.abs(finite[0] - finite[1])
        near = ~(top + TIMES_APART * apart + CLEARLY < 0.0)
        doubtful = ~self.served & (near | self.unknown)
        which = self.margin.argmax(axis=0)
        setting = self.unit[which, np.arange(which.size)]
        return OwnSettings(self.served, doubtful, setting, settings, gain)


def last_of(protocol: Protocol) -> int:
    """Return the settings of a sequence at which the search ends, whatever it finds."""
    return protocol.size("own_settings", LAST)


def find_own_settings(
    protocol: Protocol, draft: Draft, drawn: Drawn, name: str, *, last: int | None = None
) -> OwnSettings:
    """Search the ranges of a draft for a safe setting of every lung.

    Parameters
    ----------
    protocol : Protocol
        Model, limits and seed.
    draft : Draft
        The ranges.
    drawn : Drawn
        The lungs.
    name : str
        Name of the population, for the stream.
    last : int, optional
        Settings of a sequence at which the search ends, whatever it finds; the protocol's if
        None.

    Returns
    -------
    OwnSettings

    Notes
    -----
    Two scrambled Sobol sequences of settings, doubled from round to round, and after each round
    a search around the best setting of every lung that has none yet. The search ends with the
    first round of `ENOUGH` settings or more that serves no further lung.
    """
    last = last_of(protocol) if last is None else last
    search = _Search(protocol, draft, drawn)
    every = np.arange(drawn.size)
    nothing = np.zeros(drawn.size, bool)
    d = len(draft.free)
    if not d:
        for which in range(SEARCHES):
            search.look(which, every, np.zeros((1, 0)))
        return search.result(1, nothing)
    seeds = streams(protocol, name, OWN)[2].spawn(2 * SEARCHES)
    sequences = [qmc.Sobol(d, rng=np.random.default_rng(seed)) for seed in seeds[:SEARCHES]]
    generators = [np.random.default_rng(seed) for seed in seeds[SEARCHES:]]
    search.look(0, every, corners(draft))
    tried, size, gain = 0, FIRST, nothing
    while True:
        before = search.served.copy()
        for which, (sequence, rng) in enumerate(zip(sequences, generators, strict=True)):
            lungs = np.flatnonzero(~search.served)
            points = sequence.random(size - tried)
            if lungs.size:
                search.look(which, lungs, points)
            search.refine(which, rng.standard_normal((ROUNDS, CANDIDATES, d)))
        tried, gain = size, search.served & ~before
        if search.served.all():
            return search.result(SEARCHES * tried, nothing)
        if tried >= last or (tried >= ENOUGH and not gain.any()):
            return search.result(SEARCHES * tried, gain)
        size *= 2


def own_share(found: OwnSettings, level: float) -> tuple[float, float, float]:
    """Return the share of lungs served, and an interval that holds the error of the search as well.

    The lower bound is Wilson's for the lungs served, the upper one Wilson's for those that are
    served or in doubt.
    """
    n = found.served.size
    if n == 0:
        return np.nan, np.nan, np.nan
    low, _ = wilson(found.served.sum(), n, level)
    _, high = wilson((found.served | found.doubtful).sum(), n, level)
    return float(found.served.mean()), float(low), float(high)


def join_own(parts: list[OwnSettings], sizes: list[int]) -> OwnSettings:
    """Join the first lungs of several groups together."""
    firsts = list(zip(parts, sizes, strict=True))

    def joined(name: str) -> np.ndarray:
        return np.concatenate([getattr(part, name)[:n] for part, n in firsts])

    return OwnSettings(
        joined("served"),
        joined("doubtful"),
        joined("setting"),
        max(part.settings for part in parts),
        joined("gain"),
    )
