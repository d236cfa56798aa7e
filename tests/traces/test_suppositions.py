"""What is large beside a lung is not known: every supposition counts by how likely it is."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from bedside import random_patient, recorded
from ebbmap.lungs import lung_model
from ebbmap.traces.best import find_best
from ebbmap.traces.cycles import find_cycles
from ebbmap.traces.disturbances import SUPPOSITIONS, sizes_of
from ebbmap.traces.models import fitted_of, scale_of
from ebbmap.traces.suppositions import Suppositions
from ebbmap.traces.trace import read_trace

RNG = np.random.default_rng(3)
FLOW, FACTORS = RNG.normal(size=(9, 3)), np.array([[1.0, 1.0, 1.0], [20.0, 0.1, 1.0]])
BOTH = Suppositions(FLOW, FACTORS)


def covariance(factors):
    return np.eye(9) + (FLOW * factors**2) @ FLOW.T


def test_each_supposition_counts_as_its_normal_density_says():
    off = RNG.normal(size=(4, 9)) * 3.0
    constant = -np.log(2.0) + 4.5 * np.log(2.0 * np.pi)
    for number, factors in enumerate(FACTORS):
        wanted = multivariate_normal(np.zeros(9), covariance(factors)).logpdf(off)
        assert BOTH.likelihood(off)[:, number] == pytest.approx(wanted + constant)


def test_information_is_what_a_supposition_leaves():
    slopes = RNG.normal(size=(2, 9, 4))
    found = BOTH.information(slopes, np.array([0, 1]))
    for one, each, factors in zip(found, slopes, FACTORS, strict=True):
        assert one == pytest.approx(each.T @ np.linalg.solve(covariance(factors), each))


def test_a_truth_with_an_offset_stays_likely_where_a_leak_explains_as_well():
    """The fit with a leak alone was a little likelier, and the truth 1,300 below it."""
    patient, how = random_patient("paired", np.random.default_rng([13, 2]))
    scale = scale_of(fitted_of(lung_model("paired"), None, None), None, "paired")
    cycles = find_cycles(read_trace(recorded(patient, how, seed=13)))
    best = find_best(lung_model("paired"), scale, cycles, {}, wide=("leak",))
    real = scale.place(
        {
            "compliance": 1000.0 * patient.compliance,
            "resistance_insp": patient.insp,
            "resistance_exp": patient.exp,
            "slow_volume_share": patient.slow_share,
            "time_constant_slow": patient.slow_time,
            "own_resistance_share": patient.own_share,
        }
    )
    places = np.stack([real, best.place])
    alone = best.misfit.supposing(SUPPOSITIONS.index(("leak",))).density(places)
    assert alone[1] - alone[0] > 100.0
    every = best.misfit.density(places)
    # half of a chi-square number with 6 degrees of freedom is below 12 but once in 1,000
    assert every[1] - every[0] < 12.0


def test_suppositions_are_those_of_the_sizes():
    patient, how = random_patient("linear", np.random.default_rng([1, 0]))
    scale = scale_of(fitted_of(lung_model("linear"), None, None), None, "linear")
    cycles = find_cycles(read_trace(recorded(patient, how, seed=1)))
    best = find_best(lung_model("linear"), scale, cycles, {}, wide=("offset",))
    own = SUPPOSITIONS.index(("offset",))
    assert best.misfit.suppositions[own] == pytest.approx(np.ones(len(best.names)))
    sizes = sizes_of(best.misfit, best.names)
    leak = best.names.index("leak")
    wide = best.misfit.suppositions[SUPPOSITIONS.index(("leak",)), leak] * sizes[leak]
    # the prior of a large leak, 12 L/min at 25 cmH2O
    assert wide == pytest.approx(0.2 / 25.0)
