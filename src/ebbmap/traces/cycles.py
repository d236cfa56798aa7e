"""Cycles of a trace: found by the steps of pressure, with their levels, times and valve.

Sizes: r samples, c cycles, b bins.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ebbmap.errors import EbbmapError
from ebbmap.kernels.circuit_flow import Phase
from ebbmap.traces.steps import SHORTEST, Switches, levels_of, switches_of, valve_of
from ebbmap.traces.trace import Trace

#: Cycles are regular if their switches lie within this many samples of even ones.
EVEN = 1.0

#: Doubt of the pressure before the first cycle where it is read off the trace, and where somebody
#: states it [cmH2O]: assumptions, wide and narrow.
BEFORE, STATED = 3.0, 0.05

#: Room of switches that pressure does not bound.
ANYWHERE = np.array([[-np.inf], [np.inf]])

#: The first cycle began from another state if it differs from the second by so many times more
#: than the last two differ from each other, and by so much of the flow's own mean square.
STARTS, OF_FLOW = 3.0, 2e-3

#: Times of a cycle at which cycles are compared, and how far from a switch these lie, in samples.
COMPARED, BESIDE = 200, 2.0


@dataclass(frozen=True)
class Cycles:
    """Samples of whole cycles, and what drives them.

    Parameters
    ----------
    phases : tuple of Phase
        Of one cycle where it repeats itself, otherwise of all in turn.
    settled : bool
        Whether the cycle ends as it began; otherwise the first one begins at rest.
    p_high, p_low : float
        Levels [cmH2O].
    start_pressure : float
        Pressure before the first cycle [cmH2O], where it begins at rest.
    flow, time : ndarray, shape (r,)
        Samples [L s-1], and their time from the first switch [s].
    phase, since, number : ndarray, shape (r,)
        Which phase each sample lies in, the time since its start [s], and which cycle.
    above : ndarray of bool, shape (r,)
        Whether pressure is nearer to P high than to P low.
    interval : float
        Time between samples [s].
    shift_doubt : float
        Standard deviation of when a phase begins [s].
    pressure_noise : float
        Standard deviation of a sample of pressure [cmH2O].
    valve_doubt : float
        Standard error of the valve's time constant [s].
    notes : tuple of str
        What was found.
    room : pair of ndarray, shape (2, c + 1) and (2, c)
        How much earlier and later than taken each rise and each fall may begin [s]: samples that
        show one level already, or the other still, bound it.
    start_doubt : float
        Standard deviation of the pressure before the first cycle [cmH2O].
    turns : ndarray or int
        By how many cycles later than its `number` a sample counts since switches were moved.
    """

    phases: tuple[Phase, ...]
    settled: bool
    p_high: float
    p_low: float
    start_pressure: float
    flow: np.ndarray
    time: np.ndarray
    phase: np.ndarray
    since: np.ndarray
    number: np.ndarray
    above: np.ndarray
    interval: float
    shift_doubt: float
    pressure_noise: float
    valve_doubt: float
    notes: tuple[str, ...] = ()
    room: tuple[np.ndarray, np.ndarray] = (ANYWHERE, ANYWHERE)
    start_doubt: float = BEFORE
    turns: np.ndarray | int = 0

    @property
    def count(self) -> int:
        """Whole cycles."""
        return int(self.number.max()) + 1

    @property
    def valve_time(self) -> float:
        """Time constant of the valve [s]."""
        return self.phases[0].valve_time

    @property
    def reach(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """How much earlier and later than taken all rises and all falls may begin [s]."""
        ends = []
        for room in self.room:
            low, high = float(np.max(room[0])), float(np.min(room[1]))
            middle = 0.5 * (low + high) if np.isfinite(low + high) else 0.0
            ends.append((min(low, middle), max(high, middle)))
        return ends[0], ends[1]

    @property
    def level_doubts(self) -> tuple[float, float]:
        """Standard errors of P high and P low [cmH2O]."""
        high = np.maximum(np.sum(self.phase % 2 == 0), 1)
        low = np.maximum(np.sum(self.phase % 2 == 1), 1)
        return float(self.pressure_noise / high**0.5), float(self.pressure_noise / low**0.5)

    @property
    def agrees(self) -> np.ndarray:
        """Whether pressure is at the level of the phase that each sample lies in, shape (r,).

        A slow valve passes through both in each phase and says nothing.
        """
        same: np.ndarray = self.above == (self.phase % 2 == 0)
        return same | (self.valve_time > 0.0)

    def settings(self) -> dict[str, float]:
        """Return what was set, by registry name, in registry units."""
        return {
            "p_high": self.p_high,
            "p_low": self.p_low,
            "t_high": float(np.mean([one.duration for one in self.phases[::2]])),
            "t_low": float(np.mean([one.duration for one in self.phases[1::2]])),
            "valve_time": self.valve_time,
        }

    def shifted(self, up: float, down: float) -> Cycles:
        """Return the cycles with later switches [s]: each sample lies in the phase it then has."""
        if self.settled:
            high, low = (one.duration for one in self.phases)
            period = high + low
            high += down - up
            place = np.where(self.phase == 0, self.since, high - (down - up) + self.since) - up
            turns = self.turns + np.floor(place / period).astype(int)
            place = np.mod(place, period)
            phase = (place >= high).astype(int)
            since = np.where(phase == 1, place - high, place)
            lengths = [high, period - high]
        else:
            moved = np.where(self.phase % 2 == 0, up, down)
            lengths = [
                one.duration + (down - up if place % 2 == 0 else up - down)
                for place, one in enumerate(self.phases)
            ]
            phase, since = self.phase, np.maximum(self.since - moved, 0.0)
            turns = self.turns
        phases = driven(lengths, self.p_high - self.p_low, self.valve_time, self.settled)
        room = (self.room[0] - up, self.room[1] - down)
        return replace(self, phases=phases, phase=phase, since=since, turns=turns, room=room)

    @property
    def from_middle(self) -> np.ndarray:
        """How many cycles after the middle one each sample lies, shape (r,)."""
        return np.asarray(self.number + self.turns - np.mean(self.number))

    def retimed(self, longer: float) -> Cycles:
        """Return settled cycles with a period longer by so much [s], the middle one unmoved."""
        since = self.since - longer * self.from_middle
        high, low = (one.duration for one in self.phases)
        lengths = [high, low + longer]
        # samples beside a switch are not used
        since = np.clip(since, 0.0, np.array(lengths)[self.phase])
        rises, falls = self.room
        moved = longer * (np.arange(self.count + 1) - np.mean(self.number))
        return replace(
            self,
            phases=driven(lengths, self.p_high - self.p_low, self.valve_time, True),
            since=since,
            room=(rises - moved, falls - moved[:-1]),
        )


def driven(
    lengths: list[float], drop: float, valve_time: float, settled: bool
) -> tuple[Phase, ...]:
    """Return phases of such lengths [s], up and down in turn, above P low.

    Examples
    --------
    >>> [phase.target for phase in driven([5.0, 0.5], 20.0, 0.0, True)]
    [20.0, 0.0]
    """
    begun = 0.0
    if settled and valve_time > 0.0:
        high, low = (float(np.exp(-length / valve_time)) for length in lengths)
        begun = drop * low * (1.0 - high) / (1.0 - high * low)
    phases = []
    for place, length in enumerate(lengths):
        phases.append(Phase(length, begun, drop if place % 2 == 0 else 0.0, valve_time))
        begun = phases[-1].end
    return tuple(phases)


def find_cycles(trace: Trace, *, start: str | float | None = None) -> Cycles:
    """Find the whole cycles of a trace.

    Parameters
    ----------
    trace : Trace
        With at least one whole cycle.
    start : {"settled", "rest"} or float, optional
        Whether cycles repeat themselves, or the first begins at rest, or at rest at this pressure
        [cmH2O]; told from the trace if None.

    Returns
    -------
    Cycles

    Raises
    ------
    EbbmapError
        If there is no whole cycle, or `start` is neither.
    """
    stated = float(start) if isinstance(start, int | float) else None
    if stated is not None:
        start = "rest"
    if start not in (None, "settled", "rest"):
        raise EbbmapError(
            f"start must be 'settled', 'rest' or a pressure; got {start!r}. Correct it."
        )
    high, low = levels_of(trace.pressure)
    switches = switches_of(trace, high, low)
    between, valve_time, delay, doubt = valve_of(trace, switches, high, low)
    switches = Switches(switches.up - delay[0], switches.down - delay[1])
    even, regular = _evened(switches, trace.interval)
    notes = [f"{switches.down.size} whole cycles"]
    if start is None:
        start = "settled" if regular and not _starts(trace, even) else "rest"
    if start == "settled" and not regular:
        notes.append("cycles differ in length: their mean is taken")
    if start == "settled":
        notes.append("taken to repeat themselves")
    else:
        notes.append("the first cycle begins at rest")
    used = even if start == "settled" or regular else switches
    found = _gathered(trace, used, (high, low), valve_time, start == "settled")
    if stated is not None:
        found = replace(found, start_pressure=stated, start_doubt=STATED)
    width = trace.interval / np.sqrt(12.0) if between else doubt[1]
    return replace(
        found,
        shift_doubt=max(float(width), 1e-4),
        valve_doubt=doubt[0],
        room=_room(trace, switches, used) if between else (ANYWHERE, ANYWHERE),
        notes=(*trace.notes, *notes),
    )


def _evened(switches: Switches, interval: float) -> tuple[Switches, bool]:
    """Return even switches nearest to those found, and whether these lie close to them."""
    count = switches.down.size
    order = np.concatenate([np.arange(count + 1.0), np.arange(count)])
    is_down = np.concatenate([np.zeros(count + 1), np.ones(count)])
    times = np.concatenate(switches)
    table = np.stack([1.0 - is_down, is_down, order], axis=1)
    solved = np.linalg.lstsq(table, times, rcond=None)[0]
    off = np.max(np.abs(table @ solved - times))
    up = solved[0] + solved[2] * np.arange(count + 1)
    return Switches(up, solved[1] + solved[2] * np.arange(count)), bool(off < EVEN * interval)


def _room(trace: Trace, found: Switches, used: Switches) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each step that is at once may move: no sample may change its level."""
    edges = np.concatenate(
        [[trace.time[0] - trace.interval], trace.time, [trace.time[-1] + trace.interval]]
    )
    room = []
    for times, taken in zip(found, used, strict=True):
        after = np.searchsorted(edges, times)
        room.append(np.stack([edges[after - 1], edges[after]]) - taken)
    return room[0], room[1]


def _starts(trace: Trace, switches: Switches) -> bool:
    """Return whether the first cycles differ from later ones as those after a start do."""
    count = switches.down.size
    if count < 3:
        return False
    period = float(switches.up[1] - switches.up[0])
    within = np.linspace(0.0, period, COMPARED)
    # a sample beside a switch may lie on either side of it
    high = float(np.mean(switches.down - switches.up[:-1]))
    edges = np.array([0.0, high, period])
    within = within[np.min(np.abs(within[:, None] - edges), axis=1) > BESIDE * trace.interval]
    curves = np.array(
        [np.interp(begin + within, trace.time, trace.flow) for begin in switches.up[:-1]]
    )
    first = float(np.mean((curves[0] - curves[1]) ** 2))
    last = float(np.mean((curves[-1] - curves[-2]) ** 2))
    return first > STARTS * last and first > OF_FLOW * float(np.mean(curves[-1] ** 2))


def _gathered(
    trace: Trace,
    switches: Switches,
    levels: tuple[float, float],
    valve_time: float,
    settled: bool,
) -> Cycles:
    """Return the samples of whole cycles, each with its phase."""
    bounds = np.empty(2 * switches.down.size + 1)
    bounds[::2], bounds[1::2] = switches
    place = np.searchsorted(bounds, trace.time, side="right") - 1
    inside = (place >= 0) & (place < bounds.size - 1)
    place, time = place[inside], trace.time[inside]
    since = time - bounds[place]
    high, low = _plateaus(trace.pressure[inside], place, since, levels, valve_time)
    lengths = np.diff(bounds)
    if settled:
        lengths = np.array([lengths[::2].mean(), lengths[1::2].mean()])
    noise = _noise_of(trace.pressure[inside], place, since, valve_time)
    return Cycles(
        phases=driven(list(lengths), high - low, valve_time, settled),
        settled=settled,
        p_high=high,
        p_low=low,
        start_pressure=_before(trace, switches.up[0], low),
        flow=trace.flow[inside],
        time=time - bounds[0],
        phase=place % 2 if settled else place,
        since=since,
        number=place // 2,
        above=trace.pressure[inside] > 0.5 * (high + low),
        interval=trace.interval,
        shift_doubt=0.0,
        pressure_noise=noise,
        valve_doubt=0.0,
    )


def _before(trace: Trace, first: float, low: float) -> float:
    """Return the pressure before the first cycle [cmH2O]."""
    earlier = trace.pressure[trace.time < first - 2.0 * trace.interval]
    return float(np.median(earlier)) if earlier.size >= SHORTEST else low


def _plateaus(
    pressure: np.ndarray,
    place: np.ndarray,
    since: np.ndarray,
    levels: tuple[float, float],
    valve_time: float,
) -> tuple[float, float]:
    """Return the mean pressure of each level, once the valve has moved [cmH2O]."""
    found = []
    for kind, level in enumerate(levels):
        here = (place % 2 == kind) & (since > 8.0 * valve_time)
        within = np.abs(pressure - level) < 0.25 * (levels[0] - levels[1])
        kept = pressure[here & within]
        found.append(float(np.mean(kept)) if kept.size >= SHORTEST else level)
    return found[0], found[1]


def _noise_of(
    pressure: np.ndarray, place: np.ndarray, since: np.ndarray, valve_time: float
) -> float:
    """Return the noise of pressure where it is level [cmH2O]."""
    quiet = (since > 8.0 * valve_time)[1:] & (place[1:] == place[:-1])
    steps = np.diff(pressure)[quiet]
    # a sample beside a switch may lie on the other level, so the middle of the steps tells
    return float(1.4826 * np.median(np.abs(steps)) / 2.0**0.5) if steps.size >= SHORTEST else 0.0
