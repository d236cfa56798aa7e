"""No steady state: where it ends, how long CO2 takes, and that no verdict calls it safe."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.cases.evaluate import NO_STEADY_STATE, OK, evaluate
from ebbmap.cases.simulate import simulate
from ebbmap.exchange import oxygen, steady
from ebbmap.kernels.judging import SAFE, UNSAFE, judge
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LIMIT_SETS, Limit, LimitSet, limit_set
from ebbmap.registries.parameters import PARAMETERS

STORES = dict(co2_store_fast=30.0, co2_store_slow=60.0, co2_store_exchange=7.0)
LUNG = lung_model("linear")
GAS = ("co2_balance", "paco2", "ph", "oxygen_balance", "spo2", "pao2")


def own_breathing(litres, names=GAS):
    """Solve a lung of which no release clears the dead space, so that own breathing is all."""
    values = {"compliance": 3.0, "fio2": 1.0, "spontaneous_alveolar_ventilation": litres}
    return evaluate(LUNG, {name: np.asarray(v, float) for name, v in values.items()}, names)


def test_the_ceiling_parts_a_steady_state_from_none():
    # 0.863 x 200 mL/min of CO2 over 200 mmHg is 0.863 L/min
    solved = own_breathing([0.0, 0.86, 0.8631, 4.315])
    assert solved.status.tolist() == [NO_STEADY_STATE, NO_STEADY_STATE, OK, OK]
    assert np.isnan(solved.outcomes["paco2"][:2]).all()
    assert solved.outcomes["paco2"][3] == pytest.approx(40.0)
    assert solved.outcomes["co2_balance"].round(3).tolist() == [-1.0, -0.003, 0.0, 4.0]


def test_oxygen_lasts_while_venous_blood_holds_some():
    shunt = np.linspace(0.0, 0.9, 181)
    values = {"shunt_baseline": shunt, "spontaneous_alveolar_ventilation": np.array(4.0)}
    names = (*GAS, "alveolar_po2", "arteriovenous_difference", "venous_admixture")
    solved = evaluate(LUNG, values, names)
    found = solved.outcomes
    # the shunt equation by hand: what passes gas takes up all that the body uses
    capillary = oxygen.content_of_po2(found["alveolar_po2"], PARAMETERS["hemoglobin"].default)
    used, past = found["arteriovenous_difference"], found["venous_admixture"]
    venous = capillary - used / (1.0 - past)
    np.testing.assert_array_equal(solved.status == NO_STEADY_STATE, venous < 0)
    assert 0 < (venous < 0).sum() < venous.size
    for name in ("spo2", "pao2"):
        np.testing.assert_array_equal(np.isnan(found[name]), venous < 0)
    assert np.isfinite(found["paco2"]).all()


@pytest.mark.parametrize("ventilation", [0.0, 0.3, 0.7])
def test_time_to_the_ceiling_is_that_of_integration(ventilation):
    def stores(_, tension):
        moved = 7.0 * (tension[0] - tension[1])
        return [(200.0 - ventilation / 0.863 * tension[0] - moved) / 30.0, moved / 60.0]

    def ceiling(_, tension):
        return tension[0] - 200.0

    ceiling.terminal = True
    solved = solve_ivp(stores, (0.0, 1440.0), [40.0, 40.0], events=ceiling, rtol=1e-10, atol=1e-10)
    found = steady.time_to_ceiling(ventilation, 200.0, **STORES)
    # bisected to a millisecond
    assert found == pytest.approx(60.0 * solved.t_events[0][0], abs=2e-3)


def test_time_to_the_ceiling_is_unknown_with_a_steady_state():
    found = steady.time_to_ceiling(np.array([0.0, 4.0]), 200.0, **STORES)
    assert np.isnan(found).tolist() == [False, True]


@pytest.mark.parametrize(
    "outcome, side, at", [("paco2", "high", 60.0), ("ph", "low", 7.2), ("spo2", "low", 0.88)]
)
def test_what_runs_away_breaks_the_bound_on_its_way(outcome, side, at):
    limits = LimitSet("one", "one", (Limit(outcome, "invented", **{side: at}),))
    judged = judge(limits, own_breathing([0.0, 0.5, 5.0], limits.outcomes).outcomes)
    assert judged.verdict[:2].tolist() == [UNSAFE, UNSAFE]
    # nearer to a steady state is better
    assert judged.margin[0] < judged.margin[1] < -1.0
    assert judged.unsteady.tolist() == [True, True, False]


def test_the_other_side_is_not_broken():
    limits = LimitSet("one", "one", (Limit("ph", "invented", low=7.2, high=7.6),))
    judged = judge(limits, own_breathing([0.0], limits.outcomes).outcomes)
    assert judged.verdict.tolist() == [UNSAFE]
    assert judged.bound_broken[:, 0].tolist() == [True, False]


@pytest.mark.parametrize("name", [n for n, limits in LIMIT_SETS.items() if limits.hard])
def test_no_solved_case_is_safe_without_a_steady_state(name):
    rng = np.random.default_rng(3)
    cases = simulate(
        limits=limit_set(name),
        p_high=rng.uniform(10.0, 30.0, 300),
        compliance=rng.uniform(10.0, 60.0, 300),
        t_low=rng.uniform(0.1, 1.0, 300),
    )
    lost = cases["status"].values == NO_STEADY_STATE
    assert 0 < lost.sum() < lost.size
    assert (cases["verdict"].values[lost] == UNSAFE).all()
    assert (cases["margin"].values[lost] < 0).all()


def test_the_mechanical_claim_alone_does_not_ask_for_a_steady_state():
    limits = limit_set("pressure")
    solved = evaluate(LUNG, {"compliance": np.array([3.0]), "p_high": np.array(15.0)})
    judged = judge(limits, {name: solved.outcomes[name] for name in limits.outcomes})
    assert judged.verdict.tolist() == [SAFE]
    assert not judged.unsteady.any()
