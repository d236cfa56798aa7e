"""The whole lung against a loop of solve_ivp, and beside the paired and the tube lung.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_whole.py [cases of ours] [cases of the peer]
The peer runs each case from P low for six cycles at a relative tolerance of 1e-6, so it neither
settles nor reaches the accuracy of ours; its time per case is that of a lower bound. The error is
against steps four times as close and more passes, the worst outcome of all cases.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
from scipy.integrate import solve_ivp
from timing import HEAD, best_of, machine, row

from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs import lung_model
from ebbmap.lungs.whole import newton
from ebbmap.lungs.whole.cases import circuit, settled_drive
from ebbmap.lungs.whole.outcomes import describe
from ebbmap.registries.parameters import PARAMETERS

PEER_CYCLES, PEER_TOLERANCE = 6, 1e-6
CHECKED = 2000


def draw(names, cases: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(1)
    return {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, cases)
        for name in names
    }


def peer(case) -> float:
    """Release volume of the last cycle [mL]."""
    share, c = case["slow_volume_share"], case["compliance"] / 1000.0
    fast, slow = c * (1.0 - share), c * share
    own = case["own_resistance_share"] * min(case["resistance_insp"], case["resistance_exp"])
    g_fast, g_slow = 1.0 / own, slow / case["time_constant_slow"]
    both, k = g_fast + g_slow, case["resistance_quadratic"]
    r_in, r_out = case["resistance_insp"] - own + 1 / both, case["resistance_exp"] - own + 1 / both

    def rate(t, y, start, target):
        airway = target + (start - target) * np.exp(-t / case["valve_time"])
        stopped = (g_fast * y[0] + g_slow * y[1]) / both
        drive = airway - stopped
        r = r_in if drive >= 0.0 else r_out
        q = 2.0 * drive / (r + (r * r + 4.0 * k * abs(drive)) ** 0.5)
        junction = stopped + q / both
        return [g_fast * (junction - y[0]) / fast, g_slow * (junction - y[1]) / slow]

    state, airway = np.full(2, case["p_low"]), case["p_low"]
    for _ in range(PEER_CYCLES):
        for target, duration in (("p_high", "t_high"), ("p_low", "t_low")):
            top = state
            state = solve_ivp(
                rate,
                (0.0, case[duration]),
                state,
                args=(airway, case[target]),
                method="LSODA",
                rtol=PEER_TOLERANCE,
                atol=1e-8,
            ).y[:, -1]
            left = np.exp(-case[duration] / case["valve_time"])
            airway = case[target] + (airway - case[target]) * left
    return 1000.0 * float(np.dot([fast, slow], top - state))


def worst_error(values) -> tuple[str, float]:
    """Outcome that is furthest off, relative to itself, and by how much."""
    few = {name: value[:CHECKED] for name, value in values.items()}
    lung, drive = circuit(few), settled_drive(few)
    exact = describe(newton.run(lung, drive, coarse=12, fine=5, crowding=4), drive, few)
    found = lung_model("whole").solve(**few)
    floors = {
        "pendelluft_volume": exact["release_volume"],
        "slow_exhaled_fraction": 1e-2 * exact["exhaled_fraction"],
    }
    off = {
        name: float(
            np.max(np.abs(found[name] - value) / np.maximum(np.abs(value), floors.get(name, 0.0)))
        )
        for name, value in exact.items()
        if name not in ("cycles_to_settle", "flow_limited_share")
    }
    name = max(off, key=off.__getitem__)
    return name, off[name]


def main(cases: int, peers: int) -> None:
    print(f"{cases:,} cases of ours, {peers} of the peer, one core; {machine()}")
    print(HEAD)
    lungs = {name: lung_model(name) for name in ("whole", "paired", "tube")}
    values = {name: draw(lung.parameters, cases) for name, lung in lungs.items()}
    limited = values["whole"]
    values["whole"] = limited | {"upstream_resistance": np.zeros(cases)}
    whole, paired, tube, with_limit = best_of(
        3,
        *(
            lambda lung=lung, own=values[name]: evaluate(lung, own, lung.solves)
            for name, lung in lungs.items()
        ),
        lambda: evaluate(lungs["whole"], limited, lungs["whole"].solves),
    )
    start = time.perf_counter()
    for i in range(peers):
        peer({name: float(value[i]) for name, value in values["whole"].items()})
    each = (time.perf_counter() - start) / peers
    ours = whole / cases
    name, error = worst_error(values["whole"])
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        row(
            f"whole lung, {len(lungs['whole'].solves)} outcomes",
            f"{1e-3 / ours:.1f} thousand cases/s",
            f"solve_ivp loop, {PEER_CYCLES} cycles, {each * 1e3:.1f} ms a case",
            each / ours,
            f"worst error {error:.0e} ({name}); peak memory {memory:.2f} GB",
        )
    )
    print(
        row(
            "whole lung, flow may be limited",
            f"{with_limit / cases * 1e6:.1f} µs a case",
            f"{ours * 1e6:.1f} µs a case without",
            with_limit / whole,
            "time over time",
        )
    )
    for other, seconds in (("paired", paired), ("tube", tube)):
        print(
            row(
                f"whole lung beside the {other} lung",
                f"{ours * 1e6:.1f} µs a case",
                f"{seconds / cases * 1e6:.2f} µs a case",
                whole / seconds,
                "time over time",
            )
        )


if __name__ == "__main__":
    main(
        int(float(sys.argv[1])) if len(sys.argv) > 1 else 20_000,
        int(sys.argv[2]) if len(sys.argv) > 2 else 20,
    )
