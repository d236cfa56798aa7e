"""The whole lung against scipy.integrate.solve_ivp on the bare circuit equations.

The right-hand side shares nothing with the collocation: it states Kirchhoff's laws at a junction,
with the resistance that the flow's own direction has. Each cycle is integrated from the state that
the solver claims, split where the flow turns; every outcome is compared, and the state after the
cycle with that before it. The latter proves the claimed state periodic however slowly the cycle
forgets. A few cases run to settling from far away.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.lungs import whole
from ebbmap.lungs.whole import WHOLE
from ebbmap.registries.parameters import PARAMETERS

#: Demanded of every outcome, relative to itself, in usual cases.
REQUIRED = 1e-6

#: Ten thousand times finer than what is demanded; the tolerance is of each of many steps.
INTEGRATOR = dict(method="DOP853", rtol=1e-11, atol=1e-13)


def draw(n, seed, *, limited=False):
    """Cases over the usual ranges; one in five with an immediate valve."""
    rng = np.random.default_rng(seed)
    cases = {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, n)
        for name in WHOLE.parameters
    }
    cases["valve_time"] *= rng.random(n) > 0.2
    cases["upstream_resistance"] *= limited
    return cases


class Circuit:
    """Two stores on a junction behind R q + K |q| q; volumes in L."""

    def __init__(self, case):
        self.case = case
        share = case["slow_volume_share"]
        self.c = case["compliance"] / 1000.0 * np.array([1.0 - share, share])
        smaller = min(case["resistance_insp"], case["resistance_exp"])
        own = case["own_resistance_share"] * smaller
        self.r = np.array([own, case["time_constant_slow"] / self.c[1]])
        self.shared = {True: case["resistance_insp"] - own, False: case["resistance_exp"] - own}
        self.upstream = case["upstream_resistance"] - own

    def flows(self, airway, pressures, inwards=None):
        """Flow at the opening and into both stores."""
        conductance = 1.0 / self.r
        together = conductance.sum()
        stopped = conductance @ pressures / together
        drive = airway - stopped
        inwards = drive >= 0.0 if inwards is None else inwards
        r, k = self.shared[inwards] + 1.0 / together, self.case["resistance_quadratic"]
        q = 2.0 * drive / (r + np.sqrt(r * r + 4.0 * k * abs(drive)))
        if self.case["upstream_resistance"] > 0.0:
            q = max(q, -stopped / (max(self.upstream, 0.0) + 1.0 / together))
        junction = stopped + q / together
        return q, conductance * (junction - pressures)

    def gas(self, flows):
        """Into the fast and the slow unit, of what flows into both stores."""
        slow = (1.0 - self.case["slow_tissue_share"]) * flows[1]
        return flows.sum() - slow, slow

    def alveoli(self, pressures):
        """Pressure in the fast unit, and that of all gas by static compliance."""
        g = 1.0 - self.case["slow_tissue_share"]
        weights = np.array([1.0 / self.r[0], (1.0 - g) / self.r[1]])
        fast = weights @ pressures / weights.sum()
        slow = g * self.c[1] / self.c.sum()
        return fast, (1.0 - slow) * fast + slow * pressures[1]


def airway_pressure(case, start, target, t):
    if case["valve_time"] == 0.0:
        return target
    return target + (start - target) * np.exp(-t / case["valve_time"])


def integrate(circuit, pressures, start, target, duration):
    """One phase, split at the turn of the flow.

    Returns pressures, airway pressure, integrals [L in and out, alveolar and airway pressure,
    work inwards and in all, gas that runs against the opening] and the greatest flow out.
    """
    case = circuit.case
    state, begun, peak = np.concatenate([pressures, np.zeros(7)]), 0.0, -np.inf

    def flow(t, y, *_):
        return circuit.flows(airway_pressure(case, start, target, t), y[:2])[0]

    inwards = flow(0.0, state) > 0.0 if case["valve_time"] else target > start
    while begun < duration:

        def rate(t, y, inwards=inwards):
            airway = airway_pressure(case, start, target, t)
            q, into = circuit.flows(airway, y[:2], inwards)
            fast, slow = circuit.gas(into)
            return [
                *(into / circuit.c),
                max(q, 0.0),
                max(-q, 0.0),
                circuit.alveoli(y[:2])[1],
                airway,
                airway * max(q, 0.0),
                airway * q,
                0.5 * (abs(fast) + abs(slow) - abs(q)),
            ]

        def turned(t, y, *_):
            return flow(t, y)

        turned.terminal, turned.direction = True, -1.0 if inwards else 1.0
        # no turn is sought where the valve stands still: the flow dies away but never turns
        events = turned if case["valve_time"] else None
        done = solve_ivp(
            rate, (begun, duration), state, events=events, dense_output=True, **INTEGRATOR
        )
        assert done.success
        begun, state = done.t[-1], done.y[:, -1]
        peak = max(peak, greatest(lambda t, d=done: -flow(t, d.sol(t)), done.t))
        inwards = not inwards
    return state[:2], airway_pressure(case, start, target, duration), state[2:], peak


def greatest(signal, times):
    """Greatest value of a smooth signal, by golden section about the best of its steps."""
    values = [signal(t) for t in times]
    best = int(np.argmax(values))
    low, high = times[max(best - 1, 0)], times[min(best + 1, len(times) - 1)]
    ratio = 0.5 * (5**0.5 - 1.0)
    for _ in range(60):
        one, other = high - ratio * (high - low), low + ratio * (high - low)
        low, high = (low, other) if signal(one) > signal(other) else (one, high)
    return max(values[best], signal(0.5 * (low + high)))


def cycle(case, state):
    """Integrate a cycle: its outcomes, and the state after it."""
    circuit = Circuit(case)
    c, g, p_low = circuit.c, 1.0 - case["slow_tissue_share"], case["p_low"]
    start = np.array(state[:2])
    top, airway, high, _ = integrate(circuit, start, state[2], case["p_high"], case["t_high"])
    end, airway, low, peak = integrate(circuit, top, airway, p_low, case["t_low"])
    whole_time = case["t_high"] + case["t_low"]
    total = high + low
    fast, alveoli = circuit.alveoli(end)
    released = c @ (top - end)
    trapped = c * (end - p_low)
    per_minute = 98.0665e-3 * 60.0 / whole_time
    return (
        {
            "release_volume": 1000.0 * released,
            "trapped_volume": 1000.0 * trapped.sum(),
            "end_high_volume": 1000.0 * c @ top,
            "end_high_pressure": circuit.alveoli(top)[1],
            "end_release_pressure": alveoli,
            "peak_expiratory_flow": peak,
            "end_release_flow": -circuit.flows(airway, end)[0],
            "mean_alveolar_pressure": total[2] / whole_time,
            "fill_fraction": c @ (top - start) / (c @ (case["p_high"] - start)),
            "exhaled_fraction": released / (c @ (top - p_low)),
            "time_constant_exp": circuit.shared[False] * c.sum() + circuit.r @ c**2 / c.sum(),
            "mean_airway_pressure": total[3] / whole_time,
            "trapped_volume_fast": 1000.0 * (trapped[0] + (1.0 - g) * trapped[1]),
            "trapped_volume_slow": 1000.0 * g * trapped[1],
            "auto_peep_fast": fast - p_low,
            "auto_peep_slow": end[1] - p_low,
            "pendelluft_volume": 1000.0 * total[6],
            "slow_exhaled_fraction": (top[1] - end[1]) / (top[1] - p_low),
            "mechanical_power": total[4] * per_minute,
            "mechanical_power_above_p_low": (total[5] - p_low * c @ (end - start)) * per_minute,
        },
        (*end, airway),
        1000.0 * (total[0] - total[1]),
    )


def errors(solved, known):
    """How far each outcome is off, relative to itself."""
    off = {}
    for name, value in known.items():
        floor = 0.0
        if name == "pendelluft_volume":
            # a difference of volumes: relative to the gas that moves
            floor = known["release_volume"]
        if name == "slow_exhaled_fraction":
            # may pass through nought, where the slow part takes in as much as it lets out
            floor = 1e-2 * known["exhaled_fraction"]
        off[name] = abs(solved[name] - value) / max(abs(value), floor)
    return off


def compare(cases, state, solved, index):
    case = {name: float(value[index]) for name, value in cases.items()}
    own = tuple(float(part[index]) for part in state)
    known, after, gained = cycle(case, own)
    off = errors({name: float(value[index]) for name, value in solved.items()}, known)
    off["state"] = np.abs(np.subtract(after, own)).max() / case["p_high"]
    off["gas in less gas out"] = abs(gained) / known["release_volume"]
    return off


def test_every_outcome_agrees_with_the_integrator():
    cases = draw(40, 1)
    state, solved = whole.settle(**cases), whole.solve(**cases)
    worst = {}
    for index in range(40):
        for name, value in compare(cases, state, solved, index).items():
            worst[name] = max(worst.get(name, 0.0), value)
    assert set(worst) >= set(WHOLE.solves) - {"cycles_to_settle", "flow_limited_share"}
    assert max(worst.values()) < REQUIRED, worst


def test_limited_flow_agrees_with_the_integrator():
    cases = draw(30, 2, limited=True)
    state, solved = whole.settle(**cases), whole.solve(**cases)
    # some never, some for a part of the release, some throughout
    shares = solved["flow_limited_share"]
    assert (shares == 0.0).any() and (shares == 1.0).any() and ((shares > 0) & (shares < 1)).any()
    worst = {}
    for index in range(30):
        off = compare(cases, state, solved, index)
        del off["time_constant_exp"]  # of another release, without the tube: see tests/lungs
        for name, value in off.items():
            worst[name] = max(worst.get(name, 0.0), value)
    assert max(worst.values()) < REQUIRED, worst


@pytest.mark.slow
def test_every_outcome_agrees_in_many_more_cases():
    cases = draw(120, 77)
    state, solved = whole.settle(**cases), whole.solve(**cases)
    for index in range(120):
        off = compare(cases, state, solved, index)
        assert max(off.values()) < REQUIRED, (index, off)


def test_it_is_where_the_integrator_settles_from_far_away():
    # so fast that eight cycles leave 1e-9 of any disturbance, or the integrator runs on
    cases = draw(3, 78)
    cases["time_constant_slow"] = np.array([0.3, 0.4, 0.5])
    solved = whole.solve(**cases)
    for index in range(3):
        case = {name: float(value[index]) for name, value in cases.items()}
        state, before = (case["p_low"],) * 3, np.full(3, np.inf)
        while np.abs(np.subtract(state, before)).max() > 1e-10 * case["p_high"]:
            before = state
            known, state, _ = cycle(case, state)
        off = errors({name: float(value[index]) for name, value in solved.items()}, known)
        assert max(off.values()) < REQUIRED, (index, off)


def test_a_slow_part_of_tissue_is_one_unit_of_gas_with_a_viscoelastic_branch():
    """The same lung as a spring, a Maxwell body and one airway: Jonson's circuit, no junction.

    With no own resistance before the fast store, the branch has the elastance 1 / C_fast - 1 / C
    and the time constant tau_slow C_fast / C.
    """
    cases = draw(4, 79)
    cases["own_resistance_share"] = np.zeros(4)
    cases["slow_tissue_share"] = np.ones(4)
    state, solved = whole.settle(**cases), whole.solve(**cases)
    for index in range(4):
        case = {name: float(value[index]) for name, value in cases.items()}
        c, share = case["compliance"] / 1000.0, case["slow_volume_share"]
        branch = 1.0 / (c * (1.0 - share)) - 1.0 / c
        tau = case["time_constant_slow"] * (1.0 - share)
        fast, slow, airway = (float(part[index]) for part in state)
        volume = c * ((1.0 - share) * fast + share * slow)
        y = np.array([volume, fast - volume / c])
        top = None
        for target, duration in ((case["p_high"], "t_high"), (case["p_low"], "t_low")):
            top = y[0]
            begun = airway

            def rate(t, y, begun=begun, target=target, case=case, c=c, branch=branch, tau=tau):
                drive = airway_pressure(case, begun, target, t) - y[0] / c - y[1]
                r = case["resistance_insp" if drive >= 0.0 else "resistance_exp"]
                k = case["resistance_quadratic"]
                q = 2.0 * drive / (r + np.sqrt(r * r + 4.0 * k * abs(drive)))
                return [q, branch * q - y[1] / tau]

            y = solve_ivp(
                rate,
                (0.0, case[duration]),
                y,
                method="DOP853",
                rtol=1e-11,
                atol=1e-13,
                max_step=0.01,
            ).y[:, -1]
            airway = float(airway_pressure(case, begun, target, case[duration]))
        own = {name: float(value[index]) for name, value in solved.items()}
        assert 1000.0 * (top - y[0]) == pytest.approx(own["release_volume"], rel=REQUIRED)
        # what the alveoli hold, and not what the gas would hold once the tissue has relaxed
        assert y[0] / c + y[1] == pytest.approx(own["end_release_pressure"], rel=REQUIRED)
        assert y[0] / c - case["p_low"] == pytest.approx(
            own["trapped_volume"] / case["compliance"], rel=REQUIRED
        )
