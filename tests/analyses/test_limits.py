"""What each limit decides in drawn lungs, beside judging by sets without it."""

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.common.each_limit import PAST, UNSTATED
from ebbmap.analyses.limits import EachLimit, find_limits
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.question import Question, draw_cases
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import parse_study
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LIMIT_SETS, Limit, LimitSet
from ebbmap.registries.populations import POPULATIONS
from ebbmap.registries.steady import RUNS_AWAY, balances_of
from ebbmap.tables.limits import tables

HARM = LIMIT_SETS["harm"]
T_LOW = np.array([0.3, 0.5, 0.9])
ASKED = Question(
    lung="linear",
    fixed={
        "p_high": 22.0,
        "p_low": 0.0,
        "t_high": 4.0,
        "fio2": 0.5,
        "spontaneous_alveolar_ventilation": 2.0,
    },
    populations=(POPULATIONS["normal"], POPULATIONS["obstructive"]),
    rules={"harm": HARM, "mild": LIMIT_SETS["auto_peep"]},
    lungs=60,
    seed=4,
)


@pytest.fixture(scope="module")
def found():
    return find_limits(ASKED, EachLimit(axes=["t_low"]), axes={"t_low": T_LOW})


def outcomes_of(group):
    """Outcomes of every drawn lung at every T low, shape (n, 3)."""
    drawn = {n: v.values for n, v in draw_cases(ASKED, group, {}).items()}
    values = {n: np.reshape(v, (-1, 1)) for n, v in drawn.items()} | {"t_low": T_LOW}
    solved = evaluate(lung_model("linear"), values, ASKED.outcomes).outcomes
    return {n: np.broadcast_to(v, (ASKED.lungs, T_LOW.size)) for n, v in solved.items()}


def each(found):
    for group in ASKED.groups():
        for name, limits in ASKED.rules.items():
            outcomes = outcomes_of(group)
            part = found.sel(population=group.name, rule=name)
            yield limits, outcomes, judge(limits, outcomes), part


def without(limits, bound):
    """The set without one bound; a limit of two sides keeps the other."""
    kept = []
    for limit in limits.limits:
        if limit.severity == "hard" and limit.outcome == bound.outcome:
            ends = {side: getattr(limit, side) for side in ("low", "high") if side != bound.side}
            other = {side: value for side, value in ends.items() if value is not None}
            if other:
                kept.append(Limit(limit.outcome, limit.why, width=limit.scale, **other))
        else:
            kept.append(limit)
    return LimitSet("without", "without", tuple(kept))


def test_shares_are_those_of_judging_without_each_limit(found):
    for limits, outcomes, judged, part in each(found):
        assert float(part["safe_share"]) == pytest.approx(judged.safe.mean(), abs=1e-12)
        assert float(part["undetermined_share"]) == pytest.approx((~judged.determined).mean())
        for place, bound in enumerate(limits.hard):
            one = part.sel(bound=bound.name)
            smaller = without(limits, bound)
            safe = judge(smaller, outcomes).safe if smaller.hard else ~np.isnan(judged.margin)
            assert float(one["without_share"]) == pytest.approx(safe.mean(), abs=1e-12)
            gained = safe & ~judged.safe
            assert float(one["gained_share"]) == pytest.approx(gained.mean(), abs=1e-12)
            broken = bound.margin(outcomes[bound.outcome]) < 0
            assert float(one["any_broken_share"]) == pytest.approx(broken.mean())
            most = judged.unsafe & (judged.binding == place)
            assert float(one["broken_share"]) == pytest.approx(most.mean())
            alone = broken & (judged.bound_broken.sum(axis=0) == 1)
            assert float(one["alone_share"]) == pytest.approx(alone.mean())
            unknown = np.isnan(outcomes[bound.outcome])
            assert float(one["unknown_share"]) == pytest.approx(unknown.mean())


def test_distances_are_those_of_counting(found):
    for limits, outcomes, _, part in each(found):
        for bound in limits.hard:
            one, values = part.sel(bound=bound.name), outcomes[bound.outcome].ravel()
            beyond = (values - bound.value) * (1 if bound.side == "high" else -1)
            known = beyond[np.isfinite(beyond)]
            short = [outcomes[name].ravel() < 0 for name in balances_of(bound.outcome)]
            on_its_way = bound.outcome in RUNS_AWAY and RUNS_AWAY[bound.outcome][0] == bound.side
            runaway = np.any(short, axis=0) if on_its_way else np.zeros(beyond.size, bool)
            assert float(one["runaway_share"]) == runaway.mean()
            width = float(one["width"])
            assert width == bound.width
            assert float(one["expected_excess"]) * width == pytest.approx(
                np.maximum(known, 0.0).mean(), abs=1e-12
            )
            for past in PAST:
                share = ((beyond > past * bound.width) | runaway).mean()
                assert float(one["past_share"].sel(past=past)) == pytest.approx(share)
            # 180 cases: nine of them are the worst one in twenty
            if known.size == 180:
                worst = np.sort(known)[-9:].mean()
                assert float(one["worst_excess"]) * width == pytest.approx(worst)


def test_lungs_are_the_sampling_unit():
    # the same lungs at one place, said three times, say no more than once
    once = find_limits(Question(**vars(ASKED) | {"fixed": {**ASKED.fixed, "t_low": 0.5}}))
    axes = {"t_low": 0.5 + np.array([0.0, 1e-9, 2e-9])}
    thrice = find_limits(ASKED, EachLimit(axes=["t_low"]), axes=axes)
    for name in ("safe_share", "gained_share"):
        ends = [one[f"{name}_interval"].transpose("ci_bound", ...) for one in (once, thrice)]
        mean = once[name]
        some = ((mean > 0) & (mean < 1)).values
        # the variance of shares divides by n - 1, that of Wilson's by n: 1/60
        for one, other in zip(*(end.values for end in ends), strict=True):
            np.testing.assert_allclose(other[some], one[some], atol=0.01)
        known = mean.notnull().values
        assert (ends[0].values[0] <= mean.values)[known].all()
        assert (mean.values <= ends[0].values[1])[known].all()


def test_a_stated_uncertainty_counts_and_an_assumed_one_is_said_to_be():
    limits = LimitSet(
        "two",
        "two",
        (
            Limit("auto_peep", "invented", high=10.0, uncertainty=2.0),
            Limit("ph", "invented", low=7.2, width=0.4),
        ),
    )
    asked = Question(**vars(ASKED) | {"rules": {"two": limits}})
    found = find_limits(asked).isel(rule=0)
    assert found["stated"].values.tolist() == [1.0, 0.0]
    np.testing.assert_allclose(found["spread"], [0.2, UNSTATED])
    for group in asked.groups():
        drawn = {n: v.values for n, v in draw_cases(asked, group, {}).items()}
        solved = evaluate(lung_model("linear"), drawn, limits.outcomes).outcomes
        rng = np.random.default_rng(1)
        peep, ph = rng.uniform(8, 12, 20_000), rng.uniform(7.16, 7.24, 20_000)
        kept = [
            ((value <= peep) & (acid >= ph)).mean()
            for value, acid in zip(solved["auto_peep"], solved["ph"], strict=True)
        ]
        # 20,000 draws of limits that all lungs share: a standard error of 0.0035 at most
        share = float(found["averaged_share"].sel(population=group.name))
        assert share == pytest.approx(np.mean(kept), abs=0.015)
    sharp = find_limits(asked, EachLimit(unstated=0.0)).isel(rule=0)
    assert (sharp["tight_share"] == sharp["loose_share"]).sel(bound="ph_low").all()


def test_a_limit_that_decides_nothing_is_named(found):
    notes = next(iter(tables(found))).notes
    for limits, _, judged, part in each(found):
        of = f"{part.rule.item()}, {part.population.item()}: decides nothing: "
        said = next((note for note in notes if note.startswith(of)), "")
        for bound in limits.hard:
            one = part.sel(bound=bound.name)
            idle = float(one["gained_share"]) == 0
            assert (bound.sentence in said) == idle
            never_alone = idle and bool((judged.bound_broken[limits.hard.index(bound)]).any())
            assert (f"{bound.sentence} (broken, but never alone)" in said) == never_alone


def test_tables_say_what_the_result_holds(found):
    dropped, excess, ranges = tables(found)
    percent = {
        "safe without this one": "without_share",
        "broken": "any_broken_share",
        "broken most": "broken_share",
        "broken and no other": "alone_share",
    }
    for table_of in (dropped, excess):
        heads = [column.title for column in table_of.columns]
        for row in table_of.rows:
            one = dict(zip(heads, row, strict=True))
            part = row_of(found, one)
            for title, name in percent.items():
                if title in one:
                    assert one[title] == float(part[name])
            if "decided by it alone" in one:
                low, high = part["gained_share_interval"].values
                assert one["decided by it alone"] == (float(part["gained_share"]), low, high)
                assert one["safe with every limit"][0] == float(part["safe_share"])
            else:
                beyond = one["worst one in twenty: distance beyond it"]
                assert beyond == float(part["worst_excess"] * part["width"])
                mean = float(part["expected_excess"] * part["width"])
                assert one["mean distance beyond it"] == mean
                for past in PAST:
                    share = one[f"by more than {100 * past:.0f} % of its width"]
                    assert share == float(part["past_share"].sel(past=past))
    listed = {(row[0], row[1], row[2]) for row in dropped.rows}
    for rule in ASKED.rules:
        for group in ASKED.groups():
            part = found.sel(rule=rule, population=group.name)
            breaks = part["limit"].values[(part["any_broken_share"] > 0).values]
            assert {key[2] for key in listed if key[:2] == (rule, group.name)} == set(breaks)
    heads = [column.title for column in ranges.columns]
    for row in ranges.rows:
        one = dict(zip(heads, row, strict=True))
        if one["limit"] == "every limit":
            part = found.sel(rule=one["rule"], population=one["population"])
            assert one["safe, averaged over all"] == float(part["averaged_share"])
            assert one["safe with it moved inward"] == float(part["all_tight_share"])
        else:
            part = row_of(found, one)
            assert one["may lie either way by"] == float(part["spread"] * part["width"])
            assert one["safe with it moved outward"] == float(part["loose_share"])


def row_of(found, one):
    part = found.sel(rule=one["rule"], population=one["population"])
    return part.isel(bound=int(np.flatnonzero(part["limit"].values == one["limit"])[0]))


def test_what_cannot_be_is_refused():
    with pytest.raises(EbbmapError, match="nothing can be judged without limits"):
        find_limits(Question())
    with pytest.raises(EbbmapError, match="t_high has no axis"):
        find_limits(ASKED, EachLimit(axes=["t_high"]))
    with pytest.raises(EbbmapError, match="uncertainty of the limit on ph must be >= 0; got -1"):
        Limit("ph", "invented", low=7.2, uncertainty=-1.0)


STUDY = """
title = "t"
lung = "linear"
populations = ["normal"]
lungs = 8
[limits]
sets = ["harm"]
rules = []
{}
[analyses.limits]
"""


def test_a_study_states_uncertainties_of_bundled_and_of_own_limits():
    own = '[[limits.own]]\noutcome = "paco2"\nwhy = "invented"\nhigh = 80.0\nuncertainty = 8.0'
    study = parse_study(STUDY.format(f"uncertainty = {{ ph = 0.05 }}\n{own}"))
    (rule,) = study.question.rules.values()
    stated = {bound.name: bound.uncertainty for bound in rule.hard if bound.uncertainty is not None}
    assert stated == {"ph_low": 0.05, "paco2_high": 8.0}
    assert isinstance(find_limits(study.question), xr.Dataset)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("uncertainty = { flow_ratio = 0.1 }", "uncertainty.flow_ratio: no limit bounds it"),
        ("uncertainty = { ph = -0.1 }", "must be at least 0; got -0.1"),
        ("uncertainty = { acid = 0.1 }", "unknown outcome 'acid'"),
    ],
)
def test_an_uncertainty_of_nothing_is_refused(line, said):
    with pytest.raises(StudyError, match=said):
        parse_study(STUDY.format(line))
