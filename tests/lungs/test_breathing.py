"""A breathing patient: means over the phase of the efforts, and the gas that the breaths bring."""

from collections import deque

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs import lung_model, stepped
from ebbmap.lungs.stepped import breathing
from ebbmap.lungs.stepped.cases import NAMES
from ebbmap.registries.parameters import PARAMETERS

STEPPED = lung_model("stepped")
USUAL = {name: PARAMETERS[name].default for name in NAMES}
BREATHING = USUAL | {"effort_pressure": 10.0, "t_high": 5.5}
EXTENSIVE = (
    "release_volume",
    "trapped_volume",
    "gas_beyond_dead_space",
    "end_high_pressure",
    "end_release_pressure",
    "mean_alveolar_pressure",
    "peak_expiratory_flow",
    "end_release_flow",
)


def test_outcomes_do_not_jump_where_efforts_and_cycles_keep_step():
    # 6.0 s a cycle: at 20 efforts a minute exactly two fall on each
    rates = np.array([19.9, 20.0, 20.1, 21.0])
    solved = STEPPED.solve(**BREATHING | {"effort_rate": rates})
    for name in ("release_volume", "gas_beyond_dead_space", "effort_share"):
        spread = solved[name].max() / solved[name].min() - 1.0
        # 5 % more efforts; the three rates about 20 by a hundredth of that, and the phases' error
        assert spread < 0.05, name
        assert np.ptp(solved[name][:3]) < 0.01 * solved[name].mean(), name


def run(values, cycles, clock=0.0):
    """Outcomes of so many cycles one after the other, from the settled passive lung."""
    state = stepped.settle(**values | {"effort_pressure": 0.0})
    state = state._replace(clock=np.asarray(clock, dtype=float))
    found = []
    for _ in range(cycles):
        outcomes, state = stepped.cycle(state, **values)
        found.append(outcomes)
    return {name: np.stack([one[name] for one in found]) for name in found[0]}


def test_a_long_run_has_the_mean_over_the_phase():
    # a golden share of a period from cycle to cycle: no two cycles keep step
    golden = 0.5 * (np.sqrt(5.0) - 1.0)
    values = BREATHING | {"effort_rate": 60.0 * (2.0 + golden) / 6.0}
    ours, long = STEPPED.solve(**values), run(values, 165)
    # the mean of 144 golden steps is off by about 1/144 of the swing between cycles
    for name in EXTENSIVE:
        cycles = long[name][-144:]
        assert ours[name] == pytest.approx(cycles.mean(), abs=np.ptp(cycles) / 144 + 1e-6), name


def test_twice_the_phases_and_run_in_change_little(monkeypatch):
    values = {name: np.array(value) for name, value in BREATHING.items()} | {
        "recruitable_share": np.array([0.0, 0.3]),
        "resistance_exp": np.array([14.0, 30.0]),
    }
    ours = STEPPED.solve(**values)
    monkeypatch.setattr(breathing, "PHASES", 48)
    monkeypatch.setattr(breathing, "RUN_IN", 4.0)
    monkeypatch.setattr(breathing, "STILL", 2e-5)
    fine = STEPPED.solve(**values)
    for name in STEPPED.solves:
        # 1e-4 of volumes and 2e-3 of pressures and flows were measured over many lungs; what
        # opens and closes is a share of the lung
        scale = 1.0 if name.startswith(("open", "closed")) else np.abs(fine[name])
        assert np.all(np.abs(ours[name] - fine[name]) <= 3e-3 * scale), name
        if name.endswith("volume"):
            assert np.all(np.abs(ours[name] - fine[name]) <= 5e-4 * scale), name


def test_lungs_that_are_alike_but_for_the_company_agree():
    values = BREATHING | {"resistance_exp": np.array([14.0, 40.0, 60.0])}
    together = STEPPED.solve(**values)
    alone = STEPPED.solve(**BREATHING | {"resistance_exp": 40.0})
    for name, value in alone.items():
        # steps are chosen case by case; what is left is rounding and the residual of each cycle
        assert value == pytest.approx(together[name][1], rel=1e-7, abs=1e-9), name


def parcels(volume, dead_space):
    """Gas from beyond a pipe that comes out at its mouth, followed parcel by parcel."""
    pipe = deque([["used", dead_space]])  # from the mouth inwards
    out = 0.0
    for moved in np.diff(volume):
        left = abs(moved)
        if moved > 0.0:
            pipe.appendleft(["fresh", left])
            while left > 1e-12:
                pipe[-1][1] -= (taken := min(left, pipe[-1][1]))
                left -= taken
                if pipe[-1][1] <= 1e-12:
                    pipe.pop()
            continue
        pipe.append(["used", left])
        while left > 1e-12:
            pipe[0][1] -= (taken := min(left, pipe[0][1]))
            left -= taken
            out += taken * (pipe[0][0] == "used")
            if pipe[0][1] <= 1e-12:
                pipe.popleft()
    return out


@pytest.mark.parametrize("clock", [0.0, 0.7, 1.9, 2.6])
@pytest.mark.parametrize("apparatus", [30.0, 250.0])
def test_each_breath_pays_for_its_own_dead_space(clock, apparatus):
    values = BREATHING | {"apparatus_dead_space": apparatus, "effort_rate": 18.0, "t_low": 1.2}
    state = stepped.settle(**values | {"effort_pressure": 0.0})
    state = state._replace(clock=np.array(clock))
    outcomes, _ = stepped.cycle(state, **values)
    # flow leaps at the release, which therefore is one of the times
    times = np.concatenate((np.linspace(0.0, 5.5, 3001), np.linspace(5.5, 6.7, 1001)[1:]))
    volume = stepped.waveform(state, times, **values)["volume"]
    expected = parcels(volume, apparatus + 2.2 * 65.0)
    # other turns lie between two of 4001 times: the volume missed is of second order
    assert outcomes["gas_beyond_dead_space"] == pytest.approx(expected, abs=0.05)


def test_a_passive_release_pays_once():
    passive = USUAL | {
        "valve_time": 0.0,
        "recruitable_share": np.array([0.0, 0.3]),
        "apparatus_dead_space": np.array([[0.0], [300.0]]),
    }
    solved = STEPPED.solve(**passive)
    expected = np.maximum(solved["release_volume"] - passive["apparatus_dead_space"] - 143.0, 0.0)
    # the residual of a settled cycle
    np.testing.assert_allclose(solved["gas_beyond_dead_space"], expected, atol=1e-5)


def exchange(**values):
    names = (
        "alveolar_ventilation",
        "paco2",
        "ph",
        "pao2",
        "gas_beyond_dead_space",
        "release_rate",
        "release_volume",
    )
    given = {name: np.asarray(value, dtype=float) for name, value in values.items()}
    return evaluate(STEPPED, given, names).outcomes


def test_the_patients_own_breaths_clear_co2():
    effort = exchange(effort_pressure=[0.0, 5.0, 10.0], t_high=5.5)
    assert np.all(np.diff(effort["alveolar_ventilation"]) > 0.3)
    assert np.all(np.diff(effort["paco2"]) < -2.0)
    assert np.all(np.diff(effort["ph"]) > 0.0)
    assert np.all(np.diff(effort["pao2"]) > 0.0)
    # default share of alveolar dead space 0.2
    expected = effort["release_rate"] * effort["gas_beyond_dead_space"] * 0.8e-3
    np.testing.assert_allclose(effort["alveolar_ventilation"], expected, rtol=1e-12)
    # more than the releases alone, each less 173 mL, would clear
    released = effort["release_rate"] * (effort["release_volume"] - 173.0) * 0.8e-3
    assert np.all(effort["alveolar_ventilation"][1:] > released[1:] + 0.3)


def test_own_breathing_is_counted_once():
    both = exchange(
        effort_pressure=[0.0, 0.0, 10.0, 10.0],
        spontaneous_alveolar_ventilation=[0.0, 3.0, 0.0, 3.0],
    )
    found = both["alveolar_ventilation"]
    assert found[1] == pytest.approx(found[0] + 3.0)
    assert found[3] == found[2]
