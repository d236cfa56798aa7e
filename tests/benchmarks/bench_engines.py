"""Speed of the engines: an accelerator beside one core and all cores of the same machine.

Run: python tests/benchmarks/bench_engines.py [small]

JAX must be installed, with its CUDA plugin where a GPU is to be measured (jax[cuda12]); without one
the processor stands in for it and the sizes are small, as they are with `small`. Takes six minutes
with a GPU at most: parts that would end after BUDGET are left out and named. Prints a table for
DEVELOPERS.md and, for each row, bytes and operations of a case as the compiler counts them.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

#: Seconds after which no further part is begun.
BUDGET = 300.0

START = time.perf_counter()


def limits():
    from ebbmap.registries.bounds import combine
    from ebbmap.registries.limits import LIMIT_SETS

    return combine("all", *(LIMIT_SETS[name] for name in ("pressure", "volume", "flow_ratio")))


def settings(count):
    import numpy as np

    t_low, p_high = np.meshgrid(np.linspace(0.2, 1.2, count), np.linspace(18.0, 32.0, count))
    return {"t_low": t_low.ravel(), "p_high": p_high.ravel(), "p_low": np.zeros(count * count)}


def count(lung, lungs, cells, engine, cases=None):
    """Count verdicts and return seconds, of the second call where the first compiles."""
    from ebbmap.cases.counted import count_shares
    from ebbmap.engines import use_engine
    from ebbmap.registries.populations import POPULATIONS

    group = POPULATIONS["restrictive"]
    with use_engine(engine):
        begun = time.perf_counter()
        found = count_shares(group, settings(cells), limits(), lung, lungs=lungs, cases=cases)
        return time.perf_counter() - begun, found


def on_core(work):
    """Count with NumPy on one core; return cases a second."""
    core, lung, lungs, cells = work
    os.sched_setaffinity(0, {core})
    count(lung, 8, cells, "numpy")
    seconds, _ = count(lung, lungs, cells, "numpy")
    return lungs * cells**2 / seconds


def on_cores(lung, lungs, cells, cores):
    """Return cases a second of NumPy on some cores at once, one process on each."""
    context = get_context("spawn")
    with ProcessPoolExecutor(len(cores), mp_context=context) as pool:
        return sum(pool.map(on_core, [(core, lung, lungs, cells) for core in cores]))


def say(*words):
    print(*words, flush=True)


def late(what):
    gone = time.perf_counter() - START
    if gone > BUDGET:
        say(f"left out after {gone:.0f} s: {what}")
    return gone > BUDGET


def map_of(lung, cases, cells, cores, cpu_lungs):
    """Count a map on the device and on the cores; print a row."""
    if late(f"map of {lung}"):
        return
    from ebbmap.cases.counted import CASES
    from ebbmap.engines.columns import costly_block
    from ebbmap.lungs import lung_model

    most = costly_block() if lung_model(lung).costly else CASES
    block = max(cells**2, min(cases // 4, most))
    lungs = max(1, cases // cells**2)
    first, _ = count(lung, min(lungs, block // cells**2 + 1), cells, "jax", block)
    trial, _ = count(lung, max(1, lungs // 50), cells, "jax", block)
    if trial * 50 > 120.0:
        lungs = max(1, int(lungs * 100.0 / (trial * 50)))
    seconds, found = count(lung, lungs, cells, "jax", block)
    done = lungs * cells**2
    one = on_cores(lung, cpu_lungs, cells, cores[:1])
    every = on_cores(lung, cpu_lungs, cells, cores)
    say(
        f"| map, {lung}, {done:.2e} cases | {seconds:.1f} s, {done / seconds / 1e6:.0f} million/s "
        f"| {one / 1e6:.3f} million/s | {every / 1e6:.2f} million/s ({len(cores)} cores) "
        f"| first call {first:.0f} s | safe {found[0].sum() / done:.4f} |"
    )


def whole_lung(cases):
    """Solve the default lung on the device, without and with a limit; compare with NumPy."""
    import numpy as np

    from ebbmap.cases.evaluate import evaluate
    from ebbmap.engines.columns import Compiled, double_precision
    from ebbmap.lungs import lung_model
    from ebbmap.registries.parameters import PARAMETERS

    lung, rng = lung_model("whole"), np.random.default_rng(1)
    values = {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, cases)
        for name in lung.parameters
    }
    names = ("release_volume", "end_release_flow", "auto_peep", "flow_ratio")
    few = {name: value[:2000] for name, value in values.items()}
    for number, label in enumerate(("not limited", "may be limited")):
        if late(f"default lung, {label}"):
            return
        if not number:
            values["upstream_resistance"][:] = few["upstream_resistance"][:] = 0.0
        else:
            # where the first way is done, only its rest comes here: all are limited in this row
            few["upstream_resistance"][:] = values["upstream_resistance"][:] = 20.0
        expected = evaluate(lung, few, names)
        function = Compiled(lambda piece, n=number: lung.compiled[n](**piece))
        begun = time.perf_counter()
        with double_precision() as jax:
            placed = {name: jax.device_put(value) for name, value in values.items()}
            jax.block_until_ready(function(placed))
            first = time.perf_counter() - begun
            begun = time.perf_counter()
            found = jax.block_until_ready(function(placed))
            seconds = time.perf_counter() - begun
        own = np.asarray(found["release_volume"])[:2000]
        apart = np.abs(own / expected.outcomes["release_volume"] - 1.0)
        say(
            f"| default lung, {label}, {cases:.1e} cases | {cases / seconds / 1e6:.3f} million/s "
            f"| settled {np.isfinite(np.asarray(found['release_volume'])).mean():.4f} "
            f"| release volume off by {np.nanmax(apart):.1e} at most, "
            f"{np.nanmedian(apart):.1e} in the middle | first call {first:.0f} s |"
        )


def outcomes(lung_name, cases):
    """Solve all outcomes of a lung on the device; print rate, bytes and operations of a case."""
    if late(f"all outcomes of {lung_name}"):
        return
    import numpy as np

    from ebbmap.cases.evaluate import compute
    from ebbmap.engines.columns import double_precision
    from ebbmap.lungs import lung_model
    from ebbmap.registries.outcomes import plan
    from ebbmap.registries.parameters import PARAMETERS

    lung = lung_model(lung_name)
    rng = np.random.default_rng(1)
    for label, names in (("solved", lung.solves), ("all", None)):
        todo = plan(lung, names)
        with double_precision() as jax:
            placed = {
                name: jax.device_put(
                    rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, cases)
                )
                for name in todo.parameters
            }

            def function(piece, todo=todo):
                known, flags = compute(lung, todo, piece)
                return {name: known[name] for name in todo.outcomes}, flags

            begun = time.perf_counter()
            ready = jax.jit(function).lower(placed).compile()
            compiling = time.perf_counter() - begun
            jax.block_until_ready(ready(placed))
            begun = time.perf_counter()
            for _ in range(5):
                jax.block_until_ready(ready(placed))
            seconds = (time.perf_counter() - begun) / 5
            cost = ready.cost_analysis() or {}
            cost = cost[0] if isinstance(cost, list) else cost
        say(
            f"| {lung_name}, {label} {len(todo.outcomes)} outcomes | "
            f"{cases / seconds / 1e6:.0f} million/s | compiled in {compiling:.0f} s | "
            f"{cost.get('bytes accessed', float('nan')) / cases:.0f} bytes, "
            f"{cost.get('flops', float('nan')) / cases:.0f} operations a case, "
            f"{cost.get('bytes accessed', float('nan')) / seconds / 1e9:.0f} GB/s |"
        )


def gpus():
    asked = ["nvidia-smi", "--query-gpu=name,memory.used", "--format=csv,noheader"]
    try:
        return subprocess.run(asked, capture_output=True, text=True).stdout.strip()
    except OSError:
        return "no GPU"


def main(small: bool) -> None:
    import jax

    small = small or jax.default_backend() == "cpu"
    cores = sorted(os.sched_getaffinity(0))
    say(f"{jax.devices()}; jax {jax.__version__}; {len(cores)} cores; {gpus()}")
    scale = 1000 if small else 1
    outcomes("linear", 2**22 // (64 if small else 1))
    map_of("linear", 10**10 // scale, 64, cores, 500 if small else 2000)
    map_of("tube", 10**10 // scale // (10 if small else 1), 64, cores, 50 if small else 300)
    whole_lung(2**17 // (64 if small else 1))
    outcomes("tube", 2**22 // (64 if small else 1))
    map_of("whole", 10**8 // scale // 10, 16, cores, 4 if small else 40)
    say(f"all in {time.perf_counter() - START:.0f} s; memory now: {gpus()}")


if __name__ == "__main__":
    # a share of the device only, so that what is asked of it can be seen
    os.environ.setdefault("XLA_PYTHON_CLIENT_PREALLOCATE", "false")
    main("small" in sys.argv[1:])
