"""Every command prints one JSON document, with the keys that the package documents."""

import json
from functools import partial
from pathlib import Path

import pytest
from typer.testing import CliRunner

from bedside import Bedside, Patient, recorded
from ebbmap.caution import CAUTION
from ebbmap.cli import app
from ebbmap.tables.keys import KEYS
from ebbmap.validation import validate
from json_paths import matches, paths

ROOT = Path(__file__).parents[1]
DRAFT = ROOT / "files" / "protocol" / "small_draft.toml"

STUDY = """
title = "tiny"
lung = "linear"
seed = 0
lungs = 20
populations = ["normal", "restrictive"]
[fixed]
p_high = 24.0
[axes]
t_low = [0.3, 0.5, 0.8]
resistance_exp = [8.0, 14.0]
[analyses.window]
[[analyses.map]]
x = "t_low"
y = "resistance_exp"
[analyses.sweep]
"""


#: What is empty before a check is done.
EMPTY = ("groups", "needs", "notes", "persons", "why_not", "recognise", "beside")


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def document(*words, status=0):
    """Return the one JSON document on standard output, which holds no NaN."""
    done = call(*words)
    assert done.exit_code == status, done.output

    def refuse(name):
        raise AssertionError(name)

    return json.loads(done.stdout, parse_constant=refuse)


def check_keys(command, told, *, absent=()):
    """Every path is documented, and every documented key is there."""
    assert next(iter(told)) == "caution"
    assert told["caution"] == CAUTION
    keys = KEYS[command]
    found = set(paths(told))
    unknown = {path for path in found if not any(matches(path, key) for key in keys)}
    assert not unknown
    missing = {key for key in keys if not any(matches(path, key) for path in found)}
    assert missing == set(absent)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("json")
    (folder / "tiny.toml").write_text(STUDY)
    return folder


@pytest.fixture(scope="module")
def ran(folder):
    words = ("--out", folder / "results", "--figures", folder / "pictures", "--workers", 1)
    return document("run", folder / "tiny.toml", "--json", *words)


def test_every_command_is_documented_and_takes_json():
    names = {command.callback.__name__ for command in app.registered_commands}
    assert names == set(KEYS)
    for name in names:
        told = call(name, "--help")
        assert "--json" in told.stdout, name
        for key, meaning in KEYS[name].items():
            assert f"{key}: {meaning}" in told.stdout


@pytest.mark.parametrize(
    ("words", "absent"),
    [
        (("cycle", "--set", "t_low=0.5"), ()),
        (("window",), ()),
        (("adjust", "--set", "p_low=5"), ()),
        (("wean",), ()),
        (("studies",), ("copied[]",)),
        (("describe",), ()),
    ],
    ids=lambda words: words[0] if words else "",
)
def test_documents_of_quick_commands(words, absent):
    told = document(*words, "--json")
    if words[0] == "adjust" and not told["against_common_practice"]:
        absent = {key for key in KEYS["adjust"] if key.startswith("against")}
    if words[0] == "describe":
        # the registry has categories, and every entry of it is there
        assert "sex" in told["parameters"]
        absent = {key for key in KEYS["describe"] if key.startswith("study.")}
    check_keys(words[0], told, absent=absent)


def test_a_fit(tmp_path):
    table = recorded(Patient(), Bedside(cycles=3), seed=1)
    lines = ["time_s,flow_L_per_s,pressure_cmH2O"]
    lines += [f"{t},{f},{p}" for t, f, p in zip(*table.values(), strict=True)]
    (tmp_path / "trace.csv").write_text("\n".join(lines), encoding="utf-8")
    words = ("fit", tmp_path / "trace.csv", "--lung", "linear", "--no-compare", "--json")
    follow = {key for key in KEYS["fit"] if key.startswith("follow")}
    check_keys("fit", document(*words), absent={*follow, "doubtful[]", "not_measurable[]"})
    after = document(*words, "--follow")
    check_keys("fit", after, absent={"doubtful[]", "not_measurable[]"})
    assert after["properties"]["compliance"]["units"] == "mL cmH2O-1"


def test_a_run(ran, folder):
    check_keys("run", ran, absent={"notes[]", "results[].tables[].notes[]"} - notes_of(ran))
    assert [one["analysis"] for one in ran["results"]] == ["window", "map", "sweep"]
    for one in ran["results"]:
        assert Path(one["file"]).exists()
        assert all(Path(path).exists() for path in one["pictures"])
        assert one["held"].startswith("held: P high 24 cmH₂O")
    assert ran["folder"] == str(folder / "results")
    (windows,) = ran["results"][0]["tables"]
    heads = [column["title"] for column in windows["columns"]]
    share = heads.index("lungs with a window")
    for row in windows["rows"]:
        estimate, low, high = row[share]
        assert 0.0 <= low <= estimate <= high <= 1.0


def notes_of(told):
    found = {"notes[]"} if told["notes"] else set()
    if any(table["notes"] for one in told["results"] for table in one["tables"]):
        found.add("results[].tables[].notes[]")
    return found


def test_a_dry_run_has_the_same_keys_and_no_results(folder):
    told = document("run", folder / "tiny.toml", "--json", "--dry-run", "--out", folder / "none")
    absent = {key for key in KEYS["run"] if key.startswith("results[]")}
    check_keys("run", told, absent=absent | ({"notes[]"} - notes_of(told)))
    assert told["results"] == []
    assert not (folder / "none").exists()


def test_the_status_of_a_run(ran, folder):
    told = document("status", folder / "results", "--json")
    check_keys("status", told)
    assert told["damage"] is None
    assert told["running"] is False
    assert {part["name"] for part in told["parts"]} >= {"window", "map_t_low_resistance_exp"}
    verified = document("status", folder / "results", "--verify", "--json")
    assert verified["damage"] == []


def test_damage_is_listed_and_ends_with_1(ran, folder, tmp_path):
    import shutil

    shutil.copytree(folder / "results", tmp_path / "results")
    (tmp_path / "results" / "window.nc").write_bytes(b"")
    told = document("status", tmp_path / "results", "--verify", "--json", status=1)
    assert len(told["damage"]) == 1
    assert "window.nc" in told["damage"][0]


def test_a_check(tmp_path, smaller_searches):
    words = ("--workers", 1, "--out", tmp_path / "out")
    told = document("check", DRAFT, "--json", *words, status=1)
    check_keys("check", told, absent=set() if told["notes"] else {"notes[]"})
    assert told["holds"] is False
    assert Path(told["report"]).is_file()
    for group in told["groups"].values():
        low, high = group["interval"]
        assert 0.0 <= low <= group["safe"] <= high <= 1.0
        assert 0.0 <= group["none_share"] <= 1.0
    assert told["answer"].startswith("The draft does not hold.")
    again = document("check", DRAFT, "--json", *words, status=1)
    assert again["groups"] == told["groups"]


def test_a_dry_check_has_the_same_keys(tmp_path):
    told = document("check", DRAFT, "--json", "--dry-run", "--out", tmp_path / "out")
    absent = {key for key in KEYS["check"] if key.startswith(EMPTY)}
    check_keys("check", told, absent=absent)
    assert (told["holds"], told["groups"], told["report"]) == (None, {}, None)


def test_a_comparison(tmp_path):
    revision = DRAFT.with_name("small_revision.toml")
    words = ("diff", DRAFT, revision, "--workers", 1)
    told = document(*words, "--json", "--out", tmp_path)
    check_keys("diff", told, absent={"notes[]"})
    assert Path(told["report"]) == tmp_path / "difference.html"
    assert Path(told["result"]) == tmp_path / "difference.nc"
    assert any(line.startswith("who gets the mode") for line in told["changes"])
    for group in told["groups"].values():
        low, high = group["interval"]
        assert low <= group["change"] <= high


def test_copied_studies_are_listed(tmp_path):
    told = document("studies", "--json", "--copy", tmp_path / "mine")
    check_keys("studies", told)
    assert all(Path(path).is_file() for path in told["copied"])


def test_one_entry_of_a_registry():
    told = document("describe", "p_high", "--json")
    assert list(told["parameters"]) == ["p_high"]
    assert told["outcomes"] == told["limits"] == told["populations"] == told["lungs"] == {}


def test_the_limits_of_a_study_and_which_can_hold_together():
    told = document("describe", "two_rules", "--json")
    absent = {key for key in KEYS["describe"] if not key.startswith(("study.", "caution"))}
    check_keys("describe", told, absent=absent | ({"study.tables[].notes[]"} - set(paths(told))))
    titles = [one["title"] for one in told["study"]["tables"]]
    assert titles[0] == "limits" and "limits that hold together" in titles


def test_a_page_to_explore(tmp_path):
    told = document("teach", "--json", "--out", tmp_path / "page.html", "--set", "p_high=24")
    check_keys("teach", told)
    assert Path(told["page"]).is_file()
    assert "P high 24 cmH₂O" in told["held"]


def test_a_map_to_drag(tmp_path):
    told = document("explore", "--json", "--out", tmp_path / "map.html", "--lungs", "3")
    check_keys("explore", told)
    assert Path(told["page"]).is_file() and told["lungs"] == 3


def test_a_validation(tmp_path, monkeypatch):
    # the kept page is measured with all of its draws, elsewhere
    for name in ("find_validation", "steps"):
        place = f"ebbmap.validation.validate.{name}"
        monkeypatch.setattr(place, partial(getattr(validate, name), draws=0))
    # two findings of each subject have every key; all of them are measured in other rooms
    few = {subject: findings[:2] for subject, findings in validate.SUBJECTS.items()}
    monkeypatch.setattr(validate, "SUBJECTS", few)
    monkeypatch.setattr(validate, "FINDINGS", sum(few.values(), ()))
    told = document("validate", "--json", "--out", tmp_path)
    check_keys("validate", told)
    written = sorted(Path(path).name for path in told["written"])
    assert written == ["validation.csv", "validation.png", "validation.txt"]
    assert all(Path(path).stat().st_size for path in told["written"])
    assert len(told["findings"]) == sum(map(len, few.values()))
    verdicts = [one["verdict"].replace(" ", "_") for one in told["findings"]]
    assert told["counts"] == {name: verdicts.count(name) for name in told["counts"]}


def test_pictures(tmp_path):
    (tmp_path / "studies").mkdir()
    (tmp_path / "studies" / "side.toml").write_text(
        'title = "side"\nlung = "linear"\npopulations = ["normal"]\n[analyses.compare]\n'
    )
    words = ("figures", "--studies", tmp_path / "studies", "--out", tmp_path / "out", "--json")
    told = document(*words)
    check_keys("figures", told, absent={"problems[]"})
    assert {Path(path).suffix for path in told["written"]} == {".png", ".txt"}
    same = document(*words, "--check")
    assert (same["written"], same["problems"]) == ([], [])
    (tmp_path / "out" / "side_side_by_side.txt").write_text("other")
    differs = document(*words, "--check", status=1)
    assert len(differs["problems"]) == 1


def test_the_schema_is_the_same_with_json():
    assert document("schema", "--json") == document("schema")


def test_an_error_leaves_standard_output_empty():
    done = call("cycle", "--json", "--set", "p_hi=24")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "did you mean 'p_high'" in done.stderr
