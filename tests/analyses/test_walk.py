"""Every analysis through every limit set and every lung model, beside brute force on `judge`.

Brute force solves each drawn lung at each place and counts verdicts; nothing is searched, so what
the analyses say of safe, unsafe and undetermined must be what it counts.
"""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.adjust import Adjust, find_adjust
from ebbmap.analyses.boxes import Boxes, find_boxes
from ebbmap.analyses.common.events import TOO_HIGH, TOO_LOW, UNSAFE
from ebbmap.analyses.common.windows import NO_WINDOW, SEARCHED, UNCLEAR, WINDOW
from ebbmap.analyses.map import Map, find_map
from ebbmap.analyses.mapping import FactorMapping, find_mapping
from ebbmap.analyses.screening import Screening, find_screening
from ebbmap.analyses.shapley import Shapley, find_shapley
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.analyses.sweep import Sweep, find_sweep
from ebbmap.analyses.trade import Trade, find_trade
from ebbmap.analyses.wean import Wean, find_wean
from ebbmap.analyses.window import SERVED_AT, find_window
from ebbmap.cases.design import draw_random_design
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.question import Question, draw_cases
from ebbmap.committee import windows as committee_windows
from ebbmap.committee.counting import count_groups
from ebbmap.committee.lungs import VERDICT, WINDOWS, draw_lungs
from ebbmap.committee.maps import map_draft
from ebbmap.committee.verdict import find_verdict
from ebbmap.errors import EbbmapError
from ebbmap.files.protocol import parse_protocol
from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, judge
from ebbmap.kernels.judging import UNSAFE as UNSAFE_VERDICT
from ebbmap.kernels.serving import serves
from ebbmap.kernels.shares import shares, shares_of_counts, wilson
from ebbmap.lungs import LUNGS, lung_model
from ebbmap.registries.limits import LIMIT_SETS, combine
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.runs.counts import count_verdicts

FIXED = {"p_high": 24.0, "p_low": 0.0, "t_high": 4.0}
AT = np.array([0.1, 0.4, 1.2])

#: The stepped and breathing lungs take a hundred times as long as the others, the whole one five.
LUNGS_OF = {"stepped": 8, "breathing": 6, "whole": 12}
FEW_OF = {"stepped": 2, "whole": 3, "breathing": 2}
FINE_OF = {"stepped": 100, "whole": 200, "breathing": 150}

#: Of two places, the one without a steady state is enough where a lung is dear.
PLACES_OF = {"stepped": 1, "breathing": 1, "whole": 1}

#: Places between which a window's edge may lie: nearer to an edge than this [1], the solver of the
#: stepped lung (1e-7) may say either.
NEAR_EDGE = 1e-5

#: All bundled sets; one without a hard limit is joined to a rule.
SETS = [*LIMIT_SETS, "pressure+co2"]


def limits_of(name):
    sets = [LIMIT_SETS[part] for part in name.split("+")]
    if not any(one.hard for one in sets):
        sets.append(LIMIT_SETS["flow_ratio"])
    return combine(name, *sets)


#: Lung and limits, as they are walked: every set on the linear lung and in turn on one of the two
#: others that are solved at once, those made of the most outcomes on every lung. The fast set has
#: every set on the linear lung, and on the others the one that is made of the most outcomes.
MOST_OUTCOMES = ("pressure+co2", "harm")
SETS_OF = {
    "linear": SETS,
    "tube": list(dict.fromkeys((*SETS[::2], *MOST_OUTCOMES))),
    "paired": list(dict.fromkeys((*SETS[1::2], *MOST_OUTCOMES))),
}
WALKED = [
    pytest.param(
        (lung, name),
        id=f"{lung}-{name}",
        marks=() if lung == "linear" or name == "pressure+co2" else pytest.mark.slow,
    )
    for lung in LUNGS
    for name in SETS_OF.get(lung, MOST_OUTCOMES)
]


@pytest.fixture(scope="module", params=WALKED)
def walked(request):
    return request.param


@pytest.fixture(scope="module")
def lung(walked):
    return walked[0]


@pytest.fixture(scope="module")
def limits(walked):
    return limits_of(walked[1])


@pytest.fixture(scope="module")
def asked(lung, limits):
    groups = (POPULATIONS["normal"], POPULATIONS["obstructive"])
    return Question(
        lung=lung,
        fixed=FIXED,
        populations=groups,
        rules={"all": limits},
        lungs=LUNGS_OF.get(lung, 60),
    )


def by_brute_force(question, group, **places):
    """Judge every lung at every place, shape (lungs, places)."""
    drawn = draw_cases(question, group, {})
    values = {name: np.reshape(array.values, (-1, 1)) for name, array in drawn.items()}
    (limits,) = question.rules.values()
    case = values | {name: np.asarray(place) for name, place in places.items()}
    return judge(limits, evaluate(lung_model(question.lung), case, limits.outcomes).outcomes)


@pytest.mark.parametrize("number", range(2))
def test_windows_are_what_a_fine_grid_finds(lung, limits, number):
    names = list(POPULATIONS)[2 * number : 2 * number + 2]
    question = Question(
        lung=lung,
        fixed=FIXED,
        populations=tuple(POPULATIONS[n] for n in names),
        rules={"all": limits},
        lungs=FEW_OF.get(lung, 12),
        seed=number,
    )
    found = find_window(question).isel(rule=0)
    fine = np.geomspace(*SEARCHED, FINE_OF.get(lung, 700))
    t_low = np.concatenate([fine, SERVED_AT])
    for group in question.populations:
        one = found.sel(population=group.name)
        judged = by_brute_force(question, group, t_low=t_low)
        edges = {n: one[n].values for n in ("lower", "upper", "unknown_lower", "unknown_upper")}
        every = np.concatenate(list(edges.values()), axis=1)[:, :, None]
        with np.errstate(invalid="ignore"):
            clear = ~(np.abs(t_low / every - 1.0) < NEAR_EDGE).any(axis=1)
        # the ends of the searched range are edges too, and exact
        clear[:, [0, fine.size - 1]] = True
        for names, expected in (
            (("lower", "upper"), judged.safe),
            (("unknown_lower", "unknown_upper"), ~judged.determined),
        ):
            inside = serves(*(edges[name] for name in names), t_low)
            np.testing.assert_array_equal(inside[clear], expected[clear])
        # what a lung has, and what the shares count
        state = one["state"].values
        assert (state[judged.safe.any(axis=1)] == WINDOW).all()
        assert (state[judged.unsafe.all(axis=1)] != UNCLEAR).all()
        unclear = ~judged.safe.any(axis=1) & ~judged.determined.all(axis=1)
        assert (state[unclear] != NO_WINDOW).all()
        served = judged.safe[:, fine.size :]
        if clear.all():
            np.testing.assert_array_equal(one["served_share"], served.mean(axis=0))
            np.testing.assert_array_equal(
                one["served_undetermined_share"], (~judged.determined[:, fine.size :]).mean(axis=0)
            )
        assert float(one["window_share"]) == (state == WINDOW).mean()
        assert float(one["window_undetermined_share"]) == (state == UNCLEAR).mean()
        # the best is at least as good as any place looked at, to the minimiser's tolerance
        least = np.where(np.isnan(judged.margin), -np.inf, judged.margin).max(axis=1)
        some = np.isfinite(least)
        assert (one["best_margin"].values[some] >= least[some] - 1e-5).all()


def test_maps_count_verdicts_and_agree_with_the_windows(asked):
    axes = {"t_low": AT, "p_high": np.array([18.0, 24.0])}
    found = find_map(asked, Map(x="t_low", y="p_high"), axes=axes).isel(rule=0)
    windows = find_window(asked).isel(rule=0) if asked.lung != "stepped" else None
    for group in asked.populations:
        one = found.sel(population=group.name)
        for p_high in axes["p_high"]:
            judged = by_brute_force(asked, group, t_low=AT, p_high=p_high)
            row = one.sel(p_high=p_high)
            np.testing.assert_array_equal(row["safe_share"], judged.safe.mean(axis=0))
            np.testing.assert_array_equal(
                row["undetermined_share"], (~judged.determined).mean(axis=0)
            )
            np.testing.assert_allclose(  # sums of the same whole numbers over n
                row["broken_share"].sum("bound"), judged.unsafe.mean(axis=0), atol=1e-15
            )
            np.testing.assert_array_equal(
                row["caution_share"], (judged.verdict == CAUTION).mean(axis=0)
            )
            low, high = wilson(judged.safe.sum(axis=0), asked.lungs, 0.95)
            np.testing.assert_array_equal(row["safe_share_interval"], [low, high])
        if windows is not None:
            edges = (windows[n].sel(population=group.name).values for n in ("lower", "upper"))
            served = serves(*edges, AT).mean(axis=0)
            np.testing.assert_array_equal(one["safe_share"].sel(p_high=24.0), served)


def test_mapping_counts_the_events_that_the_judgement_has(asked):
    found = find_mapping(
        asked, FactorMapping(along="t_low", resamples=50), axes={"t_low": AT}
    ).isel(rule=0)
    (limits,) = asked.rules.values()
    for group in asked.populations:
        judged = by_brute_force(asked, group, t_low=AT)
        one = found.sel(population=group.name).transpose("event", "t_low", ...)
        events = {UNSAFE: (judged.unsafe, judged.determined)}
        for number, bound in enumerate(limits.hard):
            events[bound.name] = judged.bound_broken[number], judged.bound_known[number]
        if limits.caution:
            # an unknown caution is no event: unsafe is known wherever the hard limits are
            events[UNSAFE] = judged.unsafe, judged.unsafe | judged.bound_known.all(axis=0)
        for event, (happens, known) in events.items():
            at = one.sel(event=event)
            np.testing.assert_array_equal(at["cases"], happens.sum(axis=0), err_msg=event)
            np.testing.assert_array_equal(at["share"], happens.mean(axis=0), err_msg=event)
            np.testing.assert_allclose(at["undetermined"], (~known).mean(axis=0), atol=1e-15)
        unsafe = one["cases"].sel(event=UNSAFE)
        for side in (TOO_LOW, TOO_HIGH):
            assert (one["cases"].sel(event=side) <= unsafe).all()
    assert int(found["failed"].sum()) == 0


def test_boxes_are_made_of_the_same_events(asked):
    axes = {"t_low": np.array([0.1, 2.0])}
    found = find_boxes(asked, Boxes(over=list(axes), resamples=10), axes=axes).isel(rule=0)
    points = draw_random_design(("t_low",), asked.lungs, seed=asked.seed)["unit"].values[:, 0]
    for group in asked.populations:
        t_low = 0.1 + (2.0 - 0.1) * points
        judged = by_brute_force(asked, group, t_low=t_low)
        unsafe, known = np.diag(judged.unsafe), np.diag(judged.bound_known.all(axis=0))
        one = found.sel(population=group.name, event=UNSAFE)
        assert float(one["share"]) == unsafe.mean()
        assert float(one["undetermined"]) == 1.0 - (unsafe | known).mean()


def test_drivers_call_no_determined_case_unsolved(asked):
    at = AT[: PLACES_OF.get(asked.lung, 2)].tolist()
    options = dict(along="t_low", at=at, outcomes=("auto_peep",), drop_failed=True)
    group = asked.populations[1]
    # a Shapley design takes ten factors at most
    still = {name: group.median[name] for name in group.properties[8:]}
    small = replace(asked, populations=(group,), fixed=FIXED | still)
    found = find_sobol(
        small, Sobol(base_size=16, replicates=2, resamples=100, pawn=False, **options)
    )
    shapley = find_shapley(small, Shapley(base_size=32, replicates=2, **options))
    screened = find_screening(small, Screening(trajectories=4, resamples=100, **options))
    for one in (found, shapley, screened):
        assert int(one["failed"].sum()) == 0
    assert found.attrs["failures"].startswith("0 of ")
    # solved, flagged, and said to be so
    if asked.lung == "linear" and "alveolar_ventilation" in asked.outcomes:
        assert int(found["flagged"].sum()) > 0
    assert ("no steady state" in found.attrs["failures"]) == (found["flagged"] > 0).any()


def test_a_sweep_and_its_counts_are_the_judgement(asked):
    found = find_sweep(asked, Sweep(outcomes=("auto_peep",)), axes={"t_low": AT})
    (limits,) = asked.rules.values()
    for group in asked.populations:
        judged = by_brute_force(asked, group, t_low=AT)
        one = found.sel(population=group.name).transpose("sample", "t_low", ...)
        np.testing.assert_array_equal(one["verdict_all"], judged.verdict)
        # the whole lung's sums depend on how cases lie in a block, by a rounding
        np.testing.assert_allclose(one["margin_all"], judged.margin, rtol=1e-13, atol=1e-13)
        # what a streamed sweep adds up to is what a map counts
        bounds, n = len(limits.hard), asked.lungs
        counts = count_verdicts(
            judged.verdict, judged.binding, np.arange(AT.size), cells=AT.size, bounds=bounds
        )
        by_verdict = counts.sum(axis=-1)
        streamed = shares_of_counts(
            by_verdict[:, SAFE],
            by_verdict[:, CAUTION],
            by_verdict[:, UNDETERMINED],
            counts[:, UNSAFE_VERDICT, :bounds].T,
            cases=n,
        )
        mapped = shares(judged.verdict.T, judged.binding.T, bounds=bounds)
        for name, array in vars(streamed).items():
            np.testing.assert_array_equal(array, getattr(mapped, name), err_msg=name)


def test_middle_lungs_are_judged_alike_by_trade_weaning_and_adjusting(asked):
    costs = ("mean_airway_pressure", "auto_peep")
    traded = find_trade(asked, Trade(axes=["t_low"], costs=costs), axes={"t_low": AT}).isel(rule=0)
    settings = replace(asked, fixed=FIXED | {"t_low": 0.4})
    weaned = find_wean(settings, Wean(p_high_end=22.0)).isel(rule=0)
    adjusted = find_adjust(settings, Adjust(steps={"t_low": 0.1})).isel(rule=0)
    (limits,) = asked.rules.values()
    model = lung_model(asked.lung)
    for group in asked.populations:
        middle = {name: np.asarray(value) for name, value in (group.median | FIXED).items()}
        judged = judge(limits, evaluate(model, middle | {"t_low": AT}, limits.outcomes).outcomes)
        one = traded.sel(population=group.name)
        np.testing.assert_array_equal(one["verdict"], judged.verdict)
        word = "no" if judged.determined.all() else "undetermined"
        if judged.safe.any():
            word = f"{100 * judged.safe.mean():.0f} % of the settings keep all limits"
        assert one["answer"].item().startswith(word)
        # as they are set, all three judge the same case
        assert int(weaned["verdict"].sel(population=group.name, p_high=24.0, t_high=4.0)) == int(
            judged.verdict[1]
        )
        moves = adjusted.sel(population=group.name)
        assert int(moves["verdict"].isel(move=0)) == int(judged.verdict[1])


PROTOCOL = """
title = "walk"
lung = "{lung}"
lungs = {lungs}
settings_drawn = 8
[sizes]
window_lungs = {windows}
map_lungs = {windows}
map_places = 5
[settings]
p_high = {p_high}
p_low = 0.0
t_high = 4.0
t_low = {t_low}
[[groups]]
population = "normal"
{other}
{fixed}
[limits]
sets = [{sets}]
rules = [{rules}]
"""


def held(lung):
    """What the populations do not say of a lung: invented, the registry's own values."""
    return {
        name: PARAMETERS[name].default
        for name in lung_model(lung).parameters
        if PARAMETERS[name].kind == "lung property" and name not in POPULATIONS["normal"].properties
    }


def window_lungs(lung):
    return 16 if lung in ("stepped", "breathing") else 24


def protocol_of(lung, name, p_high="24.0", t_low="0.4"):
    parts = [f'"{part}"' for part in name.split("+")]
    rules = [part for part in parts if part.strip('"') in ("flow_ratio", "exhaled_fraction")]
    sets = [part for part in parts if part not in rules]
    if not any(LIMIT_SETS[part].hard for part in name.split("+")):
        rules = ['"flow_ratio"']
    fixed = "\n".join(["[fixed]", *(f"{name} = {value}" for name, value in held(lung).items())])
    # what the obstructive lungs have of what is held may not be given twice
    twice = held(lung).keys() & set(POPULATIONS["obstructive"].properties)
    other = "" if twice else '[[groups]]\npopulation = "obstructive"'
    text = PROTOCOL.format(
        lung=lung,
        fixed=fixed,
        other=other,
        lungs=64,
        windows=window_lungs(lung),
        p_high=p_high,
        t_low=t_low,
        sets=", ".join(sets),
        rules=", ".join(rules),
    )
    return parse_protocol(text)


def test_the_committee_counts_what_the_judgement_says(lung, limits):
    protocol = protocol_of(lung, limits.name)
    assert protocol.limits.hard == limits.hard
    verdict = find_verdict(protocol, count_groups(protocol))
    windows = committee_windows.find_group_windows(protocol)
    model = lung_model(lung)
    for group in protocol.groups:
        for purpose, n in ((VERDICT, protocol.lungs), (WINDOWS, window_lungs(lung))):
            drawn = draw_lungs(protocol, group, n, purpose)
            values = {name: value[:, None] for name, value in drawn.values.items()} | {
                name: np.full((drawn.size, 1), value)
                for name, value in (FIXED | held(lung)).items()
            }
            place = 0.4 if purpose == VERDICT else SERVED_AT
            judged = judge(
                limits,
                evaluate(model, values | {"t_low": np.asarray(place)}, limits.outcomes).outcomes,
            )
            if purpose == VERDICT:
                one = verdict.sel(group=group.name)
                assert float(one["safe_share"]) == judged.safe.mean()
                assert float(one["verdict_share"].sel(verdict="undetermined")) == (
                    1.0 - judged.determined.mean()
                )
                # one setting only: no safe one means that it is unsafe
                assert float(one["none_share"]) == judged.unsafe.mean()
                assert float(one["whole_share"]) == judged.safe.mean()
            else:
                one = windows.sel(group=group.name)
                np.testing.assert_array_equal(one["served_share"], judged.safe.mean(axis=0))
                assert float(one["window_share"]) >= judged.safe.any(axis=1).mean()
                np.testing.assert_array_equal(
                    one["served_undetermined_share"], (~judged.determined).mean(axis=0)
                )


def test_the_committees_map_is_of_all_lungs(lung, limits):
    spans = {"p_high": "{ low = 20.0, high = 24.0 }", "t_low": "{ low = 0.3, high = 0.6 }"}
    protocol = protocol_of(lung, limits.name, **spans)
    found = map_draft(protocol)
    assert isinstance(found, xr.Dataset)
    assert ((found["safe_share"] + found["undetermined_share"]) <= 1.0 + 1e-15).all()
    assert found["safe_share"].attrs["long_name"].startswith("share of all lungs")


def test_a_set_without_a_hard_limit_is_refused_by_every_analysis():
    asked = Question(
        lung="linear",
        rules={"mild": LIMIT_SETS["circulation"]},
        lungs=4,
        populations=(POPULATIONS["normal"],),
    )
    for analysis in (
        lambda: find_window(asked),
        lambda: find_map(asked, Map(x="t_low", y="p_high"), axes={"t_low": AT, "p_high": AT + 20}),
        lambda: find_mapping(asked, FactorMapping(along="t_low"), axes={"t_low": AT}),
        lambda: find_boxes(asked, axes={"t_low": AT}),
        lambda: find_sweep(asked, axes={"t_low": AT}),
        lambda: find_trade(
            asked, Trade(axes=["t_low"], costs=("auto_peep", "paco2")), axes={"t_low": AT}
        ),
    ):
        with pytest.raises(EbbmapError, match="has no hard limit"):
            analysis()
