"""The stepped lung, feature by feature, against a loop of solve_ivp over the same equations.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_stepped.py [cases]
The error is that of the release volume and the open fractions: without memory, quadrature against
collocation, two methods that share the equations only; else against steps a thousand times finer.
"""

from __future__ import annotations

import math
import resource
import sys
import time

import numpy as np
from scipy.integrate import solve_ivp
from timing import HEAD, best_of, machine, row

from ebbmap.lungs import lung_model, stepped
from ebbmap.lungs.stepped import cycles, mesh
from ebbmap.lungs.stepped.cases import NAMES, gather
from ebbmap.registries.parameters import PARAMETERS

STEPPED = lung_model("stepped")

#: The peer runs so many cycles from P low, at this relative tolerance, for so many cases.
PEER_CYCLES, PEER_TOLERANCE, PEER_CASES = 6, 1e-6, 4

PLAIN = (
    "p_high",
    "p_low",
    "t_high",
    "t_low",
    "compliance",
    "chest_wall_share",
    "resistance_insp",
    "resistance_exp",
)
SIGMOID = ("resistance_quadratic", "recoil_curvature", "recoil_inflection")
CLOSING = tuple(name for name in NAMES if name.startswith(("recruit", "opening", "closing")))
EFFORT = ("effort_pressure", "effort_rate", "effort_duration")
KINDS = {
    "sigmoid and K": (SIGMOID, 1.0),
    "and flow limitation": ((*SIGMOID, "flow_limitation"), 1.0),
    "and a slow valve": ((*SIGMOID, "flow_limitation", "valve_time"), 0.05),
    "and opening and closing": ((*SIGMOID, "flow_limitation", "valve_time", *CLOSING), 0.05),
    "and effort, 16 phases": (
        (*SIGMOID, "flow_limitation", "valve_time", *CLOSING, *EFFORT),
        0.005,
    ),
}
CHECKED = ("release_volume", "open_fraction_end_high", "open_fraction_end_release")


def draw(names, cases: int) -> dict[str, np.ndarray]:
    """Random cases in the usual ranges of the named properties, all others off."""
    rng = np.random.default_rng(1)
    values = {name: np.full(cases, PARAMETERS[name].default) for name in NAMES}
    for name in names:
        entry = PARAMETERS[name]
        values[name] = rng.uniform(entry.usual_low, entry.usual_high, cases)
    return values


def normal(z: float) -> float:
    return 0.5 * math.erfc(-z * math.sqrt(0.5))


def rate(t, state, case, first, target, clock):
    """Right-hand side in scalars: volume and openness."""
    volume, openness = state
    share = 1.0 - case["recruitable_share"] * (1.0 - openness)
    lung_elastance = (1.0 - case["chest_wall_share"]) / case["compliance"]
    wall = case["chest_wall_share"] / case["compliance"]
    unit = volume / share
    k = case["recoil_curvature"]
    if k > 0.0:
        rest = 1.0 / (1.0 + math.exp(k * case["recoil_inflection"]))
        rise = 0.25 * k * lung_elastance * unit
        # a step that is tried may lie beyond the ends of the curve
        filled, left = max(rest + rise, 1e-18), max(1.0 - rest - rise, 1e-18)
        lung = math.log(filled * (1.0 - rest) / (rest * left)) / k
    else:
        lung = lung_elastance * unit
    static = lung + wall * volume
    airway = target
    if case["valve_time"] > 0.0:
        airway += (first - target) * math.exp(-t / case["valve_time"])
    muscle, length = 0.0, min(case["effort_duration"], 60.0 / case["effort_rate"])
    since = (clock + t) % (60.0 / case["effort_rate"])
    if since < length:
        muscle = case["effort_pressure"] * math.sin(math.pi * since / length)
    drive = airway - static + muscle
    drop = abs(drive)
    r = case["resistance_insp"]
    if drive < 0.0:
        r = case["resistance_exp"] * (1.0 + case["flow_limitation"] * drop / lung)
    flow = 2.0 * drop / (r + math.sqrt(r * r + 4.0 * case["resistance_quadratic"] * drop))
    opens = normal((static - case["opening_pressure"]) / case["opening_spread"]) - openness
    closes = openness - normal((static - case["closing_pressure"]) / case["closing_spread"])
    moves = case["recruitable_share"] > 0.0
    return [
        1000.0 * math.copysign(flow, drive),
        moves
        * (
            max(opens, 0.0) / case["opening_time_constant"]
            - max(closes, 0.0) / case["closing_time_constant"]
        ),
    ]


def peer(case, cycles_run: int) -> float:
    """Seconds that the loop takes for one case, from rest at P low."""
    rest = stepped.rest(max(case["p_low"], 0.5), **case)
    begun = time.perf_counter()
    state, clock, airway = [float(rest.volume), float(rest.openness)], 0.0, case["p_low"]
    for _ in range(cycles_run):
        for target, duration in (("p_high", "t_high"), ("p_low", "t_low")):
            last = case[duration]
            run = solve_ivp(
                rate,
                (0.0, last),
                state,
                rtol=PEER_TOLERANCE,
                atol=1e-6,
                method="RK45",
                args=(case, airway, case[target], clock),
            )
            state, clock = run.y[:, -1], clock + last
            left = math.exp(-last / case["valve_time"]) if case["valve_time"] > 0.0 else 0.0
            airway = case[target] + (airway - case[target]) * left
    return time.perf_counter() - begun


def finer(values) -> dict[str, np.ndarray]:
    """Return the same cases by the other method, or with finer steps."""
    cases, _ = gather(values)
    if not (values["valve_time"].any() or values["recruitable_share"].any()):
        return cycles.settle_passive(cases, stepped.settle(**values))[1]
    usual, mesh.ALLOWED = mesh.ALLOWED, 1e-3 * mesh.ALLOWED
    try:
        return STEPPED.solve(**values)
    finally:
        mesh.ALLOWED = usual


def main(cases: int) -> None:
    print(f"{machine()}, one core")
    print(HEAD)
    for kind, (names, part) in KINDS.items():
        values = draw((*PLAIN, *names), max(int(part * cases), 20))
        size = values["p_high"].size
        solved = STEPPED.solve(**values)
        (ours,) = best_of(1 if "effort" in kind else 3, lambda v=values: STEPPED.solve(**v))
        few = {name: array[: min(size, 400)] for name, array in values.items()}
        exact = finer(few)
        off = max(
            float(np.nanmax(np.abs(solved[name][: few["p_high"].size] / exact[name] - 1.0)))
            for name in CHECKED
        )
        lost = int(np.isnan(solved["release_volume"]).sum())
        # as many phases with a run-in of three cycles each
        count = 64 if "effort" in kind else PEER_CYCLES
        loop = np.mean(
            [
                peer({name: float(array[i]) for name, array in values.items()}, count)
                for i in range(PEER_CASES)
            ]
        )
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            row(
                f"stepped lung, {kind}, {size:,} cases",
                f"{size / ours:,.0f} cases/s",
                f"solve_ivp loop, {count} cycles, {loop * 1e3:.0f} ms a case",
                loop / ours * size,
                f"error {off:.0e}; not settled {lost}; {memory:.2f} GB",
            ),
            flush=True,
        )


if __name__ == "__main__":
    main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 40_000)
