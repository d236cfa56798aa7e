"""A served explorer: its answers against the program's map, and whom it lets in."""

import json
import re

import numpy as np
import pytest

from browser import opened
from ebbmap.analyses.map import Map, find_map
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.exploring import build_page, of_study, usual
from ebbmap.exploring import server as served
from ebbmap.exploring.answers import Answers
from ebbmap.exploring.page import served_page
from ebbmap.files.study import parse_study
from ebbmap.registries.limits import limit_set
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.registries.populations import population
from explorers import serving, whole

LUNGS, CELLS = 20, 12
HARM = limit_set("harm")

OWN = """
title = "own lungs"
lung = "{lung}"
lungs = 12
seed = 7
populations = ["stiff"]
[population.stiff]
base = "restrictive"
long_name = "stiff lungs"
[fixed]
p_low = 2.0
t_high = 4.0
fio2 = 0.7
cardiac_output = 6.0
spontaneous_alveolar_ventilation = 2.0
[axes]
t_low = {{ start = 0.2, stop = 0.9, count = 8 }}
p_high = {{ start = 16.0, stop = 28.0, count = 7 }}
[limits]
sets = ["harm"]
rules = []
[[analyses.map]]
x = "t_low"
y = "p_high"
"""


@pytest.fixture(scope="module")
def asked():
    return usual("linear", lungs=LUNGS, cells=CELLS)


def question(group="restrictive", **changes):
    asked = {
        "group": group,
        "x": {"name": "t_low", "from": 0.1, "to": 1.6},
        "y": {"name": SPONTANEOUS, "from": 0.0, "to": 6.0},
        "settings": {"plateau_peep": 10.0, "p_low": 0.0, "t_high": 5.0, "fio2": 0.6, "t_low": 0.5},
        "factors": {},
        "limits": {
            f"hard_{rule}_{side}": None
            for rule in ("flow_ratio", "exhaled_fraction")
            for side in ("low", "high")
        },
        "lungs": None,
    }
    return {**asked, **changes}


def test_slices_add_up_to_the_map_of_the_program(asked):
    answers = Answers(asked)
    # slow enough that there are several slices
    answers._learn = lambda cases, seconds: None
    answers.speed = 3.0 * CELLS**2 / 0.4
    counts = whole(answers, question())
    fixed = {"plateau_peep": 10.0, "p_low": 0.0, "t_high": 5.0, "fio2": 0.6}
    own = Question("linear", fixed, {}, (population("restrictive"),), {"harm": HARM}, lungs=LUNGS)
    axes = {axis.name: axis.places(CELLS) for axis in asked.axes}
    exact = find_map(own, Map(x="t_low", y=SPONTANEOUS), axes=axes).isel(population=0, rule=0)
    shape = (CELLS, CELLS)
    assert np.array_equal(
        counts[0].reshape(shape), np.rint(exact["safe_share"].values * LUNGS).astype(int)
    )
    for place, bound in enumerate(HARM.hard):
        broken = np.rint(exact["broken_share"].sel(bound=bound.name).values * LUNGS)
        assert np.array_equal(counts[2 + place].reshape(shape), broken)
    assert counts.sum() == LUNGS * CELLS**2


def test_with_a_limit_switched_off_the_last_ones_still_count(asked):
    # only the last limit on harm is left, so that every lung outside is outside by that one
    *off, last = HARM.hard
    limits = {**question()["limits"], **{f"hard_{bound.name}": None for bound in off}}
    limits[f"hard_{last.name}"] = last.value + last.width
    counts = whole(Answers(asked), question(limits=limits))
    assert counts[1 + len(HARM.hard)].sum() > 0
    assert counts.sum() == LUNGS * CELLS**2


@pytest.mark.parametrize("other", [SPONTANEOUS, "resistance_exp"])
def test_properties_are_drawn_given_the_value_of_an_axis(asked, other):
    entry = {"compliance": (25.0, 60.0), SPONTANEOUS: (0.0, 6.0), "resistance_exp": (8.0, 30.0)}
    sides = {
        side: {"name": name, "from": entry[name][0], "to": entry[name][1]}
        for side, name in (("x", "compliance"), ("y", other))
    }
    settings = {"plateau_peep": 10.0, "p_low": 0.0, "t_high": 5.0, "fio2": 0.6, "t_low": 0.4}
    settings[SPONTANEOUS] = 3.0
    answers = Answers(asked)
    counts = whole(answers, question(settings=settings, **sides))
    fixed = {name: value for name, value in settings.items() if name != other}
    own = Question("linear", fixed, {}, (population("restrictive"),), {"harm": HARM}, lungs=LUNGS)
    axes = {name: np.linspace(*entry[name], CELLS) for name in ("compliance", other)}
    exact = find_map(own, Map(x="compliance", y=other), axes=axes).isel(population=0, rule=0)
    expected = np.rint(exact["safe_share"].values * LUNGS).astype(int)
    assert np.array_equal(counts[0].reshape(CELLS, CELLS), expected)
    # lungs of one cell are those that were counted there
    place = {"compliance": float(axes["compliance"][5]), other: float(axes[other][7])}
    asked_now = question(settings=settings, **sides)
    found = answers.answer({"kind": "lungs", "question": asked_now, "changes": place})
    assert sum(lung["verdict"] <= 1 for lung in found["lungs"]) == expected[7, 5]


def test_a_draft_is_smaller_for_a_slower_lung(asked):
    answers = Answers(asked)
    answers.speed = 1e3
    slow = answers.answer({"kind": "draft", "question": question()})
    answers.speed = 1e9
    fast = answers.answer({"kind": "draft", "question": question()})
    assert slow["counted"] < fast["counted"] == LUNGS
    assert len(slow["safe"]) == len(fast["safe"]) == CELLS**2


@pytest.mark.parametrize("lung", ["linear", "whole"])
def test_one_lung_of_own_lungs_is_what_the_program_solves(lung):
    asked = of_study(parse_study(OWN.format(lung=lung)), cells=5)
    assert [axis.name for axis in asked.axes] == ["t_low", "p_high"]
    assert (asked.axes[1].low, asked.axes[1].high) == (16.0, 28.0)
    answers = Answers(asked)
    settings = {"p_low": 2.0, "t_high": 4.0, "fio2": 0.7, "p_high": 22.0, "t_low": 0.5}
    one = {"kind": "one", "question": question("stiff", settings={**settings, SPONTANEOUS: 2.0})}
    found = answers.answer({**one, "number": 3, "list": [{}, {"t_low": 0.6}], "times": [-0.1, 0.2]})
    own = {name: column[3] for name, column in answers._drawn.given("stiff", {}).values.items()}
    used = {name: value for name, value in own.items() if name in asked.inputs}
    for place, t_low in enumerate((0.5, 0.6)):
        exact = simulate(
            lung,
            outcomes=("paco2", "release_volume"),
            **used,
            **{**settings, "t_low": t_low, SPONTANEOUS: 2.0, "cardiac_output": 6.0},
        )
        assert found["found"][place]["paco2"] == pytest.approx(float(exact["paco2"]), rel=1e-9)
    # before the release the airway is at P high, within it at P low
    assert found["points"][0]["airway_pressure"] == pytest.approx(22.0)
    assert found["points"][1]["airway_pressure"] == pytest.approx(2.0)
    assert found["points"][1]["flow"] < 0.0


def test_every_lung_is_judged_and_unfair_ones_are_undetermined(asked):
    answers = Answers(asked)
    drawn = answers._drawn.given("normal", {})
    answers._drawn._kept["normal",] = drawn._replace(fair=np.arange(LUNGS) != 4)
    found = answers.answer({"kind": "lungs", "question": question("normal"), "changes": {}})
    assert len(found["lungs"]) == LUNGS
    assert found["lungs"][4] == {"verdict": 3, "margin": None}
    assert {one["verdict"] for one in found["lungs"]} <= {0, 1, 2, 3}


@pytest.mark.parametrize(
    ("message", "words"),
    [
        (None, "message must be a table"),
        ([], "message must be a table"),
        ({"kind": "__class__"}, "kind: '__class__' is not known"),
        ({"kind": "draft"}, "question must be a table"),
        ({"kind": "draft", "question": question("nobody")}, "group: 'nobody' is not known"),
        ({"kind": "draft", "question": question(settings={"t_high": 1e9})}, "t_high must be a"),
        ({"kind": "draft", "question": question(settings={"seed": 1})}, "'seed' is not known"),
        ({"kind": "draft", "question": question(lungs=[99])}, "lungs must be a number"),
        ({"kind": "draft", "question": question(lungs=[0] * 500)}, "a list of 1 to 20"),
        ({"kind": "draft", "question": question(factors={"compliance": 99})}, "from 0.4 to 2.5"),
        ({"kind": "slice", "question": question(), "first": 1.0e9}, "first must be a number"),
        ({"kind": "one", "question": question(), "list": [{}] * 999}, "1 to 64 entries"),
        (
            {"kind": "draft", "question": question(x={"name": "t_low", "from": "a", "to": 1})},
            "x.from must be a number",
        ),
        (
            {
                "kind": "draft",
                "question": question(settings={"plateau_peep": 10.0, "p_high": 20.0}),
            },
            "p_high is given twice",
        ),
    ],
)
def test_a_wrong_message_is_an_answer_with_its_error(asked, message, words):
    assert words in Answers(asked).answer(message)["error"]


def test_a_study_without_lungs_cannot_be_explored():
    with pytest.raises(EbbmapError, match="names no population"):
        of_study(parse_study('title = "t"\n[analyses.window]'))


def test_missing_packages_are_named(monkeypatch):
    monkeypatch.setattr(served, "find_spec", lambda name: None)
    with pytest.raises(EbbmapError, match=r"Install ebbmap\[explore\]"):
        served.serve(usual("linear", lungs=2))


def test_only_the_page_with_its_token_is_answered(asked):
    client = pytest.importorskip("websockets.sync.client")
    exceptions = pytest.importorskip("websockets.exceptions")
    with serving(asked) as port:
        own = f"http://127.0.0.1:{port}"

        def connected(token="right", origin=own, **more):
            address = f"ws://127.0.0.1:{port}/ask?token={token}"
            return client.connect(address, origin=origin, compression=None, **more)

        with connected() as socket:
            socket.send(json.dumps({"kind": "draft", "question": question()}))
            assert len(json.loads(socket.recv())["safe"]) == CELLS**2
            socket.send("{ no json")
            assert "message must be" in json.loads(socket.recv())["error"]
        for wrong in (
            {"token": "wrong"},
            {"token": ""},
            {"origin": "http://elsewhere.example"},
            {"origin": None},
            {"additional_headers": {"Host": "elsewhere.example"}},
        ):
            with pytest.raises(exceptions.InvalidStatus), connected(**wrong):
                raise AssertionError(f"{wrong} was let in")


@pytest.mark.parametrize("lung", ["linear"])
def test_a_served_page_draws_counts_and_opens_a_cell(lung, chromium):
    asked = of_study(parse_study(OWN.format(lung=lung)), cells=10)
    with serving(asked) as port:
        address = f"http://127.0.0.1:{port}/?token=right"
        with opened(chromium, address, (1366, 768), own=address) as page:
            page.wait_for_selector("body[data-settled=yes]")
            assert "every cell counted, 12 lungs" in page.inner_text("#progress")
            before = int(page.get_attribute("#map", "data-safe"))
            expected = whole(Answers(asked), json.loads(page.evaluate("asText(questionNow())")))
            assert before == expected[0].sum()
            page.focus("#fio2")
            for _ in range(20):
                page.keyboard.press("ArrowRight")
            page.wait_for_selector("body[data-settled=yes]")
            assert int(page.get_attribute("#map", "data-safe")) != before
            assert page.locator("#cycle path.lung").count() == 3
            assert page.locator("#steps tr").count() > 5
            assert page.errors == []


def test_a_served_page_may_talk_to_its_own_server_and_the_other_to_nobody(asked):
    policy = re.compile(r'http-equiv="Content-Security-Policy" content="([^"]*)"')
    (one,) = policy.findall(served_page(asked).html)
    (other,) = policy.findall(build_page(asked).html)
    assert one == other.replace("'none';", "'none'; connect-src 'self';", 1)
    assert "connect-src" not in other
