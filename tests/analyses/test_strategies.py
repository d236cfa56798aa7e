"""Strategies as wholes, beside settings worked out by hand and lungs judged one by one."""

import numpy as np
import pytest

from ebbmap import simulate
from ebbmap.analyses.strategies import Strategies, find_strategies
from ebbmap.cases.question import Question, draw_cases
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import parse_study
from ebbmap.kernels.judging import judge
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.registries.strategies import SETTINGS, STRATEGIES
from ebbmap.tables.strategies import tables

HARM = LIMIT_SETS["harm"]
ASKED = Question(
    lung="tube",
    fixed={"fio2": 0.6},
    populations=tuple(POPULATIONS[name] for name in ("restrictive", "obstructive")),
    rules={"harm": HARM},
    lungs=24,
    seed=3,
)
#: The populations as they are in this lung.
GROUPS = ASKED.groups()
OPTIONS = Strategies(
    own_breathing=[0.0, 3.0], before={"volume_per_kg": 7.0, "peep": 8.0, "rate": 18.0}
)
NAMED = pytest.mark.parametrize("name", STRATEGIES)


@pytest.fixture(scope="module")
def found():
    return find_strategies(ASKED, OPTIONS)


def lungs_of(group):
    return {n: v.values for n, v in draw_cases(ASKED, group, {}).items() if v.dims}


def solved_by_hand(group, settings, own):
    result = simulate("tube", **lungs_of(group), **ASKED.fixed, **settings, **{SPONTANEOUS: own})
    return {name: result[name].values for name in result.data_vars}


def plateau(lungs, share=1.0, volume=7.0, cap=np.inf):
    rise = volume * lungs["predicted_body_weight"] / lungs["compliance"]
    return np.minimum(share * (8.0 + rise), cap)


#: P low; plateau from which P high is read; T low [s] or share of peak flow; T high [s] or the
#: whole cycle [s]: from the words of each source.
BY_HAND = {
    "low_volume": (10.0, None, ("time", 60 / 18 * (1 - 1 / 2.15)), ("time", 60 / 18 / 2.15)),
    "trial_2017": (5.0, {"cap": 30.0}, ("ratio", 0.5), ("cycle", 5.0)),
    "trial_2020": (5.0, {"cap": 30.0, "volume": 6.0}, ("ratio", 0.75), ("time", 5.0)),
    "consensus_2026": (0.0, {}, ("ratio", 0.75), ("cycle", 60 / 18)),
    "textbook": (0.0, {"cap": 35.0}, ("time", 0.8), ("time", 4.0)),
    "hospital_guide": (0.0, {"share": 0.9, "cap": 30.0}, ("time", 0.65), ("time", 5.0)),
    "hospital_guide_copd": (0.0, {"share": 0.9, "cap": 30.0}, ("time", 1.0), ("time", 5.0)),
}


@NAMED
def test_settings_are_those_that_the_source_gives_each_lung(found, name):
    p_low, high, (release, value), (inflation, time) = BY_HAND[name]
    for group in GROUPS:
        lungs, part = lungs_of(group), found.sel(population=group.name, strategy=name)
        set_ = part["p_high"].notnull().values
        assert set_.mean() == 1.0 - float(part["unset_share"])
        p_high = (
            p_low + 6.0 * lungs["predicted_body_weight"] / lungs["compliance"]
            if high is None
            else plateau(lungs, **high)
        )
        np.testing.assert_allclose(part["p_low"].values[set_], p_low)
        np.testing.assert_allclose(part["p_high"].values[set_], p_high[set_])
        t_low, t_high = part["t_low"].values, part["t_high"].values
        cycle = t_low + t_high
        np.testing.assert_allclose((cycle if inflation == "cycle" else t_high)[set_], time)
        if release == "time":
            np.testing.assert_allclose(t_low[set_], value)
        else:
            settings = {n: np.where(set_, part[n].values, 20.0) for n in SETTINGS}
            ratio = solved_by_hand(group, settings, 0.0)["flow_ratio"]
            # found to a millionth of T low
            np.testing.assert_allclose(ratio[set_], value, rtol=1e-4)


def test_a_release_longer_than_its_cycle_cannot_be_set():
    slow = Question(
        lung="linear",
        fixed={"compliance": 80.0, "resistance_exp": 100.0, "resistance_insp": 10.0},
        rules={"harm": HARM},
    )
    # 50 % of peak flow takes 5.5 s, a cycle at 12 releases per minute 5 s
    found = find_strategies(slow, Strategies(strategies=["trial_2017", "textbook"]))
    assert found["unset_share"].values.ravel().tolist() == [1.0, 0.0]
    one = found.sel(strategy="trial_2017")
    assert one[list(SETTINGS)].isnull().all().to_array().all()
    assert (one["unharmed_share"] == 0.0).all() and (one["undetermined_share"] == 0.0).all()


@NAMED
def test_shares_are_those_of_judging_lung_by_lung(found, name):
    for group in GROUPS:
        for own in OPTIONS.own_breathing:
            part = found.sel({"population": group.name, "strategy": name, SPONTANEOUS: own})
            part = part.isel(rule=0)
            known = part["p_high"].notnull().values
            settings = {n: np.where(known, part[n].values, 20.0) for n in SETTINGS}
            solved = solved_by_hand(group, settings, own)
            solved = {n: np.where(known, value, np.nan) for n, value in solved.items()}
            judged = judge(HARM, solved)
            assert float(part["unharmed_share"]) == pytest.approx(judged.safe.mean())
            lost = float(part["undetermined_share"] + part["unset_share"])
            assert lost == pytest.approx((~judged.determined).mean())
            broken = part["harm_share"].sel(bound=[bound.name for bound in HARM.hard])
            np.testing.assert_allclose(broken, judged.bound_broken.mean(axis=1))
            keeps = STRATEGIES[name].keeps
            if not keeps.hard:
                assert np.isnan(float(part["kept_share"]))
                continue
            kept = judge(keeps, solved)
            assert float(part["kept_share"]) == pytest.approx(kept.safe.mean())
            broken = part["own_broken_share"].sel(own_bound=[bound.name for bound in keeps.hard])
            np.testing.assert_allclose(broken, kept.bound_broken.mean(axis=1))


def test_differences_are_paired_and_hold_their_estimates(found):
    shares = found["unharmed_share"]
    apart = shares - shares.rename(strategy="other_strategy")
    np.testing.assert_allclose(found["difference"], apart.transpose(*found["difference"].dims))
    low, high = found["difference_interval"].transpose("ci_bound", ...).values
    value = (
        found["difference"]
        .transpose(*(dim for dim in found["difference_interval"].dims if dim != "ci_bound"))
        .values
    )
    assert ((low <= value) & (value <= high)).all() and (low < high).all()


def test_one_strategy_among_others_is_what_it_is_alone(found):
    alone = find_strategies(ASKED, OPTIONS.model_copy(update={"strategies": ["textbook"]}))
    for name in ("unharmed_share", "kept_share", *SETTINGS):
        np.testing.assert_array_equal(
            found[name].sel(strategy="textbook"), alone[name].isel(strategy=0)
        )
    assert [one.name for one in tables(alone)] == ["settings", "shares", "sources"]


def test_tables_say_what_the_result_holds(found):
    settings, shares, differences, sources = tables(found)
    for row in shares.rows:
        population, own, rule, strategy, unharmed, lost, worst, kept, own_worst = row
        part = found.sel({"population": population, SPONTANEOUS: own, "strategy": strategy})
        part = part.sel(rule=rule)
        ends = part["unharmed_share_interval"].values
        assert unharmed == (float(part["unharmed_share"]), *ends)
        assert lost == float(part["undetermined_share"] + part["unset_share"])
        assert (worst == "") == (float(part["harm_share"].max()) == 0.0)
        if worst:
            assert float(part["harm_share"].sel(bound=worst)) == float(part["harm_share"].max())
        np.testing.assert_array_equal(kept[0], float(part["kept_share"]))
        if own_worst:
            most = float(part["own_broken_share"].max())
            assert float(part["own_broken_share"].sel(own_bound=own_worst)) == most > 0
    assert len(shares.rows) == found["unharmed_share"].size
    for row in settings.rows:
        part = found.sel(strategy=row[0], population=row[1])
        for cell, name in zip(row[2:6], SETTINGS, strict=True):
            values = part[name].dropna("sample").values
            assert cell[0] == np.median(values)
            np.testing.assert_allclose(cell[1:], np.quantile(values, [0.05, 0.95]))
    for population, own, rule, strategy, (value, *ends) in differences.rows:
        part = found.sel({"population": population, SPONTANEOUS: own, "rule": rule})
        part = part.sel(strategy=strategy, other_strategy="low_volume")
        assert value == float(part["difference"])
        assert ends == part["difference_interval"].values.tolist()
    for name, one in STRATEGIES.items():
        said = [row[2] for row in sources.rows if row[0] == name]
        assert any(one.source in text for text in said)
        for missing in one.leaves_out:
            assert missing in said


def test_what_is_left_out_and_the_ventilation_before_are_in_the_result(found):
    assert found.attrs["before"].startswith("Before: 7 mL/kg above 8 cmH₂O, 18 per minute")
    for name, one in STRATEGIES.items():
        part = found.sel(strategy=name)
        assert part["strategy_source"].item() == one.source
        assert part["leaves_out"].item() == "; ".join(one.leaves_out)


def test_what_cannot_be_is_refused():
    with pytest.raises(EbbmapError, match="nothing can be judged without limits"):
        find_strategies(Question())
    with pytest.raises(EbbmapError, match=r"unknown strategy 'trial_2018'.*trial_2017"):
        Strategies(strategies=["trial_2018"])


STUDY = 'title = "t"\npopulations = ["normal"]\nlungs = 4\n[fixed]\n{}\n[analyses.strategies]\n{}'


@pytest.mark.parametrize(
    ("fixed", "options", "said"),
    [
        ("p_high = 20.0", "", "the strategies set p_high, which is fixed too. Drop it."),
        ("", "strategies = ['textbook', 'textbook']", "'textbook' is listed twice"),
        ("", "strategies = ['trial']", "unknown strategy 'trial'"),
        ("", "before = { rate = 0 }", "before.rate"),
    ],
)
def test_a_study_says_what_does_not_fit(fixed, options, said):
    with pytest.raises(StudyError, match=said):
        parse_study(STUDY.format(fixed, options))


def test_what_is_not_known_of_the_populations_has_an_interval_of_its_own():
    asked = Question(**vars(ASKED) | {"lung": "linear", "lungs": 30, "knowledge": 20})
    options = Strategies(strategies=["textbook", "consensus_2026"], own_breathing=[3.0], level=0.8)
    found = find_strategies(asked, options)
    for name in ("unharmed_share", "kept_share", "difference"):
        low, high = found[f"{name}_knowledge"].transpose("ci_bound", ...).values
        known = np.isfinite(found[name].values)
        assert (low <= high)[known].all() and known.any()
        assert found[f"{name}_knowledge"].attrs["outer_draws"] == 20
    assert (found["kept_share"].sel(strategy="consensus_2026").isnull()).all()
    alone = find_strategies(Question(**vars(asked) | {"knowledge": 0}), options)
    np.testing.assert_array_equal(found["unharmed_share"], alone["unharmed_share"])
