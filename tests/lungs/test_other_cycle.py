"""Hysteresis: more than one settled cycle, found, flagged, and run from where it begins."""

import numpy as np
import pytest

from ebbmap.evaluate import evaluate
from ebbmap.lungs import lung_model, stepped
from ebbmap.lungs.stepped.cases import NAMES
from ebbmap.lungs.stepped.cycles import ANOTHER
from ebbmap.parameters import PARAMETERS
from ebbmap.simulate import simulate

STEPPED = lung_model("stepped")
CLOSING = tuple(name for name in NAMES if name.startswith(("recruit", "opening", "closing")))
VARIED = ("p_high", "p_low", "t_high", "t_low", "compliance", "chest_wall_share",
          "resistance_insp", "resistance_exp", "recoil_curvature", "recoil_inflection",
          "flow_limitation", "valve_time", *CLOSING)  # fmt: skip


def draw(count, seed=1):
    """Random lungs with units that open and close, in the usual ranges."""
    rng = np.random.default_rng(seed)
    values = {name: np.full(count, PARAMETERS[name].default) for name in NAMES}
    for name in VARIED:
        entry = PARAMETERS[name]
        values[name] = rng.uniform(entry.usual_low, entry.usual_high, count)
    return values


def shut(values):
    """All units closed, the gas of the settled lung in those left."""
    state = stepped.settle(**values)
    fraction = 1.0 - values["recruitable_share"]
    return state._replace(openness=np.zeros_like(fraction), volume=state.volume * fraction)


def run(state, values, cycles):
    before = state
    for _ in range(cycles):
        before = state
        _, state = stepped.cycle(state, **values)
    return state, np.abs(state.openness - before.openness)


def check(count, cycles):
    values = draw(count)
    solved, opened = STEPPED.solve(**values), stepped.settle(**values)
    closed, moving = run(shut(values), values, cycles)
    gap = values["recruitable_share"] * (opened.openness - closed.openness)
    flagged = solved["other_settled_cycle"] == 1.0
    assert flagged.any() and not flagged.all()
    # repetition from a closed lung ends, or creeps, where the flag says it does
    still = moving < 1e-5
    np.testing.assert_array_equal(gap[flagged] > 0.5 * ANOTHER, True)
    # what such a lung may still creep
    assert np.all(gap[~flagged & still] < ANOTHER + 1e-4)
    told = solved["open_fraction_end_release"] - solved["open_fraction_from_closed"]
    np.testing.assert_array_equal(told[~flagged], 0.0)
    assert np.all(told[flagged] > ANOTHER)
    # what still creeps after so many cycles lies below its end
    ended = values["recruitable_share"] * closed.openness + 1.0 - values["recruitable_share"]
    assert np.all(ended[flagged] <= solved["open_fraction_from_closed"][flagged] + 1e-3)
    assert np.all(solved["open_fraction_from_closed"][flagged] - ended[flagged] < 0.01)
    # the one taken is that of the opened lung: it stays
    stays, _ = run(opened, values, 3)
    np.testing.assert_allclose(stays.openness, opened.openness, atol=1e-6)


def test_the_flag_says_where_a_closed_lung_ends_elsewhere():
    check(30, 25)


@pytest.mark.slow
def test_the_flag_says_so_in_many_lungs():
    check(150, 60)


def test_no_flag_without_units_that_close():
    values = {name: values for name, values in draw(5).items()} | {"recruitable_share": np.zeros(5)}
    solved = STEPPED.solve(**values)
    assert solved["other_settled_cycle"].tolist() == [0.0] * 5
    np.testing.assert_array_equal(solved["open_fraction_from_closed"], 1.0)


def test_the_dataset_says_which_cycle_was_taken():
    cases = simulate("stepped", recruitable_share=[0.0, 0.3], outcomes=["other_settled_cycle"])
    assert "P high has opened" in cases["other_settled_cycle"].attrs["comment"]
    assert set(np.unique(cases["other_settled_cycle"])) <= {0.0, 1.0}


def test_with_effort_it_tells_of_the_passive_lung():
    passive = {name: array[:4] for name, array in draw(30).items()}
    names = ("other_settled_cycle", "open_fraction_from_closed")
    still = evaluate(STEPPED, passive, names).outcomes
    moved = evaluate(STEPPED, passive | {"effort_pressure": np.full(4, 5.0)}, names).outcomes
    for name in names:
        np.testing.assert_array_equal(moved[name], still[name])
