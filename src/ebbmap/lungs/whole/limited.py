"""Expiratory flow limitation: a compressed airway lets out what the recoil drives and no more.

Once the airway is compressed, its outflow is the recoil over the resistance upstream of that place,
whatever the pressure downstream: flow = min(driven flow, recoil / upstream resistance). The recoil
is that of the passive respiratory system, which falls as the lung empties, and the limit with it. A
passive chest holds the pleural pressure at a fixed share w of the alveolar one, so the upstream
resistance meant here is that of Mead, by the recoil of the lung alone, over 1 - w. The transmural
pressure at which the airway gives way is taken to cancel the recoil of the lung at rest: an
assumption, by which the limit falls to nought where the respiratory system has no recoil left.

While it is limited the flow is linear in volume and spread, so a limited step costs nothing more;
what is sought are the moments when the limit begins and ends to hold, where a step must end. There
the flow is continuous, so volumes forgive the square of an error in that moment. One stretch per
release is looked for, and one at the start of T high, while a slow valve still lets gas out; where
the flow breaks the law elsewhere the case counts as not settled.
Sizes: n cases, k steps in a cycle, m steps in a stretch of time.

References
----------
.. [1] Mead J et al., J Appl Physiol 1967;22:95-108 (from memory): recoil over maximal flow.
.. [2] Pride NB et al., J Appl Physiol 1967;23:646-662 (from memory): a waterfall, with a critical
   transmural pressure.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.array import (
    absolute,
    clip,
    concatenate,
    diff,
    log1p,
    maximum,
    sort,
    square,
    stack,
    take_along_axis,
    where,
    zeros_like,
)
from ebbmap.lungs.whole.excess import Excess, excess, hump, limit
from ebbmap.lungs.whole.mesh import AFTER as PLAIN_AFTER
from ebbmap.lungs.whole.mesh import BEFORE as PLAIN_BEFORE
from ebbmap.lungs.whole.mesh import (
    LATE,
    QUICK,
    SMALLEST,
    VALVE,
    Drive,
    Frame,
    even,
    ladders,
    towards,
)
from ebbmap.lungs.whole.network import Network

#: Steps in T high while the limit still holds; in the release before, while and after it holds.
STILL, FREE, HELD, REST = 2, 9, 12, 7

#: A limit's moment is sought along the valve where the valve makes more than this of its slope.
BY_VALVE = 0.5


class LimitedPlan(NamedTuple):
    """Where steps lie, but for five moments, shape (5, n).

    They are both turns, when the limit ends in T high, and when it begins and ends in the release.
    """

    root: np.ndarray
    ladders: tuple[np.ndarray, ...]
    """Rungs of T high, of the release, of the limited stretch and of what follows it."""
    crowding: int
    shares: tuple[np.ndarray, ...]
    """Ends of the steps after the turns, as shares of their stretches, (m, n) each."""

    @property
    def before(self) -> tuple[int, int]:
        """Steps before the turns."""
        still, towards_turn, release = STILL, *PLAIN_BEFORE
        return self.crowding * (still + towards_turn), self.crowding * release

    @property
    def after(self) -> tuple[np.ndarray, np.ndarray]:
        """The steps after the turns."""
        return self.shares[0], concatenate(self.shares[1:])

    @property
    def top(self) -> int:
        """Steps in T high."""
        return self.before[0] + len(self.shares[0])

    @property
    def turns(self) -> tuple[int, int]:
        """Steps that begin with a turn."""
        return self.before[0], self.top + self.before[1]

    @property
    def stretches(self) -> tuple[int, int, int]:
        """Steps at which the limit stops to hold in T high, holds and stops to in the release."""
        begun = self.turns[1] + len(self.shares[1])
        return self.crowding * STILL, begun, begun + len(self.shares[2])

    @property
    def limited(self) -> np.ndarray:
        """Whether a step is limited, shape (k, 1)."""
        still, begun, ended = self.stretches
        step = np.arange(self.top + self.before[1] + len(self.after[1]))
        return ((step < still) | ((step >= begun) & (step < ended)))[:, None]

    def resistances(self, network: Network) -> np.ndarray:
        """Return the resistance in each step, shape (k, n)."""
        step = np.arange(len(self.limited))[:, None]
        high, low = self.turns
        inwards = (step >= high) & (step < low)
        held = where(network.limited_resistance > 0.0, network.limited_resistance, 1.0)
        free = where(inwards, network.resistance_insp, network.resistance_exp)
        return where(self.limited, held, free)

    def bounds(self, drive: Drive, turn: np.ndarray) -> list[np.ndarray]:
        """Return the times between the steps, from the start of each phase, (m + 1, n) each."""
        high, low, still, begun, ended = turn
        steps = self.crowding * STILL
        early = still * (np.arange(steps) / steps)[:, None]
        coming = towards(still, high, self.root[0], self.before[0] - steps)
        filling = high + (drive.duration[0] - high) * self.shares[0]
        edges = [towards(zeros_like(low), low, self.root[1], self.before[1])]
        stretches = ((low, begun), (begun, ended), (ended, drive.duration[1]))
        for (start, stop), share in zip(stretches, self.shares[1:], strict=True):
            # the last edge is where the stretch ends, to the last bit
            edges.append(where(share < 1.0, start + (stop - start) * share, stop))
        return [concatenate([early, coming, filling]), concatenate(edges)]

    def placed(self, drive: Drive, turn: np.ndarray) -> LimitedPlan:
        """Return the plan with its steps laid out for other moments."""
        high, low, _, begun, ended = turn
        rooms = (drive.duration[0] - high, begun - low, ended - begun, drive.duration[1] - ended)
        steps = (PLAIN_AFTER[0], FREE, HELD, REST)
        shares = (
            even(ladder, room, self.crowding * count)
            for ladder, room, count in zip(self.ladders, rooms, steps, strict=True)
        )
        return self._replace(shares=tuple(shares))


def lay_limited(
    network: Network, drive: Drive, turn: np.ndarray, first_flow: np.ndarray, crowding: int = 1
) -> tuple[LimitedPlan, np.ndarray]:
    """Lay the steps of both phases, the whole release as if it were limited.

    Parameters
    ----------
    network, drive, turn, first_flow, crowding
        As in `mesh.lay`.

    Returns
    -------
    plan : LimitedPlan
    turn : ndarray, shape (5, n)
        The moments that it begins with.
    """
    rungs, root = ladders(network, drive, first_flow)
    none = zeros_like(turn[0])
    held = where(network.limited_resistance > 0.0, network.limited_resistance, 1.0)
    # the valve does not move a limited flow, but the work it does
    valve = where(drive.slow_valve, drive.valve_time, 0.0)[..., None] * VALVE
    own = [
        _decay(network.times(resistance + none), extra)
        for resistance, extra in ((held, valve), (network.resistance_exp, rungs[1]))
    ]
    moments = stack([*turn, none, turn[1], drive.duration[1] + none])
    plan = LimitedPlan(root, (rungs[0], rungs[1], *own), crowding, ())
    return plan.placed(drive, moments), moments


def _decay(times: tuple[np.ndarray, np.ndarray], extra: np.ndarray) -> np.ndarray:
    """Return the rungs of both decays and further ones, shape (n, r)."""
    quick, late = times
    rungs = [zeros_like(quick), *(quick * rung for rung in QUICK), *(late * r for r in LATE)]
    return sort(concatenate([stack(rungs, axis=-1), extra], axis=-1), axis=-1)


def moved(
    frame: Frame,
    network: Network,
    drive: Drive,
    stretches: tuple[int, int, int],
    volume: np.ndarray,
    spread: np.ndarray,
) -> np.ndarray:
    """Move the moments when the limit ends in T high, begins and ends in the release.

    Each is first sought between the edges of steps where the law changes sides, then improved by
    Newton's method about the edge where it was before.

    Returns
    -------
    ndarray, shape (3, n)
        [s]
    """
    still, begun, ended = stretches
    early = excess(frame, network, drive, 0, volume, spread)
    late = excess(frame, network, drive, 1, volume, spread)
    begun, ended = begun - frame.turns[1], ended - frame.turns[1]
    over = late.value > 0.0
    count = over.shape[0] - 1
    any_over = over.any(axis=0)
    first = over.argmax(axis=0)
    last = count - over[::-1].argmax(axis=0)
    held = (early.value > 0.0).argmin(axis=0)
    t_still = _crossed(early, held - 1, still, drive, falling=True)
    t_begun = _crossed(late, first - 1, begun, drive, falling=False)
    t_ended = _crossed(late, last, ended, drive, falling=True)
    end = late.times[-1]
    t_begun = where(first == 0, late.times[0], t_begun)
    highest, when = hump(late)
    t_ended = where(last == count, end, maximum(t_ended, t_begun))
    return stack(
        [
            where(early.value[0] > 0.0, t_still, 0.0),
            where(any_over, t_begun, where(highest > 0.0, when, end)),
            where(any_over, t_ended, where(highest > 0.0, when, end)),
        ]
    )


def outwards(
    frame: Frame,
    network: Network,
    drive: Drive,
    flow: np.ndarray,
    volume: np.ndarray,
    spread: np.ndarray,
) -> np.ndarray:
    """Return flows of the release that stay between none and the limit, shape (s, k, n).

    Steps that have just become long would otherwise start from a flow that they had without length.
    """
    late = slice(frame.turns[1], None)
    behind = volume[:-1][late] / network.compliance + network.link * spread[:-1][late]
    released = clip(flow[:, late], -limit(network, drive, behind), 0.0)
    return concatenate([flow[:, : late.start], released], axis=1)


def _crossed(
    course: Excess, before: np.ndarray, edge: int, drive: Drive, *, falling: bool
) -> np.ndarray:
    """Find where the excess changes sign after the edge `before`, shape (n,) [s]."""
    count = course.value.shape[0] - 1

    def at(values: np.ndarray, index: np.ndarray) -> np.ndarray:
        return take_along_axis(values, clip(index, 0, count)[None], 0)[0]

    low, high = at(course.times, before), at(course.times, before + 1)
    one, other = at(course.value, before), at(course.value, before + 1)
    between = where(one == other, 1.0, one - other)
    guess = low + (high - low) * clip(one / between, 0.0, 1.0)
    value, slope, valve = course.value[edge], course.slope[edge], course.by_valve[edge]
    here = course.times[edge]
    right = slope < 0.0 if falling else slope > 0.0
    step = -value / where(right, slope, 1.0)
    stretched = log1p(maximum(-step / drive.valve_time, -0.9)) * -drive.valve_time
    step = where(absolute(valve) > BY_VALVE * absolute(slope), stretched, step)
    near = (here + step >= at(course.times, before - 1)) & (
        here + step <= at(course.times, before + 2)
    )
    return where(right & near, maximum(here + step, 0.0), guess)


def astray(
    frame: Frame,
    network: Network,
    drive: Drive,
    stretches: tuple[int, int, int],
    volume: np.ndarray,
    spread: np.ndarray,
) -> np.ndarray:
    """Return the gas that moves at most against the law [L], shape (n,).

    Near the moments when the limit begins and ends what is left of the excess counts over the time
    in which it passes; elsewhere an excess on the wrong side counts over its step.
    """
    still, begun, ended = stretches
    gas = []
    for phase, spans in ((0, (0, still)), (1, (begun, ended))):
        course = excess(frame, network, drive, phase, volume, spread)
        low, high = (step - (0, frame.turns[1])[phase] for step in spans)
        edge = np.arange(course.value.shape[0])[:, None]
        start, stop = course.times[low], course.times[high]
        # an edge belongs to the limited stretch as far as that lasts
        inside = (edge >= low) & (edge <= high) & (start < stop)
        outside = (course.times < start) | (course.times > stop) | (start == stop)
        wrong = where(inside, maximum(-course.value, 0.0), 0.0)
        wrong += where(outside, maximum(course.value, 0.0), 0.0)
        lengths = diff(course.times, axis=0)
        weights = concatenate([lengths, lengths[-1:]])
        lost = (wrong * weights).max(axis=0)
        unseen = where(start == stop, maximum(hump(course)[0], 0.0), 0.0)
        lost = maximum(lost, unseen * lengths.max(axis=0))
        for moment, end in ((low, 0), (high, -1)):
            # where the limit does not hold from the first or to the last, it begins or ends
            passing = (course.times[moment] != course.times[end]) & (start < stop)
            speed = maximum(absolute(course.slope[moment]), SMALLEST)
            late = where(passing, square(course.value[moment]) / speed, 0.0)
            lost = maximum(lost, late)
        gas.append(lost / network.resistance_exp)
    return maximum(*gas)
