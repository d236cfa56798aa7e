"""An explorer of a stored sweep: its counts against the store's own verdicts, and refusals."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import ebbmap
from browser import opened
from ebbmap.analyses.map import Map, find_map
from ebbmap.errors import EbbmapError
from ebbmap.exploring import has_store, of_store
from ebbmap.exploring.stored_answers import StoredAnswers
from ebbmap.exploring.stored_page import stored_data
from ebbmap.files.study import parse_study
from ebbmap.kernels.judging import UNSAFE
from explorers import serving, whole

STUDY = """
title = "stored lungs"
lung = "linear"
lungs = 9
seed = 7
populations = ["stiff", "normal"]
[population.stiff]
base = "restrictive"
long_name = "stiff lungs"
[fixed]
p_low = 2.0
t_high = 4.0
cardiac_output = 6.0
spontaneous_alveolar_ventilation = 2.0
[axes]
t_low = [0.2, 0.3, 0.5, 0.9]
p_high = [16.0, 20.0, 28.0]
fio2 = [0.4, 1.0]
[limits]
sets = ["harm"]
rules = []
[outputs]
figures = []
[analyses.sweep]
store = "zarr"
"""
RULES = [
    f"hard_{rule}_{side}" for rule in ("flow_ratio", "exhaled_fraction") for side in ("low", "high")
]


def made(folder, text=STUDY):
    ebbmap.run(text, out=folder)
    return SimpleNamespace(folder=folder, study=parse_study(text))


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    return made(tmp_path_factory.mktemp("stored"))


@pytest.fixture(scope="module")
def stored(run):
    return of_store(run.folder, run.study)


def question(**changes):
    asked = {
        "group": "normal",
        "x": {"name": "t_low"},
        "y": {"name": "p_high"},
        "settings": {"t_low": 0.3, "p_high": 20.0, "fio2": 0.4},
        "factors": {},
        "limits": dict.fromkeys(RULES),
        "lungs": None,
    }
    return {**asked, **changes}


def counted(verdicts):
    return (verdicts < UNSAFE).sum("sample").transpose("p_high", "t_low").values


@pytest.mark.parametrize("read", [2**25, 100])
@pytest.mark.parametrize(("group", "fio2"), [("stiff", 1.0), ("normal", 0.4)])
def test_counts_are_those_of_the_verdicts_in_the_store(stored, monkeypatch, group, fio2, read):
    monkeypatch.setattr("ebbmap.exploring.stored_answers.READ", read)
    settings = {"t_low": 0.3, "p_high": 20.0, "fio2": fio2}
    answers = StoredAnswers(stored)
    answers._learn = lambda cases, seconds: None
    answers.speed = 2.0 * stored.cells**2 / 0.4
    counts = whole(answers, question(group=group, settings=settings))
    verdicts = stored.cases["verdict_limits"].sel(population=group, fio2=fio2)
    assert np.array_equal(counts[0].reshape(3, 4), counted(verdicts))
    assert counts.sum() == 9 * 12


def test_a_sweep_in_one_file_answers_as_its_store_does(stored, tmp_path):
    text = STUDY.replace('store = "zarr"', 'store = "netcdf"')
    one = made(tmp_path / "file", text)
    assert not (one.folder / "cases.zarr").exists() and has_store(one.folder, one.study)
    asked = question(settings={"t_low": 0.3, "p_high": 20.0, "fio2": 1.0})
    from_file = whole(StoredAnswers(of_store(one.folder, one.study)), asked)
    np.testing.assert_array_equal(from_file, whole(StoredAnswers(stored), asked))
    assert 0 < from_file[0].sum() < 9 * 12
    # what makes no map is solved anew, as before
    narrow = made(tmp_path / "narrow", text.replace("p_high = [16.0, 20.0, 28.0]\n", "").replace(
        "fio2 = [0.4, 1.0]", "").replace("[axes]", "p_high = 20.0\n[axes]"))  # fmt: skip
    assert not has_store(narrow.folder, narrow.study)


def test_counts_are_those_of_the_map_of_the_program(run, stored):
    axes = {name: stored.places[name] for name in ("t_low", "p_high")}
    own = run.study.question
    asked = replace(own, fixed={**own.fixed, "fio2": 0.4})
    exact = find_map(asked, Map(x="t_low", y="p_high"), axes=axes)
    exact = exact.isel(rule=0).sel(population="normal").transpose(..., "p_high", "t_low")
    counts = whole(StoredAnswers(stored), question())
    assert np.array_equal(counts[0].reshape(3, 4), np.rint(9 * exact["safe_share"].values))
    for place, bound in enumerate(exact["bound"].values):
        broken = np.rint(9 * exact["broken_share"].sel(bound=bound).values)
        assert np.array_equal(counts[2 + place].reshape(3, 4), broken)


def test_a_limit_moved_and_another_switched_off_judge_what_is_stored(stored):
    limits = {**dict.fromkeys(RULES), "hard_ph_low": 7.35}
    off = next(b for b in stored.limits.hard if b.outcome != "ph")
    limits[f"hard_{off.name}"] = None
    counts = whole(StoredAnswers(stored), question(limits=limits))
    number = [bound.name for bound in stored.limits.hard].index("ph_low")
    gone = list(stored.limits.hard).index(off)
    before = whole(StoredAnswers(stored), question())
    assert counts[2 + number].sum() > before[2 + number].sum()
    assert counts[2 + gone].sum() == 0
    assert counts.sum() == 9 * 12


def test_lungs_and_one_lung_are_what_is_stored(stored):
    answers = StoredAnswers(stored)
    place = {"t_low": 0.5, "p_high": 28.0}
    found = answers.answer({"kind": "lungs", "question": question(), "changes": place})
    at = stored.cases.sel(population="normal", fio2=0.4, **place)
    assert [lung["verdict"] for lung in found["lungs"]] == at["verdict_limits"].values.tolist()
    one = {"kind": "one", "question": question(), "number": 4, "times": [0.1]}
    found = answers.answer({**one, "list": [place, {**place, "t_low": 0.9}]})
    assert found["points"] == []
    assert found["found"][0]["paco2"] == float(at["paco2"][4])
    assert found["found"][0]["margin"] == pytest.approx(float(at["margin_limits"][4]))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"settings": {"t_low": 0.4, "p_high": 20.0, "fio2": 0.4}}, "must be a stored place; got"),
        ({"settings": {"t_low": 0.3, "p_high": 20.0}}, "settings must hold fio2"),
        ({"settings": {"t_high": 4.0}}, "'t_high' is not known"),
        ({"factors": {"compliance": 2.0}}, "changed properties are not stored"),
        ({"factors": {"compliance": "a"}}, "changed properties are not stored"),
        ({"factors": [1]}, "factors must be a table"),
        ({"x": {"name": "p_low"}}, "x: 'p_low' is not known"),
        ({"y": {"name": "t_low"}}, "x and y must differ"),
        ({"group": "severe"}, "group: 'severe' is not known"),
        ({"lungs": [9]}, "lungs must be a number from 0 to 8"),
    ],
)
def test_what_is_not_stored_is_not_answered(stored, changes, words):
    message = {"kind": "slice", "first": 0, "question": question(**changes)}
    assert words in StoredAnswers(stored).answer(message)["error"]


def test_the_page_offers_stored_places_lungs_and_limits(stored):
    data = stored_data(stored)
    assert data["stored"]["t_low"] == [0.2, 0.3, 0.5, 0.9]
    assert set(data["sliders"]) == {"t_low", "p_high", "fio2"}
    assert data["groups"]["stiff"]["label"] == "stiff lungs"
    assert "compliance" in data["properties"] and data["curves"] is False
    assert data["count"] == 9 and data["rules"] == ("flow_ratio", "exhaled_fraction")
    assert stored.says[0].startswith("Read from 432 stored cases of the lung model linear, 9 of")
    assert len(stored.says) == 2
    assert json.dumps(data, allow_nan=False)


def test_a_limit_whose_outcome_is_not_stored_is_not_offered(tmp_path):
    outcomes = 'outcomes = ["end_high_pressure", "ph"]\njudged = false'
    own = made(tmp_path, f"{STUDY}{outcomes}\n")
    found = of_store(own.folder, own.study)
    # pH without the balance that tells whether there is a steady state
    assert {bound.outcome for bound in found.bounds} == {"end_high_pressure"}
    assert found.rules == () and found.shown == {"ph": 2}
    assert "Not judged, for these outcomes are not stored: " in found.says[2]
    assert "flow" in found.says[2]
    assert whole(StoredAnswers(found), question(limits={})).sum() == 9 * 12


def test_a_damaged_store_and_one_without_two_axes_are_refused(tmp_path):
    own = made(tmp_path / "whole")
    chunk = next((own.folder / "cases.zarr" / "ph").glob("0.*"))
    kept = chunk.read_bytes()
    chunk.write_bytes(kept[:-1])
    with pytest.raises(EbbmapError, match=r"is not what was written\. Give the command of the run"):
        of_store(own.folder, own.study)
    chunk.write_bytes(kept)
    next((own.folder / "pieces").glob("cases.*")).unlink()
    with pytest.raises(EbbmapError, match="pieces of 'cases' are missing"):
        of_store(own.folder, own.study)
    text = STUDY.replace("[16.0, 20.0, 28.0]", "[16.0]").replace("[0.4, 1.0]", "[0.4]")
    narrow = made(tmp_path / "narrow", text)
    with pytest.raises(EbbmapError, match="needs two axes with at least two places each"):
        of_store(narrow.folder, narrow.study)


def test_the_page_of_stored_cases_draws_them_and_moves_between_places(stored, chromium):
    with serving(stored) as port:
        address = f"http://127.0.0.1:{port}/?token=right"
        with opened(chromium, address, (1366, 900), own=address) as page:
            page.wait_for_selector("body[data-settled=yes]")
            verdicts = stored.cases["verdict_limits"].sel(population="stiff")
            expected = {fio2: counted(verdicts.sel(fio2=fio2)).sum() for fio2 in (0.4, 1.0)}
            assert expected[0.4] != expected[1.0]
            assert page.is_visible("text=Not offered, for they are not stored")
            assert not page.is_visible("#save_study") and not page.is_visible("#multiplied")
            for key, fio2 in (("End", 1.0), ("Home", 0.4)):
                page.focus("#fio2")
                page.keyboard.press(key)
                page.wait_for_selector("body[data-settled=yes]")
                assert int(page.get_attribute("#map", "data-safe")) == expected[fio2]
            assert "Curves are not stored" in page.inner_text("#cycle")
            assert page.locator("#steps tr").count() > 4
            page.select_option("#x", "fio2")
            page.wait_for_selector("body[data-settled=yes]")
            assert page.locator("#map_table tr").count() == 4
            assert page.errors == []
