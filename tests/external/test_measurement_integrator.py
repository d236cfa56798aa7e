"""Virtual measurement against breaths run by scipy.integrate.solve_ivp until they settle.

The circuit is stated by Kirchhoff's laws at its junction; a hold is integrated like all else.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from ebbmap.cases.measurement import Breath, measure

#: Of every reading; the integrator is held to 1e-11 in each step, breaths to 1e-10 of a breath.
REQUIRED = 1e-6

BREATH = dict(tidal_volume=450.0, flow=0.6, rate=14.0, peep=5.0, pause=0.1, hold=2.0)


class Bench:
    """A lung on the bench: two stores on a junction, pressures above PEEP, volumes in L."""

    def __init__(self, case):
        share, c = case["slow_volume_share"], case["compliance"] / 1000.0
        self.c = np.array([c * (1.0 - share), c * share])
        self.own = case["own_resistance_share"] * min(
            case["resistance_insp"], case["resistance_exp"]
        )
        self.r = np.array([self.own, case["time_constant_slow"] / self.c[1]])
        self.case = case

    def stopped(self, p):
        """Airway pressure while no gas moves in or out."""
        g = 1.0 / self.r
        return g @ p / g.sum()

    def stores(self, q, p):
        """Rates of both pressures while a flow comes in."""
        g = 1.0 / self.r
        junction = (q + g @ p) / g.sum()
        return g * (junction - p) / self.c

    def expiratory_flow(self, p):
        """Flow out into PEEP: the root of the pressure drop, found as a root."""
        behind = self.stopped(p)
        r = self.case["resistance_exp"] - self.own + 1.0 / (1.0 / self.r).sum()
        k = self.case["resistance_quadratic"]
        return brentq(lambda q: r * q + k * q * abs(q) - behind, -50.0, 50.0, xtol=1e-14)

    def run(self, p, flow_of, duration):
        return solve_ivp(
            lambda _, y: [*self.stores(flow_of(y[:2]), y[:2]), flow_of(y[:2])],
            (0.0, duration),
            [*p, 0.0],
            method="DOP853",
            rtol=1e-11,
            atol=1e-13,
            dense_output=True,
        )


def read_on_the_bench(case):
    bench, flow = Bench(case), BREATH["flow"]
    inspiration = BREATH["tidal_volume"] / 1000.0 / flow
    expiration = 60.0 / BREATH["rate"] - inspiration - BREATH["pause"]
    p, before = np.zeros(2), np.full(2, np.inf)
    while np.abs(p - before).max() > 1e-10:
        before, start = p, p
        top = bench.run(p, lambda _: flow, inspiration).y[:2, -1]
        paused = bench.run(top, lambda _: 0.0, BREATH["pause"]).y[:2, -1]
        out = bench.run(paused, lambda p: -bench.expiratory_flow(p), expiration)
        p = out.y[:2, -1]
    held = [bench.run(state, lambda _: 0.0, BREATH["hold"]).y[:2, -1] for state in (top, start)]
    plateau, total = (bench.stopped(state) for state in held)
    r_in = case["resistance_insp"] - bench.own + 1.0 / (1.0 / bench.r).sum()
    peak = bench.stopped(top) + (r_in + case["resistance_quadratic"] * flow) * flow
    expired = -out.y[2, -1]

    def flow_with_left(share):
        time = brentq(lambda t: expired + out.sol(t)[2] - share * expired, 0.0, expiration)
        return bench.expiratory_flow(out.sol(time)[:2])

    cuts = [flow_with_left(share) for share in (1.0, 0.8, 0.6, 0.4, 0.2, 0.0)]
    return {
        "static_compliance": BREATH["tidal_volume"] / (plateau - total),
        "resistance_insp": (peak - plateau) / flow,
        "resistance_interrupter": (peak - bench.stopped(top)) / flow,
        "time_constant_exp": 0.75 * expired / flow_with_left(0.75),
        "auto_peep": total,
        "peak_expiratory_flow": bench.expiratory_flow(paused),
        "time_constant_slices": expired / 5.0 / -np.diff(cuts),
    }


@pytest.mark.parametrize("seed", range(4))
def test_every_reading_agrees_with_the_bench(seed):
    rng = np.random.default_rng(seed)
    case = {
        "compliance": rng.uniform(25.0, 80.0),
        "resistance_insp": rng.uniform(5.0, 15.0),
        "resistance_exp": rng.uniform(5.0, 20.0),
        "resistance_quadratic": rng.uniform(4.0, 15.0),
        "slow_volume_share": rng.uniform(0.1, 0.25),
        "time_constant_slow": rng.uniform(1.0, 4.0),
        "own_resistance_share": rng.uniform(0.1, 0.6),
    }
    read = measure("whole", case, Breath(**BREATH))
    for name, value in read_on_the_bench(case).items():
        # a slice is a difference of flows
        allowed = 10.0 * REQUIRED if name == "time_constant_slices" else REQUIRED
        np.testing.assert_allclose(read[name], value, rtol=allowed, err_msg=name)
