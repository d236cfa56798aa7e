"""Traces as a bedside records them, made by another integrator than any of the package's own.

Two stores behind a shared airway, written out here from the circuit's equations and integrated by
SciPy's LSODA; noise, leak, offset, quantised flow and cut cycles are added to what it gives.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import solve_ivp


@dataclass(frozen=True)
class Patient:
    """Pressures in cmH2O, flows in L/s, volumes in L, times in s; invented numbers."""

    compliance: float = 0.05
    slow_share: float = 0.0
    slow_time: float = 4.0
    insp: float = 10.0
    exp: float = 14.0
    own_share: float = 0.3
    quadratic: float = 0.0


@dataclass(frozen=True)
class Bedside:
    p_high: float = 25.0
    p_low: float = 5.0
    t_high: float = 4.0
    t_low: float = 0.6
    cycles: int = 6
    rate: float = 50.0
    valve: float = 0.0
    noise: float = 0.01
    pressure_noise: float = 0.05
    leak: float = 0.0
    offset: float = 0.0
    quantum: float = 0.0
    begins: float = 0.37
    from_rest: float | None = None
    effort: float = 0.0


def _opening(patient, pressure, fast, slow):
    """Flow at the airway opening and pressure where the stores' own airways meet."""
    own = patient.own_share * min(patient.insp, patient.exp)
    slow_store = patient.compliance * patient.slow_share
    to_slow = slow_store / patient.slow_time if slow_store else 0.0
    conductance = 1.0 / own + to_slow
    inner = fast / own + slow * to_slow
    drop = pressure - inner / conductance
    shared = (patient.insp if drop > 0.0 else patient.exp) - own
    straight = shared + 1.0 / conductance
    bend = patient.quadratic
    flow = 2.0 * drop / (straight + np.sqrt(straight**2 + 4.0 * bend * abs(drop)))
    return flow, (flow + inner) / conductance, own


def record(patient, how, seed=0):
    """Return time, flow and pressure as recorded, shape (r,) each."""
    rng = np.random.default_rng(seed)
    period = how.t_high + how.t_low
    times = np.arange(0.0, how.cycles * period, 1.0 / how.rate) + how.begins / how.rate
    first = how.p_low if how.from_rest is None else how.from_rest
    state, airway = np.array([first, first]), first
    slow_store = patient.compliance * patient.slow_share
    fast_store = patient.compliance - slow_store
    seen, flows, pressures = [], [], []
    for cycle in range(-25 if how.from_rest is None else 0, how.cycles):
        for level, begin, length in (
            (how.p_high, cycle * period, how.t_high),
            (how.p_low, cycle * period + how.t_high, how.t_low),
        ):
            end, before = begin + length, airway

            def driven(time, level=level, begin=begin, before=before):
                pull = how.effort * np.maximum(np.sin(2.0 * np.pi * time / 2.7), 0.0) ** 2
                if not how.valve:
                    return level, pull
                return level + (before - level) * np.exp(-(time - begin) / how.valve), pull

            def slopes(time, state, driven=driven):
                pressure, pull = driven(time)
                # the muscles lower the pressure around both stores
                _, inner, own = _opening(patient, pressure, state[0] - pull, state[1] - pull)
                fast = (inner - state[0] + pull) / (own * fast_store)
                if not slow_store:
                    return [fast, 0.0]
                return [fast, (inner - state[1] + pull) / patient.slow_time]

            mine = times[(times >= begin) & (times < end)] if cycle >= 0 else np.zeros(0)
            solved = solve_ivp(
                slopes,
                (begin, end),
                state,
                method="LSODA",
                t_eval=np.append(mine, end),
                rtol=1e-8,
                atol=1e-9,
                max_step=0.1 if how.effort else np.inf,
            )
            for time, (fast, slow) in zip(mine, solved.y.T, strict=False):
                pressure, pull = driven(time)
                seen.append(time)
                flows.append(_opening(patient, pressure, fast - pull, slow - pull)[0])
                pressures.append(pressure)
            state, airway = solved.y[:, -1], driven(end)[0]
    time, flow, pressure = np.array(seen), np.array(flows), np.array(pressures)
    flow = flow + how.leak * pressure + how.offset + rng.normal(0.0, how.noise, flow.size)
    if how.quantum:
        flow = np.round(flow / how.quantum) * how.quantum
    return time, flow, pressure + rng.normal(0.0, how.pressure_noise, flow.size)


def recorded(patient, how, seed=0):
    """Return the same as a table."""
    return dict(zip(("time", "flow", "pressure"), record(patient, how, seed), strict=True))


def truth(patient, lung):
    """Return the patient's properties by the names of a lung model, in registry units."""
    own = patient.own_share * min(patient.insp, patient.exp)
    compliance = 1000.0 * patient.compliance
    if lung == "paired":
        slow = compliance * patient.slow_share
        return {
            "compliance_fast": compliance - slow,
            "compliance_slow": slow,
            "resistance_fast": own,
            "resistance_slow": 1000.0 * patient.slow_time / slow,
            "resistance_shared_insp": patient.insp - own,
            "resistance_shared_exp": patient.exp - own,
        }
    return {
        "compliance": compliance,
        "resistance_insp": patient.insp,
        "resistance_exp": patient.exp,
        "resistance_quadratic": patient.quadratic,
        "slow_volume_share": patient.slow_share,
        "time_constant_slow": patient.slow_time,
        "own_resistance_share": patient.own_share,
    }


def random_patient(lung, rng):
    """Return a patient that a lung model can be, invented, and how he is recorded."""
    patient = Patient(
        compliance=float(rng.uniform(0.02, 0.09)),
        slow_share=float(rng.uniform(0.1, 0.35)) if lung in ("paired", "whole") else 0.0,
        slow_time=float(np.exp(rng.uniform(np.log(1.5), np.log(8.0)))),
        insp=float(np.exp(rng.uniform(np.log(5.0), np.log(20.0)))),
        own_share=float(rng.uniform(0.05, 0.95)),
        quadratic=float(rng.uniform(3.0, 16.0)) if lung in ("tube", "whole") else 0.0,
    )
    patient = replace(patient, exp=patient.insp * float(rng.uniform(1.0, 2.0)))
    how = Bedside(
        p_high=float(rng.uniform(18.0, 32.0)),
        p_low=float(rng.choice([0.0, 5.0])),
        t_high=float(rng.uniform(2.5, 6.0)),
        t_low=float(rng.uniform(0.4, 1.2)),
        cycles=int(rng.integers(5, 10)),
        rate=float(rng.choice([50.0, 100.0])),
        valve=float(rng.choice([0.0, 0.05])) if lung == "whole" else 0.0,
        noise=float(rng.uniform(0.003, 0.02)),
        leak=float(rng.choice([0.0, 0.0, 0.002])),
        offset=float(rng.choice([0.0, 0.0, 0.04])),
        quantum=float(rng.choice([0.0, 0.005, 0.01])),
        begins=float(rng.uniform(0.0, 60.0)),
    )
    return patient, how
