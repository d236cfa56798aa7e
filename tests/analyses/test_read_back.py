"""Sentences, verdicts and shares of the analyses, worked out again from plain solved cases."""

import re
from functools import lru_cache

import numpy as np
import pytest
import xarray as xr

from committee_case import margin_by_hand
from ebbmap.analyses import shapley
from ebbmap.analyses.adjust import STEPS, Adjust, find_adjust
from ebbmap.analyses.boxes import Boxes, find_boxes
from ebbmap.analyses.common import sobol_work
from ebbmap.analyses.common.events import events_of, find_events
from ebbmap.analyses.common.pawn import disagreement_sentence
from ebbmap.analyses.common.practice import PRACTICE
from ebbmap.analyses.map import Map, find_map
from ebbmap.analyses.mapping import FactorMapping, find_mapping
from ebbmap.analyses.profile import Profile, find_profile
from ebbmap.analyses.screening import Screening, find_screening
from ebbmap.analyses.trade import Trade, find_trade
from ebbmap.analyses.wean import Wean, find_wean
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.registries.folding import folded
from ebbmap.registries.limits import Limit, LimitSet, combine, limit_set
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Marginal

#: As the linear lung, which has no tube and no slow part, takes them.
GROUPS = tuple(
    folded(POPULATIONS[name], lung_model("linear")) for name in ("restrictive", "obstructive")
)
RULES = {
    rule: combine(rule, *(limit_set(name) for name in ("pressure", "auto_peep", rule)))
    for rule in ("flow_ratio", "exhaled_fraction")
}
SET = {"p_high": 26.0, "p_low": 1.0, "t_high": 4.0, "t_low": 0.55}


def judged_by_hand(limits, solved):
    """Verdict code, least margin, and the bound that has it; NaN and -1 where unknown."""
    values = {
        b.outcome: np.asarray(solved[b.outcome], float) for b in (*limits.hard, *limits.caution)
    }
    hard = np.stack(
        np.broadcast_arrays(*(margin_by_hand(b, values[b.outcome]) for b in limits.hard))
    )
    mild = [margin_by_hand(b, values[b.outcome]) for b in limits.caution]
    mild = np.stack(np.broadcast_arrays(*mild)) if mild else np.ones_like(hard[:1])
    broken = (hard < 0).any(axis=0)
    lost = ~broken & np.isnan(hard).any(axis=0)
    warned = (mild < 0).any(axis=0)
    code = np.select([broken, lost, warned, np.isnan(mild).any(axis=0)], [2, 3, 1, 3], 0)
    known = np.where(np.isnan(hard), np.inf, hard)
    least = np.where(lost, np.nan, known.min(axis=0))
    return code, least, np.where(lost, -1, known.argmin(axis=0))


# weaning

#: Without own breathing, so that every step is the lung as it is set.
ALONE = Wean(p_high_end=14.0, own_breathing_at_most=0.0)

#: What a step is judged by: a steady state is asked for, whatever the limits.
ASKED = {
    rule: LimitSet(rule, rule, (*limits.limits, *limit_set("steady_state").limits))
    for rule, limits in RULES.items()
}


@lru_cache
def weaned():
    return find_wean(Question("linear", SET, {}, GROUPS, RULES), ALONE)


def test_every_place_of_the_grid_is_the_solved_case():
    told = weaned()
    np.testing.assert_allclose(told["p_high"], np.arange(26.0, 13.0, -2.0))
    # half a second longer for each cmH2O less
    np.testing.assert_allclose(told["t_high"], 4.0 + 0.5 * (26.0 - told["p_high"].values))
    for group in GROUPS:
        axes = {name: xr.DataArray(told[name].values, dims=name) for name in ("p_high", "t_high")}
        solved = simulate("linear", **{**group.median, **SET, **axes})
        solved = solved.transpose("p_high", "t_high", ...)
        for rule, limits in ASKED.items():
            code, least, _ = judged_by_hand(limits, solved)
            one = told.sel(population=group.name, rule=rule)
            np.testing.assert_array_equal(one["verdict"], code)
            np.testing.assert_allclose(one["margin"], least, rtol=1e-12)


def along_route(lung, p_high, t_high):
    """Solve every step of a route."""
    axes = {
        "p_high": xr.DataArray(p_high, dims="step"),
        "t_high": xr.DataArray(t_high, dims="step"),
    }
    return simulate("linear", **{**lung, **SET, **axes})


def test_routes_go_from_the_start_to_the_end_and_carry_their_outcomes():
    told = weaned()
    for group in GROUPS:
        for rule in RULES:
            for route in told["route"].values:
                one = told.sel(population=group.name, rule=rule, route=route)
                length = int(np.isfinite(one["route_p_high"]).sum())
                p_high, t_high = (one[f"route_{n}"].values[:length] for n in ("p_high", "t_high"))
                assert (p_high[0], t_high[0], p_high[-1], t_high[-1]) == (26.0, 4.0, 14.0, 10.0)
                assert (np.diff(p_high) <= 0).all() and (np.diff(t_high) >= 0).all()
                if route == "common practice":
                    assert length == 7
                    np.testing.assert_allclose(t_high, 4.0 + 0.5 * (26.0 - p_high))
                solved = along_route(group.median, p_high, t_high)
                for name in ("paco2", "spo2", "auto_peep", "release_rate"):
                    np.testing.assert_allclose(one[name][:length], solved[name], rtol=1e-9)
                code, least, _ = judged_by_hand(ASKED[rule], solved)
                np.testing.assert_array_equal(one["route_verdict"][:length], code)
                np.testing.assert_allclose(one["route_margin"][:length], least, rtol=1e-9)
                assert one["paco2"][length:].isnull().all()


def leaving(limits, lung, route, p_high, t_high):
    """First step that is not safe, and the limit that it breaks, in words."""
    code, _, bound = judged_by_hand(limits, along_route(lung, p_high, t_high))
    for at in np.flatnonzero(code >= 2):
        named = limits.hard[int(bound[at])].sentence if bound[at] >= 0 else "cannot be judged"
        return int(at), named
    return -1, "no limit broken"


@pytest.mark.parametrize("start", [{}, {"p_high": 20.0, "t_low": 0.6}, {"t_low": 0.3}], ids=str)
def test_the_first_unsafe_step_and_its_limit_are_named(start, monkeypatch):
    for name, value in start.items():
        monkeypatch.setitem(SET, name, value)
    told = find_wean(Question("linear", dict(SET), {}, GROUPS, RULES), ALONE)
    for group in GROUPS:
        for rule, limits in ASKED.items():
            for route in told["route"].values:
                one = told.sel(population=group.name, rule=rule, route=route)
                length = int(np.isfinite(one["route_p_high"]).sum())
                expected = leaving(
                    limits,
                    group.median,
                    route,
                    one["route_p_high"].values[:length],
                    one["route_t_high"].values[:length],
                )
                assert (int(one["first_unsafe"]), str(one["leaves"].values)) == expected


def test_a_step_that_cannot_be_judged_is_not_safe():
    """With P high below P low there is no release."""
    limits = {"pressure": LimitSet("p", "p", (Limit("end_high_pressure", "invented", high=30.0),))}
    fixed = {**SET, "p_low": 13.0, "spontaneous_alveolar_ventilation": 4.0}
    told = find_wean(Question("linear", fixed, {}, (), limits), Wean(p_high_end=12.0))
    one = told.isel(population=0, rule=0).sel(route="common practice")
    assert one["route_verdict"].values[:8].tolist() == [0] * 7 + [3]
    assert int(one["first_unsafe"]) == 7
    assert str(one["leaves"].values) == "cannot be judged"
    # no route leads through a place that cannot be judged, and the end is one
    lost = told.isel(population=0, rule=0).sel(route="safest")
    assert str(lost["leaves"].values) == "no path: a place on the way cannot be judged"
    assert int(lost["first_unsafe"]) == -1


def test_the_patient_takes_over_what_releases_lose_up_to_the_bound():
    fixed = {**SET, "spontaneous_alveolar_ventilation": 0.5}
    question = Question("linear", fixed, {}, GROUPS, RULES)
    told = find_wean(question, Wean(p_high_end=14.0, own_breathing_at_most=2.0))
    bounded = free = 0
    for group in GROUPS:
        one = told.sel(population=group.name, rule="flow_ratio", route="common practice")
        p_high, t_high = (one[f"route_{name}"].values[:7] for name in ("p_high", "t_high"))
        # what the releases alone clear
        solved = along_route(group.median, p_high, t_high)
        cleared = solved["alveolar_ventilation"].values
        own = np.clip(0.5 + cleared[0] - cleared, 0.5, 2.0)
        np.testing.assert_allclose(one["own_breathing"][:7], own, rtol=1e-9)
        np.testing.assert_allclose(one["alveolar_ventilation"][:7], cleared + own, rtol=1e-9)
        bounded += (own == 2.0).sum()
        held = one["paco2"].values[:7][own < 2.0]
        np.testing.assert_allclose(held, held[0], rtol=1e-9)
        free += held.size - 1
    assert bounded > 0 and free > 0


@pytest.mark.parametrize(
    "end, step, places", [(12.0, 2.0, [25, 23, 21, 19, 17, 15, 13, 12]), (20.0, 5.0, [25, 20])]
)
def test_steps_are_as_asked_and_the_last_is_shorter(end, step, places):
    question = Question("linear", {"p_high": 25.0}, {}, (), RULES)
    told = find_wean(question, Wean(p_high_end=end, p_high_step=step))
    assert told["p_high"].values.tolist() == places


# adjusting


@lru_cache
def adjusted():
    return find_adjust(Question("linear", SET, {}, GROUPS, RULES, 25, 4))


def direction(before, after):
    change = after - before
    return 0.0 if abs(change) <= 1e-9 * abs(before) else float(np.sign(change))


def test_practices_are_compared_with_solved_steps():
    told = adjusted()
    assert told.sizes["practice"] == len(PRACTICE)
    for group in GROUPS:
        now = solved_once(group.name)
        for practice in PRACTICE:
            step = practice.step * STEPS[practice.setting]
            then = solved_once(group.name, practice.setting, SET[practice.setting] + step)
            one = told.sel(population=group.name, practice=practice.name)
            name = practice.outcome
            if practice.setting == "t_high" and step < 0:
                # practice stops at 4 s
                assert np.isnan(one["agrees"])
                continue
            expected = direction(float(now[name]), float(then[name])) * practice.effect
            np.testing.assert_equal(float(one["agrees"]), expected)
            assert str(one["practice_source"].values) == practice.source
            check_why(str(one["why"].values), name, now, then)


@lru_cache
def solved_once(group, setting=None, value=None):
    """Middle lung of a group as set, or with one setting changed."""
    changed = {} if setting is None else {setting: value}
    return simulate("linear", **{**{g.name: g.median for g in GROUPS}[group], **SET, **changed})


def check_why(words, name, now, then):
    """Read the numbers of a reason back."""
    change = {n: float(then[n] - now[n]) for n in then.data_vars if n in OUTCOMES}
    if name == "paco2":
        rate, gas = map(
            float,
            re.fullmatch(
                r"releases per minute ([+-][\d.]+) %, alveolar gas of each ([+-][\d.]+) %", words
            ).groups(),
        )
        releases = float(then["release_rate"] / now["release_rate"])
        each = [float(s["alveolar_ventilation"] / s["release_rate"]) for s in (now, then)]
        # nobody breathes: all ventilation comes from releases; one decimal is told
        assert rate == pytest.approx(100 * (releases - 1), abs=0.0501)
        assert gas == pytest.approx(100 * (each[1] / each[0] - 1), abs=0.0501)
    elif name == "pao2":
        told = re.fullmatch(
            r"mean alveolar pressure ([+-][\d.]+) cmH₂O, closed share ([+-][\d.]+), "
            r"PaCO₂ ([+-][\d.]+) mmHg, alveolar PO₂ ([+-][\d.]+) mmHg",
            words,
        ).groups()
        names = ("mean_alveolar_pressure", "closed_fraction", "paco2", "alveolar_po2")
        for number, what, half in zip(told, names, (0.005, 5e-4, 0.05, 0.05), strict=True):
            assert float(number) == pytest.approx(change[what], abs=1.01 * half)
    else:
        assert words == "weighted mean of the two pressures"


def test_no_step_goes_further_than_practice_does_but_back_it_may():
    fixed = {"p_high": 31.0, "t_high": 15.0, "spontaneous_alveolar_ventilation": 3.0}
    told = find_adjust(Question("linear", fixed, {}, (), RULES), Adjust(steps=dict(STEPS)))
    one = told.isel(population=0)

    def why(move):
        return str(one["stopped"].sel(move=move).values)

    assert why("P high +2 cmH₂O").startswith("beyond where practice stops, at most 30 cmH₂O")
    assert why("T high +0.5 s").startswith("beyond where practice stops, 4 to 15 s")
    assert why("P low -2 cmH₂O") == "beyond the bounds of the registry"
    assert why("P high -2 cmH₂O") == why("T high -0.5 s") == ""
    possible = one["possible"].values == 1
    np.testing.assert_array_equal(one["stopped"].values == "", possible)
    assert np.isnan(one["mean_airway_pressure"].values[~possible]).all()
    assert np.isfinite(one["mean_airway_pressure"].values[possible]).all()


def test_a_step_without_a_steady_state_is_unsafe_and_says_why():
    mechanical = {"mechanical": limit_set("pressure")}
    fixed = {"p_high": 15.0, "compliance": 12.0, "spontaneous_alveolar_ventilation": 0.75}
    told = find_adjust(Question("linear", fixed, {}, (), mechanical), Adjust(steps={"p_high": 2.0}))
    one = told.isel(population=0, rule=0)
    assert np.isnan(one["paco2"]).values.tolist() == [True, False, True]
    for move in one["move"].values:
        here = one.sel(move=move)
        lost = bool(np.isnan(here["paco2"]))
        assert str(here["unsteady"].values).startswith("no steady state: CO₂") == lost
        assert (int(here["verdict"]) == 2) == lost


def test_own_breathing_is_not_counted_as_gas_of_a_release():
    fixed = {**SET, "spontaneous_alveolar_ventilation": 1.5}
    told = find_adjust(Question("linear", fixed, {}, GROUPS[:1], RULES, 2, 4))
    now = simulate("linear", **{**GROUPS[0].median, **fixed})
    then = simulate("linear", **{**GROUPS[0].median, **fixed, "t_low": 0.6})
    each = [float((s["alveolar_ventilation"] - 1.5) / s["release_rate"]) for s in (now, then)]
    practice = "T low longer: arterial CO₂ tension falls"
    words = str(told["why"].sel(practice=practice, population="restrictive").values)
    gas = float(re.search(r"alveolar gas of each ([+-][\d.]+) %", words)[1])
    assert gas == pytest.approx(100 * (each[1] / each[0] - 1), abs=0.0501)


def test_without_gas_in_the_alveoli_the_reason_says_so():
    fixed = {**SET, "compliance": 10.0, "t_low": 0.1, "predicted_body_weight": 90.0}
    told = find_adjust(Question("linear", fixed, {}, (), RULES), Adjust(steps={"t_low": 0.05}))
    assert str(told["why"].isel(population=0)[0].values) == "no release reaches the alveoli"


def test_exactly_no_change_is_no_change():
    """P high does not touch a mean pressure that is all P low... nor PaCO2 without releases."""
    told = find_adjust(
        Question(
            "linear",
            {**SET, "collapsible_share": 0.0, "shunt_baseline": 0.0},
            {},
            (),
            {"own": RULES["flow_ratio"]},
        ),
        Adjust(steps={"fio2": 0.1, "p_high": 2.0}),
    )
    assert {str(n).split(" ")[0] for n in told["practice"].values} == {"P"}
    from ebbmap.analyses.common.practice import direction_of

    assert [float(direction_of(40.0, x)) for x in (40.0, 40.0 + 1e-9, 41.0, 39.0)] == [0, 0, 1, -1]
    assert np.isnan(direction_of(np.nan, 40.0))


def test_how_often_a_step_goes_against_practice_is_counted_over_lungs():
    asked = Question("linear", SET, {}, GROUPS, RULES, 25, 4)
    told = adjusted()
    for group in GROUPS:
        lungs = draw_cases(asked, group, {})
        for practice in PRACTICE:
            step = practice.step * STEPS[practice.setting]
            now = simulate("linear", outcomes=(practice.outcome,), **lungs)
            then = simulate(
                "linear",
                outcomes=(practice.outcome,),
                **{**lungs, practice.setting: SET[practice.setting] + step},
            )
            a, b = (np.broadcast_to(s[practice.outcome].values, (25,)) for s in (now, then))
            known = np.isfinite(a) & np.isfinite(b)
            against = [
                direction(x, y) * practice.effect < 0
                for x, y in zip(a[known], b[known], strict=True)
            ]
            share = float(told["against_share"].sel(population=group.name, practice=practice.name))
            assert share == pytest.approx(np.mean(against), abs=1e-12)


def test_where_nothing_helps_the_nearest_move_and_its_limit_are_named():
    told = adjusted()
    named = 0
    for group in GROUPS:
        for rule, limits in RULES.items():
            one = told.sel(population=group.name, rule=rule)
            for kind, size in (("best_single", 1), ("best_pair", 2)):
                words = str(one[kind].values)
                lower = [
                    m
                    for m in range(one.sizes["move"])
                    if int(one["size"][m]) == size
                    and int(one["possible"][m])
                    and float(one["paco2"][m]) < float(one["paco2"][0])
                ]
                allowed = [m for m in lower if int(one["verdict"][m]) <= 1]
                if allowed:
                    best = min(allowed, key=lambda m: float(one["paco2"][m]))
                    if words.startswith("none: no pair does better"):
                        single = float(one["best_single_paco2"])
                        assert float(one["paco2"][best]) >= single * (1 - 1e-9)
                        assert np.isnan(one[f"{kind}_paco2"])
                    else:
                        assert words == str(one["move"].values[best])
                        assert float(one[f"{kind}_paco2"]) == float(one["paco2"][best])
                    continue
                named += 1
                assert np.isnan(one[f"{kind}_paco2"])
                nearest = max(lower, key=lambda m: float(one["margin"][m]))
                move = str(one["move"].values[nearest])
                steps = dict(step.rsplit(" ", 2)[:2] for step in _steps(move))
                setting = {**SET, **{n: _set(n) + float(v) for n, v in steps.items()}}
                solved = simulate("linear", **{**group.median, **setting})
                bound = limits.hard[int(judged_by_hand(limits, solved)[2])]
                assert words == f"none: the nearest, {move}, has {bound.sentence}"
    assert named >= 1


_NAMES = {
    "P high": "p_high",
    "P low": "p_low",
    "T high": "t_high",
    "T low": "t_low",
    "FiO₂": "fio2",
}


def _steps(move):
    """Steps of a move with registry names: "T low +0.05 s" to "t_low +0.05 s"."""
    for step in move.split(", "):
        for words, name in _NAMES.items():
            if step.startswith(words):
                rest = step.removeprefix(words).strip()
                yield f"{name} {rest}" if " " in rest else f"{name} {rest} -"


def _set(name):
    return SET[name] if name in SET else PARAMETERS[name].default


# sentences of sensitivity


def effects(with_it, without, width=0.02):
    """Shapley effects of three properties at two places, with narrow intervals."""
    effect = np.array([with_it, without])[:, :, None, :]
    return xr.Dataset(
        {
            "effect": (("dependence", "t_low", "outcome", "parameter"), effect),
            "effect_interval": (
                ("dependence", "t_low", "outcome", "parameter", "ci_bound"),
                np.stack([effect - width, effect + width], axis=-1),
            ),
        },
        {
            "dependence": ["correlated", "independent"],
            "t_low": [0.4, 0.8],
            "outcome": ["margin_flow_ratio"],
            "parameter": ["compliance", "resistance_insp", "resistance_exp"],
            "ci_bound": ["lower", "upper"],
        },
    )


def test_the_largest_sure_change_by_correlations_is_told_the_right_way_round():
    both = effects([[0.5, 0.1, 0.4], [0.3, 0.4, 0.3]], [[0.5, 0.1, 0.4], [0.35, 0.01, 0.64]])
    told = shapley.change_sentence(both, "t_low")
    numbers = re.search(
        r"at T low 0\.8 s the share of inspiratory resistance in .* is (\S+) \((\S+) to (\S+)\) "
        r"with the correlations, (\S+) without \(rank 3 to 1\)",
        told,
    )
    assert [float(n) for n in numbers.groups()] == [0.40, 0.38, 0.42, 0.01]


def test_a_rank_that_stays_is_told_so_and_an_unsure_change_is_none():
    both = effects([[0.6, 0.1, 0.3], [0.5, 0.1, 0.4]], [[0.9, 0.05, 0.05], [0.5, 0.1, 0.4]])
    assert "compliance in" in shapley.change_sentence(both, "t_low")
    assert shapley.change_sentence(both, "t_low").endswith("0.90 without (rank 1 stays)")
    wide = effects([[0.6, 0.1, 0.3]] * 2, [[0.5, 0.15, 0.35]] * 2, width=0.06)
    told = shapley.change_sentence(wide, "t_low")
    assert told == "the correlations change no effect beyond its interval"


def ranked(total, pawn, width=0.01):
    """Indices of two properties at one place, by variance and by distribution."""
    names = {"parameter": ["compliance", "resistance_exp"], "ci_bound": ["lower", "upper"]}
    places = {"t_low": [0.5], **names}

    def interval(values):
        values = np.array([values])
        return np.stack([values - width, values + width], axis=-1)

    indices = xr.Dataset(
        {"total_interval": (("outcome", "t_low", "parameter", "ci_bound"), interval(total)[None])},
        {"outcome": ["auto_peep"], **places},
    )
    index = xr.DataArray(
        [[pawn]],
        {"pawn_outcome": ["auto_peep"], **{k: v for k, v in places.items() if k != "ci_bound"}},
        ("pawn_outcome", "t_low", "parameter"),
    ).transpose("t_low", "pawn_outcome", "parameter")
    found = xr.DataArray(
        interval(pawn)[:, None], dims=("t_low", "pawn_outcome", "parameter", "ci_bound")
    )
    return disagreement_sentence(index, found, indices, "t_low")


def test_two_rankings_that_agree_are_not_told_to_disagree():
    agree = "PAWN and total indices rank no two parameters differently beyond their intervals"
    assert ranked([0.8, 0.2], [0.6, 0.3]) == agree
    assert ranked([0.2, 0.8], [0.3, 0.6]) == agree
    # overlapping intervals rank nothing
    assert ranked([0.8, 0.2], [0.305, 0.30]) == agree
    assert ranked([0.505, 0.50], [0.3, 0.6]) == agree


def test_two_rankings_that_cross_are_told_with_the_leader_of_each():
    told = ranked([0.8, 0.2], [0.3, 0.6])
    assert told.startswith("1 disagreements beyond the intervals, such as auto-PEEP at T low 0.5 s")
    assert told.endswith(
        "total index compliance above expiratory resistance, PAWN the other way round"
    )


def failures(failed, flagged, dropped, on_request):
    """Say what became of 4,096 cases on 512 base rows."""
    return sobol_work._failures(
        xr.Dataset(
            {
                "failed": failed,
                "flagged": flagged,
                "cases": 4096,
                "dropped": dropped,
                "rows": 512,
                "failed_where": ("x", ["P low above 18 cmH₂O", ""]),
                "flagged_where": ("x", ["", "T low below 0.1 s"]),
            }
        ),
        on_request,
    )


def test_failures_are_told_with_what_they_cost():
    told = failures(12, 0, 0, False)
    assert told == (
        "12 of 4,096 cases could not be solved (P low above 18 cmH₂O); no base row was left out"
    )
    told = failures(12, 7, 128, True)
    assert "12 of 4,096 cases could not be solved (P low above 18 cmH₂O), 7 were " in told
    assert "(T low below 0.1 s)" in told
    # a quarter of the rows is gone: sqrt(4/3) is 1.15
    assert "up to 25.0 % of the base rows were left out of an index" in told
    assert "up to 1.15 times wider" in told
    for asked in (failures(12, 0, 512, True), failures(12, 0, 128, False)):
        assert asked.endswith("nothing is left of some outcome")


def test_screening_fixes_by_the_upper_bound_and_keeps_by_the_lower():
    """Three parameters at one place: sure, unsure, and idle; and one that is yes or no alone."""
    asked = Question(
        "linear",
        {"p_high": 24.0, "p_low": 2.0, "t_high": 5.0},
        {"fio2": Marginal("uniform", 0.3, 0.9, "invented")},
        (POPULATIONS["obstructive"],),
        {"flow_ratio": RULES["flow_ratio"]},
    )
    found = find_screening(
        asked,
        Screening(
            along="t_low", trajectories=12, fix_below=0.3, outcomes=("auto_peep",), resamples=100
        ),
        axes={"t_low": np.array([0.4, 0.9])},
    ).isel(population=0)
    star, interval = found["mu_star"], found["mu_star_interval"]
    largest = star.max("parameter")
    np.testing.assert_allclose(found["relative"], star / largest, rtol=1e-12)
    low, high = (interval.sel(ci_bound=b) / largest for b in ("lower", "upper"))
    np.testing.assert_allclose(found["relative_interval"].sel(ci_bound="upper"), high)
    np.testing.assert_allclose(found["relative_interval"].sel(ci_bound="lower"), low)
    flags = found["verdict"].attrs["flag_meanings"].split()
    for place in found["t_low"].values:
        for outcome in found["outcome"].values:
            for parameter in found["parameter"].values:
                where = {"t_low": place, "outcome": outcome, "parameter": parameter}
                a, b = float(low.sel(where)), float(high.sel(where))
                said = "can_be_fixed" if b < 0.3 else "matters" if a > 0.3 else "cannot_tell"
                assert flags[int(found["verdict"].sel(where))] == said
    graded = [o for o in found["outcome"].values if not str(o).startswith("safe_")]
    worst = high.sel(outcome=graded).max(("t_low", "outcome"))
    np.testing.assert_allclose(found["evidence"], worst, rtol=1e-12)
    np.testing.assert_array_equal(found["fixable"], worst < 0.3)
    assert {0, 1} == set(found["fixable"].values.tolist())


# events and factor mapping

TWO = LimitSet(
    "two",
    "two",
    (
        Limit("flow_ratio", "invented", 0.3, 0.7),
        Limit("paco2", "invented", high=60.0),
    ),
)


def margins_of_two(solved):
    """Margins of `TWO` by hand; a PaCO2 that would pass 200 mmHg has no number and is broken."""
    ventilation, produced = (
        solved[name].values for name in ("alveolar_ventilation", "co2_production")
    )
    # of the ventilation that would hold PaCO2 at 200 mmHg
    share = ventilation * 200.0 / (0.863 * produced)
    margins = np.stack([margin_by_hand(b, solved[b.outcome].values) for b in TWO.hard])
    runaway = share < 1.0
    assert (np.isnan(margins[2]) == runaway).all()
    # the more is lacking, the further outside
    margins[2] = np.where(runaway, share - 2.0, margins[2])
    return margins, runaway


def test_a_known_broken_bound_decides_and_an_unknown_one_leaves_open():
    outcomes = {
        "flow_ratio": np.array([0.5, 0.5, 0.5, 0.9, 0.9]),
        "paco2": np.array([50.0, 70.0, np.nan, 50.0, np.nan]),
    }
    side = np.array([[-1] * 5, [1] * 5, [1] * 5])
    found = events_of(judge(TWO, outcomes), side)
    assert found.names == (
        "unsafe",
        "too_low",
        "too_high",
        "flow_ratio_low",
        "flow_ratio_high",
        "paco2_high",
    )
    broken = [True, True, False, False]
    assert found.happens.tolist() == [
        [False] * 6,
        [*broken, False, True],
        [False] * 6,
        [*broken, True, False],
        [*broken, True, False],
    ]
    assert found.known.tolist() == [
        [True] * 6,
        [True] * 6,
        [False, False, False, True, True, False],
        [True] * 6,
        [True, True, False, True, True, False],
    ]


def test_the_side_to_blame_is_that_along_which_a_margin_rises():
    asked = Question("linear", {"p_high": 24.0}, {}, (), {"two": TWO}, 1, 0)
    places = np.array([0.1, 0.2, 1.2, 2.5])
    case = {"p_high": 24.0, "t_low": places, "compliance": 50.0, "resistance_exp": 14.0}

    def margins(t_low):
        solved = simulate("linear", **{**case, "t_low": t_low})
        return margins_of_two(solved)[0]

    solved = simulate("linear", **case)
    outcomes = {n: solved[n].values for n in TWO.outcomes}
    found = find_events(asked, case, outcomes, along="t_low", ends=(0.05, 4.0))["two"]
    now, more = margins(places), margins(places * 1.02)
    for k in range(3):
        for i in range(4):
            broken = now[k, i] < 0
            slope = np.sign(more[k, i] - now[k, i]) if broken else 0
            if TWO.hard[k].outcome == "paco2" and now[k, i] == -2.0:
                # nothing is cleared: too short, although no margin moves yet
                slope = 1
            if np.isfinite(slope):
                assert found.side[i, k] == slope
    assert {1, -1} <= set(found.side.ravel().tolist())
    names = list(found.names)
    assert (
        found.happens[0, names.index("too_low")] and not found.happens[0, names.index("too_high")]
    )
    assert (
        found.happens[3, names.index("too_high")] and not found.happens[3, names.index("too_low")]
    )


def test_mapping_counts_cases_shares_and_what_is_unknown():
    """Lungs so stiff that some releases clear no CO2: their PaCO2 is no number, and too high."""
    stiff = {
        "compliance": Marginal("uniform", 15.0, 70.0, "invented"),
        "resistance_exp": Marginal("uniform", 5.0, 60.0, "invented"),
    }
    asked = Question(
        "linear", {"p_high": 22.0, "predicted_body_weight": 75.0}, stiff, (), {"two": TWO}, 400, 3
    )
    places = np.array([0.3, 0.7])
    found = find_mapping(
        asked, FactorMapping(along="t_low", resamples=50), axes={"t_low": places}
    ).isel(population=0, rule=0)
    lungs = draw_cases(asked, None, {})
    without_number = 0
    for place in places:
        solved = simulate("linear", **{**lungs, "t_low": place})
        margins, runaway = margins_of_two(solved)
        unsafe, known = (margins < 0).any(axis=0), np.isfinite(margins)
        sure = {
            "unsafe": (unsafe, unsafe | known.all(axis=0)),
            "flow_ratio_high": (margins[1] < 0, known[1]),
            "paco2_high": (margins[2] < 0, known[2]),
        }
        without_number += runaway.sum()
        for event, (happens, certain) in sure.items():
            one = found.sel(t_low=place, event=event)
            assert float(one["cases"]) == happens.sum()
            assert float(one["share"]) == pytest.approx(happens.mean())
            assert float(one["undetermined"]) == pytest.approx((~certain).mean())
            for parameter in ("compliance", "resistance_exp"):
                values = lungs[parameter].values
                for side, chosen in (("with", happens), ("without", ~happens & certain)):
                    told = float(
                        one["quantiles"].sel(side=side, parameter=parameter, quantile=0.25)
                    )
                    if chosen.sum() >= 20 and np.isfinite(told):
                        expected = np.quantile(values[chosen], 0.25)
                        assert told == pytest.approx(expected, rel=1e-9)
    assert without_number > 0


def test_a_box_says_its_own_edges_coverage_and_density():
    asked = Question(
        "linear", {"p_high": 20.0, "p_low": 2.0, "t_high": 4.0}, {}, GROUPS[1:], RULES, 400, 1
    )
    found = find_boxes(asked, Boxes(resamples=10), axes={"t_low": np.array([0.15, 1.8])}).isel(
        population=0
    )
    read = 0
    for rule in RULES:
        for event in found["event"].values:
            one = found.sel(rule=rule, event=event)
            words = str(one["sentence"].values)
            if words.startswith("fewer"):
                continue
            read += 1
            cover, density = re.search(r"covers (\d+) % .* at density ([\d.]+)$", words).groups()
            assert float(cover) == pytest.approx(100 * float(one["coverage"]), abs=0.501)
            assert float(density) == pytest.approx(float(one["density"]), abs=0.00501)
            for parameter in found["parameter"].values:
                low, high = one["edge"].sel(parameter=parameter).values
                name = PARAMETERS[parameter].long_name
                assert (
                    f"{name} above" in words
                    or f"{name} from" in words
                    or f"{name} {low:.2g} to" in words
                ) == bool(np.isfinite(low)) or np.isfinite(high)
    assert read >= 4


# maps, profiles and trades


def test_a_map_counts_safe_lungs_among_those_that_could_be_judged():
    asked = Question("linear", {"p_high": 20.0}, {}, GROUPS, RULES, 60, 1)
    axes = {"t_low": np.array([0.3, 0.6, 1.0]), "resistance_exp": np.array([10.0, 25.0])}
    found = find_map(asked, Map(x="t_low", y="resistance_exp"), axes=axes)
    for group in GROUPS:
        lungs = draw_cases(asked, group, axes)
        solved = simulate("linear", **lungs)
        for rule, limits in RULES.items():
            code, _, bound = judged_by_hand(
                limits,
                {
                    n: solved[n].transpose("resistance_exp", "t_low", "sample", ...)
                    if {"sample", "t_low"} <= set(solved[n].dims)
                    else solved[n]
                    for n in limits.outcomes
                },
            )
            one = found.sel(population=group.name, rule=rule).transpose(
                "resistance_exp", "t_low", ...
            )
            assert (code < 3).all()
            np.testing.assert_allclose(one["safe_share"], (code <= 1).mean(axis=-1), atol=1e-12)
            np.testing.assert_allclose(one["undetermined_share"], 0.0)
            names = [b.name for b in limits.hard]
            for i in range(2):
                for j in range(3):
                    worst = bound[i, j][code[i, j] == 2]
                    counts = np.bincount(worst, minlength=len(names))
                    told = str(one["commonest_bound"].values[i, j])
                    best = {names[k] for k in np.flatnonzero(counts == counts.max())}
                    assert told in (best if counts.any() else {"none"})


def test_a_profile_is_the_middle_lung_of_each_population():
    asked = Question("linear", {"p_high": 20.0}, {}, GROUPS, RULES, 60, 1)
    grid = np.array([0.3, 0.6, 1.0])
    found = find_profile(
        asked, Profile(along="t_low", outcomes=("auto_peep", "flow_ratio")), axes={"t_low": grid}
    )
    for group in GROUPS:
        axis = xr.DataArray(grid, dims="t_low")
        solved = simulate("linear", **{**group.median, "p_high": 20.0, "t_low": axis})
        for name in ("auto_peep", "flow_ratio"):
            np.testing.assert_allclose(
                found[name].sel(population=group.name), solved[name], rtol=1e-12
            )


def test_a_trade_says_whether_a_setting_keeps_all_limits():
    axes = {"t_low": np.linspace(0.2, 1.4, 7), "t_high": np.array([2.0, 4.0, 6.0])}
    asked = Question("linear", {"p_high": 26.0, "p_low": 0.0}, {}, GROUPS, RULES)
    found = find_trade(asked, Trade(axes=list(axes), costs=("paco2", "closed_fraction")), axes=axes)
    said = set()
    for group in GROUPS:
        grid = {n: xr.DataArray(a, dims=n, coords={n: a}) for n, a in axes.items()}
        solved = simulate("linear", **{**group.median, **asked.fixed, **grid})
        solved = solved.transpose("t_low", "t_high", ...)
        for rule, limits in RULES.items():
            code, least, bound = judged_by_hand(limits, solved)
            one = found.sel(population=group.name, rule=rule).transpose("t_low", "t_high", ...)
            np.testing.assert_array_equal(one["verdict"], code)
            at = np.unravel_index(int(np.nanargmax(least)), least.shape)
            place = f"T low {axes['t_low'][at[0]]:.4g} s, T high {axes['t_high'][at[1]]:.4g} s"
            words = str(one["answer"].values)
            if least[at] >= 0:
                share = f"{100 * ((least >= 0).mean()):.0f} %"
                assert (
                    words
                    == f"{share} of the settings keep all limits, with the widest margin at {place}"
                )
            else:
                broken = limits.hard[int(bound[at])].sentence
                nearest = f"the nearest, {place}, still has {broken}"
                assert words == f"no setting keeps all limits: {nearest}"
            said.add("no setting" in words)
            costs = np.stack([one[n].values for n in ("paco2", "closed_fraction")])
            known = np.isfinite(costs).all(axis=0)
            for name, allowed in (("front", known), ("safe_front", known & (code <= 1))):
                for at in np.ndindex(*code.shape):
                    mine = costs[(slice(None), *at)][:, None, None]
                    better = (costs <= mine).all(axis=0) & (costs < mine).any(axis=0) & allowed
                    assert int(one[name].values[at]) == int(allowed[at] and not better.any())
    assert said == {True, False}


@pytest.mark.parametrize("averaged", [False, True])
def test_a_map_names_what_its_shares_divide_by(averaged):
    asked = Question("linear", {"p_high": 20.0}, {}, GROUPS[:1], RULES, 8, 1)
    axes = {"t_low": np.array([0.3, 1.0]), "resistance_exp": np.array([10.0, 25.0])}
    if averaged:
        axes["compliance"] = np.array([30.0, 60.0])
    options = Map(x="t_low", y="resistance_exp", average_over=["compliance"] if averaged else [])
    found = find_map(asked, options, axes=axes)
    for name in ("safe_share", "safe_share_interval", "caution_share", "undetermined_share"):
        said = found[name].attrs["long_name"] + found[name].attrs.get("comment", "")
        assert ("lungs at all averaged settings" in said) == averaged, name
        assert "lungs" in said


def test_practices_are_those_of_the_bedside():
    """Shorter and lower is -1. All but the named ones: Habashi, Crit Care Med 2005;33:S228."""
    from ebbmap.analyses.common.practice import PRACTICE

    common = {("t_high", 1, "mean_airway_pressure"), ("t_high", 1, "pao2")}
    expected = {
        # less time at P high: more releases, more CO2 goes; and a longer or larger release too
        ("t_high", -1, "paco2"): -1,
        ("t_high", 1, "paco2"): 1,
        ("t_low", 1, "paco2"): -1,
        ("p_high", 1, "paco2"): -1,
        ("p_high", -1, "paco2"): 1,
        # more or longer pressure: higher mean pressure and more oxygen; a shorter release too
        ("p_high", 1, "mean_airway_pressure"): 1,
        ("t_high", 1, "mean_airway_pressure"): 1,
        ("p_high", 1, "pao2"): 1,
        ("t_high", 1, "pao2"): 1,
        ("t_low", -1, "pao2"): 1,
    }
    told = {(p.setting, p.step, p.outcome): p.effect for p in PRACTICE}
    assert told == expected
    for p in PRACTICE:
        assert ("Habashi" in p.source) == ((p.setting, p.step, p.outcome) not in common)
