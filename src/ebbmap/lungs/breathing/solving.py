"""All cases, block by block: first without effort, then with it.

Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Unpack

import numpy as np

from ebbmap.exchange.co2 import gas_beyond_dead_space
from ebbmap.lungs import whole
from ebbmap.lungs.breathing.cases import Cases, State, breathing_cases
from ebbmap.lungs.breathing.closing import Look, look, settle
from ebbmap.lungs.breathing.phases import (
    ROUNDED,
    Breathing,
    Passive,
    Start,
    blocks,
    breathe,
)
from ebbmap.lungs.breathing.tally import OWN
from ebbmap.lungs.stepped.effort import mean_muscle_pressure
from ebbmap.lungs.whole.cases import NAMES as PASSIVE_NAMES
from ebbmap.lungs.whole.cases import begun, circuit, settled_drive
from ebbmap.lungs.whole.newton import Effort, run
from ebbmap.lungs.whole.outcomes import SOLVES as PASSIVE_SOLVES
from ebbmap.units import ML_PER_L

#: What this lung solves for: what the passive one does, but for gas that runs between units, and
#: what only efforts bring.
SOLVES = (*(name for name in PASSIVE_SOLVES if name != "pendelluft_volume"), *OWN)

#: A first look at how CO2 drives the effort takes so many of the usual steps, and so many cases.
COARSER, LOOKED_AT = 0.5, 2048

#: Cycles in which most lungs settle, and the most that are run.
FEW_CYCLES, MOST_CYCLES = 3, 15


class Found:
    """Outcomes of all cases and states after a cycle, filled block by block; NaN elsewhere."""

    def __init__(
        self, values: Mapping[str, np.ndarray], passive: Mapping[str, np.ndarray], state: State
    ) -> None:
        """Take what the lung `whole` solves, by name, and the state in which it ends."""
        self.wall, self.passive = values["chest_wall_share"], passive
        self.outcomes = {name: np.full(self.wall.size, np.nan) for name in SOLVES}
        self.state = State(*(np.array(part) for part in state))

    def put(
        self,
        index: np.ndarray,
        lung: Breathing,
        means: Mapping[str, np.ndarray],
        peak: np.ndarray,
        end: Start,
    ) -> None:
        """Put the outcomes of some cases in their place, and the state at the first phase.

        Parameters
        ----------
        index : ndarray of int
            Which cases they are.
        lung : Breathing
            These cases.
        means : mapping of str to ndarray, shape (n,)
            Outcomes by name.
        peak : ndarray, shape (n,)
            Peak muscle pressure [cmH2O]; without any, what the lung `whole` solves counts.
        end : Start
            After the cycle, shape (m, n).
        """
        active = peak > 0.0
        still = {name: row[index] for name, row in self.passive.items() if name in SOLVES}
        alveolar, wall = still["mean_alveolar_pressure"], self.wall[index]
        still |= {
            "mean_pleural_pressure": wall * alveolar,
            "mean_transpulmonary_pressure": (1.0 - wall) * alveolar,
            "end_high_transpulmonary_pressure": (1.0 - wall) * still["end_high_pressure"],
        }
        lost = np.isnan(means["release_volume"])
        # what efforts do not change is that of the passive lung
        known = {**still, **means, "peak_muscle_pressure": peak}
        for name, target in self.outcomes.items():
            row = known.get(name, np.nan)
            target[index] = np.where(active, row, still.get(name, row))
            target[index[lost]] = np.nan
        net, p_low = lung.cases.network, lung.cases.values["p_low"]
        reached = State(
            p_low + net.fast_pressure(end.volume[0], end.spread[0]),
            p_low + net.slow_pressure(end.volume[0], end.spread[0]),
            self.state.airway[index],
            end.clock[0],
            end.fresh[0],
            peak,
        )
        for target, row in zip(self.state, reached, strict=True):
            target[index[active]] = row[active]

    def shaped(self, shape: tuple[int, ...]) -> tuple[dict[str, np.ndarray], State]:
        """Return outcomes and state in a shape."""
        return (
            {name: row.reshape(shape) for name, row in self.outcomes.items()},
            State(*(part.reshape(shape) for part in self.state)),
        )


def passive_cycle(
    values: Mapping[str, np.ndarray], **how: Unpack[Effort]
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return outcomes, state and memory of the settled cycle without effort, and where it is."""
    course = run(circuit(values), settled_drive(values), None, **how)
    parts, settled = whole.described(course, settled_drive(values), values)
    memory = np.moveaxis(course.memory, -1, 0)
    own = {"volume": course.volume[-1], "spread": course.spread[-1], "memory": memory}
    return parts | own, settled


def solve_settled(values: Mapping[str, np.ndarray]) -> Found:
    """Solve all cases, flat, at all phases of their efforts."""
    parts = whole.in_blocks(passive_cycle, values)
    none = np.zeros(values["p_high"].size)
    state = State(parts["fast"], parts["slow"], parts["airway"], none, none, none)
    found = Found(values, parts, state)
    memory = np.moveaxis(parts["memory"], 0, -1)
    passive = Passive(parts["volume"], parts["spread"], memory)
    cases = breathing_cases(values, parts["airway"])
    known = np.isfinite(parts["volume"])
    peak = np.where(known, values["effort_pressure"], np.nan)
    slope = np.full_like(peak, np.inf)
    answers = np.flatnonzero(known & (values["effort_gain"] > 0.0))
    for index, lung in blocks(cases, passive, answers, COARSER, LOOKED_AT):
        peak[index], slope[index] = look(lung.rounded())
    left = np.flatnonzero(peak > 0.0)
    # most settle soon; the others go on together, not each in what is left of its block
    for cycles in (FEW_CYCLES, MOST_CYCLES):
        todo, left = left, left[:0]
        for index, lung in blocks(cases, passive, todo):
            first = Look(*(row[index].astype(ROUNDED) for row in (peak, slope)))
            settled = settle(lung.rounded(), first, cycles)
            lost = np.isnan(settled.peak)
            given = np.isinf(slope[index]) & ~lost
            found_peak = np.where(given, peak[index], settled.peak)
            found.put(index, lung, settled.outcomes, found_peak, settled.end)
            left = np.concatenate([left, index[lost]])
    for index, lung in blocks(cases, passive, np.flatnonzero(peak == 0.0)):
        none = np.zeros(index.size)
        tally, end = breathe(lung, still(lung), none)
        means = tally.means(none)
        # a slow valve goes on letting out gas after the release; it leaves in the same breath
        late = ML_PER_L * tally.expired.mean(axis=0) - means["release_volume"]
        expired = parts["release_volume"][index] + late
        means["gas_beyond_dead_space"] = gas_beyond_dead_space(expired, lung.cases.dead_space, 0.0)
        found.put(index, lung, means, none, end)
    return found


def still(lung: Breathing) -> Start:
    """Return the passive lung at a single phase, shape (1, n)."""
    volume, spread, _ = lung.passive
    return Start(volume[None], spread[None], np.zeros((1, volume.size)), np.zeros((1, volume.size)))


def begin(values: Mapping[str, np.ndarray], state: State) -> tuple[Cases, Passive]:
    """Return cases in a state: where it begins stands in place of the passive cycle."""
    cases = breathing_cases(values, state.airway)
    volume, spread = begun(cases.network, values, whole.State(*state[:3]))
    return cases, Passive(volume, spread, np.zeros((2, 2, volume.size)))


def follow(values: Mapping[str, np.ndarray], state: State) -> Found:
    """Run one cycle of all cases, flat, from a state."""
    own = {name: values[name] for name in PASSIVE_NAMES}
    passive, after = whole.cycle(whole.State(*state[:3]), **own)
    found = Found(values, passive, State(*after, state.clock, state.fresh, state.peak))
    cases, start = begin(values, state)
    for index, lung in blocks(cases, start, np.flatnonzero(np.isfinite(start.volume))):
        peak, known = state.peak[index], lung.cases.values
        first = still(lung)._replace(fresh=state.fresh[None, index], clock=state.clock[None, index])
        tally, end = breathe(lung, first, peak)
        muscle = mean_muscle_pressure(peak, known["effort_rate"], known["effort_duration"])
        found.put(index, lung, tally.means(muscle), peak, end)
    return found
