"""The settled cycle, all steps at once: Newton's method on the flow at every point.

Where the flow is near a guess, |q| q is 2 |guess| q - |guess| guess, and each step becomes a
linear map of volume and spread. The maps of a cycle are put together, "ends as it began" is two
equations for two unknowns, and the flows follow: one pass. Its derivatives are exact, so each
pass doubles the digits. The turns, where a step must end, are moved by Newton's method between
the passes. First passes are done with few points in each step; the last ones keep the steps and
the derivatives of the one before. Sizes: n cases, s points in a step, k steps in a cycle.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any, NamedTuple, TypedDict

import numpy as np

from ebbmap.array import (
    absolute,
    concatenate,
    kernel,
    maximum,
    minimum,
    of_engine,
    repeat,
    stack,
    take_along_axis,
    where,
)
from ebbmap.lungs.whole.collocation import Method, combine, gained, method
from ebbmap.lungs.whole.excess import limit, never_limited
from ebbmap.lungs.whole.limited import LimitedPlan, astray, lay_limited, moved, outwards
from ebbmap.lungs.whole.mesh import Drive, Frame, Plan, lay
from ebbmap.lungs.whole.network import Network
from ebbmap.lungs.whole.passes import equations, take_last_pass, take_pass
from ebbmap.lungs.whole.turns import decaying, driven_flow, first_guess, misplaced, turned

#: Few points and many, and from flows at the one to flows at the other.
COARSE, FINE = method(3), method(6)


def _to(one: Method, other: Method) -> np.ndarray:
    powers = np.arange(one.stages)
    return (other.points[:, None] ** powers) @ np.linalg.inv(one.points[:, None] ** powers)


TO_FINE = _to(COARSE, FINE)

#: Passes with few points, and with many before the last one.
COARSE_PASSES, FINE_PASSES = 3, 1

#: Further passes where flows may be limited: the moments when they are come nearer in each.
MORE_COARSE, MORE_FINE = 3, 2

#: Passes after them that keep the steps and the derivatives of the last one: a third of its cost.
#: One with derivatives of its own comes as near as two of these.
LAST_PASSES, LAST_WITH_OWN = 2, 1

#: A case has settled if no flow is off by more than this share of the greatest one. The last pass
#: moves the flows by a small part of what the one before did, and the next would by the same part
#: (by its square, if every pass has derivatives of its own).
SETTLED = 1e-6

#: Share of the greatest flow below which a movement is rounding.
ROUNDING = 1e-11

#: Nor may more than this share of the gas that moves lie between where the flow turns and where
#: it should have done so.
AT_TURN = 1e-7

#: Nor the gas that the highest powers of the steps' polynomials move more than this share of the
#: gas that moves: at the ends of steps far less is wrong, 1e-8 where this is 5e-4 (measured).
COARSE_STEPS = 2e-3


class Course(NamedTuple):
    """A cycle, step by step."""

    network: Network
    frame: Frame
    flow: np.ndarray
    """At each point, positive into the lung [L s-1], shape (s, k, n)."""
    volume: np.ndarray
    """Above that at P low, at the start of each step and at the cycle's end [L], (k + 1, n)."""
    spread: np.ndarray
    """Pressure of the fast less that of the slow store, likewise [cmH2O], shape (k + 1, n)."""
    memory: np.ndarray
    """How volume and spread at the end change with those at the start, shape (2, 2, n)."""
    settled: np.ndarray
    """Whether the last pass hardly moved it, shape (n,)."""

    def inside(self) -> tuple[np.ndarray, np.ndarray]:
        """Return volume [L] and spread [cmH2O] at each point, shape (s, k, n) each."""
        starts = self.volume[:-1], self.spread[:-1]
        return within_steps(self, self.frame.response, self.frame.lengths, self.flow, *starts)

    def flow_at(
        self,
        drive: Drive,
        step: np.ndarray,
        airway: np.ndarray,
        volume: np.ndarray,
        spread: np.ndarray,
    ) -> np.ndarray:
        """Return the flow [L s-1] in some steps, from pressure, volume and spread.

        Parameters
        ----------
        step : ndarray of int, shape (t, n)
            Which steps.
        airway, volume, spread : ndarray, shape (t, n)
            At some moment in each of them.
        """
        net, frame = self.network, self.frame
        resistance, quadratic = take_along_axis(frame.resistance, step, 0), frame.quadratic
        behind = volume / net.compliance + net.link * spread
        if frame.limited is None:
            return driven_flow(airway - behind, resistance, quadratic)
        quadratic = take_along_axis(quadratic, step, 0)
        outside = where(of_engine(frame.limited, step)[step, 0], drive.atmosphere, airway)
        flow = driven_flow(outside - behind, resistance, quadratic)
        return maximum(flow, -limit(net, drive, behind))


def within_steps(
    course: Course,
    response: np.ndarray,
    length: np.ndarray,
    flow: np.ndarray,
    volume: np.ndarray,
    spread: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return volume and spread at each point of some steps from those at their starts.

    Parameters
    ----------
    course : Course
        Its circuit and method are used.
    response, flow : ndarray, shape (s, ..., n)
        Of the steps, at each point.
    length, volume, spread : ndarray, shape (..., n)
        Of the steps, at their starts.
    """
    net, one = course.network, course.frame.method
    fed = gained(one, net.fade * length, flow)
    inner = volume + length * combine(one.integrals, flow)
    return inner, spread * response + net.feed * length * fed


class Effort(TypedDict, total=False):
    """Keywords of `run`."""

    coarse: int
    fine: int
    crowding: int
    free: bool


def run(
    network: Network,
    drive: Drive,
    state: tuple[np.ndarray, np.ndarray] | None = None,
    *,
    coarse: int = COARSE_PASSES,
    fine: int = FINE_PASSES,
    crowding: int = 1,
    free: bool = False,
) -> Course:
    """Run a cycle from a state, or find the one that ends as it began.

    Parameters
    ----------
    network, drive
        The circuit and what moves it.
    state : tuple of two ndarrays, shape (n,), optional
        Volume above that at P low [L] and spread [cmH2O] as T high begins. If None: those with
        which the cycle also ends.
    coarse, fine : int
        Passes with few and with many points, >= 1 each.
    crowding : int
        How many times the usual number of steps.
    free : bool
        Whether to let no flow be limited. Cases in which one should be then count as not settled.
    """
    known = drive
    if free:
        drive = drive._replace(atmosphere=None)
    turn, first_flow = first_guess(network, drive, state)
    plan: Plan | LimitedPlan
    if drive.atmosphere is None:
        plan = lay(network, drive, turn, first_flow, crowding)
    else:
        plan, turn = lay_limited(network, drive, turn, first_flow, crowding)
        coarse, fine = coarse + MORE_COARSE, fine + MORE_FINE
    # a kernel takes and gives flows in one array; by whole arrays to put them together is work
    apart = list if kernel() is None or state is not None else _as_it_is
    flow = apart(decaying(network, drive, plan, turn, first_flow, COARSE.stages))

    def nearer(one: Method, flow: Any, turn: np.ndarray) -> tuple[Any, np.ndarray]:
        own = plan
        if one is COARSE and isinstance(own, LimitedPlan):
            own = own.placed(drive, turn)
        frame = _frame(one, network, drive, own, turn)
        flows, volume, spread, *_ = take_pass(frame, network, drive, flow, state)
        turn = _moved(frame, network, drive, own, turn, volume, spread)
        if one is COARSE and isinstance(own, LimitedPlan):
            flows = apart(outwards(frame, network, drive, _whole(flows), volume, spread))
        return flows, turn

    flow, turn = repeat(coarse, partial(nearer, COARSE), flow, turn)
    if isinstance(plan, LimitedPlan):
        plan = plan.placed(drive, turn)
    flow = apart(combine(TO_FINE, _whole(flow)))
    guess, turn = repeat(fine - 1, partial(nearer, FINE), flow, turn)
    frame = _frame(FINE, network, drive, plan, turn)
    passed = [take_pass(frame, network, drive, guess, state)]
    own = passed[0].kept is None
    for _ in range(LAST_WITH_OWN if own else LAST_PASSES):
        passed.append(take_last_pass(frame, network, drive, guess, passed[-1], state))
    flows, volume, spread, whole, _ = passed[-1]
    last = _whole(flows)
    moved_by = [guess, *(one.flow for one in passed)]
    settled = _settled(frame, network, drive, moved_by, last, volume, own=own)
    if isinstance(plan, LimitedPlan):
        off = astray(frame, network, drive, plan.stretches, volume, spread)
        settled &= off <= AT_TURN * (volume.max(axis=0) - volume.min(axis=0))
    elif known.atmosphere is not None:
        settled &= never_limited(frame, network, known, volume, spread)
    return Course(network, frame, last, volume, spread, whole, settled)


def _as_it_is(flows: Any) -> Any:
    return flows


def _whole(flows: Any) -> Any:
    """Return flows at the points as one array, shape (s, k, n)."""
    return stack(flows) if isinstance(flows, list) else flows


def _settled(
    frame: Frame,
    network: Network,
    drive: Drive,
    passed: Sequence[Sequence[np.ndarray] | np.ndarray],
    last: np.ndarray,
    volume: np.ndarray,
    *,
    own: bool,
) -> np.ndarray:
    """Whether the last passes hardly moved a cycle whose steps lie where they should, (n,).

    `own` says whether each had derivatives of its own.
    """
    # at the ends of steps, where the flow is known best
    ends = [flows[-1] for flows in passed[-3:]]
    before, moved = (absolute(ends[i + 1] - ends[i]).max(axis=0) for i in (0, 1))
    greatest = absolute(ends[-1]).max(axis=0)
    gas = volume.max(axis=0) - volume.min(axis=0)
    # the next pass would move it by the same part, or with derivatives of its own by its square
    left, bound = moved * moved, SETTLED * greatest * before
    if own:
        left, bound = left * moved, bound * before
    return (
        ((moved <= ROUNDING * greatest) | (left <= bound))
        & (misplaced(frame, network, drive, last) <= AT_TURN * gas)
        & (_coarseness(frame, last) <= COARSE_STEPS * gas)
    )


def _moved(
    frame: Frame,
    network: Network,
    drive: Drive,
    plan: Plan | LimitedPlan,
    turn: np.ndarray,
    volume: np.ndarray,
    spread: np.ndarray,
) -> np.ndarray:
    """Move the turns, and where a flow may be limited when that begins and ends."""
    high, low = turns = turned(frame, network, drive, turn[:2], volume, spread)
    if isinstance(plan, Plan):
        return turns
    still, begun, ended = moved(frame, network, drive, plan.stretches, volume, spread)
    begun = maximum(begun, low)
    return stack([high, low, minimum(still, high), begun, maximum(ended, begun)])


def _frame(
    one: Method, network: Network, drive: Drive, plan: Plan | LimitedPlan, turn: np.ndarray
) -> Frame:
    """Lay the steps for some turns and set up their equations."""
    bounds, pressures = plan.bounds(drive, turn), []
    for phase, edges in enumerate(bounds):
        times = edges[:-1] + one.points[:, None, None] * (edges[1:] - edges[:-1])
        pressures.append(drive.airway(phase, times))
    starts = concatenate([edges[:-1] for edges in bounds])
    lengths = concatenate([edges[1:] - edges[:-1] for edges in bounds])
    airway = concatenate(pressures, axis=1)
    outside, quadratic, limited = airway, network.resistance_quadratic, None
    if isinstance(plan, LimitedPlan):
        limited = plan.limited
        outside = where(limited, drive.atmosphere, airway)
        quadratic = where(limited, 0.0, quadratic)
    return Frame(
        method=one,
        top=plan.top,
        turns=plan.turns,
        starts=starts,
        lengths=lengths,
        airway=airway,
        outside=outside,
        quadratic=quadratic,
        limited=limited,
        resistance=plan.resistances(network),
        **equations(one, network, lengths),
    )


def _coarseness(frame: Frame, flow: np.ndarray) -> np.ndarray:
    """Gas that the highest powers of the flows' polynomials move, as Legendre has them [L]."""
    top = sum(weight * row for weight, row in zip(frame.method.top, flow, strict=True))
    return (frame.lengths * absolute(top)).sum(axis=0)
