"""Cases that every lung and outcome walks through, by any engine: usual ones and extremes."""

import numpy as np

from ebbmap.lungs import LUNGS
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS

#: Lungs whose formulas any engine of arrays can solve.
COMPILED = tuple(name for name, lung in LUNGS.items() if lung.compiled)

#: Those of them whose formulas are closed, so that array-api-strict and the tracer follow them too.
CLOSED = tuple(name for name in COMPILED if not LUNGS[name].costly)

#: Those that a page follows step by step, since they have no formula of time.
FOLLOWED = tuple(name for name, lung in LUNGS.items() if lung.followed is not None)

#: What runs on an engine -> the lungs for which it does; each has its test.
RUNS: dict[str, tuple[str, ...]] = {
    "settled cycles, NumPy": tuple(LUNGS),
    "settled cycles, array-api-strict (tests)": CLOSED,
    "settled cycles, JAX": COMPILED,
    "counts drawn on the device, JAX": COMPILED,
    "derivatives, JAX": COMPILED,
    "graph and JavaScript, with curves and first cycles": CLOSED,
    "slopes as a graph and JavaScript, followed in pages": FOLLOWED,
    "single precision, JAX": CLOSED,
    "policies, minute by minute, JAX": COMPILED,
    "first cycles, waveforms, policies, NumPy": tuple(LUNGS),
}


def runs_where():
    """Return what runs where as a table, for DEVELOPERS.md."""
    head = f"| what, engine | {' | '.join(LUNGS)} |"
    rule = "| --- |" + " --- |" * len(LUNGS)
    rows = [
        f"| {what} | {' | '.join('yes' if name in lungs else 'no' for name in LUNGS)} |"
        for what, lungs in RUNS.items()
    ]
    return "\n".join([head, rule, *rows])


#: Outcomes that are differences of like numbers -> the outcome at whose size their rounding lies.
CANCELLING = {
    "driving_pressure": "end_high_pressure",
    "pendelluft_volume": "end_high_volume",
    "expanded_volume": "end_high_volume",
    "expanded_share": "end_high_volume",
    "auto_peep": "end_high_pressure",
    "slow_exhaled_fraction": "exhaled_fraction",
    "resistive_power": "mechanical_power",
}

#: Outcomes that are a ratio less one.
LESS_ONE = ("co2_balance", "oxygen_balance")


def walk(lung, count=2000, seed=1):
    """Draw cases within the registry's bounds: half usual ones, some at the bounds, some barred."""
    rng, values = np.random.default_rng(seed), {}
    for name in plan(lung).parameters:
        entry = PARAMETERS[name]
        own = rng.uniform(entry.low, entry.high, count)
        own[: count // 2] = rng.uniform(entry.usual_low, entry.usual_high, count // 2)
        own[-20:-10] = entry.low
        own[-10:] = rng.choice([entry.low, entry.high], 10)
        values[name] = own
    values["p_high"][:50] = values["p_low"][:50] - rng.uniform(0.0, 2.0, 50)
    return values


def agree(one, other, name, rtol=1e-10):
    """Check that outcomes of two engines are equal, beside what rounding does to a difference."""
    a, b = (np.asarray(outcomes[name], dtype=float) for outcomes in (one, other))
    a, b = np.broadcast_arrays(a, b)
    scale = np.nanmax(np.abs(one[CANCELLING[name]])) if name in CANCELLING else 0.0
    scale = 1.0 if name in LESS_ONE else scale
    # sixteen digits of the larger number are left of a difference
    np.testing.assert_allclose(b, a, rtol=rtol, atol=1e-14 * scale + 1e-300, err_msg=name)
