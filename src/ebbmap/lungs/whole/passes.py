"""One pass of Newton's method over a cycle: every step made linear about a guess, and closed.

By whole arrays, all steps of all cases at a time, or step by step where the engine keeps a case in
one kernel (`ebbmap.array.kernel`): the formulas of a step are the same, only who goes through the
steps differs. Sizes: n cases, s points in a step, k steps in a cycle.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import (
    Kernel,
    Picked,
    Rows,
    Table,
    absolute,
    concatenate,
    kernel,
    ones_like,
    stack,
    where,
)
from ebbmap.lungs.whole.chain import Chain, chain, follow, walk
from ebbmap.lungs.whole.collocation import Factors, Method, combine, factorise, fractions, solve
from ebbmap.lungs.whole.mesh import Drive, Frame
from ebbmap.lungs.whole.network import Network

Flows = Sequence[np.ndarray] | np.ndarray

#: What the equations of a step take from the circuit and from what drives it.
OF_NETWORK = ("compliance", "link", "feed", "fade", "resistance_quadratic")
OF_DRIVE = ("valve_time", "slow_valve", "atmosphere")


class Linear(NamedTuple):
    """Steps that were made linear about some flows: shapes are those of the steps."""

    factors: Factors
    by_volume: list[np.ndarray]
    """Flow at each point by the pressure that the volume at the start makes."""
    by_spread: list[np.ndarray]
    """Flow at each point by the spread at the start, link apart."""
    matrix: list[np.ndarray]
    """From volume and spread at the start to those at the end, row by row."""


class Passed(NamedTuple):
    """What a pass finds, as in `newton.Course`, and what a further one with its derivatives needs.

    Step by step nothing is kept but the matrix of the whole cycle, shape (2, 2, n), and the flow
    is one array.
    """

    flow: Flows
    volume: np.ndarray
    spread: np.ndarray
    whole: Any
    kept: tuple[Linear, Chain] | None


def equations(
    one: Method, network: Network, lengths: np.ndarray, join: Any = stack
) -> dict[str, Any]:
    """Return what in the equations of steps depends on their lengths alone, as `Frame` names it.

    Parameters
    ----------
    join : callable
        `stack`, or `Rows` to keep rows apart.
    """
    numbers = fractions(one, network.fade * lengths)
    fed = lengths * (network.link * network.feed)
    parts = [*(fed * number for number in numbers), lengths / network.compliance]
    entries = concatenate([one.gain, one.integrals.reshape(-1, 1)], axis=1)
    numbers, scale = join(numbers), lengths * network.feed
    return {
        "matrix": combine(entries, join(parts)),
        "response": combine(one.response, numbers),
        "fed": [scale * row for row in combine(one.gain[-one.stages :], numbers)],
    }


def take_pass(
    frame: Frame,
    network: Network,
    drive: Drive,
    guess: Flows,
    state: tuple[np.ndarray, np.ndarray] | None,
) -> Passed:
    """Find the cycle of the circuit that is linear about some flows."""
    run = kernel()
    if run is not None and state is None:
        return _step_by_step(run, frame, network, drive, guess)
    linear = _linear(frame, network, guess)
    links = chain(stack(linear.matrix).reshape(2, 2, *frame.lengths.shape))
    found = _close(frame, network, _push(frame, guess, guess), state, linear, links)
    return Passed(*found, links.whole, (linear, links))


def take_last_pass(
    frame: Frame,
    network: Network,
    drive: Drive,
    guess: Flows,
    before: Passed,
    state: tuple[np.ndarray, np.ndarray] | None,
) -> Passed:
    """Do another pass on the same steps with the derivatives about the guess before.

    Step by step, where nothing is kept, with those about the flow before: they cost no more.
    """
    if before.kept is None:
        return take_pass(frame, network, drive, before.flow, state)
    push = _push(frame, guess, before.flow)
    return Passed(*_close(frame, network, push, state, *before.kept), *before[3:])


def _linear(frame: Frame, network: Network, guess: Flows) -> Linear:
    """Make steps linear about some flows: |q| q is 2 |guess| q - |guess| guess."""
    bent = [frame.resistance + 2.0 * (frame.quadratic * absolute(flow)) for flow in guess]
    factors = factorise(frame.matrix, bent)
    by_volume = solve(factors, [ones_like(frame.lengths)] * frame.method.stages)
    by_spread = solve(factors, frame.response)
    matrix = [
        1.0 - _taken(frame, by_volume) / network.compliance,
        -network.link * _taken(frame, by_spread),
        _fed(frame, by_volume) / -network.compliance,
        frame.response[-1] - network.link * _fed(frame, by_spread),
    ]
    return Linear(factors, by_volume, by_spread, matrix)


def _push(frame: Frame, guess: Flows, flow: Flows) -> list[np.ndarray]:
    """Return what drives the flow at each point, volume and spread apart [cmH2O].

    Parameters
    ----------
    guess, flow
        The flows that the derivatives are about, and the last ones known.
    """
    if guess is flow:
        steepness = [absolute(now) for now in flow]
    else:
        steepness = [
            2.0 * absolute(about) - absolute(now) for about, now in zip(guess, flow, strict=True)
        ]
    return [
        a + frame.quadratic * steep * now
        for a, steep, now in zip(frame.outside, steepness, flow, strict=True)
    ]


def _close(
    frame: Frame,
    network: Network,
    push: Sequence[np.ndarray],
    state: tuple[np.ndarray, np.ndarray] | None,
    linear: Linear,
    links: Chain,
) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Find flows, volume and spread of a cycle of linear steps."""
    by_push = solve(linear.factors, push)
    added = stack([_taken(frame, by_push), _fed(frame, by_push)])
    volume, spread = follow(links, added, state)
    before = volume[:-1], spread[:-1]
    return _flows(network, linear.by_volume, linear.by_spread, by_push, *before), volume, spread


def _flows(
    network: Network,
    by_volume: Sequence[np.ndarray],
    by_spread: Sequence[np.ndarray],
    by_push: Sequence[np.ndarray],
    volume: np.ndarray,
    spread: np.ndarray,
) -> list[np.ndarray]:
    """Return the flows at each point from volume and spread at the start of the steps."""
    at_start = volume / network.compliance, network.link * spread
    return [
        p - at_start[0] * v - at_start[1] * d
        for p, v, d in zip(by_push, by_volume, by_spread, strict=True)
    ]


def _taken(frame: Frame, flows: Flows) -> Any:
    """Volume that flows at the points add over each step [L], shape (k, n)."""
    weights = frame.method.weights.tolist()
    return frame.lengths * sum(w * flow for w, flow in zip(weights, flows, strict=True))


def _fed(frame: Frame, flows: Flows) -> Any:
    """Spread that flows at the points add to the end of each step [cmH2O], shape (k, n)."""
    return sum(fed * flow for fed, flow in zip(frame.fed, flows, strict=True))


def _step_by_step(
    run: Kernel,
    frame: Frame,
    network: Network,
    drive: Drive,
    guess: Any,
) -> Passed:
    """Take a pass in one kernel, which goes through the steps of each case by itself."""
    count, stages = len(frame.lengths), frame.method.stages
    phase = (np.arange(count) >= frame.top).astype(np.int32)
    given = {
        "start": frame.starts,
        "length": frame.lengths,
        "resistance": frame.resistance,
        "target": Picked(drive.target, phase),
        "gap": Picked(drive.begun - drive.target, phase),
        "limited": frame.limited,
        "guess": stack(guess) if isinstance(guess, list) else guess,
    }
    known = {name: getattr(network, name) for name in OF_NETWORK}
    known |= {name: getattr(drive, name) for name in OF_DRIVE}

    def linear_step(cases: dict[str, Any], row: dict[str, Any]) -> tuple[Any, Any, Any]:
        net = network._replace(**{name: cases[name] for name in OF_NETWORK})
        valve = drive._replace(**{name: cases[name] for name in OF_DRIVE})
        here = _one_step(frame, net, valve, row)
        linear = _linear(here, net, row["guess"])
        by_push = solve(linear.factors, _push(here, row["guess"], row["guess"]))
        added = _taken(here, by_push), _fed(here, by_push)
        return linear.matrix, added, (linear.by_volume, linear.by_spread, by_push)

    def body(cases: dict[str, Any], table: Table) -> None:
        net = network._replace(**{name: cases[name] for name in OF_NETWORK})

        def link(step: Any) -> tuple[Any, Any, Any]:
            found: tuple[Any, Any, Any] = table.call(linear_step, cases, table.read(step))
            return found

        def see(step: Any, kept: Any, volume: Any, spread: Any) -> None:
            by_volume, by_spread, by_push = kept
            flows = _flows(net, by_volume, by_spread, by_push, volume, spread)
            for number, value in enumerate(flows):
                table.write("flow", (number, step), value)

        walk(table, count, link, see)

    rows = {"volume": count + 1, "spread": count + 1, "whole": 4}
    found = run(body, known, given, {**rows, "flow": (stages, count)})
    return Passed(
        found["flow"],
        found["volume"],
        found["spread"],
        found["whole"].reshape(2, 2, -1),
        None,
    )


def _one_step(frame: Frame, network: Network, drive: Drive, row: dict[str, Any]) -> Frame:
    """Return one step as a frame without an axis of steps."""
    start, length, limited = row["start"], row["length"], row["limited"]
    airway: Any = Rows(
        drive.moved(row["target"], row["gap"], start + point * length)
        for point in frame.method.points.tolist()
    )
    outside: Any = airway
    quadratic = network.resistance_quadratic
    if limited is not None:
        outside = Rows(where(limited, drive.atmosphere, one) for one in airway)
        quadratic = where(limited, 0.0, quadratic)
    return Frame(
        method=frame.method,
        top=frame.top,
        turns=frame.turns,
        starts=start,
        lengths=length,
        airway=airway,
        outside=outside,
        quadratic=quadratic,
        limited=limited,
        resistance=row["resistance"],
        **equations(frame.method, network, length, Rows),
    )
