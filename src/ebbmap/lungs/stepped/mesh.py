"""Where the steps of a cycle end: first guess, error of each step, kinks and peaks, new steps.

The right-hand side has kinks, where flow turns and where units begin or cease to open or close.
It is continuous there, so a step that ends near a kink is as good as one that ends on it (the
error is of second order in the distance); and a step that ends on a peak makes it a number of the
method's full order. All other steps are laid so that each has the same share of the error.
Sizes: n cases, k steps, s stages, m breaks.
"""

from __future__ import annotations

import numpy as np

from ebbmap.lungs.stepped import effort
from ebbmap.lungs.stepped.airway import FASTEST_VALVE
from ebbmap.lungs.stepped.balance import Balance
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.course import Course, State
from ebbmap.lungs.stepped.radau import POINTS, POLYNOMIAL, STAGES, between
from ebbmap.lungs.stepped.recruitment import open_fraction
from ebbmap.units import ML_PER_L

#: Error allowed in a step, of the gas between P low and P high and of the openness; measured: the
#: outcomes then hold 1e-7.
ALLOWED = 3e-10

#: The gas left in a release is held to its own size down to this share of what there was.
LEAST_LEFT = 1e-4

#: A release smaller than this share of the gas between P low and P high is not held to its own.
LEAST_RELEASE = 1e-4

#: A step may be cut into so many, and counts at least as this share of one.
MOST_CUTS, LEAST_CUT = 8.0, 0.15

#: Steps of each phase of the first mesh, and how they are spread: weight of the decay with the
#: lung's own time constant, the valve's, and that of opening and closing, each of which thins out
#: over so many time constants; and the weight of an even spread.
FIRST_STEPS = 9
LUNG_WEIGHT, VALVE_WEIGHT, OPENING_WEIGHT, EVEN_WEIGHT, THINNING = 0.7, 0.7, 0.65, 2.6, 4.0

#: Steps that are laid at least while a slow valve moves.
VALVE_STEPS = 6.0

#: A kink or peak counts when what changes sign is larger than this share of its size.
LEAST_KINK = 1e-7

#: What a peak that is missed counts, against a kink.
PEAK_WEIGHT = 0.03

#: Bracketed Newton steps that find a kink in a polynomial.
ROOT_STEPS = 12

_NEVER = 1e30  # s: a time constant of what does not move


def breaks(cases: Cases, clock) -> np.ndarray:
    """Say when what drives the lung has a break: at the release, and where efforts switch.

    Returns
    -------
    ndarray, shape (m, n)
        In any order; the period where a case has fewer.
    """
    period = cases.t_high + cases.t_low
    found = [cases.t_high]
    breathing = cases.effort_pressure > 0.0
    if breathing.any():
        whole = effort.period(cases.effort_rate)
        part = effort.length(cases.effort_rate, cases.effort_duration)
        most = int(np.ceil(np.max((clock + period)[breathing] / whole[breathing]))) + 1
        for number in range(most):
            for offset in (0.0, part):
                at = number * whole + offset - clock
                inside = breathing & (at > 0.0) & (at < period)
                if inside.any():
                    found.append(np.where(inside, at, period))
    return np.stack(found)


def first_course(cases: Cases, begun: State) -> Course:
    """Guess a cycle: exponentials with the time constants of a straight lung, openness as it is."""
    fraction = open_fraction(begun.openness, cases.recruitable_share)
    full, _ = cases.static_volume(cases.p_high, fraction)
    empty, _ = cases.static_volume(cases.p_low, fraction)
    slow = cases.valve_time > FASTEST_VALVE
    closing = cases.recruitable_share > 0.0
    ends = []
    levels = []
    volume = begun.volume
    for duration, target, resistance, lag in (
        (cases.t_high, full, cases.resistance_insp, cases.opening_time_constant),
        (cases.t_low, empty, cases.resistance_exp, cases.closing_time_constant),
    ):
        lung = cases.compliance * resistance / ML_PER_L
        scales = (
            (LUNG_WEIGHT, lung),
            (VALVE_WEIGHT, np.where(slow, cases.valve_time, _NEVER)),
            (OPENING_WEIGHT, np.where(closing, lag, _NEVER)),
        )
        ends.append(_spread(duration, scales))
        levels.append((target, volume, lung))
        volume = target + (volume - target) * np.exp(-duration / lung)
    ends[1] = ends[1] + cases.t_high
    fixed = breaks(cases, begun.clock)
    every = np.sort(np.concatenate((ends[0], ends[1][1:], fixed[1:])), axis=0)
    stages = np.empty((2, STAGES, every.shape[0] - 1, cases.size))
    course = Course(cases, begun, np.stack((begun.volume, begun.openness)), every, stages)
    low = course.releasing
    target, start, lung = (np.where(low, late, early) for early, late in zip(*levels, strict=True))
    since = course.times()[1:] - np.where(low, cases.t_high, 0.0)
    course.stages[0] = target + (start - target) * np.exp(-since / lung)
    course.stages[1] = begun.openness
    return course


def _spread(duration, scales) -> np.ndarray:
    """Spread steps over a phase: their ends, shape (FIRST_STEPS + 1, n), denser at its start."""

    def passed(t):
        total, slope = EVEN_WEIGHT * t / duration, EVEN_WEIGHT / duration
        for weight, scale in scales:
            left = np.exp(-t / (THINNING * scale))
            total = total + weight * THINNING * (1.0 - left)
            slope = slope + weight / scale * left
        return total, slope

    share = (np.arange(FIRST_STEPS + 1) / FIRST_STEPS)[:, None]
    wanted = share * passed(duration)[0]
    # the count of steps passed is concave in time: Newton from zero rises and never overshoots
    time = np.zeros_like(wanted)
    for _ in range(ROOT_STEPS):
        total, slope = passed(time)
        time = time + (wanted - total) / slope
    time[0], time[-1] = 0.0, duration
    return np.maximum.accumulate(np.minimum(time, duration), axis=0)


def errors(course: Course, seen: Balance, scale) -> np.ndarray:
    """How far the end of each step may be off, shape (k, n), as a share of what matters there.

    The polynomial through the stages need not have the right slope at its start: what it is off
    goes with the power s + 1 of the step's length, the state at its end with 2 s.
    """
    cases = course.cases
    points = course.points()
    slope = sum(c * points[:, j] for j, c in enumerate(POLYNOMIAL[1]))
    rate = np.stack((seen.filling[0], seen.opening[0]))
    off = np.abs(slope - course.lengths * rate)
    # gas counts by the least of what it tells: the gas between P low and P high, the release,
    # the pressure where recoil is stiff; what is left of a release counts by itself
    size = np.minimum(scale, cases.p_high / seen.lung_by_volume[-1])
    size = np.minimum(size, np.maximum(course.released, LEAST_RELEASE * scale))
    near = np.abs(seen.drive[-1]) / (cases.p_high - cases.p_low)
    size = size * np.where(course.releasing, np.clip(near, LEAST_LEFT, 1.0), 1.0)
    off[0] /= size
    return (off ** (2.0 * STAGES / (STAGES + 1.0))).sum(axis=0)


def cuts(course: Course, error) -> np.ndarray:
    """Into how many steps each step is to be cut, shape (k, n); below one it may be longer."""
    wanted = (error / ALLOWED) ** (1.0 / (2.0 * STAGES))
    cases = course.cases
    slow = cases.valve_time > FASTEST_VALVE
    if slow.any():
        # while the valve moves hardly any gas may flow, but flow has its peak
        since = course.ends[:, None] - np.stack((np.zeros(cases.size), cases.t_high))
        faded = np.exp(
            -np.maximum(since, 0.0) / np.where(slow, THINNING * cases.valve_time, _NEVER)
        )
        moved = -np.diff(faded, axis=0)
        wanted = np.maximum(wanted, VALVE_STEPS * moved.sum(axis=1))
    return np.clip(wanted, LEAST_CUT, MOST_CUTS) * (course.lengths > 0.0)


def signals(course: Course, seen: Balance):
    """Return what changes sign at kinks and peaks, shape (5, s + 1, k, n), and its sizes (5, k, n).

    Drive, margins of opening and closing, rates of the transpulmonary pressure and of the flow.
    """
    cases = course.cases
    turning = course.turning()
    lung = seen.lung_by_volume * seen.filling + seen.lung_by_openness * seen.opening
    flow = (
        seen.filling_by_airway * turning
        + seen.filling_by_volume * seen.filling
        + seen.filling_by_openness * seen.opening
    )
    span = cases.p_high - cases.p_low
    one = np.ones_like(span)
    rate = span / np.minimum(cases.t_high, cases.t_low)
    speed = ML_PER_L * span / cases.resistance_exp
    size = np.stack((cases.p_high, one, one, rate, speed / cases.t_low))
    # without units that close there are no such gates, without a lag no peak within a release
    size[1:3, cases.recruitable_share == 0.0] = np.inf
    lag = (cases.valve_time > FASTEST_VALVE) | (cases.effort_pressure > 0.0)
    size[4, ~lag] = np.inf
    size = np.repeat(size[:, None], course.ends.shape[0] - 1, axis=1)
    # only the fastest flow of the release is wanted
    size[4, ~course.releasing] = np.inf
    return np.stack((seen.drive, seen.opens, seen.closes, lung, flow)), size


def kinks(course: Course, seen: Balance) -> tuple[np.ndarray, np.ndarray]:
    """Find kinks and peaks.

    Returns
    -------
    times : ndarray, shape (m, n)
        When they are [s], rising; infinite where a case has fewer.
    astray : ndarray, shape (n,)
        How far a kink lies from the next end of a step, in the shorter phase, times what the
        signal that is zero on it has there, in its size: the largest, as the error goes with it.
    """
    cases = course.cases
    values, size = signals(course, seen)
    positive = values > 0.0
    turns = positive[:, 1:] != positive[:, :-1]
    where = np.nonzero(
        turns.any(axis=1) & (_around(np.abs(values).max(axis=1)) > LEAST_KINK * size)
    )
    row, step, case = where
    first = turns.transpose(0, 2, 3, 1)[where].argmax(axis=1)
    own = values.transpose(0, 2, 3, 1)[where].T
    low, high = POINTS[first], POINTS[first + 1]
    sign = own[first, np.arange(case.size)] > 0.0
    coefficients = POLYNOMIAL @ own
    at = 0.5 * (low + high)
    for _ in range(ROOT_STEPS):
        value = np.zeros_like(at)
        slope = np.zeros_like(at)
        for coefficient in coefficients[::-1]:
            slope = slope * at + value
            value = value * at + coefficient
        same = (value > 0.0) == sign
        low, high = np.where(same, at, low), np.where(same, high, at)
        better = at - value / np.where(slope != 0.0, slope, 1.0)
        at = np.where((better >= low) & (better <= high), better, 0.5 * (low + high))
    left = np.abs(np.where(at < 0.5, own[0], own[-1])) / size[where]
    gap = np.minimum(at, 1.0 - at) * course.lengths[step, case]
    left *= gap / np.minimum(cases.t_high, cases.t_low)[case]
    astray = np.zeros(cases.size)
    # a kink missed is felt by all that follows, a peak missed by itself only
    np.maximum.at(astray, case, np.where(row < 3, left, PEAK_WEIGHT * left))
    times = np.full(values.shape[:1] + values.shape[2:], np.inf)
    times[where] = course.ends[step, case] + at * course.lengths[step, case]
    # while nothing opens or closes and nobody breathes, a turn of the flow is a peak too
    still = (values[1:3] <= 0.0).all(axis=(0, 1)) | (cases.recruitable_share == 0.0)
    still &= cases.effort_pressure == 0.0
    times[3] = np.where(np.isfinite(times[0]) & still, np.inf, times[3])
    return np.sort(times.reshape(-1, cases.size), axis=0), astray


def _around(values) -> np.ndarray:
    """Greatest of each step and the two on either side, shape (5, k, n).

    A step between two kinks that all but coincide has next to nothing of its own.
    """
    wide = np.pad(values, ((0, 0), (2, 2), (0, 0)))
    steps = values.shape[1]
    return np.max([wide[:, shift : shift + steps] for shift in range(5)], axis=0)


def new_course(course: Course, cut, count: int, extra) -> Course:
    """Lay new steps: ends at breaks and kinks, all others of equal error; the old cycle fills in.

    Parameters
    ----------
    course : Course
        n cases.
    cut : ndarray, shape (k, n)
        From `cuts`.
    count : int
        Steps in all.
    extra : ndarray, shape (m, n)
        Breaks and kinks [s], fewer than `count` in every case; what lies beyond the period is none.
    """
    old, lengths = course.ends, course.lengths
    n = lengths.shape[1]
    passed = np.concatenate((np.zeros((1, n)), np.cumsum(cut, axis=0)))
    inside = extra < old[-1]
    free = count - np.count_nonzero(inside, axis=0)
    level = np.minimum(np.arange(1, count)[:, None] / free, 1.0) * passed[-1]
    index = _place(level, passed)
    share = (level - _take(passed, index)) / np.maximum(_take(cut, index), LEAST_CUT)
    base = _take(old, index) + share * _take(lengths, index)
    base = np.where(level < passed[-1], base, old[-1])
    ends = np.concatenate((old[:1], base, np.where(inside, extra, old[-1])))
    ends = np.concatenate((np.sort(ends, axis=0)[:count], old[-1:]))
    new = Course(course.cases, course.begun, course.start, ends, np.empty((2, STAGES, count, n)))
    new.stages = sample(course, new.times()[1:].reshape(-1, n)).reshape(new.stages.shape)
    return new


def sample(course: Course, times) -> np.ndarray:
    """Volume and openness at times (..., n) within the cycle, shape (2, ..., n)."""
    index = _place(times, course.ends)
    length = _take(course.lengths, index)
    share = (times - _take(course.ends, index)) / np.where(length > 0.0, length, 1.0)
    found = []
    for row in course.points():
        own = np.stack([_take(values, index) for values in row])
        # in a step that is still too long the polynomial may leave the lung's curve
        found.append(np.clip(between(own, share), own.min(axis=0), own.max(axis=0)))
    return np.stack(found)


def _place(values, ends) -> np.ndarray:
    """Step in which each value lies, shape (m, n): the last one that begins before it."""
    m = values.shape[0]
    # where all are put in order, so many ends of steps come before each value
    order = np.argsort(np.concatenate((values, ends[1:-1])), axis=0, kind="stable")
    before = np.cumsum(order >= m, axis=0)
    index = np.empty_like(order)
    np.put_along_axis(index, order, before, axis=0)
    return index[:m]


def _take(array, index) -> np.ndarray:
    return np.take_along_axis(array, index, axis=0)
