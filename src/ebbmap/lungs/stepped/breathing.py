"""A lung whose patient breathes: what a cycle means when efforts fall on it at any phase.

The patient's rate is not the ventilator's, so no cycle repeats another. An outcome is its mean
over cycles that begin at any time since the last effort, all times alike: what a long run would
give at nearly every rate, and what it would give on average over when the efforts began at the
few rates at which efforts and cycles keep step. It has no jumps between those. A share (filled,
exhaled, of ventilation outside the releases) is the share of the gas of all these cycles.
Sizes: n cases, m phases.
"""

from __future__ import annotations

import numpy as np

from ebbmap.lungs.stepped import effort
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.course import State
from ebbmap.lungs.stepped.cycles import SOLVES, Outcomes, run_cycle

#: Phases that are averaged, evenly spread. Measured on 12 lungs with everything on, against 64:
#: 1e-4 of volumes, 2e-3 of pressures, 3e-3 of the swing; halving them makes it 4 to 5 times more.
PHASES = 16

#: Phases in which units may open and close until their mean stands still.
FEW_PHASES = 4

#: Run-in, as a multiple of the cycles in which a disturbance fades to a hundredth: to 1e-5.
RUN_IN = 2.5

#: A lung that takes more cycles than this to fade to a hundredth is not run.
SLOWEST = 10.0

#: Cycles in which units may open and close, and what their open fraction may still be off.
MOST_CYCLES, STILL = 80, 2e-4

#: Change of a cycle over that of the one before: no more is believed when the rest is foreseen.
MOST_KEPT = 0.97

#: Share of a period by which an effort is moved where the search for a cycle is lost, which it is
#: in about one of ten thousand: it moves the mean by some 1e-4 of what the phase does.
NUDGE = 1e-3

#: Cycles from one jump to the foreseen end to the next.
BETWEEN_JUMPS = 4


def average(cases: Cases, passive: State, settling: np.ndarray) -> tuple[State, Outcomes]:
    """Average the outcomes of a breathing lung over the phase of its efforts.

    Parameters
    ----------
    cases : Cases
        n cases, with effort.
    passive : State
        Of the settled cycle without effort.
    settling : ndarray, shape (n,)
        Cycles in which a disturbance of the passive lung fades to a hundredth.

    Returns
    -------
    state : State
        After a cycle at one of the phases, shape (n,).
    outcomes : dict of str to ndarray, shape (n,)
        Those in `SOLVES`. NaN where a cycle was not found, where the lung is slower than
        `SLOWEST`, or where its units do not come to rest.
    """
    begun = _at_rest(cases, passive)
    begun.volume[~(settling <= SLOWEST)] = np.nan
    count = np.ceil(RUN_IN * np.minimum(settling, SLOWEST)) + 1.0
    state = _spread(cases, begun, PHASES)
    means = {name: np.full(cases.size, np.nan) for name in SOLVES}
    after = State(*(np.full(cases.size, np.nan) for _ in State._fields))
    todo = np.flatnonzero(np.isfinite(begun.volume))
    state = state.at(_rows(todo, PHASES))
    number = 0
    while todo.size:
        number += 1
        every, state = _run(cases.at(np.repeat(todo, PHASES)), state)
        done = count[todo] <= number
        if done.any():
            ended = _means(every, done)
            for name, values in means.items():
                values[todo[done]] = ended[name]
            for field, values in zip(after, state, strict=True):
                field[todo[done]] = values.reshape(-1, PHASES)[done, 0]
        state = state.at(_rows(np.flatnonzero(~done), PHASES))
        todo = todo[~done]
    return after, means


def _means(every: Outcomes, done: np.ndarray) -> Outcomes:
    """Return the means over the phases of the cases that are done; shares of means."""
    mean = {name: rows.reshape(-1, PHASES)[done].mean(axis=1) for name, rows in every.items()}
    released = mean["release_volume"]
    expired = np.where(mean["expired"] > 0.0, mean["expired"], np.inf)
    return mean | {
        "fill_fraction": mean["taken"] / mean["fillable"],
        "exhaled_fraction": released / (released + mean["trapped_volume"]),
        "effort_share": 1.0 - released / expired,
    }


def _at_rest(cases: Cases, passive: State) -> State:
    """Run cycles until the mean openness over a few phases stands still.

    The mean nears its end slowly and evenly, so its end is foreseen from three cycles, taken, and
    run on from.
    """
    openness = passive.openness.copy()
    todo = np.flatnonzero(cases.recruitable_share > 0.0)
    state = _spread(cases, passive, FEW_PHASES).at(_rows(todo, FEW_PHASES))
    before = openness[todo]
    change = np.full(todo.size, np.inf)
    for number in range(1, MOST_CYCLES + 1):
        if not todo.size:
            break
        _, state = _run(cases.at(np.repeat(todo, FEW_PHASES)), state)
        now = state.openness.reshape(-1, FEW_PHASES).mean(axis=1)
        last, change = change, now - before
        with np.errstate(invalid="ignore", divide="ignore"):
            kept = np.clip(np.where(last == 0.0, 0.0, change / last), 0.0, MOST_KEPT)
        ahead = change * kept / (1.0 - kept)
        still = np.abs(change) + np.abs(ahead) <= STILL / cases.recruitable_share[todo]
        still &= number > 2
        if number % BETWEEN_JUMPS == 0:
            low, high = (
                edge(state.openness.reshape(-1, FEW_PHASES), axis=1) for edge in (np.min, np.max)
            )
            ahead = np.clip(ahead, -low, 1.0 - high)
            state = state._replace(openness=state.openness + np.repeat(ahead, FEW_PHASES))
            now = now + ahead
            still |= np.abs(ahead) + np.abs(change) <= STILL / cases.recruitable_share[todo]
        openness[todo] = now
        lost = np.isnan(now)
        keep = ~(still | lost)
        state = state.at(_rows(np.flatnonzero(keep), FEW_PHASES))
        todo, before, change = todo[keep], now[keep], change[keep]
    openness[todo] = np.nan
    volume = np.where(np.isnan(openness), np.nan, passive.volume)
    return passive._replace(volume=volume, openness=openness)


def _run(cases: Cases, begun: State) -> tuple[Outcomes, State]:
    """Run one cycle; once more, a little later, where none was found."""
    every, state = run_cycle(cases, begun)
    lost = np.flatnonzero(np.isnan(state.volume) & np.isfinite(begun.volume))
    if lost.size:
        some, start = cases.at(lost), begun.at(lost)
        period = effort.period(some.effort_rate)
        again, after = run_cycle(
            some, start._replace(clock=np.mod(start.clock + NUDGE * period, period))
        )
        for name, values in every.items():
            values[lost] = again[name]
        for field, values in zip(state, after, strict=True):
            field[lost] = values
    return every, state


def _spread(cases: Cases, begun: State, phases: int) -> State:
    """Repeat a state for each of so many phases, evenly spread over the patient's own period."""
    state = begun.at(np.repeat(np.arange(cases.size), phases))
    share = np.tile(np.arange(phases) / phases, cases.size)
    return state._replace(clock=share * np.repeat(effort.period(cases.effort_rate), phases))


def _rows(index: np.ndarray, phases: int) -> np.ndarray:
    """Return the rows of all phases of the cases of an index."""
    return (index[:, None] * phases + np.arange(phases)).ravel()
