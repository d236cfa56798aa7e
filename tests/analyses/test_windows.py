import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.common.windows import NO_WINDOW, SEARCHED, UNCLEAR, WINDOW, search_windows
from ebbmap.analyses.window import Window, find_window
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import bound_margins, judge
from ebbmap.kernels.serving import serves
from ebbmap.kernels.shares import wilson
from ebbmap.kernels.windows import NO_PIECE, OPEN, release_windows
from ebbmap.lungs.linear import LINEAR
from ebbmap.registries.limits import LIMIT_SETS, Limit, LimitSet, combine
from ebbmap.registries.populations import POPULATIONS, Marginal

ALL = combine("all", *(LIMIT_SETS[n] for n in ("pressure", "volume", "auto_peep", "flow_ratio")))

#: What root-finding promises for an edge of the linear lung.
EDGE_ERROR = 1e-9


@pytest.mark.parametrize(
    ("rule", "shortest", "longest"),
    [("flow_ratio", -np.log(0.75), np.log(2)), ("exhaled_fraction", np.log(2), -np.log(0.25))],
)
def test_edges_under_one_rule_are_its_closed_form(rule, shortest, longest):
    resistance = np.geomspace(4, 60, 25)
    found = search_windows("linear", {"resistance_exp": resistance}, LIMIT_SETS[rule])
    tau = resistance * 50 / 1000
    # the root-finder goes to rounding of log T low, a few units in the last place of T low
    np.testing.assert_allclose(found["lower"][:, 0], tau * shortest, rtol=4e-15)
    np.testing.assert_allclose(found["upper"][:, 0], tau * longest, rtol=4e-15)
    np.testing.assert_allclose(found["time_constant_exp"], tau)
    assert found.sizes["piece"] == 1


@pytest.mark.parametrize(
    ("rule", "below", "above"),
    [("flow_ratio", "high", "low"), ("exhaled_fraction", "low", "high")],
)
def test_each_edge_names_the_limit_that_closes_it(rule, below, above):
    found = search_windows("linear", {"resistance_exp": [10.0]}, LIMIT_SETS[rule])
    assert found["lower_bound"].item() == f"{rule}_{below}"
    assert found["upper_bound"].item() == f"{rule}_{above}"


@pytest.mark.parametrize("rule", ["flow_ratio", "exhaled_fraction"])
def test_the_best_t_low_lies_half_way_between_the_limits(rule):
    found = search_windows("linear", {"resistance_exp": [10.0]}, LIMIT_SETS[rule])
    left = 0.625 if rule == "flow_ratio" else 0.375
    # the margin has a kink there: the minimiser stops within its own tolerance
    assert found["best"].item() == pytest.approx(-0.5 * np.log(left), rel=1e-6)
    assert found["best_margin"].item() == pytest.approx(0.5, abs=1e-6)


def test_without_a_window_the_two_limits_that_exclude_each_other_are_named():
    # a stiff, heavy person's lung: 4 mL/kg need more time than half of the peak flow leaves
    case = {"compliance": 15.0, "predicted_body_weight": 80.0}
    limits = combine("two", LIMIT_SETS["volume"], LIMIT_SETS["flow_ratio"])
    found = search_windows("linear", case, limits)
    assert np.isnan(found["lower"]).all()
    assert np.isnan(found["upper"]).all()
    assert found["best_margin"].item() < 0
    assert found["state"].item() == NO_WINDOW
    closers = (found["shorter_fails"].item(), found["longer_fails"].item())
    assert closers == ("release_volume_per_kg_low", "flow_ratio_low")


def test_a_brute_force_search_agrees_for_a_population():
    n, looks = 300, 4000
    lungs = POPULATIONS["restrictive"].sample(n, seed=0)
    found = search_windows("linear", lungs, ALL)
    t_low = np.geomspace(0.02, 20, looks)
    values = {name: array[:, None] for name, array in lungs.items()} | {"t_low": t_low}
    solved = evaluate(LINEAR, values, ALL.outcomes)
    safe = judge(ALL, solved.outcomes).safe
    inside = serves(found["lower"].values, found["upper"].values, t_low)
    np.testing.assert_array_equal(safe, inside)
    assert 0 < safe.any(axis=1).mean() < 1


def test_no_t_low_has_a_larger_margin_than_the_best():
    lungs = POPULATIONS["obstructive"].sample(100, seed=0)
    found = search_windows("linear", lungs, ALL)
    values = {name: array[:, None] for name, array in lungs.items()}
    solved = evaluate(LINEAR, values | {"t_low": np.geomspace(0.02, 20, 2000)}, ALL.outcomes)
    largest = bound_margins(ALL.hard, solved.outcomes).min(axis=0).max(axis=1)
    # the minimiser's own tolerance, at a kink of a margin of order one
    assert (found["best_margin"] >= largest - 1e-6).all()


@pytest.mark.parametrize("width", [1e-2, 1e-4, 1e-6])
def test_a_window_much_narrower_than_the_first_look_is_found(width):
    limits = LimitSet("n", "n", (Limit("flow_ratio", "invented", 0.6, 0.6 + width, width=1.0),))
    found = search_windows("linear", {"resistance_exp": np.linspace(5, 50, 40)}, limits)
    tau = np.linspace(5, 50, 40) * 0.05
    np.testing.assert_allclose(found["lower"][:, 0], -tau * np.log(0.6 + width), rtol=EDGE_ERROR)
    np.testing.assert_allclose(found["upper"][:, 0], -tau * np.log(0.6), rtol=EDGE_ERROR)


def test_a_window_that_is_not_closed_in_the_searched_range_says_none():
    limits = LimitSet("n", "n", (Limit("flow_ratio", "invented", high=0.75),))
    found = search_windows("linear", {"resistance_exp": [10.0]}, limits, searched=(0.05, 2.0))
    assert found["upper"].item() == 2.0
    assert found["upper_bound"].item() == "none"
    assert found["lower_bound"].item() == "flow_ratio_high"


def test_a_lung_that_cannot_be_solved_is_undetermined_and_not_without_a_window():
    case = {"p_high": [8.0, 25.0], "p_low": [10.0, 0.0]}
    found = search_windows("linear", case, LIMIT_SETS["flow_ratio"])
    for name in ("lower", "upper", "best", "best_margin"):
        assert np.isnan(found[name]).values.reshape(-1).tolist() == [True, False], name
    assert found["state"].values.tolist() == [UNCLEAR, WINDOW]
    assert found["shorter_fails"].values.tolist() == ["unknown", "flow_ratio_high"]
    assert found["lower_bound"].values.tolist() == [[""], ["flow_ratio_high"]]
    assert found["unknown_lower"][0].item() == SEARCHED[0]
    assert found["unknown_upper"][0].item() == SEARCHED[1]
    assert found["best_piece"].values.tolist() == [NO_PIECE, 0]


def test_one_lung_and_many_have_the_same_window():
    lungs = POPULATIONS["normal"].sample(20, seed=0)
    many = search_windows("linear", lungs, ALL)
    for i in range(0, 20, 7):
        one = search_windows("linear", {name: array[i] for name, array in lungs.items()}, ALL)
        for name in ("lower", "upper", "best_margin"):
            np.testing.assert_allclose(one[name][0], many[name][i], rtol=1e-12)


@pytest.mark.parametrize("name", ["t_low", "t_low_in_time_constants"])
def test_t_low_cannot_be_given(name):
    with pytest.raises(EbbmapError, match=f"{name} is what a window is searched for"):
        search_windows("linear", {name: 0.5}, ALL)


@pytest.mark.parametrize(
    ("values", "text"),
    [({"p_hi": 1.0}, "did you mean 'p_high'"), ({"p_high": np.nan}, "must be a finite number")],
)
def test_values_that_cannot_be_are_refused(values, text):
    with pytest.raises(EbbmapError, match=text):
        search_windows("linear", values, ALL)


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (2.0, 1.0), (1.0, 1.0)])
def test_an_empty_range_is_refused(low, high):
    with pytest.raises(EbbmapError, match="must be searched over 0 < low < high"):
        release_windows(lambda t, lung: t[None], 1, low=low, high=high)


def test_both_of_two_windows_are_kept_and_the_better_one_is_named():
    def two_hills(t_low, lung):
        return (np.sin(2 * np.pi * np.log10(t_low)) * (1 + t_low) - 0.5)[None]

    found = release_windows(two_hills, 1, low=0.1, high=10.0)
    assert found.count.tolist() == [2]
    assert 0.1 < found.lower[0, 0] < found.upper[0, 0] < 1 < found.lower[0, 1]
    assert found.lower[0, 1] < found.best[0] < found.upper[0, 1] < 10
    assert found.best_piece.tolist() == found.widest_piece.tolist() == [1]
    assert (found.lower_bound == 0).all()
    assert (found.upper_bound == 0).all()


def test_a_rule_that_always_holds_leaves_the_window_open():
    found = release_windows(lambda t, lung: np.ones((1, *t.shape)), 3, low=0.1, high=10.0)
    assert (found.lower == 0.1).all()
    assert (found.upper == 10.0).all()
    assert (found.lower_bound == OPEN).all()
    assert (found.upper_bound == OPEN).all()


GROUPS = (POPULATIONS["normal"], POPULATIONS["obstructive"])
RULES = {rule: LIMIT_SETS[rule] for rule in ("flow_ratio", "exhaled_fraction")}


def test_the_share_served_is_counted_lung_by_lung():
    question = Question(lung="linear", populations=GROUPS, rules=RULES, lungs=150, seed=0)
    found = find_window(question, Window(level=0.9))
    assert found["lower"].dims == ("population", "rule", "sample", "piece")
    one = found.sel(population="obstructive", rule="flow_ratio")
    count = [
        int(((one["lower"] <= t) & (t <= one["upper"])).any("piece").sum())
        for t in found["t_low"].values
    ]
    np.testing.assert_array_equal(one["served_share"], np.array(count) / 150)
    edges = np.stack(wilson(np.array(count), 150, 0.9))
    np.testing.assert_allclose(one["served_share_interval"], edges)
    assert found["served_share_interval"].attrs["ci_level"] == 0.9


def test_population_windows_are_those_of_its_lungs():
    question = Question(
        lung="linear", populations=GROUPS, rules=RULES, fixed={"p_high": 28.0}, lungs=9, seed=0
    )
    found = find_window(question).sel(population="normal", rule="flow_ratio")
    np.testing.assert_allclose(found["lower"][:, 0], -found["time_constant_exp"] * np.log(0.75))


def test_windows_along_an_axis_are_those_of_the_middle_lung():
    axis = np.array([8.0, 12.0, 30.0])
    question = Question(lung="linear", populations=GROUPS, rules=RULES, lungs=9, seed=0)
    found = find_window(question, Window(along="resistance_exp"), axes={"resistance_exp": axis})
    assert found.attrs["along"] == "resistance_exp"
    # as folded for this lung
    for group in question.populations:
        one = found.sel(population=group.name, rule="flow_ratio")
        middle = group.middle({"resistance_exp": axis})
        tau = axis * middle["compliance"] / 1000
        np.testing.assert_allclose(one["upper"][:, 0], tau * np.log(2), rtol=EDGE_ERROR)


def test_the_bundled_co2_limits_leave_the_window_that_a_fine_grid_of_judgements_finds():
    limits = combine("co2", LIMIT_SETS["co2"], LIMIT_SETS["flow_ratio"])
    case = {"p_high": 24.0, "compliance": 40.0, "co2_production": 150.0}
    found = search_windows("linear", case, limits)
    t_low = np.geomspace(*SEARCHED, 20001)
    solved = evaluate(
        LINEAR, {n: np.asarray(v) for n, v in case.items()} | {"t_low": t_low}, limits.outcomes
    )
    judged = judge(limits, solved.outcomes)
    # without alveolar ventilation there is no pH, but a bound is broken
    assert np.isnan(judged.bound_margin).any()
    assert judged.determined.all()
    inside = serves(found["lower"].values, found["upper"].values, t_low)
    np.testing.assert_array_equal(inside[0], judged.safe)
    assert found["state"].item() == WINDOW
    assert (found["lower_bound"].item(), found["upper_bound"].item()) == (
        "ph_low",
        "flow_ratio_low",
    )


def test_an_unknown_caution_leaves_a_place_undetermined_as_the_judgement_does():
    # no steady state of CO2: that of oxygen is unknown, and nothing else asks for it
    limits = LimitSet(
        "mild",
        "mild",
        (
            Limit("flow_ratio", "invented", 0.5, 0.75),
            Limit("oxygen_balance", "invented", low=0.5, severity="caution"),
        ),
    )
    case = {"predicted_body_weight": 80.0, "compliance": 12.0, "resistance_exp": 10.0}
    found = search_windows("linear", case, limits)
    solved = evaluate(LINEAR, case | {"t_low": np.geomspace(*SEARCHED, 4001)}, limits.outcomes)
    judged = judge(limits, solved.outcomes)
    assert 0 < (~judged.determined).sum() < judged.verdict.size
    t_low = np.geomspace(*SEARCHED, 4001)
    for names, expected in (
        (("lower", "upper"), judged.safe),
        (("unknown_lower", "unknown_upper"), ~judged.determined),
    ):
        inside = serves(*(found[name].values for name in names), t_low)[0]
        np.testing.assert_array_equal(inside, expected)


def test_shares_of_lungs_count_the_undetermined_apart_and_never_as_served():
    question = Question(
        lung="linear",
        populations=(POPULATIONS["normal"],),
        rules={"flow_ratio": LIMIT_SETS["flow_ratio"]},
        samples={"p_high": Marginal("uniform", 8.0, 20.0, "invented")},
        fixed={"p_low": 12.0},
        lungs=60,
    )
    found = find_window(question).isel(population=0, rule=0)
    lost = found["p_high"].values <= 12.0
    assert 0 < lost.sum() < 60
    np.testing.assert_array_equal(found["state"].values == UNCLEAR, lost)
    assert found["window_undetermined_share"].item() == lost.mean()
    assert found["window_share"].item() == (found["state"] == WINDOW).mean()
    assert (found["served_undetermined_share"] == lost.mean()).all()
    assert (found["served_share"] + found["served_undetermined_share"] <= 1).all()
    for name in ("served_share", "window_share"):
        assert "share of all lungs" in found[name].attrs["long_name"]


@pytest.mark.parametrize("room", [(3, 1), (1, 2), (2, 2)])
def test_room_for_more_pieces_is_made_along_each_dimension(room):
    from ebbmap.analyses.common.windows import PIECE_DIMS, pad_pieces

    sizes = dict(zip(PIECE_DIMS, room, strict=True))
    told = xr.Dataset(
        {
            "lower": (("sample", "piece"), [[0.3]]),
            "lower_bound": (("sample", "piece"), np.array([["auto_peep_high"]])),
            "unknown_lower": (("sample", "unknown_piece"), [[0.8]]),
            "best": ("sample", [0.4]),
        }
    )
    padded = pad_pieces(told, sizes)
    assert {dim: padded.sizes[dim] for dim in sizes} == sizes
    assert float(padded["lower"][0, 0]) == 0.3 and padded["lower"][0, 1:].isnull().all()
    assert str(padded["lower_bound"].values[0, 0]) == "auto_peep_high"
    assert (padded["lower_bound"][0, 1:] == "").all()
    assert float(padded["unknown_lower"][0, 0]) == 0.8
    assert padded["unknown_lower"][0, 1:].isnull().all()
    assert float(padded["best"][0]) == 0.4
