"""A cycle on its steps: what drives it, how it looks, and Newton's step for all of it at once.

Sizes: n cases, k steps, s stages; T high begins at time 0, the release follows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from ebbmap.lungs.stepped import effort
from ebbmap.lungs.stepped.airway import FASTEST_VALVE, valve
from ebbmap.lungs.stepped.balance import Balance, balance
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.radau import INVERSE, NODES, POINTS, Steps
from ebbmap.lungs.stepped.recruitment import open_fraction

#: A direction in which less than this share of a disturbance fades in a cycle is neutral.
NEUTRAL = 1e-7

#: Up to this share of the way to an end of the lung's curve a Newton step is taken as it is.
FREE_WAY = 0.5

#: A room to move that counts as none.
TINY = 1e-300


class State(NamedTuple):
    """What the lung remembers.

    Parameters
    ----------
    volume : ndarray, shape (n,)
        Gas in the lung [mL].
    openness : ndarray, shape (n,)
        How much of the recruitable share is open [1].
    airway_pressure : ndarray, shape (n,)
        Pressure at the airway [cmH2O].
    clock : ndarray, shape (n,)
        Time since the last effort began [s].
    fresh : ndarray, shape (n,)
        Fresh gas in the dead space of the airways [mL]; 0 after a release that washed it out.
    """

    volume: np.ndarray
    openness: np.ndarray
    airway_pressure: np.ndarray
    clock: np.ndarray
    fresh: np.ndarray

    def at(self, index: np.ndarray) -> State:
        """Return the state of some of the cases."""
        return State(*(values[index] for values in self))


@dataclass
class Course:
    """A cycle of n cases on its steps; the last axis of every array is the case.

    Parameters
    ----------
    cases : Cases
        n cases.
    begun : State
        At the start, shape (n,); volume and openness are those of `start`.
    start : ndarray, shape (2, n)
        Volume [mL] and openness at the start; unknown if the cycle is to close.
    ends : ndarray, shape (k + 1, n)
        Ends of the steps [s], from 0 to the period; no step lies across a switch.
    stages : ndarray, shape (2, s, k, n)
        Volume and openness at the stages.
    """

    cases: Cases
    begun: State
    start: np.ndarray
    ends: np.ndarray
    stages: np.ndarray
    forces: tuple[np.ndarray, np.ndarray] = field(init=False)

    def __post_init__(self) -> None:
        #: airway and muscle pressure at the stages: they do not depend on what the lung does
        self.forces = self.forces_at(self.ends[:-1] + NODES[:, None, None] * self.lengths)

    def at(self, index: np.ndarray) -> Course:
        """Return the course of some of the cases."""
        part = object.__new__(Course)
        part.cases, part.begun = self.cases.at(index), self.begun.at(index)
        part.start, part.ends = self.start[:, index], self.ends[:, index]
        part.stages = self.stages[..., index]
        part.forces = self.forces[0][..., index], self.forces[1][..., index]
        return part

    @classmethod
    def joined(cls, courses: Sequence[Course]) -> Course:
        """Put courses of as many steps together."""
        if len(courses) == 1:
            return courses[0]
        return cls(
            Cases.joined([course.cases for course in courses]),
            State(*map(np.concatenate, zip(*(course.begun for course in courses), strict=True))),
            *(
                np.concatenate([getattr(course, name) for course in courses], axis=-1)
                for name in ("start", "ends", "stages")
            ),
        )

    @property
    def lengths(self) -> np.ndarray:
        """Lengths of the steps [s], shape (k, n)."""
        return np.diff(self.ends, axis=0)

    @property
    def releasing(self) -> np.ndarray:
        """Whether a step lies in the release, shape (k, n)."""
        return self._middles >= self.cases.t_high

    @property
    def top(self) -> np.ndarray:
        """Volume and openness as the release begins, shape (2, n)."""
        return self.at_top(self.stages[:, -1])

    def at_top(self, values: np.ndarray) -> np.ndarray:
        """Pick, of values at the ends of the steps (..., k, n), that as the release begins."""
        last = np.count_nonzero(~self.releasing, axis=0) - 1
        index = last.reshape((1,) * (values.ndim - 1) + (-1,))
        return np.take_along_axis(values, index, axis=-2)[..., 0, :]

    @property
    def released(self) -> np.ndarray:
        """Gas released [mL], shape (n,)."""
        gas: np.ndarray = self.top[0] - self.stages[0, -1, -1]
        return gas

    def washed(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the gas from beyond the dead space that leaves, and the fresh gas left in it [mL].

        The dead space is a pipe in which fresh gas pushes used gas to and fro, unmixed: what is
        breathed in fills it first, what is breathed out empties it first. Every breath pays for
        itself, and one that does not fill the pipe brings nothing; shape (n,) each.
        """
        volume = np.concatenate((self.start[:1], self.stages[0, -1]))
        fresh, left = self.begun.fresh, np.zeros(self.cases.size)
        # steps end where flow turns, so volume rises or falls all along each
        for moved in np.diff(volume, axis=0):
            fresh = fresh + moved
            left = left + np.maximum(-fresh, 0.0)
            fresh = np.clip(fresh, 0.0, self.cases.dead_space)
        return left, fresh

    @property
    def _middles(self) -> np.ndarray:
        middles: np.ndarray = 0.5 * (self.ends[1:] + self.ends[:-1])
        return middles

    def forces_at(
        self, times: np.ndarray, middles: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the airway and muscle pressure at times (..., k, n).

        What is switched on is what is so at `middles`, those of the steps if None: at the instant
        of a switch a time alone does not say it.
        """
        cases = self.cases
        middles = self._middles if middles is None else middles
        low = middles >= cases.t_high
        airway = np.where(low, cases.p_low, cases.p_high)
        if (cases.valve_time > FASTEST_VALVE).any():
            filled = valve(self.begun.airway_pressure, cases.p_high, cases.t_high, cases.valve_time)
            first = np.where(low, filled, self.begun.airway_pressure)
            airway = valve(
                first, airway, times - np.where(low, cases.t_high, 0.0), cases.valve_time
            )
        muscle = np.zeros(cases.size)
        if (cases.effort_pressure > 0.0).any():
            since, active = self._effort(times, middles)
            muscle = effort.muscle_pressure(
                since, active, cases.effort_pressure, cases.effort_rate, cases.effort_duration
            )
        return airway, muscle

    def turning(self) -> np.ndarray:
        """Return the rate at which valve and effort move the drive at `times` [cmH2O s-1]."""
        cases, times = self.cases, self.times()
        rate = np.zeros_like(times)
        slow = cases.valve_time > FASTEST_VALVE
        if slow.any():
            airway, _ = self.forces_at(times)
            target = np.where(self.releasing, cases.p_low, cases.p_high)
            rate = np.where(slow, target - airway, 0.0) / np.where(slow, cases.valve_time, 1.0)
        if (cases.effort_pressure > 0.0).any():
            since, active = self._effort(times, self._middles)
            rate = rate + effort.muscle_rate(
                since, active, cases.effort_pressure, cases.effort_rate, cases.effort_duration
            )
        return rate

    def _effort(self, times: np.ndarray, middles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the time since the last effort began, and whether it is still under way."""
        cases = self.cases
        within = np.mod(self.begun.clock + middles, effort.period(cases.effort_rate))
        active = within < effort.length(cases.effort_rate, cases.effort_duration)
        return times - middles + within, active

    def starts(self) -> np.ndarray:
        """Return the state at the start of each step, shape (2, k, n)."""
        return np.concatenate((self.start[:, None], self.stages[:, -1, :-1]), axis=1)

    def points(self) -> np.ndarray:
        """Return the state at the start and the stages of each step, shape (2, s + 1, k, n)."""
        return np.concatenate((self.starts()[:, None], self.stages), axis=1)

    def times(self) -> np.ndarray:
        """Return the times of start and stages of each step [s], shape (s + 1, k, n)."""
        moments: np.ndarray = self.ends[:-1] + POINTS[:, None, None] * self.lengths
        return moments

    def look(self, inward: np.ndarray | None = None) -> Balance:
        """Look at the lung at the start and the stages of each step, shape (s + 1, k, n)."""
        volume, openness = self.points()
        airway, muscle = self.forces_at(self.times())
        return balance(self.cases, volume, openness, airway, muscle, inward)

    def improve(self, scale: np.ndarray, boldness: float, *, closed: bool) -> np.ndarray:
        """Take one Newton step in place.

        Parameters
        ----------
        scale : ndarray, shape (n,)
            Size of a volume [mL].
        boldness : ndarray, shape (n,)
            Share of the step that is taken, in (0, 1].
        closed : bool
            Whether the cycle is to end as it began; else it begins as given.

        Returns
        -------
        ndarray, shape (n,)
            Size of the step: of volumes as a share of `scale`, of the openness as it is.
        """
        volume, openness = self.stages
        seen = balance(self.cases, volume, openness, *self.forces)
        rates = np.stack((seen.filling, seen.opening))
        gap = self.starts()[:, None] - self.stages
        lengths = self.lengths
        miss = np.tensordot(INVERSE, gap, (1, 1)).swapaxes(0, 1) + lengths * rates
        steps = Steps(
            lengths,
            (
                seen.filling_by_volume,
                seen.filling_by_openness,
                seen.opening_by_volume,
                seen.opening_by_openness,
            ),
            miss,
        )
        first = np.stack(self._close(steps)) if closed else np.zeros_like(self.start)
        change = steps.stages(first)
        size: np.ndarray = np.maximum(
            np.abs(change[0]).max(axis=(0, 1)) / scale, np.abs(change[1]).max(axis=(0, 1))
        )
        self.start = self._moved(self.start, first, boldness)
        self.stages = self._moved(self.stages, change, boldness)
        return size

    def _close(self, steps: Steps) -> tuple[np.ndarray, np.ndarray]:
        """Return the change of the start that makes the linearised cycle end where it begins."""
        ((a, b), (c, d)), offset = steps.whole()
        volume, openness = self.stages[:, -1, -1] + offset - self.start
        # (1 - J) step = miss, with the openness eliminated last because it may be neutral
        fading = 1.0 - a
        stiff = 1.0 - d - c * b / fading
        opened = (openness + c * volume / fading) / np.where(np.abs(stiff) > NEUTRAL, stiff, 1.0)
        # no settled cycle above the guess is looked for: no pressure would have opened it so far
        opened = np.clip(self.start[1] + opened, 0.0, self.begun.openness) - self.start[1]
        return (volume + b * opened) / fading, opened

    def _moved(self, state: np.ndarray, change: np.ndarray, boldness: float) -> np.ndarray:
        """Return volume and openness after a change of both, kept within the lung's curve."""
        cases = self.cases
        whole = 0.25 * cases.lung_elastance * cases.recoil_curvature
        openness = np.clip(state[1] + boldness * change[1], 0.0, 1.0)
        fraction = open_fraction(openness, cases.recruitable_share)
        # shares of the lung's span that are filled, before and as Newton would have it
        here = cases.rest + whole * state[0] / open_fraction(state[1], cases.recruitable_share)
        way = cases.rest + whole * (state[0] + boldness * change[0]) / fraction - here
        # near an end of the curve a step uses up a share of what room is left, and never all of it
        room = np.where(way > 0.0, 1.0 - here, here)
        used = np.abs(way) / np.maximum(room, TINY)
        short = np.sign(way) * room * -np.expm1(-used)
        bent = fraction / whole * (here - cases.rest + short)
        volume = np.where(used > FREE_WAY, bent, state[0] + boldness * change[0])
        return np.stack((volume, openness))
