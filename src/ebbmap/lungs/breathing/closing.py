"""The effort that goes with the CO2 that it clears: found, not given.

CO2 drives the effort (`exchange.own_breathing`), effort clears CO2. At a peak of the efforts the
lung clears, at the tension that such a peak takes, more or less CO2 than the body makes; the
balance rises with the peak, for more gas is moved and a higher tension is needed. Its root is
bracketed with few phases and long steps, then taken to the mark while the lung settles.
Sizes: n cases, m phases.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.exchange.co2 import STPD_TO_TENSION, alveolar_ventilation_of_breaths
from ebbmap.exchange.own_breathing import driving_tension
from ebbmap.lungs.breathing.cases import Cases
from ebbmap.lungs.breathing.phases import (
    FEW,
    PHASES,
    Breathing,
    Start,
    breathe,
    corrected,
    spread_out,
)
from ebbmap.lungs.breathing.tally import Tally
from ebbmap.lungs.stepped.effort import mean_muscle_pressure
from ebbmap.units import ML_PER_L, S_PER_MIN

#: Share of the CO2 that is made by which the balance may be off: in the first look, and at last.
ROUGHLY, BALANCED = 2e-2, 5e-3

#: Share of the gas that is breathed by which the mean volume may still move.
STILL = 1e-3

#: How much steeper than the chord from the least effort a balance is taken to be where nothing
#: else is known, for it bends upwards, and at most.
CURVED, STEEPEST = 1.5, 8.0

#: Looks at most.
MOST_LOOKS = 6

#: What an effort is first guessed to move, as a share of compliance times peak, and the least
#: that is tried, as a share of what is allowed.
GUESSED, LEAST_GUESS = 0.5, 0.1


#: cmH2O-1: a balance that hardly rises with the effort is taken to rise by this.
LEAST_SLOPE = 1e-2


class Found(NamedTuple):
    """A settled lung that breathes."""

    peak: np.ndarray
    """Peak muscle pressure [cmH2O], shape (n,)."""
    outcomes: dict[str, np.ndarray]
    """Shape (n,) each; NaN where it did not settle."""
    end: Start
    """As a release ends at one of the phases, shape (1, n)."""


class Look(NamedTuple):
    """What a first look says of the balance of CO2."""

    peak: np.ndarray
    """Peak muscle pressure at about its root [cmH2O], shape (n,)."""
    slope: np.ndarray
    """Change of the balance with the peak [cmH2O-1], shape (n,)."""


def balance(cases: Cases, tally: Tally, peak: np.ndarray) -> np.ndarray:
    """Return CO2 cleared at the tension that a peak takes, over CO2 made, less one [1], shape (n,).

    Parameters
    ----------
    cases, tally
        n cases, and a cycle of theirs at each phase.
    peak : ndarray, shape (n,)
        Peak muscle pressure [cmH2O].
    """
    own = cases.values
    ventilation = alveolar_ventilation_of_breaths(
        S_PER_MIN / cases.period,
        tally.pipe.washed.mean(axis=0),
        own["alveolar_dead_space_share"],
        0.0,
        peak,
    )
    law = {name: own[name] for name in ("effort_pressure", "effort_set_point", "effort_inhibition")}
    gain = np.where(own["effort_gain"] > 0.0, own["effort_gain"], 1.0)
    tension = driving_tension(peak, tally.stretch(), effort_gain=gain, **law)
    return np.asarray(ventilation * tension / (STPD_TO_TENSION * own["co2_production"]) - 1.0)


def limits(cases: Cases) -> tuple[np.ndarray, np.ndarray]:
    """Return the least and the greatest peak that CO2 may ask for [cmH2O], shape (n,) each."""
    least = cases.values["effort_pressure"]
    driven = cases.values["effort_gain"] > 0.0
    most = np.where(driven, np.maximum(cases.values["effort_limit"], least), least)
    return least, most


def rescaled(lung: Breathing, start: Start, ratio: np.ndarray) -> Start:
    """Scale what sets the lung apart from the passive one by a ratio of efforts, shape (n,)."""
    ratio = ratio.astype(start.volume.dtype)
    volume, spread = (
        passive + ratio * (part - passive)
        for part, passive in zip(start[:2], lung.passive[:2], strict=True)
    )
    return start._replace(volume=volume, spread=spread)


class Bracket(NamedTuple):
    """Between which peaks a balance changes its sign; shape (n,) each."""

    low: np.ndarray
    high: np.ndarray
    at_low: np.ndarray
    """The balance there; halved as often as that end stays (Illinois)."""
    at_high: np.ndarray
    """NaN until it was looked at."""

    def narrowed(self, trial: np.ndarray, off: np.ndarray) -> Bracket:
        """Return the bracket when a trial is known."""
        short = off < 0.0
        return Bracket(
            np.where(short, trial, self.low),
            np.where(short, self.high, trial),
            np.where(short, off, 0.5 * self.at_low),
            np.where(short, 0.5 * self.at_high, off),
        )

    def within(self) -> np.ndarray:
        """Return the next trial: where a straight line is nought, or the upper end."""
        share = self.at_low / (self.at_low - self.at_high)
        inside = self.low + share * (self.high - self.low)
        return np.where(np.isnan(self.at_high), self.high, inside)


def look(lung: Breathing) -> Look:
    """Come near to the root of the balance where CO2 drives the effort; elsewhere it is given."""
    low, high = limits(lung.cases)
    found = Look(low.copy(), np.full_like(low, np.inf))
    index = np.flatnonzero(low < high)
    if index.size:
        near = _look(lung.at(index) if index.size < low.size else lung)
        for target, row in zip(found, near, strict=True):
            target[index] = row
    return found


def _look(lung: Breathing) -> Look:
    """Come near to the root of the balance: the upper end is tried if a first guess is too low."""
    low, high = limits(lung.cases)
    peak, slope = low.copy(), np.full_like(low, np.inf)
    start, todo, trial = spread_out(lung, FEW), np.arange(low.size), low
    if np.any(low > 0.0):
        ran = corrected(lung, start, breathe(lung, start, low, brief=True)[1])[0]
        start = Start(*(np.where(low > 0.0, one, two) for one, two in zip(ran, start, strict=True)))
    tally, end = breathe(lung, start, trial, brief=True)
    off = balance(lung.cases, tally, trial)
    bracket, rise, least = Bracket(low, high, off, np.full_like(low, np.nan)), off, low
    following = _guess(lung.cases, off, low, high)
    done = off >= 0.0
    for number in range(MOST_LOOKS):
        start = corrected(lung, start, end)[0]
        keep = np.flatnonzero(~done)
        todo = todo[keep]
        if not todo.size:
            break
        start = rescaled(lung, start, _ratio(following, trial)).at(keep)
        trial, rise = following[keep], rise[keep]
        lung, bracket = lung.at(keep), Bracket(*(part[keep] for part in bracket))
        tally, end = breathe(lung, start, trial, brief=True)
        if number == 0:
            # so far the passive lung
            start = corrected(lung, start, end)[0]
            tally, end = breathe(lung, start, trial, brief=True)
        off = balance(lung.cases, tally, trial)
        peak[todo] = trial
        slope[todo] = np.maximum((off - rise) / (trial - least[todo]), LEAST_SLOPE)
        bracket = bracket.narrowed(trial, off)
        following = bracket.within()
        done = (np.abs(off) <= ROUGHLY) | ((off < 0.0) & (trial >= bracket.high))
    return Look(peak, slope)


def _ratio(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """Return one effort over another; one where that other is none."""
    return np.where(whole > 0.0, part / np.where(whole > 0.0, whole, 1.0), 1.0)


def _guess(cases: Cases, off: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Guess the root from what is missing, each effort moving a share of compliance times peak."""
    own = cases.values
    missing = -off * STPD_TO_TENSION * own["co2_production"] / own["effort_set_point"]
    perfused = own["effort_rate"] * (1.0 - own["alveolar_dead_space_share"])
    breath = ML_PER_L * missing / np.maximum(perfused, 1.0) + cases.dead_space
    peak = breath / (GUESSED * own["compliance"])
    return np.clip(low + peak, low + LEAST_GUESS * (high - low), high)


def settle(lung: Breathing, first: Look, cycles: int) -> Found:
    """Settle a breathing lung, and its effort with it where that answers to CO2.

    Parameters
    ----------
    lung : Breathing
        n cases.
    first : Look
        Peak muscle pressures to begin with, and how the balance changes with them.
    cycles : int
        How many are run at most.
    """
    size = first.peak.size
    low, high = limits(lung.cases)
    peak, slope = first.peak.copy(), first.slope
    found: dict[str, np.ndarray] = {}
    last = Start(*(np.full((1, size), np.nan) for _ in Start._fields))
    start, todo = spread_out(lung, PHASES), np.arange(size)
    before = Look(peak.copy(), np.full(size, np.nan))
    for number in range(cycles):
        now = peak[todo]
        tally, end = breathe(lung, start, now, brief=number == 0)
        start, gas = corrected(lung, start, end)
        aim, done = now, np.zeros(todo.size, dtype=bool)
        if number:
            off = balance(lung.cases, tally, now)
            chord = CURVED * slope[todo]
            moved = now != before.peak[todo]
            local = (off - before.slope[todo]) / np.where(moved, now - before.peak[todo], np.inf)
            steep = np.where(local > chord, np.minimum(local, STEEPEST * chord), chord)
            aim = np.clip(now - off / steep, low[todo], high[todo])
            before.peak[todo], before.slope[todo] = now, off
            done = gas <= STILL * tally.expired.mean(axis=0)
            done &= (np.abs(off) <= BALANCED) | (aim == now)
        if done.any():
            own = lung.cases.values
            muscle = mean_muscle_pressure(now, own["effort_rate"], own["effort_duration"])
            for name, row in tally.means(muscle).items():
                found.setdefault(name, np.full(size, np.nan))[todo[done]] = row[done]
            for part, row in zip(last, end, strict=True):
                part[0, todo[done]] = row[0, done]
        keep = np.flatnonzero(~done)
        todo = todo[keep]
        if not todo.size:
            break
        peak[todo] = aim[keep]
        start = rescaled(lung, start, _ratio(aim, now)).at(keep)
        if done.any():
            lung = lung.at(keep)
    peak[todo] = np.nan
    found = found or {"release_volume": np.full(size, np.nan)}
    return Found(peak, found, last)
