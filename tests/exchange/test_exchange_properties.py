"""For any input inside the hard bounds: a number, or a declared status."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmap.cases.evaluate import NO_STEADY_STATE, OK, OUT_OF_DOMAIN, evaluate
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import OUTCOMES, plan
from ebbmap.registries.parameters import PARAMETERS

LUNG = lung_model("linear")
NAMES = tuple(OUTCOMES)
NAMES = tuple(n for n in plan(LUNG).outcomes if NAMES.index(n) >= NAMES.index("airway_dead_space"))
TODO = plan(LUNG, NAMES)
NEED_VENTILATION = {
    "paco2",
    "ventilatory_ratio",
    "arterial_bicarbonate",
    "ph",
    "alveolar_po2",
    "oxygen_balance",
    "arterial_oxygen_content",
    "pao2",
    "spo2",
}
NEED_OXYGEN = {"arterial_oxygen_content", "pao2", "spo2"}
CASES = 400


def draw(rng, parameter, edges):
    """Values of one parameter: anywhere, and at a share `edges` on a bound or beside it."""
    low, high = parameter.low, parameter.high
    anywhere = rng.uniform(low, high, CASES)
    edge = np.array([low, high, np.nextafter(low, high), np.nextafter(high, low)])
    return np.where(rng.random(CASES) < edges, rng.choice(edge, CASES), anywhere)


# 25 draws of 400 cases: 10,000 cases
@settings(max_examples=25, derandomize=True, database=None, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), edges=st.sampled_from([0.0, 0.1, 0.5, 0.9, 1.0]))
def test_every_case_is_a_number_or_has_a_status(seed, edges):
    rng = np.random.default_rng(seed)
    values = {name: draw(rng, PARAMETERS[name], edges) for name in TODO.parameters}
    result = evaluate(LUNG, values, NAMES)
    found, ok = result.outcomes, result.status == OK
    unsteady = result.status == NO_STEADY_STATE
    rising = unsteady & (found["co2_balance"] < 0)
    failing = unsteady & (found["oxygen_balance"] < 0)
    illegal = values["p_high"] <= values["p_low"]
    np.testing.assert_array_equal(result.status == OUT_OF_DOMAIN, illegal)
    np.testing.assert_array_equal(ok | rising | failing | illegal, True)
    for name, column in found.items():
        assert np.isfinite(column[ok]).all(), name
        assert np.isnan(column[illegal]).all(), name
        lost = np.isnan(column)
        for cases, need in ((rising, NEED_VENTILATION), (failing, NEED_OXYGEN)):
            assert lost[cases].all() if name in need else not lost[cases].any(), name
        assert not np.isinf(column).any(), name
    # nobody has a higher CO2 than the ceiling, or venous blood with less than no oxygen
    assert (found["paco2"][ok] <= 200.0 * (1.0 + 1e-12)).all()
    assert (found["arterial_oxygen_content"] >= found["arteriovenous_difference"])[ok].all()

    def within(name, low, high):
        column = found[name][~np.isnan(found[name])]
        assert ((column >= low) & (column <= high)).all(), name

    for name in ("dead_space_fraction", "closed_fraction", "venous_admixture", "spo2"):
        within(name, 0.0, 1.0)
    within("venous_return_change", -1.0, 0.0)
    for name in ("paco2", "alveolar_po2", "pao2", "dynamic_strain", "mechanical_power"):
        within(name, 0.0, np.inf)
    # blood never holds more than the alveoli gave; the inversion is good to 1e-12
    assert (found["pao2"][ok] <= found["alveolar_po2"][ok] * (1.0 + 1e-12) + 1e-12).all()


def test_answers_do_not_depend_on_the_block():
    rng = np.random.default_rng(11)
    values = {name: draw(rng, PARAMETERS[name], 0.1) for name in TODO.parameters}
    whole, pieces = evaluate(LUNG, values, NAMES), evaluate(LUNG, values, NAMES, block=64)
    for name in NAMES:
        np.testing.assert_array_equal(whole.outcomes[name], pieces.outcomes[name])
