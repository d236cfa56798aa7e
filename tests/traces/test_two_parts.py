"""Lungs with two parts: which is called slow, and draws that reach every ridge."""

import numpy as np
import pytest

from bedside import Bedside, Patient, random_patient, recorded, truth
from ebbmap.kernels.circuit_flow import Phase, settled
from ebbmap.lungs import lung_model
from ebbmap.traces.best import defaults, find_best
from ebbmap.traces.cycles import find_cycles
from ebbmap.traces.mixture import draw_mixture, often
from ebbmap.traces.models import circuit_of, fitted_of, scale_of
from ebbmap.traces.trace import read_trace

NAMES = fitted_of(lung_model("paired"), None, None)
SCALE = scale_of(NAMES, None, "paired")


def test_exchanged_parts_let_out_the_same_flow():
    # the part called slow empties in 0.5 s, the other in 0.8 * 20 * 0.06 = 0.96 s
    values = {
        "compliance": 100.0,
        "resistance_insp": 20.0,
        "resistance_exp": 22.0,
        "slow_volume_share": 0.4,
        "time_constant_slow": 0.5,
        "own_resistance_share": 0.8,
    }
    place = SCALE.place(values)
    other = SCALE.in_order(place)
    assert not SCALE.within(place[None])[0]
    assert SCALE.within(other[None])[0]
    assert np.array_equal(SCALE.in_order(other), other)
    phases = [Phase(4.0, 0.0, 20.0, 0.0), Phase(0.6, 20.0, 0.0, 0.0)]
    both = {name: array for name, array in SCALE.values(np.stack([place, other])).items()}
    both |= {name: np.full(2, value) for name, value in defaults(("upstream_resistance",)).items()}
    one, same = settled(circuit_of("paired", both), phases, 0.05).flow.T
    # both settle to 2e-5 L, over the 0.1 s in which the quick part moves
    assert one == pytest.approx(same, abs=3e-4)


def test_the_slow_part_of_prior_draws_is_the_slower():
    drawn = SCALE.drawn(np.random.default_rng(0), 500)
    pairs = dict(zip(SCALE.properties, SCALE.table(drawn).T, strict=True))
    fast = pairs["resistance_fast"] * pairs["compliance_fast"]
    assert np.all(fast <= pairs["resistance_slow"] * pairs["compliance_slow"] * (1.0 + 1e-9))


def test_weights_say_how_often():
    index = often(np.random.default_rng(0), np.array([0.5, 0.0, 0.25, 0.25]), 8)
    assert np.bincount(index, minlength=4).tolist() == [4, 0, 2, 2]


@pytest.mark.slow
def test_seeds_agree_where_ridges_bend():
    """Walkers that began around the best fit gave intervals that did not even overlap."""
    patient, how = random_patient("paired", np.random.default_rng([4, 2]))
    cycles = find_cycles(read_trace(recorded(patient, how, seed=4)))
    best = find_best(lung_model("paired"), SCALE, cycles, {}, wide=("offset",))
    real = truth(patient, "paired")
    ranks = []
    for seed in (0, 1):
        drawn = draw_mixture(best, np.random.default_rng(seed))
        assert drawn.effective > 100.0
        table = SCALE.table(drawn.places)
        below = [drawn.weight @ (table[:, i] < real[n]) for i, n in enumerate(SCALE.properties)]
        ranks.append(below)
    # a hundred draws place a quantile to within 0.05
    assert ranks[0] == pytest.approx(ranks[1], abs=0.2)
    assert np.all((np.array(ranks) > 0.0) & (np.array(ranks) < 1.0))


def test_a_leak_alone_does_not_hide_a_slow_part():
    how = Bedside(leak=0.002, cycles=6, noise=0.005, t_low=0.8)
    cycles = find_cycles(read_trace(recorded(Patient(slow_share=0.25, slow_time=2.0), how, seed=3)))
    linear = scale_of(fitted_of(lung_model("linear"), None, None), None, "linear")
    without = find_best(lung_model("linear"), linear, cycles, {}, wide=("leak",))
    right = find_best(lung_model("paired"), SCALE, cycles, {}, wide=("leak",))
    assert right.noise < without.noise
    gain = right.misfit.density(right.place[None]) - without.misfit.same_bins(
        noise=right.misfit.noise
    ).density(without.place[None])
    assert gain[0] > 20.0
