"""Which lungs a trace could be of."""

from dataclasses import replace

import numpy as np
import pytest

from bedside import Bedside, Patient, random_patient, recorded
from ebbmap.lungs import lung_model
from ebbmap.tables.fit import fit_sentences
from ebbmap.traces.best import find_best
from ebbmap.traces.compare import better_lung, compare_lungs, doubtful_lungs, explain
from ebbmap.traces.cycles import find_cycles
from ebbmap.traces.disturbances import SUPPOSITIONS, sizes_of
from ebbmap.traces.fit import find_fit
from ebbmap.traces.models import fitted_of, scale_of
from ebbmap.traces.trace import read_trace

TUBE = recorded(Patient(quadratic=8.0), Bedside(cycles=5), seed=3)


def best_of(name, table):
    model = lung_model(name)
    scale = scale_of(fitted_of(model, None, None), None, name)
    cycles = find_cycles(read_trace(table))
    return find_best(model, scale, cycles, {}, wide=SUPPOSITIONS[-1])


@pytest.fixture(scope="module")
def found():
    return compare_lungs(best_of("whole", TUBE), best_of("linear", TUBE))


def test_evidence_is_what_draws_from_the_prior_say():
    """Of one property, whose likelihood is summed over its whole range."""
    scale = scale_of(("compliance",), None, "linear")
    held = {"resistance_insp": 10.0, "resistance_exp": 14.0}
    cycles = find_cycles(read_trace(recorded(Patient(), Bedside(cycles=4, noise=0.03), seed=2)))
    best = find_best(lung_model("linear"), scale, cycles, held, wide=SUPPOSITIONS[-1])
    explained = explain(best.misfit, best.place[None])
    width = 0.05 * np.array([-1.0, 1.0])
    places = np.linspace(*(best.place[0] + width), 2001)[:, None]
    each = best.misfit.by_supposition(places)
    most = each.max(axis=0)
    step = places[1, 0] - places[0, 0]
    summed = most + np.log(np.sum(np.exp(each - most), axis=0) * step / np.ptp(scale.box))
    # a flat prior is taken for a normal as wide, which is 0.32 wide of it in logarithms
    assert explained.weights + 0.5 * np.log(np.pi / 6.0) == pytest.approx(summed, abs=0.05)


def test_lungs_that_have_a_part_more_are_no_worse(found):
    for poorer, richer in (("linear", "tube"), ("linear", "paired"), ("tube", "whole")):
        # descents end within a thousandth of the best, in squares of some hundred bins
        assert np.all(found[richer].log > found[poorer].log - 0.5)


def test_a_lung_that_lacks_the_bend_is_worse_and_one_that_has_more_is_not_better(found):
    assert better_lung("linear", found) == "tube"
    assert better_lung("paired", found) == "tube"
    assert better_lung("tube", found) is None
    assert not doubtful_lungs("linear", found)


def test_shares_of_suppositions_add_up_and_find_the_offset():
    how = Bedside(cycles=5, offset=0.05)
    best = best_of("linear", recorded(Patient(), how, seed=4))
    explained = explain(best.misfit, best.place[None])
    assert np.sum(explained.shares) == pytest.approx(1.0)
    # without any, the trace is out of the question
    assert explained.shares[SUPPOSITIONS.index(())] < 1e-6
    only = explained.beside()[SUPPOSITIONS.index(("offset",)), best.names.index("offset")]
    size = sizes_of(best.misfit, best.names)[best.names.index("offset")]
    # five errors of a mean of a thousand samples with a noise of 0.01 L/s
    assert only * size == pytest.approx(0.05, abs=0.0015)


@pytest.mark.parametrize(
    ("gain", "better", "doubtful"), [(0.5, None, {}), (2.0, None, {"tube"}), (6.0, "tube", {})]
)
def test_a_little_better_is_a_doubt(found, gain, better, doubtful):
    # twice 6 is beyond what one property gains by chance once in 200, 7.9
    pair = {name: replace(found["linear"]) for name in ("linear", "tube")}
    pair["tube"] = replace(pair["tube"], log=found["linear"].log + gain)
    assert better_lung("linear", pair) == better
    assert set(doubtful_lungs("linear", pair)) == set(doubtful)


def test_a_leak_that_a_slow_part_with_an_offset_explains_as_well_is_a_doubt():
    """Flow of a slow part and an offset together is that of a leak."""
    patient, how = random_patient("paired", np.random.default_rng([5, 2]))
    table = recorded(patient, how, seed=5)
    judge, asked = best_of("whole", table), best_of("linear", table)
    explained = compare_lungs(judge, asked)
    assert better_lung("linear", explained) is None
    assert SUPPOSITIONS[explained["linear"].likeliest] == ("leak",)
    doubtful = doubtful_lungs("linear", explained)
    assert SUPPOSITIONS[doubtful["paired"]] == ("offset",)
    there = explained["paired"].compliances[doubtful["paired"]]
    # the slow fifth is in it, and only there
    assert there == pytest.approx(1000.0 * patient.compliance, rel=0.15)
    assert not doubtful_lungs("whole", explained)


def test_a_fit_names_the_better_lung_or_says_that_it_cannot_tell():
    fit = find_fit(TUBE, lung="linear", compare=False)
    fit = fit.assign_coords(lung=["linear"]).reindex(lung=["linear", "tube"], fill_value=0)
    fit["compliance"].loc["tube"] = 40.0
    fit.attrs |= {"better_lung": "tube"}
    assert any("The lung tube (compliance 40 mL/cmH₂O) explains" in s for s in fit_sentences(fit))
    fit.attrs |= {"better_lung": "", "doubtful": "tube", "doubtful_supposing": "1"}
    (said,) = (s for s in fit_sentences(fit) if "cannot tell linear with" in s)
    assert "from tube with an offset (compliance 40 mL/cmH₂O)" in said
