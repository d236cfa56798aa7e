"""Lungs that are drawn by batches: the first ones are the same however many follow."""

from dataclasses import replace

import numpy as np
import pytest

from ebbmap.analyses.map import Map, find_map
from ebbmap.analyses.sweep import Sweep, find_sweep
from ebbmap.analyses.window import find_window
from ebbmap.cases.question import BATCH, Question, draw_cases, draw_scores
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import CAUTION, SAFE
from ebbmap.registries.cohorts import Rows, StudentPopulation
from ebbmap.registries.distributions import Marginal
from ebbmap.registries.limits import limit_set
from ebbmap.registries.populations import population

NORMAL = population("normal")
PLAIN = {name: getattr(NORMAL, name) for name in ("name", "long_name", "comment", "marginals")}
ROWS = Rows(
    **PLAIN,
    rows=np.stack(list(NORMAL.sample(50, seed=1).values()), axis=1),
    weights=np.arange(1.0, 51.0),
)
GROUPS = {"copula": NORMAL, "rows": ROWS, "student": StudentPopulation(**PLAIN, freedom=4.0)}


def asked(group=NORMAL, lungs=2 * BATCH, **more):
    return Question("linear", populations=(group,), lungs=lungs, lungs_may_grow=True, **more)


def drawn(question, axes=None, **how):
    return draw_cases(question, question.groups()[0], axes or {}, **how)


@pytest.mark.parametrize("group", GROUPS.values(), ids=GROUPS)
@pytest.mark.parametrize("axes", [{}, {"compliance": np.array([30.0, 60.0])}], ids=["free", "held"])
def test_the_first_lungs_are_the_same_bit_for_bit(group, axes):
    samples = {"t_low": Marginal("uniform", 0.3, 0.8, "invented")}
    few, many = (drawn(asked(group, n, samples=samples), axes) for n in (2 * BATCH, 5 * BATCH))
    assert set(few) == set(many) and "t_low" in few and "resistance_exp" in few
    for name, array in few.items():
        more = many[name]
        if "sample" in array.dims:
            assert (array.sizes["sample"], more.sizes["sample"]) == (2 * BATCH, 5 * BATCH)
            assert more.attrs == array.attrs
            more = more.isel(sample=slice(0, 2 * BATCH))
        np.testing.assert_array_equal(array.values, more.values)


def test_a_batch_is_what_it_is_among_all():
    question = asked(lungs=3 * BATCH)
    every, one = drawn(question), drawn(question, batch=1)
    for name, array in one.items():
        among = every[name].isel(sample=slice(BATCH, 2 * BATCH))
        np.testing.assert_array_equal(array.values, among.values)


def test_batches_and_their_properties_are_drawn_apart():
    question = asked(lungs=20 * BATCH)
    scores = draw_scores(question, NORMAL).reshape(20, BATCH, -1)
    wanted = NORMAL.correlation_matrix
    # 2,000 lungs: a correlation is known to 0.022 at most, and four standard errors hold all 136
    assert np.abs(np.corrcoef(scores.reshape(-1, len(wanted)).T) - wanted).max() < 4 * 0.0224
    # no batch is another one's twin
    assert len(np.unique(scores[:, 0, 0])) == 20


def test_lungs_that_do_not_grow_are_drawn_as_ever():
    plain = replace(asked(), lungs_may_grow=False)
    own = population("normal")
    same = plain.populations[0].sample(2 * BATCH, seed=_first_seed(0))
    np.testing.assert_array_equal(drawn(plain)["compliance"].values, same["compliance"])
    assert own.name == plain.populations[0].name


def _first_seed(seed):
    stream = np.random.SeedSequence(seed).spawn(2)[0]
    return int(stream.generate_state(1, np.uint64)[0])


def test_a_map_by_batches_counts_the_verdicts_of_a_sweep():
    harm = {"harm": limit_set("harm")}
    question = asked(rules=harm, fixed={"p_high": 24.0})
    axes = {"t_low": np.array([0.3, 0.8]), "compliance": np.array([30.0, 60.0])}
    found = find_map(question, Map(x="t_low", y="compliance"), axes=axes)
    verdict = find_sweep(question, Sweep(outcomes=[]), axes=axes)["verdict_harm"]
    share = verdict.isin((SAFE, CAUTION)).mean("sample")
    same = share.transpose("population", "compliance", "t_low").values
    # a count over 200, on either side
    np.testing.assert_allclose(found["safe_share"].sel(rule="harm").values, same, rtol=1e-15)


def test_windows_of_more_lungs_begin_with_those_of_fewer():
    rules = {"flow_ratio": limit_set("flow_ratio")}
    few, many = (find_window(asked(lungs=n * BATCH, rules=rules)) for n in (1, 2))
    first = many.isel(sample=slice(0, BATCH))
    for name in ("best", "best_margin", "state"):
        np.testing.assert_array_equal(few[name].values, first[name].values)


def test_lungs_must_fill_their_batches_unless_others_are_asked_for():
    with pytest.raises(EbbmapError, match=r"multiple of 100 where .* got 130\. Take 200"):
        asked(lungs=130)
    assert asked().with_lungs(130).lungs == 130
