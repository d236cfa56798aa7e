"""Every lung against a loop of scipy.integrate.solve_ivp over the bare circuit equations.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_peers.py [cases of ours] [cases of the peer]
The peer runs each case from P low until it settles; its time per case is extrapolated.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
from scipy.integrate import solve_ivp
from timing import HEAD, best_of, machine, row

from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs import LUNGS
from ebbmap.registries.parameters import PARAMETERS

#: Settled when the end-release pressures move by less than this from cycle to cycle [cmH2O].
SETTLED = 1e-6
CYCLES = 500
INTEGRATOR = dict(method="LSODA", rtol=1e-8, atol=1e-10)


def single(case):
    """Pressure of one compartment behind R Q + K Q |Q|; K is nought in the linear lung."""
    c, k = case["compliance"] / 1000.0, case.get("resistance_quadratic", 0.0)

    def flow(pressure, airway, r):
        across = airway - pressure
        if k == 0.0:
            return across / r
        return np.sign(across) * ((r**2 + 4.0 * k * abs(across)) ** 0.5 - r) / (2.0 * k)

    r = {"high": case["resistance_insp"], "low": case["resistance_exp"]}
    return lambda phase, airway: lambda _, p: [flow(p[0], airway, r[phase]) / c], [c]


def paired(case):
    """Pressures of two compartments that share a resistance."""
    c = [case["compliance_fast"] / 1000.0, case["compliance_slow"] / 1000.0]
    r = [case["resistance_fast"], case["resistance_slow"]]
    shared = {"high": case["resistance_shared_insp"], "low": case["resistance_shared_exp"]}

    def rates(phase, airway):
        weight = 1.0 / shared[phase] + 1.0 / r[0] + 1.0 / r[1]

        def rate(_, p):
            junction = (airway / shared[phase] + p[0] / r[0] + p[1] / r[1]) / weight
            return [(junction - p[0]) / (r[0] * c[0]), (junction - p[1]) / (r[1] * c[1])]

        return rate

    return rates, c


def settle(case, model) -> float:
    """Release volume of the settled cycle [mL], cycle by cycle."""
    rates, c = model(case)
    state = np.full(len(c), case["p_low"])
    for _ in range(CYCLES):
        full = solve_ivp(rates("high", case["p_high"]), (0.0, case["t_high"]), state, **INTEGRATOR)
        top = full.y[:, -1]
        out = solve_ivp(rates("low", case["p_low"]), (0.0, case["t_low"]), top, **INTEGRATOR)
        before, state = state, out.y[:, -1]
        if np.abs(state - before).max() < SETTLED:
            break
    return 1000.0 * float(np.dot(c, top - state))


MODELS = {"linear": single, "tube": single, "paired": paired}


def main(cases: int, peers: int) -> None:
    print(f"{cases:,} cases of ours, {peers} of the peer, one core; {machine()}")
    print(HEAD)
    rng = np.random.default_rng(1)
    for name, model in MODELS.items():
        lung = LUNGS[name]
        values = {
            n: rng.uniform(PARAMETERS[n].usual_low, PARAMETERS[n].usual_high, cases)
            for n in lung.parameters
        }
        out = evaluate(lung, values, lung.solves).outcomes
        ours, whole = best_of(
            3,
            lambda lung=lung, values=values, out=out: evaluate(lung, values, lung.solves, out=out),
            lambda lung=lung, values=values: lung.solve(**values),
        )
        start = time.perf_counter()
        found = [settle({n: v[i] for n, v in values.items()}, model) for i in range(peers)]
        peer = (time.perf_counter() - start) / peers
        off = np.abs(np.array(found) / out["release_volume"][:peers] - 1.0).max()
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            row(
                f"{name} lung",
                f"{ours / cases * 1e9:.0f} ns a case",
                f"solve_ivp loop {peer * 1e3:.1f} ms a case",
                peer / (ours / cases),
                f"release volumes agree to {off:.0e}; peak memory {memory:.2f} GB",
            )
        )
        print(
            row(
                f"{name} lung, whole arrays",
                f"{ours / cases * 1e9:.0f} ns a case",
                f"NumPy {whole / cases * 1e9:.0f} ns a case",
                whole / ours,
            )
        )


if __name__ == "__main__":
    main(
        int(float(sys.argv[1])) if len(sys.argv) > 1 else 1_000_000,
        int(sys.argv[2]) if len(sys.argv) > 2 else 50,
    )
