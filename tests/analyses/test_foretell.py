"""Rules for T low against harm, beside solving and counting by hand."""

import numpy as np
import pytest

from ebbmap import simulate
from ebbmap.analyses.foretell import WAYS, Foretell, find_foretell
from ebbmap.cases.question import Question, draw_cases
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import parse_study
from ebbmap.kernels.judging import judge
from ebbmap.registries.limits import LIMIT_SETS, RULES
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.registries.populations import POPULATIONS

T_LOW = np.array([0.1, 0.25, 0.5, 0.9, 1.6])
HARM = LIMIT_SETS["harm"]
ASKED = Question(
    lung="tube",
    fixed={"plateau_peep": 10.0, "p_low": 0.0, "t_high": 4.0, "fio2": 0.6},
    populations=tuple(POPULATIONS[name] for name in ("normal", "obstructive")),
    rules={"harm": HARM},
    lungs=24,
    seed=3,
)
#: As the question folds them: the lung has a tube and no slow part.
GROUPS = ASKED.populations
#: P high is worked out by hand.
HELD = {name: value for name, value in ASKED.fixed.items() if name != "plateau_peep"}
OPTIONS = Foretell(
    ways={
        "flow_ratio": [0.25, 0.5, 0.75],
        "exhaled_fraction": [0.25, 0.5],
        "t_low": [0.3, 0.6, 1.2],
        "release_in_time_constants": [0.5, 1.0],
    },
    own_breathing=[0.0, 2.0],
    resamples=200,
)


@pytest.fixture(scope="module")
def found():
    return find_foretell(ASKED, OPTIONS, axes={"t_low": T_LOW})


def solved_by_hand(group, t_low, own, outcomes=None):
    """Judge every drawn lung at T low of shape (n, k)."""
    lungs = {n: v.values for n, v in draw_cases(ASKED, group, {}).items() if v.dims}
    lungs["p_high"] = np.minimum(
        10.0 + 6.0 * lungs["predicted_body_weight"] / lungs["compliance"], 30.0
    )
    case = {name: np.repeat(value, t_low.shape[1]) for name, value in lungs.items()}
    settings = {**HELD, SPONTANEOUS: own, "t_low": t_low.ravel()}
    result = simulate("tube", outcomes=outcomes, **case, **settings)
    solved = {name: result[name].values.reshape(t_low.shape) for name in result.data_vars}
    return None if outcomes else judge(HARM, solved), solved


def each(found):
    for group in GROUPS:
        for own in OPTIONS.own_breathing:
            part = found.sel({"population": group.name, SPONTANEOUS: own}).isel(model=0, rule=0)
            yield group, own, part


def test_sensitivity_and_specificity_are_what_counting_gives(found):
    every = np.broadcast_to(T_LOW, (ASKED.lungs, T_LOW.size))
    for group, own, part in each(found):
        judged, outcomes = solved_by_hand(group, every, own)
        for way in OPTIONS.ways:
            measure = every if way == "t_low" else outcomes[way]
            one = part.sel(way=way)
            for step, threshold in enumerate(OPTIONS.thresholds(way)):
                kept = measure >= threshold if way == "flow_ratio" else measure <= threshold
                at = one.isel(step=step)
                assert float(at["threshold"]) == threshold
                harmed, unharmed = judged.unsafe, judged.safe
                for name, some, of in (
                    ("sensitivity", harmed & ~kept, harmed),
                    ("specificity", unharmed & kept, unharmed),
                    ("kept_unharmed_share", unharmed & kept, kept),
                    ("broken_unharmed_share", unharmed & ~kept, ~kept),
                ):
                    expected = some.sum() / of.sum() if of.any() else np.nan
                    # the same whole numbers, divided once
                    np.testing.assert_allclose(float(at[name]), expected, rtol=1e-14)


def test_choosing_sets_what_the_rule_says(found):
    chosen = {}
    for group, own, part in each(found):
        for way in ("flow_ratio", "exhaled_fraction", "release_in_time_constants"):
            one = part.sel(way=way)
            for step, threshold in enumerate(OPTIONS.thresholds(way)):
                asked = (group.name, way, threshold)
                if asked not in chosen:
                    chosen[asked] = chosen_by_bisection(group, way, threshold)
                judged, outcomes = solved_by_hand(group, chosen[asked][:, None], own)
                np.testing.assert_allclose(outcomes[way][:, 0], threshold, rtol=1e-4)
                at = one.isel(step=step)
                assert float(at["unharmed_share"]) == judged.safe.mean()
                assert float(at["undetermined_share"]) == (~judged.determined).mean()
                np.testing.assert_allclose(at["harm_share"], judged.bound_broken.mean(axis=(1, 2)))
                # bisection ends at a range of ln(1000) / 2**20, a millionth
                middle = np.median(chosen[asked])
                assert float(at["chosen_t_low"]) == pytest.approx(middle, rel=1e-4)


def chosen_by_bisection(group, way, threshold):
    low, high = np.full(ASKED.lungs, 0.02), np.full(ASKED.lungs, 20.0)
    for _ in range(20):
        middle = np.sqrt(low * high)
        value = solved_by_hand(group, middle[:, None], 0.0, (way,))[1][way][:, 0]
        longer = value > threshold if way == "flow_ratio" else value < threshold
        low, high = np.where(longer, middle, low), np.where(longer, high, middle)
    return middle


def test_by_the_clock_every_lung_has_the_same_t_low(found):
    one = found.sel(way="t_low").isel(step=slice(0, 3))
    assert (one["chosen_t_low"] == [0.3, 0.6, 1.2]).all()
    assert (one["unreached_share"] == 0.0).all()


def test_intervals_hold_their_estimates_and_the_best_rule_is_in_its_place(found):
    for _, _, part in each(found):
        for way in OPTIONS.ways:
            one = part.sel(way=way)
            for name in ("sensitivity", "specificity", "kept_unharmed_share", "unharmed_share"):
                low, high = one[f"{name}_interval"].values
                value = one[name].values
                known = np.isfinite(low)
                assert ((low <= value) & (value <= high))[known].all(), name
            youden = np.r_[0.0, one["youden"].dropna("step").values, 0.0]
            if np.isfinite(float(one["best_youden"])):
                gain = max(b - a for i, a in enumerate(youden) for b in youden[i:])
                assert gain - 0.01 <= float(one["best_youden"]) <= gain + 1e-12
                total = float(one["best_sensitivity"] + one["best_specificity"]) - 1.0
                assert float(one["best_youden"]) == pytest.approx(total, abs=1e-12)


def test_two_thirds_of_the_same_rule_are_one_rule_in_a_linear_lung():
    # a linear lung's flow ratio and exhaled fraction add up to one, so both rules are one rule
    asked = Question(**vars(ASKED) | {"lung": "linear", "populations": GROUPS[:1]})
    options = Foretell(
        ways={"flow_ratio": [0.7, 0.5], "exhaled_fraction": [0.3, 0.5]}, own_breathing=[2.0]
    )
    found = find_foretell(asked, options, axes={"t_low": T_LOW}).isel(population=0, model=0, rule=0)
    one, other = found.sel(way="flow_ratio"), found.sel(way="exhaled_fraction")
    for name in ("unharmed_share", "sensitivity", "specificity", "youden"):
        np.testing.assert_array_equal(one[name], other[name])
    np.testing.assert_allclose(one["chosen_t_low"], other["chosen_t_low"], rtol=1e-4)


def test_harm_names_no_rule_and_bounds_nothing_twice():
    outcomes = set(HARM.outcomes)
    assert not outcomes & {*RULES, *WAYS}
    assert {"ph", "spo2", "release_volume_per_kg", "end_release_pressure"} <= outcomes
    assert "auto_peep" not in outcomes
    hard = [bound.outcome for bound in HARM.hard]
    assert len(hard) == len(set(hard))


def test_models_and_populations_stand_side_by_side():
    options = Foretell(
        **OPTIONS.model_dump(exclude={"models", "ways"}),
        ways={"t_low": [0.5]},
        models=["linear", "tube"],
    )
    both = find_foretell(ASKED, options, axes={"t_low": T_LOW})
    alone = find_foretell(ASKED, options.model_copy(update={"models": []}), axes={"t_low": T_LOW})
    np.testing.assert_array_equal(
        both["unharmed_share"].sel(model="tube"), alone["unharmed_share"].isel(model=0)
    )
    assert both.attrs["lung"] == "linear, tube"


def test_what_cannot_be_is_refused():
    with pytest.raises(EbbmapError, match="t_low has no axis"):
        find_foretell(ASKED)
    with pytest.raises(EbbmapError, match="without limits"):
        find_foretell(Question(lung="linear"), axes={"t_low": T_LOW})
    with pytest.raises(EbbmapError, match="above 0"):
        Foretell(ways={"t_low": [0.0]})


STUDY = (
    'title = "t"\nlung = "linear"\npopulations = ["normal"]\nlungs = 4\n[analyses.foretell]\n{}\n{}'
)


@pytest.mark.parametrize(
    ("options", "rest", "said"),
    [
        ("", "", r"analyses.foretell: needs releases .* Add \[axes.t_low\]"),
        (
            "",
            "[axes]\nt_low = [0.3]\n[fixed]\np_high = 20.0\nplateau_peep = 10.0",
            "fixed.plateau_peep: sets p_high, which is given too. Drop one.",
        ),
        (
            "ways = { flow_ratio = [75] }",
            "[axes]\nt_low = [0.3]",
            "analyses.foretell.ways.flow_ratio: must be a share below 1; got 75",
        ),
        ("models = ['tube', 'tube']", "[axes]\nt_low = [0.3]", "'tube' is listed twice"),
    ],
)
def test_a_study_says_what_does_not_fit(options, rest, said):
    with pytest.raises(StudyError, match=said):
        parse_study(STUDY.format(options, rest))
