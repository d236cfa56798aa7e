"""The lung at all phases of its efforts: a long run, without running it.

The patient's rate is not the ventilator's, so no cycle repeats another: a cycle that begins at a
phase t of the efforts ends at t + w, and the settled lung is a curve x(t) with F(x(t), t) =
x(t + w). A few cycles find it, at phases that lie evenly and go on doing so: what all phases have
in common is taken where it is going, as the passive lung's memory foretells. An outcome is its
mean over the phases: what a long run gives at nearly every rate, and on average over when the
efforts began at the few rates that keep step. It has no jumps.
Sizes: n cases, m phases.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ebbmap.lungs.breathing.cases import Cases, chosen, picked
from ebbmap.lungs.breathing.mesh import counts
from ebbmap.lungs.breathing.steps import Muscles, Phase, cycle, phases_of
from ebbmap.lungs.breathing.tally import Tally
from ebbmap.lungs.stepped import effort

#: Phases of effort, and as many as a first look takes.
PHASES, FEW = 12, 5

#: Kind of float in which efforts are followed: its rounding is a thousandth of the steps' error.
ROUNDED = np.float32

#: Cases at a time: what they work on then fits the processor's cache.
BLOCK = 1024


class Passive(NamedTuple):
    """The settled cycle without effort: as T high begins, and what the lung remembers of it."""

    volume: np.ndarray
    """Above that at P low [L], shape (n,)."""
    spread: np.ndarray
    """[cmH2O], shape (n,)"""
    memory: np.ndarray
    """How both change over a cycle with what they were, shape (2, 2, n)."""

    def at(self, index: np.ndarray, kind: npt.DTypeLike | None = None) -> Passive:
        """Return that of some cases, in a kind of float if one is named."""
        return Passive(*(picked(part, index, kind) for part in self))


class Start(NamedTuple):
    """Where cycles begin, at each phase; shape (m, n) each."""

    volume: np.ndarray
    """Above that at P low [L]."""
    spread: np.ndarray
    """[cmH2O]"""
    fresh: np.ndarray
    """Fresh gas in the dead space [mL]."""
    clock: np.ndarray
    """Time since the last effort began [s]."""

    def at(self, index: np.ndarray) -> Start:
        """Return the starts of some cases."""
        return Start(*(picked(part, index) for part in self))


class Breathing(NamedTuple):
    """Cases that breathe, where their steps lie, and their passive cycle."""

    cases: Cases
    phases: tuple[Phase, Phase]
    passive: Passive

    def at(self, index: np.ndarray) -> Breathing:
        """Return some of the cases."""
        high, low = (Phase(*(picked(part, index) for part in phase)) for phase in self.phases)
        return Breathing(chosen(self.cases, index), (high, low), self.passive.at(index))

    def rounded(self) -> Breathing:
        """Return the same with half the digits, which is twice as fast."""
        index = np.arange(self.passive.volume.size)
        high, low = (
            Phase(*(picked(part, index, ROUNDED) for part in phase)) for phase in self.phases
        )
        cases = chosen(self.cases, index, ROUNDED)
        return Breathing(cases, (high, low), self.passive.at(index, ROUNDED))


def blocks(
    cases: Cases, passive: Passive, some: np.ndarray, finer: float = 1.0, size: int = BLOCK
) -> Iterator[tuple[np.ndarray, Breathing]]:
    """Lay the steps of some cases, block by block: those together that need about as many.

    Parameters
    ----------
    cases, passive
        n cases, and their passive cycle.
    some : ndarray of int
        Which of them.
    finer : float
        How many times the usual number of steps.
    size : int
        Cases in a block.

    Yields
    ------
    index : ndarray of int
        Which cases are in the block.
    lung : Breathing
    """
    own = cases.values
    needed = counts(cases.drive.duration, own["effort_rate"], own["effort_duration"])
    order = some[np.argsort(needed[:, some].sum(axis=0), kind="stable")]
    for start in range(0, order.size, size):
        index = order[start : start + size]
        part, steps = chosen(cases, index), np.ceil(finer * needed[:, index]).astype(int)
        yield index, Breathing(part, phases_of(part, steps), passive.at(index))


def spread_out(lung: Breathing, phases: int) -> Start:
    """Return the passive lung at so many phases, evenly spread over the period of the efforts."""
    shape = (phases, lung.passive.volume.size)
    share = np.arange(phases, dtype=lung.passive.volume.dtype)[:, None] / phases
    return Start(
        np.broadcast_to(lung.passive.volume, shape),
        np.broadcast_to(lung.passive.spread, shape),
        np.zeros_like(share * lung.passive.volume),
        share * effort.period(lung.cases.values["effort_rate"]),
    )


def breathe(
    lung: Breathing, start: Start, peak: np.ndarray, *, brief: bool = False
) -> tuple[Tally, Start]:
    """Run a cycle at each phase, and count what it means.

    Parameters
    ----------
    lung : Breathing
        n cases.
    start : Start
        Where the cycles begin.
    peak : ndarray, shape (n,)
        Peak muscle pressure [cmH2O].
    brief : bool
        Whether to count only what a search needs.
    """
    tally = Tally(lung.cases, start.volume, start.spread, start.fresh, brief=brief)
    muscles = Muscles(lung.cases, start.clock, peak)
    for release, step in cycle(lung.cases, lung.phases, start.volume, start.spread, muscles):
        tally.add(release, step)
    end = tally.end
    clock = effort.advance(start.clock, lung.cases.period, lung.cases.values["effort_rate"])
    return tally, Start(end.volume, end.spread, tally.pipe.fresh, clock)


def corrected(lung: Breathing, start: Start, end: Start) -> tuple[Start, np.ndarray]:
    """Move the end of a cycle to where, on average, a settled one would have ended.

    What differs from phase to phase fades by itself within a cycle or two; what all phases have in
    common fades no faster than the passive lung forgets, so it is foreseen from that.

    Returns
    -------
    end : Start
        At the same phases.
    gas : ndarray, shape (n,)
        By how much the mean volume was moved [L].
    """
    missed = [(end[i] - start[i]).mean(axis=0) for i in (0, 1)]
    (a, b), (c, d) = lung.passive.memory
    determinant = (1.0 - a) * (1.0 - d) - b * c
    volume = ((1.0 - d) * missed[0] + b * missed[1]) / determinant - missed[0]
    spread = (c * missed[0] + (1.0 - a) * missed[1]) / determinant - missed[1]
    moved = end._replace(volume=end.volume + volume, spread=end.spread + spread)
    return moved, np.abs(volume)
