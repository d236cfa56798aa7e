"""The settled cycle of a passive lung with memory, all time steps at once.

A settled cycle is a boundary-value problem: state at the end = state at the start. Both phases
are cut into steps, each with the three stages of Radau's method IIA (order 5, L-stable), and
Newton's method runs on all stages together: linearised, a step maps a change of the state at its
start to one at its end by two-by-two matrices, the product of which closes the cycle. No cycle is
ever run to find the next, so a lung that settles slowly costs no more than a quick one.

The right-hand side has kinks, where flow turns and where units begin or cease to open or close.
It is continuous there, so a step that ends near a kink is as good as one that ends on it (the
error is of second order in the distance): once the cycle is roughly known, a step is made to end
on each kink and on each peak, then the cycle is solved again.
Sizes: n cases, k steps in a phase; arrays over stages are (3, 2, k, n): stage, phase, step, case.

References
----------
.. [1] Hairer E, Wanner G, Solving Ordinary Differential Equations II, 2nd ed., section IV.5
   (from memory; the coefficients are computed from the nodes).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ebbmap.lungs.stepped.airway import FASTEST_VALVE
from ebbmap.lungs.stepped.balance import Balance, balance
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.march import State, Stretch, size_of_volume
from ebbmap.lungs.stepped.recoil import recoil
from ebbmap.units import ML_PER_L

#: Steps of a phase, tried in turn until the cycle is beyond doubt: with an immediate valve, and
#: with a slow one. Steps that end on kinks and peaks, at most `KINKS`, come on top.
STEPS, SLOW_VALVE_STEPS, KINKS = (10, 20, 40), (16, 28, 56), 4

#: A cycle is accepted when the sum of its doubts is below this, for each of the counts in turn:
#: the finer the steps, the more the doubt exaggerates. Chosen by measurement against 120 steps.
ACCEPTED = (2e-6, 1e-5, 1e-3)

#: Cases that are solved together: what they need then fits the processor's cache.
TOGETHER = 256

#: Newton steps at most, and the change (of the gas in a release, of the openness) at which the
#: next stage begins: a rough cycle, then one with kinks in place, then the settled one.
ROUNDS = ((14, 1e-2), (6, 1e-3), (8, 1e-6))

#: A direction in which less than this share of a disturbance fades in a cycle is neutral.
NEUTRAL = 1e-7

#: A Newton step may use up this share of the way to the ends of the lung's curve.
MOST_OF_WAY = 0.8

#: How the steps are spread: weight of the decay with the lung's own time constant, the valve's,
#: and that of opening and closing, of which each thins out over so many time constants; and the
#: weight of an even spread.
LUNG_WEIGHT, VALVE_WEIGHT, OPENING_WEIGHT, EVEN_WEIGHT, THINNING = 0.7, 0.7, 0.65, 2.6, 4.0

#: A kink or peak counts when what changes sign is larger than this share of its size.
LEAST_KINK = 1e-7

ROOT_STEPS = 12

#: A step ends at a turn of the flow when the drive has fallen to this share of that in its middle.
AT_TURN = 1e-2

#: Share of P high below which a drive is rounding.
NO_DRIVE = 1e-8

#: Where steps end before and after the turn of the flow in T high and after that in T low, in
#: units of how long the flow takes to bend there; least recoil that this reckons with [cmH2O].
BEFORE_TURN, AFTER_TURN = (-5.0, -1.8, -0.6), (0.8, 3.0)
EMPTYING, LEAST_BEND = (0.3, 0.8, 1.7, 3.5, 8.0), 0.1

#: What `solve` returns.
KINDS = (State, State, Stretch, Stretch)

_SIX = np.sqrt(6.0)
NODES = np.array([(4.0 - _SIX) / 10.0, (4.0 + _SIX) / 10.0, 1.0])
_POWERS = np.arange(3)
#: Integrals of the stages' polynomials up to each node, and the inverse.
INTEGRALS = (NODES[:, None] ** (_POWERS + 1) / (_POWERS + 1)) @ np.linalg.inv(
    NODES[:, None] ** _POWERS
)
INVERSE = np.linalg.inv(INTEGRALS)
WEIGHTS = INTEGRALS[-1]
#: Coefficients, by rising power, of the cubic through the start of a step and its stages.
CUBIC = np.linalg.inv(np.concatenate(([0.0], NODES))[:, None] ** np.arange(4))


@dataclass
class _Cycle:
    """A cycle of n cases on its steps.

    Parameters
    ----------
    cases : Cases
        n cases.
    first, target : ndarray, shape (2, n)
        Airway pressure at the start of each phase, and what the valve is set to [cmH2O].
    base : ndarray, shape (2, steps + 1, n)
        Ends of the steps before kinks are known [s] from the start of the phase.
    bends : ndarray, shape (2, 5 or 0, n)
        Where steps end around the turn of the flow [s] from it; none where no valve is slow.
    ends : ndarray, shape (2, k + 1, n)
        Ends of the steps in use.
    start : ndarray, shape (2, n)
        Volume [mL] and openness at the start of the cycle.
    stages : ndarray, shape (2, 3, 2, k, n)
        Volume and openness at the stages.
    """

    cases: Cases
    first: np.ndarray
    target: np.ndarray
    base: np.ndarray
    bends: np.ndarray
    ends: np.ndarray
    start: np.ndarray
    stages: np.ndarray

    def at(self, index) -> _Cycle:
        """Return the cycle of some of the cases."""
        arrays = {name: value[..., index] for name, value in vars(self).items() if name != "cases"}
        return _Cycle(self.cases.at(index), **arrays)

    @property
    def steps(self):
        """Length of each step [s], shape (2, k, n)."""
        return np.diff(self.ends, axis=1)

    def starts(self) -> np.ndarray:
        """State at the start of each step, shape (2, 2, k, n): volume or openness, phase, step."""
        last = self.stages[:, 2]
        before = np.empty_like(last)
        before[:, :, 1:] = last[:, :, :-1]
        before[:, 0, 0], before[:, 1, 0] = self.start, last[:, 0, -1]
        return before

    def airway(self, times):
        """Airway pressure at times from the start of each phase, shape (..., 2, k, n)."""
        target = self.target[:, None]
        valve_time = self.cases.valve_time
        if not valve_time.any():
            return target
        slow = valve_time > FASTEST_VALVE
        left = np.where(slow, np.exp(-times / np.where(slow, valve_time, 1.0)), 0.0)
        return target + (self.first - self.target)[:, None] * left

    def look(self, inward=None) -> Balance:
        """Look at the lung at every stage, shape (3, 2, k, n)."""
        times = self.ends[:, :-1] + NODES[:, None, None, None] * self.steps
        return balance(self.cases, self.stages[0], self.stages[1], self.airway(times), 0.0, inward)

    def look_at_switches(self) -> Balance:
        """Look at the lung at the start of each phase, shape (2, 1, n)."""
        state = self.starts()[:, :, :1]
        return balance(self.cases, state[0], state[1], self.first[:, None], 0.0)


def _times(one, other):
    """Product of matrices, each a tuple of four arrays."""
    a, b, c, d = one
    e, f, g, h = other
    return a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h


def _apply(matrix, vector):
    a, b, c, d = matrix
    return a * vector[0] + b * vector[1], c * vector[0] + d * vector[1]


def _inverse(matrix):
    a, b, c, d = matrix
    over = 1.0 / (a * d - b * c)
    return d * over, -b * over, -c * over, a * over


def _less(number, matrix):
    """Return number x identity - matrix."""
    a, b, c, d = matrix
    return number - a, -b, -c, number - d


def _scaled(factor, matrix):
    return tuple(factor * entry for entry in matrix)


def newton_step(cycle: _Cycle) -> np.ndarray:
    """Change of start and stages that would settle the linearised cycle, shape (2, 1 + 3 x 2k, n).

    Written as B (y0 - Y) + h f(Y) = 0 with B the inverse of the Radau matrix, the stages couple
    by numbers only, and elimination of two of the three leaves each step a two-by-two matrix.
    """
    seen = cycle.look()
    n = cycle.cases.size
    step = cycle.steps
    stages = cycle.stages
    gap = cycle.starts()[:, None] - stages
    rate = np.stack((seen.filling, seen.opening))
    miss = [
        tuple(
            (INVERSE[i, 0] * gap[r, 0] + INVERSE[i, 1] * gap[r, 1] + INVERSE[i, 2] * gap[r, 2]
             + step * rate[r, i]).reshape(-1, n)
            for r in range(2)
        )
        for i in range(3)
    ]  # fmt: skip
    slopes = (
        seen.filling_by_volume, seen.filling_by_openness,
        seen.opening_by_volume, seen.opening_by_openness,
    )  # fmt: skip
    own = [
        _less(INVERSE[i, i], [(step * slope[i]).reshape(-1, n) for slope in slopes])
        for i in range(3)
    ]
    b = INVERSE
    pull = b.sum(axis=1)

    # eliminate the first stage, then the second
    one = _inverse(own[0])
    e2 = _minus(own[1], _scaled(b[1, 0] * b[0, 1], one))
    f2 = _less(b[1, 2], _scaled(b[1, 0] * b[0, 2], one))
    h3 = _less(b[2, 1], _scaled(b[2, 0] * b[0, 1], one))
    k3 = _minus(own[2], _scaled(b[2, 0] * b[0, 2], one))
    gone = _apply(one, miss[0])
    rest2 = tuple(miss[1][r] - b[1, 0] * gone[r] for r in range(2))
    rest3 = tuple(miss[2][r] - b[2, 0] * gone[r] for r in range(2))
    pull2 = _less(pull[1], _scaled(b[1, 0] * pull[0], one))
    pull3 = _less(pull[2], _scaled(b[2, 0] * pull[0], one))
    two = _inverse(e2)
    across = _times(h3, two)
    three = _inverse(_minus(k3, _times(across, f2)))
    moved = _apply(across, rest2)
    shift = _apply(three, tuple(rest3[r] - moved[r] for r in range(2)))
    carry = _times(three, _minus(pull3, _times(across, pull2)))

    # close the cycle
    count = step.shape[0] * step.shape[1]
    whole = (1.0, 0.0, 0.0, 1.0)
    offset = (np.zeros(n), np.zeros(n))
    for j in range(count):
        matrix = tuple(entry[j] for entry in carry)
        whole = _times(matrix, whole)
        pushed = _apply(matrix, offset)
        offset = (pushed[0] + shift[0][j], pushed[1] + shift[1][j])
    end = stages[:, 2, 1, -1]
    wanted = end - cycle.start + np.stack(offset)
    # the openness is eliminated last because it may be neutral
    fading = 1.0 - whole[0]
    stiff = 1.0 - whole[3] - whole[2] * whole[1] / fading
    push = wanted[1] + whole[2] * wanted[0] / fading
    opened = push / np.where(np.abs(stiff) > NEUTRAL, stiff, 1.0)
    change = np.empty((2, 1 + 3 * count, n))
    now = ((wanted[0] + whole[1] * opened) / fading, opened)
    change[0, 0], change[1, 0] = now

    before = np.empty((2, count, n))
    after = change[:, 1:].reshape(2, 3, count, n)
    for j in range(count):
        before[0, j], before[1, j] = now
        pushed = _apply(tuple(entry[j] for entry in carry), now)
        now = (pushed[0] + shift[0][j], pushed[1] + shift[1][j])
        after[0, 2, j], after[1, 2, j] = now
    third = (after[0, 2], after[1, 2])
    by_third, by_start = _apply(f2, third), _apply(pull2, before)
    second = _apply(two, tuple(rest2[r] + by_start[r] - by_third[r] for r in range(2)))
    after[0, 1], after[1, 1] = second
    first = _apply(
        one,
        tuple(
            miss[0][r] + pull[0] * before[r] - b[0, 1] * second[r] - b[0, 2] * third[r]
            for r in range(2)
        ),
    )
    after[0, 0], after[1, 0] = first
    return change


def _minus(one, other):
    return tuple(p - q for p, q in zip(one, other, strict=True))


def _spread(duration, lung, valve_time, opening, count):
    """Return the ends of the steps of a phase before kinks are known, shape (count + 1, n)."""
    parts = ((LUNG_WEIGHT, lung), (VALVE_WEIGHT, valve_time), (OPENING_WEIGHT, opening))

    def passed(t):
        total, slope = EVEN_WEIGHT * t / duration, EVEN_WEIGHT / duration
        for weight, scale in parts:
            left = np.exp(-t / (THINNING * scale))
            total = total + weight * THINNING * (1.0 - left)
            slope = slope + weight / scale * left
        return total, slope

    share = (np.arange(count + 1) / count)[:, None]
    wanted = share * passed(duration)[0]
    # the count of steps passed is concave in time: Newton from zero rises and never overshoots
    time = np.zeros_like(wanted)
    for _ in range(ROOT_STEPS):
        total, slope = passed(time)
        time = time + (wanted - total) / slope
    time[0], time[-1] = 0.0, duration
    return np.maximum.accumulate(np.minimum(time, duration), axis=0)


def _bends(cases: Cases, lung):
    """Where steps end around the turn of the flow, shape (2, 5, n) [s] from it.

    While a slow valve moves the drive through zero, a limited or quadratic flow bends within the
    drive that doubles the resistance; `lung` is the transpulmonary pressure there, shape (2, n).
    """
    span = (cases.p_high - cases.p_low) / cases.valve_time
    limit = cases.flow_limitation / np.maximum(lung, LEAST_BEND)
    sharp_exp = limit + 4.0 * cases.resistance_quadratic / cases.resistance_exp**2
    sharp_insp = 4.0 * cases.resistance_quadratic / cases.resistance_insp**2
    before, after = 1.0 / (sharp_exp[0] * span), 1.0 / (sharp_insp * span)
    emptying = 1.0 / (sharp_exp[1] * span)
    high = [share * before for share in BEFORE_TURN] + [share * after for share in AFTER_TURN]
    return np.stack((np.stack(high), np.stack([share * emptying for share in EMPTYING])))


def _ends_of_steps(base, kinks, turn, bends):
    """Return ends of steps: the base, kinks where finite, else halves of the first steps."""
    halves = 0.5 * (base[:, :KINKS] + base[:, 1 : KINKS + 1])
    extra = np.where(np.isfinite(kinks), kinks, halves)
    around = np.clip(turn[:, None] + bends, 0.0, base[:, -1:])
    return np.sort(np.concatenate((base, extra, around), axis=1), axis=1)


def _begin(cases: Cases, guess: State, top_volume, count) -> _Cycle:
    """Guess: exponentials between the ends of the phases, openness as it was."""
    fraction = 1.0 - cases.recruitable_share * (1.0 - guess.openness)
    full, _ = cases.static_volume(cases.p_high, fraction)
    empty, _ = cases.static_volume(cases.p_low, fraction)
    slow = np.maximum(cases.valve_time, FASTEST_VALVE)
    after = cases.p_high + (guess.airway_pressure - cases.p_high) * np.where(
        cases.valve_time > FASTEST_VALVE, np.exp(-cases.t_high / slow), 0.0
    )
    is_slow = cases.valve_time > FASTEST_VALVE
    first = np.where(is_slow, (guess.airway_pressure, after), (cases.p_high, cases.p_low))
    base, scales = [], []
    tiny = 1e-12 * (full - empty)
    valve_scale = np.where(is_slow, slow, 1e30)
    for duration, far, near, time_constant in (
        (cases.t_high, full - guess.volume, full - top_volume, cases.opening_time_constant),
        (cases.t_low, top_volume - empty, guess.volume - empty, cases.closing_time_constant),
    ):
        decay = np.log(np.maximum(far, 2.0 * tiny) / np.maximum(near, tiny))
        scale = duration / np.maximum(decay, 1e-6)
        scales.append(scale)
        opening = np.where(cases.recruitable_share > 0.0, time_constant, 1e30)
        base.append(_spread(duration, scale, valve_scale, opening, count))
    bases = np.stack(base)
    n = cases.size
    bends, turn = np.empty((2, 0, n)), np.zeros((2, n))
    if is_slow.any():
        with np.errstate(divide="ignore", invalid="ignore"):
            lung = np.stack([
                recoil(volume, fraction, cases.lung_elastance, cases.recoil_curvature,
                       cases.rest)[0]
                for volume in (guess.volume, top_volume)
            ])  # fmt: skip
            static = lung[0] + cases.wall_elastance * guess.volume
            ahead = (cases.p_high - guess.airway_pressure) / (cases.p_high - static)
            turn[0] = np.where(is_slow & (ahead > 1.0), valve_scale * np.log(ahead), 0.0)
            bends = np.where(is_slow, _bends(cases, lung), 0.0)
    turn[0] = np.where(np.isfinite(turn[0]), turn[0], 0.0)
    ends = _ends_of_steps(bases, np.full((2, KINKS, n), np.inf), turn, bends)
    times = ends[:, :-1] + NODES[:, None, None, None] * np.diff(ends, axis=1)
    volume = np.empty_like(times)
    for phase, (last, begin) in enumerate(((full, guess.volume), (empty, top_volume))):
        volume[:, phase] = last + (begin - last) * np.exp(-times[:, phase] / scales[phase])
    stages = np.stack((volume, np.broadcast_to(guess.openness, volume.shape)))
    return _Cycle(
        cases, first, np.stack((cases.p_high, cases.p_low)), bases, bends, ends,
        np.stack((guess.volume, guess.openness)), stages,
    )  # fmt: skip


def _improve(cycle: _Cycle, scale) -> np.ndarray:
    """Take one Newton step in place; return its size, shape (n,)."""
    change = newton_step(cycle)
    size = np.maximum(
        np.abs(change[0]).max(axis=0) / scale, np.abs(change[1]).max(axis=0)
    )  # fmt: skip
    cases = cycle.cases
    n = cases.size
    moves = change[:, 1:].reshape(cycle.stages.shape)
    openness = np.clip(cycle.stages[1] + moves[1], 0.0, 1.0)
    whole = 0.25 * cases.lung_elastance * cases.recoil_curvature
    here = cases.rest + whole * cycle.stages[0] / (
        1.0 - cases.recruitable_share * (1.0 - cycle.stages[1])
    )
    step = whole * moves[0] / (1.0 - cases.recruitable_share * (1.0 - openness))
    room = np.where(step > 0.0, 1.0 - here, here)
    use = (np.abs(step) / np.maximum(room, 1e-300)).reshape(-1, n).max(axis=0)
    share = np.minimum(1.0, MOST_OF_WAY / np.maximum(use, 1e-300))
    cycle.start[0] += share * change[0, 0]
    cycle.start[1] = np.clip(cycle.start[1] + change[1, 0], 0.0, 1.0)
    cycle.stages[0] += share * moves[0]
    cycle.stages[1] = openness
    return np.where(share < 1.0, np.inf, size)


def _signals(cycle: _Cycle):
    """Return what changes sign at kinks and peaks, shape (5, 4, 2, k, n), and its sizes.

    Drive, margins of opening and closing, rates of the transpulmonary pressure and of the flow;
    at the start of each step and its three stages.
    """
    cases = cycle.cases
    rows = []
    times = cycle.ends[:, :-1] + NODES[:, None, None, None] * cycle.steps
    switches, stages = cycle.look_at_switches(), cycle.look()
    slow = np.maximum(cases.valve_time, FASTEST_VALVE)
    for seen, airway in (
        (switches, cycle.first[:, None]), (stages, cycle.airway(times)),
    ):  # fmt: skip
        turning = np.where(
            cases.valve_time > FASTEST_VALVE, (cycle.target[:, None] - airway) / slow, 0.0
        )
        lung = seen.lung_by_volume * seen.filling + seen.lung_by_openness * seen.opening
        flow = (
            seen.filling_by_airway * turning
            + seen.filling_by_volume * seen.filling
            + seen.filling_by_openness * seen.opening
        )
        rows.append(np.stack((seen.drive, seen.opens, seen.closes, lung, flow)))
    at_switch, at_stage = rows
    signals = np.empty((5, 4, *at_stage.shape[2:]))
    signals[:, 1:] = at_stage
    signals[:, 0, :, 1:] = at_stage[:, 2, :, :-1]
    signals[:, 0, :, 0] = at_switch[:, :, 0]
    span = cases.p_high - cases.p_low
    one = np.ones_like(span)
    rate = span / np.minimum(cases.t_high, cases.t_low)
    speed = ML_PER_L * span / cases.resistance_exp
    size = np.stack((cases.p_high, one, one, rate, speed / cases.t_low))
    # without units that close there are no such gates, without a lag no peak within a release
    size[1:3, cases.recruitable_share == 0.0] = np.inf
    size[4, cases.valve_time <= FASTEST_VALVE] = np.inf
    return signals, size


def doubt(cycle: _Cycle, scale) -> np.ndarray:
    """How far the steps may be off, shape (2, n): volume as a share of `scale`, openness.

    A step's cubic need not have the right slope at its start: what it is off there goes with the
    fourth power of the step, the state at its end with the sixth.
    """
    stages, switches = cycle.look(), cycle.look_at_switches()
    points = np.concatenate((cycle.starts()[:, None], cycle.stages), axis=1)
    slope = np.einsum("j,rjpkn->rpkn", CUBIC[1], points)
    rate = np.empty_like(slope)
    for row, name in enumerate(("filling", "opening")):
        rate[row, :, 1:] = getattr(stages, name)[2, :, :-1]
        rate[row, :, 0] = getattr(switches, name)[:, 0]
    off = np.abs(slope - cycle.steps * rate) / np.stack((scale, np.ones_like(scale)))[:, None, None]
    return (off * np.sqrt(off)).sum(axis=(1, 2))


def _find_kinks(cycle: _Cycle) -> tuple[np.ndarray, np.ndarray]:
    """Return the times of kinks and peaks in each phase, and of the turn of the flow.

    Shapes (2, KINKS, n), infinite where there are fewer, and (2, n), zero where there is none.
    """
    cases = cycle.cases
    signals, size = _signals(cycle)
    positive = signals > 0.0
    turns = positive[:, 1:] != positive[:, :-1]
    large = np.abs(signals).max(axis=1) > LEAST_KINK * size[:, None, None]
    where = np.nonzero(turns.any(axis=1) & large)
    _, phase, step, case = where
    between = turns.transpose(0, 2, 3, 4, 1)[where].argmax(axis=1)
    values = signals.transpose(0, 2, 3, 4, 1)[where]
    a = (CUBIC @ values[..., None])[..., 0].T
    points = np.concatenate(([0.0], NODES))
    low, high = points[between], points[between + 1]
    first = positive.transpose(0, 2, 3, 4, 1)[where][np.arange(case.size), between]
    at = 0.5 * (low + high)
    for _ in range(ROOT_STEPS):
        value = a[0] + at * (a[1] + at * (a[2] + at * a[3]))
        slope = a[1] + at * (2.0 * a[2] + at * 3.0 * a[3])
        same = (value > 0.0) == first
        low, high = np.where(same, at, low), np.where(same, high, at)
        better = at - value / np.where(slope != 0.0, slope, 1.0)
        at = np.where((better >= low) & (better <= high), better, 0.5 * (low + high))
    times = np.full(signals.shape[:1] + signals.shape[2:], np.inf)
    times[where] = cycle.ends[phase, step, case] + at * cycle.steps[phase, step, case]
    # while nothing opens or closes a turn of the flow is a peak too: one kink, not two
    still = (signals[1:3] <= 0.0).all(axis=(0, 1)) | (cases.recruitable_share == 0.0)
    times[3] = np.where(np.isfinite(times[0]) & still, np.inf, times[3])
    every = np.sort(times.transpose(1, 0, 2, 3).reshape(2, -1, times.shape[-1]), axis=1)
    turn = times[0].min(axis=1)
    return every[:, :KINKS], np.where(np.isfinite(turn), turn, 0.0)


def _move_steps(cycle: _Cycle) -> None:
    """Make steps end on kinks and peaks, in place; the cubic of each old step fills in."""
    ends = _ends_of_steps(cycle.base, *_find_kinks(cycle), cycle.bends)
    steps = cycle.steps
    times = ends[:, :-1] + NODES[:, None, None, None] * np.diff(ends, axis=1)
    index = np.zeros(times.shape, dtype=np.intp)
    for j in range(1, steps.shape[1]):
        index += times > cycle.ends[:, None, j]
    index = index.transpose(1, 0, 2, 3).reshape(2, -1, steps.shape[-1])
    at = np.take_along_axis
    flat = times.transpose(1, 0, 2, 3).reshape(index.shape)
    length = at(steps, index, axis=1)
    share = (flat - at(cycle.ends, index, axis=1)) / np.where(length > 0.0, length, 1.0)
    points = np.concatenate((cycle.starts()[:, None], cycle.stages), axis=1)
    basis = [a[0] + share * (a[1] + share * (a[2] + share * a[3])) for a in CUBIC.T]
    for row in range(2):
        value = sum(weight * at(points[row, j], index, axis=1) for j, weight in enumerate(basis))
        cycle.stages[row] = value.reshape(2, 3, *steps.shape[1:]).transpose(1, 0, 2, 3)
    cycle.ends = ends


def solve(cases: Cases, guess: State, top_volume):
    """Find the settled cycle.

    Parameters
    ----------
    cases : Cases
        n passive cases.
    guess : State
        At the end of a release.
    top_volume : ndarray, shape (n,)
        Volume at the end of T high that goes with it [mL].

    Returns
    -------
    start, top : State
        At the end of a release and of T high; NaN where the cycle was not found.
    high, low : Stretch
        What happened in each phase; likewise.
    """
    found = [np.full((len(result._fields), cases.size), np.nan) for result in KINDS]
    slow = cases.valve_time > FASTEST_VALVE
    for kind, counts in ((~slow, STEPS), (slow, SLOW_VALVE_STEPS)):
        todo = np.flatnonzero(kind & np.isfinite(guess.volume + top_volume))
        for count, accepted in zip(counts, ACCEPTED, strict=True):
            left = [
                _put(
                    found, cases, guess, top_volume, todo[first : first + TOGETHER], count, accepted
                )
                for first in range(0, todo.size, TOGETHER)
            ]
            todo = np.concatenate((np.zeros(0, dtype=np.intp), *left))
    return tuple(result(*rows) for result, rows in zip(KINDS, found, strict=True))


def _put(found, cases: Cases, guess: State, top_volume, index, count, accepted):
    """Solve some cases with steps of one count; return the index of those left in doubt."""
    part = State(*(field[index] for field in guess))
    good, parts = _solve(cases.at(index), part, top_volume[index], count, accepted)
    for rows, fields in zip(found, parts, strict=True):
        rows[:, index[good]] = np.stack(fields)[:, good]
    return index[~good]


def _solve(cases: Cases, guess: State, top_volume, count, accepted):
    """Return which cases are beyond doubt, and what `solve` returns for all of them."""
    scale = size_of_volume(cases)
    # a case that is lost runs into anything on its way; it is not accepted
    with np.errstate(all="ignore"):
        cycle = _begin(cases, guess, top_volume, count)
        good = np.isfinite(cycle.start.sum(axis=0) + cycle.ends.sum(axis=(0, 1)))
        for number, (most, small) in enumerate(ROUNDS):
            if number:
                _move_steps(cycle)
            todo = np.flatnonzero(good)
            for _ in range(most):
                part = cycle.at(todo)
                size = _improve(part, scale[todo])
                cycle.start[:, todo], cycle.stages[..., todo] = part.start, part.stages
                todo = todo[~(size <= small)]
                if todo.size == 0:
                    break
            good[todo] = False
        good &= doubt(cycle, scale).sum(axis=0) <= accepted
        return good, _finish(cycle, guess)


def _finish(cycle: _Cycle, guess: State):
    seen, switches = cycle.look(), cycle.look_at_switches()
    # the fading leaps where flow turns: the end of a step that ends there goes with its middle
    # where it has all but ended, rounding does not say which way it goes: the phase does
    still = np.abs(seen.drive) < NO_DRIVE * cycle.cases.p_high
    inward = np.where(still, np.array([True, False])[:, None, None], seen.drive >= 0.0)
    at_turn = np.abs(seen.drive[2]) < AT_TURN * np.abs(seen.drive[1])
    inward[2] = np.where(at_turn, inward[1], inward[2])
    seen = cycle.look(inward)
    weights = WEIGHTS[:, None, None, None] * cycle.steps
    alveolar, pleural, inspired, faded = (
        (weights * signal).sum(axis=(0, 2))
        for signal in (
            seen.alveolar, seen.pleural, np.maximum(seen.filling, 0.0), seen.filling_by_volume
        )
    )  # fmt: skip
    lung = np.concatenate((switches.lung, seen.lung[2]), axis=1)
    filling = np.concatenate((switches.filling, seen.filling[2]), axis=1)
    highest, lowest, fastest = lung.max(axis=1), lung.min(axis=1), -filling.min(axis=1) / ML_PER_L
    top = cycle.stages[:, 2, 0, -1]
    states = (
        State(cycle.start[0], cycle.start[1], guess.airway_pressure, guess.clock),
        State(top[0], top[1], cycle.first[1], guess.clock),
    )
    high, low = (
        Stretch(alveolar[p], pleural[p], inspired[p], faded[p], highest[p], lowest[p], fastest[p])
        for p in range(2)
    )
    return *states, high, low
