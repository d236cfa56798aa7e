"""The lung `breathing`: limits, balances, and effort that goes with the CO2 that it clears."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import NO_STEADY_STATE, OK, evaluate, resolve
from ebbmap.exchange.own_breathing import peak_muscle_pressure
from ebbmap.lungs import LUNGS
from ebbmap.lungs.breathing import BREATHING, closing, cycle, rest, settle, solving, waveform
from ebbmap.registries.parameters import PARAMETERS

USUAL = {name: np.array(PARAMETERS[name].default) for name in BREATHING.parameters}
WHOLE = LUNGS["whole"]


def draw(n, seed=0, **own):
    """Cases over the usual ranges, without a limit of flow."""
    rng = np.random.default_rng(seed)
    cases = {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, n)
        for name in BREATHING.parameters
    }
    return cases | {"upstream_resistance": np.zeros(n)} | own


def test_without_effort_it_is_the_whole_lung_to_the_bit():
    cases = draw(40, effort_pressure=np.zeros(40), effort_gain=np.zeros(40))
    ours = BREATHING.solve(**cases)
    whole = WHOLE.solve(**{name: cases[name] for name in WHOLE.parameters})
    for name in set(BREATHING.solves) & set(WHOLE.solves):
        np.testing.assert_array_equal(ours[name], whole[name], err_msg=name)
    assert not ours["peak_muscle_pressure"].any()


def test_a_vanishing_effort_changes_next_to_nothing():
    passive = BREATHING.solve(**USUAL)
    faint = BREATHING.solve(**USUAL | {"effort_pressure": np.array(1e-3)})
    for name in ("release_volume", "mean_alveolar_pressure", "mechanical_power", "auto_peep_slow"):
        # the stated error of the steps in usual cases
        assert faint[name] == pytest.approx(float(passive[name]), rel=2e-3), name
    assert faint["effort_share"] < 2e-3


def test_answers_do_not_depend_on_the_cases_beside_them():
    cases = draw(30, seed=3, t_high=np.linspace(1.0, 9.0, 30))
    together = BREATHING.solve(**cases)
    for i in (0, 17):
        alone = BREATHING.solve(**{name: value[i : i + 1] for name, value in cases.items()})
        for name, value in alone.items():
            # rounding of half the digits
            np.testing.assert_allclose(value[0], together[name][i], rtol=1e-4, atol=1e-4)


def test_more_phases_and_steps_change_little(monkeypatch):
    cases = draw(24, seed=4, effort_gain=np.zeros(24))
    ours = BREATHING.solve(**cases)
    monkeypatch.setattr(closing, "PHASES", 64)
    monkeypatch.setattr(closing, "STILL", 1e-4)
    fine = BREATHING.solve(**cases)
    for name, near in (
        ("release_volume", 1e-2),
        ("mean_alveolar_pressure", 5e-3),
        ("mean_transpulmonary_pressure", 5e-3),
        ("mechanical_power", 1e-2),
    ):
        # measured on 100 cases: at worst 1 % of volumes, 0.05 cmH2O of mean pressures
        np.testing.assert_allclose(ours[name], fine[name], rtol=near, err_msg=name)


def test_the_effort_goes_with_the_tension_that_it_leads_to():
    n = 60
    cases = draw(
        n,
        seed=5,
        effort_pressure=np.zeros(n),
        effort_gain=np.linspace(0.1, 2.0, n),
        effort_limit=np.full(n, 20.0),
    )
    names = ("paco2", "peak_muscle_pressure", "mean_transpulmonary_pressure")
    found = evaluate(BREATHING, cases, names)
    assert np.isin(found.status, (OK, NO_STEADY_STATE)).mean() > 0.95
    law = {name: cases[name] for name in cases if name.startswith("effort_")}
    for name in ("effort_rate", "effort_duration"):
        del law[name]
    expected = peak_muscle_pressure(*(found.outcomes[name] for name in (names[0], names[2])), **law)
    peak, known = found.outcomes["peak_muscle_pressure"], found.status == OK
    # the balance of CO2 is stated to half a percent: 0.5 % of the tension, times the gain
    near = cases["effort_gain"] * 6e-3 * found.outcomes["paco2"] + 1e-4
    assert (np.abs(peak - expected) <= near)[known].all()
    inside = (peak > 0.0) & (peak < 20.0)
    assert inside.sum() > 5
    assert (peak[known] == 20.0).sum() > 5


def test_a_stronger_answer_brings_the_tension_nearer_to_the_set_point():
    gains = {"effort_gain": np.array([0.0, 0.2, 0.5, 1.0, 3.0])}
    found = evaluate(BREATHING, gains, ("paco2", "own_minute_volume", "peak_muscle_pressure"))
    tension = found.outcomes["paco2"]
    assert (np.diff(tension) < 0.0).all()
    assert tension[-1] > PARAMETERS["effort_set_point"].default
    assert (np.diff(found.outcomes["own_minute_volume"]) > 0.0).all()


def test_a_stretched_lung_breathes_less():
    own = {"effort_gain": np.array(1.0), "effort_inhibition": np.array([0.0, 0.03])}
    peak = evaluate(BREATHING, own, ("peak_muscle_pressure",)).outcomes["peak_muscle_pressure"]
    assert 0.0 < peak[1] < peak[0]


def test_effort_holds_the_lung_open_while_it_lowers_the_pressure_of_the_gas():
    own = {"effort_pressure": np.array([0.0, 12.0]), "p_high": np.array(16.0)}
    names = ("closed_fraction", "mean_alveolar_pressure", "mean_transpulmonary_pressure")
    found = evaluate(BREATHING, own | {"t_low": np.array(1.0)}, names).outcomes
    stretch = found["mean_transpulmonary_pressure"]
    assert stretch[1] > stretch[0]
    assert found["closed_fraction"][1] < found["closed_fraction"][0]


def test_one_cycle_after_another_goes_on_as_the_waveform_draws_it():
    own = USUAL | {"effort_pressure": np.array(9.0), "effort_rate": np.array(17.0)}
    state = rest(5.0, **own)
    outcomes, after = cycle(state, **own)
    times = np.array([0.0, 4.999999, 5.5])
    drawn = waveform(state, times, **own)
    # steps four times closer in the drawing
    assert drawn["volume"][1] - drawn["volume"][2] == pytest.approx(
        float(outcomes["release_volume"]), abs=1.0
    )
    assert after.clock == pytest.approx(5.5 % (60.0 / 17.0))
    assert drawn["muscle_pressure"].min() >= 0.0
    assert waveform(after, times, **own)["volume"][0] == pytest.approx(
        float(drawn["volume"][2]), abs=1.0
    )


def test_effort_pulls_gas_in_and_the_drawing_shows_it():
    own = resolve({"effort_pressure": np.array(10.0)}, BREATHING.parameters)
    state = settle(**own)._replace(clock=np.array(0.0))
    drawn = waveform(state, np.linspace(0.0, 5.0, 251), **own)
    still = waveform(state._replace(peak=np.array(0.0)), np.linspace(0.0, 5.0, 251), **own)
    assert drawn["muscle_pressure"].max() == pytest.approx(10.0, rel=1e-3)
    assert (drawn["volume"] - still["volume"]).max() > 50.0
    assert drawn["alveolar_pressure"].min() < still["alveolar_pressure"].min()


def test_a_case_that_is_impossible_is_not_solved():
    found = BREATHING.solve(**USUAL | {"p_high": np.array([np.nan, 25.0]), "effort_gain": 0.5})
    assert np.isnan([found[name][0] for name in BREATHING.solves]).all()
    assert np.isfinite([found[name][1] for name in BREATHING.solves]).all()


def test_what_does_not_settle_is_missing_throughout(monkeypatch):
    monkeypatch.setattr(solving, "FEW_CYCLES", 1)
    monkeypatch.setattr(solving, "MOST_CYCLES", 1)
    found = BREATHING.solve(**USUAL | {"effort_pressure": np.array(8.0)})
    assert np.isnan([found[name] for name in BREATHING.solves]).all()
