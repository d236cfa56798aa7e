"""Robust settings beside counting by hand, and what tables and pages say of them."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
import xarray as xr

from ebbmap import find_robust
from ebbmap.analyses.common import robust_search
from ebbmap.analyses.robust import Robust, end_words, robust_pieces
from ebbmap.cases.design import OTHER_LUNGS_STREAM, seed_stream
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.question import Question, draw_cases, seed_of
from ebbmap.cases.uncertain import asked_again
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.plotting.pages.robust import pages
from ebbmap.registries.limits import LIMIT_SETS, combine
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.robust import tables

RULES = {
    "gentle": combine("gentle", *(LIMIT_SETS[n] for n in ("pressure", "volume", "auto_peep"))),
    "flow_ratio": LIMIT_SETS["flow_ratio"],
}
AXES = {"t_low": np.array([0.2, 0.4, 0.6, 0.8]), "p_high": np.array([16.0, 20.0, 24.0])}
DRAWS = 19


@pytest.fixture(scope="module")
def asked():
    return Question(
        lung="linear",
        fixed={"p_low": 2.0, "t_high": 4.0},
        populations=(POPULATIONS["normal"], POPULATIONS["obstructive"]),
        rules=RULES,
        lungs=60,
        knowledge=DRAWS,
        seed=2,
    )


SETTINGS = list(product(*AXES.values()))


def counted(question):
    """Return which lungs each setting of the grid serves, by rule: (group, setting, lung)."""
    t_low, p_high = (np.array(own)[:, None] for own in zip(*SETTINGS, strict=True))
    shape = (len(SETTINGS), question.lungs)
    found = {name: [] for name in RULES}
    for group in question.populations:
        drawn = {n: np.asarray(v.values) for n, v in draw_cases(question, group, {}).items()}
        case = drawn | {"t_low": t_low, "p_high": p_high}
        solved = evaluate(lung_model("linear"), case, question.outcomes).outcomes
        for name, rule in RULES.items():
            outcomes = {n: np.broadcast_to(solved[n], shape) for n in rule.outcomes}
            found[name].append(judge(rule, outcomes).safe)
    return {name: np.array(safe) for name, safe in found.items()}


@pytest.fixture(scope="module")
def searched(asked):
    """Return what each outer draw of the search counts, by rule: (draw, group, setting, lung)."""
    each = [counted(asked_again(asked, draw)) for draw in range(DRAWS)]
    return {name: np.array([one[name] for one in each]) for name in RULES}


@pytest.mark.parametrize("goal", ["worst", "mean"])
@pytest.mark.parametrize("width", [{}, {"t_low": 0.2, "p_high": 4.0}], ids=["values", "ranges"])
def test_the_choice_is_that_of_every_box_counted_by_hand(asked, searched, goal, width):
    options = Robust(over=list(AXES), goal=goal, width=width, level=0.9)
    found = find_robust(asked, options, axes=AXES)
    t_low, p_high = AXES.values()
    step = 1 if width else 0
    corners = [(i, j) for i in range(4 - step) for j in range(3 - step)]
    boxes = [
        [(t, p) for t in t_low[i : i + step + 1] for p in p_high[j : j + step + 1]]
        for i, j in corners
    ]
    fold = np.min if goal == "worst" else np.mean
    for name in RULES:
        inside = [[SETTINGS.index(one) for one in box] for box in boxes]
        served = [searched[name][:, :, own].all(axis=2) for own in inside]
        shares = np.stack(served, axis=2).mean(axis=-1)
        each = fold(shares, axis=1)
        over = each.mean(axis=0)
        one = found.sel(rule=name)
        chosen = one.sel(choice="all groups")
        assert float(chosen["searched_share"]) == pytest.approx(over.max(), abs=1e-12)
        ends = tuple(float(chosen[f"chosen_{n}"].values[0]) for n in AXES)
        at = [box[0] for box in boxes].index(ends)
        assert over[at] == pytest.approx(over.max(), abs=1e-12)
        lost = each.max(axis=1) - each[:, at]
        assert float(one["best_draws"]) == (lost < 1e-12).mean()
        assert float(one["near_draws"]) == (lost <= 0.01 + 1e-12).mean()
        assert float(one["lost"]) == pytest.approx(lost.mean(), abs=1e-12)
        assert float(one["lost_most"]) == pytest.approx(lost.max(), abs=1e-12)
        # and each group alone
        for number, group in enumerate(asked.populations):
            own = float(one["searched_share"].sel(choice=group.name))
            assert own == pytest.approx(shares[:, number].mean(axis=0).max(), abs=1e-12)
        np.testing.assert_allclose(one["attainable"].values.ravel(), over, atol=1e-12, err_msg=name)


def test_what_is_said_of_a_choice_comes_from_other_lungs_and_other_draws(asked):
    found = find_robust(asked, Robust(over=list(AXES), level=0.9), axes=AXES)
    fresh = seed_of(seed_stream(asked.seed, OTHER_LUNGS_STREAM))
    draws = [asked, *(asked_again(asked, DRAWS + draw) for draw in range(DRAWS))]
    every = [counted(replace(draw, seed=fresh)) for draw in draws]
    for name in RULES:
        one = found.sel(rule=name)
        places = [
            SETTINGS.index(tuple(float(own[f"chosen_{n}"].values[0]) for n in AXES))
            for own in (one.isel(choice=i) for i in range(3))
        ]
        share = np.array([safe[name][:, places].mean(axis=-1) for safe in every])
        np.testing.assert_allclose(one["reached_share"].values.T, share[0].T)
        np.testing.assert_allclose(one["goal_share"], share[0].min(axis=0))
        for number, group in enumerate(asked.populations):
            lost = share[:, number, 1 + number] - share[:, number, 0]
            own = one.sel(population=group.name)
            assert float(own["loss"]) == pytest.approx(lost[0], abs=1e-12)
            # ends of 19 draws at a level of 0.9 are the least and the largest
            np.testing.assert_allclose(
                own["loss_knowledge"], [lost[1:].min(), lost[1:].max()], atol=1e-12
            )


def test_pieces_of_few_lungs_at_a_time_count_the_same(asked, monkeypatch):
    options = Robust(over=list(AXES), width={"t_low": 0.2}, level=0.5)
    asked = replace(asked, knowledge=3)
    whole = find_robust(asked, options, axes=AXES)
    # 12 settings of the grid: 25 of the 60 lungs at a time, in blocks of eight settings
    monkeypatch.setattr(robust_search, "CELLS", 12 * 25)
    monkeypatch.setattr(robust_search, "BLOCK", 8 * 25)
    again = find_robust(asked, options, axes=AXES)
    xr.testing.assert_equal(whole.drop_attrs(), again.drop_attrs())
    # pieces of a kind need nothing of each other, so they may be done in any order
    monkeypatch.undo()
    pieces, found = robust_pieces(asked, options, AXES), {}
    while todo := [name for name in pieces.wanted(found) if name not in found]:
        found |= {name: pieces.solve(name, found, None) for name in reversed(todo)}
    xr.testing.assert_equal(whole.drop_attrs(), pieces.join(found).drop_attrs())


def test_without_knowledge_populations_are_taken_as_they_are(asked):
    found = find_robust(replace(asked, knowledge=0), Robust(over=["t_low"]), axes=only("t_low"))
    assert "goal_share_knowledge" not in found and found["best_draws"].isnull().all()
    assert "not in the intervals" in found.attrs["knowledge"]
    assert len(list(tables(found))) == 2
    alone = replace(asked, knowledge=0, populations=asked.populations[:1])
    one = find_robust(alone, Robust(over=["t_low"]), axes=only("t_low"))
    assert one["choice"].values.tolist() == ["all groups"] and "loss" not in one
    np.testing.assert_array_equal(one["goal_share"].values, one["reached_share"].values[0])


def only(name):
    return {name: AXES[name]}


def test_tables_and_pages_say_what_is_chosen(asked):
    options = Robust(over=list(AXES), width={"t_low": 0.2}, level=0.9, near=0.025)
    found = find_robust(asked, options, axes=AXES)
    chosen, groups, draws = tables(found)
    one = found.sel(rule="gentle", choice="all groups")
    low, high = one["chosen_t_low"].values
    assert chosen.column("t_low [s]")[0] == f"{low:g} to {high:g}"
    assert chosen.column("p_high [cmH₂O]")[0] == f"{float(one['chosen_p_high'][0]):g}"
    assert chosen.column("worst group's share")[0] == (
        float(one["goal_share"]),
        *one["goal_share_interval"].values,
        *one["goal_share_knowledge"].values,
    )
    assert groups.column("loses")[0][0] == float(found["loss"].sel(rule="gentle")[0])
    assert draws.column("in which none serves over 2.5 points more")[0] == float(
        found["near_draws"].sel(rule="gentle")
    )
    drawn = list(pages(found))
    assert [name for name, *_ in drawn] == ["robust_gentle", "robust_flow_ratio"]
    for (_, figure, text), rule in zip(drawn, RULES, strict=True):
        left, right, scale = figure.axes
        assert scale.get_ylabel() == "worst group's share"
        ticks = [text.get_text() for text in scale.get_yticklabels()]
        assert ticks == ["0 %", "25 %", "50 %", "75 %", "100 %"]
        shown = found.sel(rule=rule)
        np.testing.assert_allclose(
            left.collections[0].get_array().ravel(), shown["attainable"].values.T.ravel()
        )
        marks = {line.get_label(): line.get_xydata()[0] for line in left.lines}
        for choice in found["choice"].values:
            ends = [shown[f"chosen_{n}"].sel(choice=choice).values.mean() for n in AXES]
            np.testing.assert_allclose(marks[choice.replace("_", " ")], ends)
        crosses = [line.get_xdata()[0] for line in right.lines if line.get_marker() == "P"]
        np.testing.assert_allclose(crosses, shown["reached_share"].sel(choice="all groups"))
        assert "for all groups" in text and "19 outer draws" in " ".join(
            figure.texts[0].get_text().split()
        )


@pytest.mark.parametrize(
    ("options", "axes", "said"),
    [
        ({"over": ["t_low"]}, {}, "t_low has no axis"),
        (
            {"over": ["t_low"], "width": {"t_low": 0.3}},
            only("t_low"),
            r"width.t_low: no two values of its axis are T low 0.3 s apart. Give a multiple",
        ),
        (
            {"over": ["compliance"]},
            {"compliance": np.array([30.0, 60.0])},
            "compliance is drawn with the lungs of normal. Choose among settings",
        ),
        ({"level": 0.95}, only("t_low"), "knowledge must be at least 39 outer draws"),
        ({"goal": "most"}, only("t_low"), "goal"),
    ],
)
def test_what_cannot_be_is_refused(asked, options, axes, said):
    with pytest.raises(EbbmapError, match=said):
        find_robust(asked, {"level": 0.9} | options, axes=axes)
    with pytest.raises(EbbmapError, match="without limits"):
        find_robust(replace(asked, rules={}), {"level": 0.9}, axes=only("t_low"))


def test_a_choice_at_an_end_of_its_axis_is_said():
    # every lung here is safest with the shortest release of the axis, and none of it is tried below
    rules = {"flow_ratio": LIMIT_SETS["flow_ratio"]}
    longer = find_robust(Question("linear", rules=rules), axes={"t_low": [0.4, 0.6, 0.8]})
    assert longer.attrs["on_an_end"] == "T low"
    assert "takes an end of T low" in end_words(longer)
    inside = find_robust(Question("linear", rules=rules), axes={"t_low": [0.1, 0.3, 0.5, 0.7]})
    assert inside.attrs["on_an_end"] == "" == end_words(inside)
