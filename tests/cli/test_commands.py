import json
import os
import re
import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

import ebbmap
from ebbmap.cases import checks
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.start import START
from ebbmap.caution import CAUTION
from ebbmap.cli import app
from ebbmap.kernels.judging import VERDICTS
from ebbmap.lungs import DEFAULT_LUNG, LUNGS
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

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
"""


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def tiny(tmp_path):
    path = tmp_path / "tiny.toml"
    path.write_text(STUDY)
    return path


def test_help_needs_neither_numpy_nor_xarray():
    code = """
import sys
from typer.testing import CliRunner
from ebbmap.cli import app
done = CliRunner().invoke(app, ["--help"])
assert done.exit_code == 0, done.output
print(sorted({"numpy", "xarray", "scipy", "matplotlib", "pydantic"} & set(sys.modules)))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout.strip() == "[]", done.stderr


def test_help_carries_the_caution():
    assert CAUTION.split(":")[0] in call("--help").output


@pytest.mark.parametrize(
    "words",
    [
        ("cycle",),
        ("window",),
        ("window", "--population", "normal", "--lungs", 5),
        ("describe",),
        ("describe", "t_low"),
    ],
    ids=str,
)
def test_the_first_line_is_the_caution(words):
    done = call(*words)
    assert done.exit_code == 0, done.output
    assert done.output.splitlines()[0] == CAUTION


LINEAR = ("--lung", "linear", "--set", "spontaneous_alveolar_ventilation=0", "--set", "fio2=0.5")


def test_one_cycle_as_json():
    done = call("cycle", "--json", *LINEAR, "--set", "t_low=0.5", "--set", "p_high=24")
    told = json.loads(done.stdout)
    assert list(told) == [
        "caution",
        "lung",
        "parameters",
        "outcomes",
        "status",
        "status_words",
    ]
    assert (told["caution"], told["lung"], told["status"]) == (CAUTION, "linear", "ok")
    assert told["parameters"]["p_high"] == {"value": 24.0, "units": "cmH2O", "default": False}
    assert set(told["outcomes"]) == set(outcomes_of(LUNGS["linear"]))
    for name, entry in told["outcomes"].items():
        assert set(entry) == {"value", "units"}
        assert entry["units"] == OUTCOMES[name].units
    # T low 0.5 s, C 50, R 14: exp(-0.5/0.7)
    assert told["outcomes"]["flow_ratio"]["value"] == pytest.approx(0.48954, abs=5e-6)


def test_what_is_not_given_is_taken_and_said():
    told = json.loads(call("cycle", "--json").stdout)
    assert told["lung"] == DEFAULT_LUNG
    for name, value in START.items():
        entry = told["parameters"][name]
        assert (entry["value"], entry["default"]) == (value, True)
    # P high: the plateau of 6 mL/kg in 65 kg and 50 mL/cmH2O, above 10
    assert told["parameters"]["p_high"]["value"] == pytest.approx(17.8)
    for words in (("cycle",), ("window",), ("adjust",), ("wean",)):
        text = " ".join(call(*words).output.split())
        assert f"Not given, so started from: lung {DEFAULT_LUNG}, P high from the plateau" in text
    named = call("cycle", *LINEAR, "--set", "p_high=20").output
    assert "started from" not in named


@pytest.mark.parametrize("name", ["the default lung", "normal", "restrictive", "obstructive"])
def test_commands_start_where_no_limit_on_harm_is_broken(name):
    group = () if name == "the default lung" else (POPULATIONS[name],)
    asked = Question(fixed=dict(START), populations=group)
    values = middle_lung(asked, asked.groups()[0], {})
    judged = simulate(DEFAULT_LUNG, limits=LIMIT_SETS["harm"], **values)
    assert VERDICTS[int(judged["verdict"])] in ("safe", "caution")


def test_a_case_that_cannot_be_solved_is_null_in_json():
    told = json.loads(call("cycle", "--json", "--set", "p_high=5", "--set", "p_low=9").stdout)
    assert told["status"] == "out_of_domain"
    assert {entry["value"] for entry in told["outcomes"].values()} == {None}


def test_a_category_is_given_by_its_word():
    done = call("cycle", "--json", "--set", "sex=male", "--set", "height=175")
    told = json.loads(done.stdout)["parameters"]
    assert told["sex"]["value"] == 1
    assert told["predicted_body_weight"]["value"] == pytest.approx(70.566)


TEN = ("--set", "resistance_exp=10")


def test_a_window_as_json():
    told = json.loads(
        call("window", "--json", *LINEAR, "--only-rule", "--rule", "flow_ratio", *TEN).stdout
    )
    assert list(told) == ["caution", "lung", "held", "units", "windows"]
    (found,) = told["windows"]
    assert found["state"] == "window"
    (piece,) = found["pieces"]
    assert piece["lower"] == pytest.approx(0.1438, abs=5e-5)  # 0.5 s times ln(4/3)
    assert piece["upper"] == pytest.approx(0.3466, abs=5e-5)  # 0.5 s times ln 2
    assert (piece["lower_bound"], piece["upper_bound"]) == ("flow_ratio_high", "flow_ratio_low")


CO2_CASE = (
    "window",
    *LINEAR,
    "--rule",
    "flow_ratio",
    "--set",
    "p_high=24",
    "--set",
    "compliance=40",
    "--set",
    "co2_production=150",
    "--set",
    "bicarbonate_buffering=0",
    "--limits",
    "co2",
)


def test_the_co2_limits_do_not_hide_a_window():
    (found,) = json.loads(call(*CO2_CASE, "--json").stdout)["windows"]
    (piece,) = found["pieces"]
    # pH at its limit of 7.20 and flow at half of its peak: 0.56 s times ln 2
    assert piece["lower"] == pytest.approx(0.300, abs=2e-3)
    assert piece["upper"] == pytest.approx(0.56 * np.log(2), rel=1e-12)
    assert (piece["lower_bound"], piece["upper_bound"]) == ("ph_low", "flow_ratio_low")
    text = call(*CO2_CASE).output
    # hundredths that lie within
    assert "T low 0.30 to 0.38 s breaks no limit" in text
    text = call(*CO2_CASE, "--all").output
    assert "no window" not in text
    assert "nan" not in text
    assert f"{piece['lower']:.3f} s" in text


def test_every_piece_of_a_window_is_told():
    words = ("window", *LINEAR, "--limits", "co2", "--set", "p_high=25")
    words += ("--set", "bicarbonate_buffering=0")
    (found,) = json.loads(call(*words, "--json").stdout)["windows"]
    assert len(found["pieces"]) == 2
    assert re.search(r"T low [\d.]+ to [\d.]+ s and [\d.]+ to [\d.]+ s", call(*words).output)
    text = call(*words, "--all").output
    for number, piece in enumerate(found["pieces"], start=1):
        for word, side in (("shortest", "lower"), ("longest", "upper")):
            assert f"{word}, piece {number} of 2" in text
            assert f"{piece[side]:.3f} s" in text
    assert found["pieces"][0]["upper_bound"] == found["pieces"][1]["lower_bound"] == "ph_high"


def test_a_lung_that_cannot_be_judged_is_not_told_to_have_no_window():
    words = ("window", "--set", "p_high=8", "--set", "p_low=10")
    assert "p_high must be above p_low" in call(*words).stderr
    (found,) = json.loads(call(*words, "--json").stdout)["windows"]
    assert (found["state"], found["best"], found["pieces"]) == ("undetermined", None, [])


def test_windows_of_a_population_as_json():
    words = ("window", "--json", "--population", "normal", "--lungs", 7)
    assert len(json.loads(call(*words).stdout)["windows"]) == 7


def test_the_table_of_a_population_is_the_datasets():
    words = ("window", "--population", "normal", "--lungs", 40, "--limits", "co2")
    told = json.loads(call(*words, "--json").stdout)["windows"]
    share = sum(one["state"] == "window" for one in told) / 40
    assert share > 0.9
    assert f"{100 * share:.0f} %" in call(*words).output


def test_a_window_names_what_closes_it():
    text = call("window", "--only-rule", "--rule", "exhaled_fraction").output
    assert "shorter:  exhaled fraction below 50 %" in text
    assert "longer:   exhaled fraction above 75 %" in text


def test_without_a_window_both_limits_are_named():
    limits = (word for name in ("pressure", "volume", "auto_peep") for word in ("--limits", name))
    words = ("--rule", "flow_ratio", *limits, "--set", "p_high=25", "--set", "compliance=15")
    text = call("window", *LINEAR, *words).output
    assert "NO T LOW KEEPS ALL LIMITS" in text
    assert "  shorter:  release volume below 4 mL/kg" in text
    assert "  longer:   flow ratio below 50 %" in text
    text = call("window", *LINEAR, *words, "--all").output
    assert "no window" in text
    assert text.count("fails by") == 2


@pytest.mark.parametrize("name", [*PARAMETERS, *OUTCOMES, *LIMIT_SETS, *POPULATIONS, *LUNGS])
def test_every_registry_name_can_be_described(name):
    done = call("describe", name)
    assert done.exit_code == 0
    assert name in done.output


def test_the_schema_is_json():
    told = json.loads(call("schema").stdout)
    assert {"title", "analyses", "axes"} <= set(told["properties"])


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("cycle", "--set", "p_hi=24"), "did you mean 'p_high'"),
        (("cycle", "--set", "p_high"), "--set must be NAME=VALUE; got 'p_high'"),
        (("cycle", "--set", "p_high="), "--set must be NAME=VALUE"),
        (("cycle", "--set", "p_high=1", "--set", "p_high=2"), "p_high is set twice"),
        (("cycle", "--set", "p_high=nan"), "p_high must be a finite number"),
        (("cycle", "--set", "t_low=500"), "This looks like milliseconds"),
        (("cycle", "--set", "p_high=high"), "p_high must be a number; got 'high'"),
        (("cycle", "--lung", "linaer"), "did you mean 'linear'"),
        (("window", "--set", "t_low=0.5"), "t_low is what a window is searched for"),
        (("window", "--set", "p_high=high"), "p_high must be a number; got 'high'"),
        (("window", "--set", "sex=men", "--set", "height=170"), "unknown sex 'men'"),
        (("window", "--rule", "flow"), "unknown rule 'flow'. Known: exhaled_fraction, flow_ratio"),
        (("window", "--limits", "presure"), "did you mean 'pressure'"),
        (("window", "--population", "normla"), "did you mean 'normal'"),
        (("window", "--population", "normal", "--set", "p_hi=24"), "did you mean 'p_high'"),
        (("window", "--population", "normal", "--set", "p_high=x"), "p_high must be a number"),
        (("describe", "t_lo"), "did you mean 't_low'"),
        (("run", "missing.toml"), "missing.toml: 1 problem"),
    ],
    ids=str,
)
def test_an_error_is_a_sentence_and_status_2(words, text):
    done = call(*words)
    assert done.exit_code == 2, done.output
    assert text in done.stderr
    assert "Traceback" not in done.output


@pytest.mark.parametrize("words", [(), ("--population", "normal", "--lungs", 3)], ids=str)
def test_a_window_takes_a_category_by_its_word(words):
    given = ("--set", "sex=male", "--set", "height=175") if not words else ("--set", "p_high=25")
    assert call("window", *given, *words).exit_code == 0


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """Run the tiny study once: what was printed, and the folder of all files."""
    folder = tmp_path_factory.mktemp("run")
    (folder / "tiny.toml").write_text(STUDY)
    words = ("--out", folder / "results", "--figures", folder / "pictures")
    return call("run", folder / "tiny.toml", *words), folder


def test_a_run_writes_results_and_pictures_with_texts(ran):
    done, folder = ran
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines()[0] == CAUTION
    results = {path.name for path in (folder / "results").iterdir()}
    assert results == {"study.toml", "pieces", "window.nc", "map_t_low_resistance_exp.nc"}
    stems = {
        "served",
        "one_picture",
        *(f"t_low_resistance_exp_{r}" for r in ("flow_ratio", "exhaled_fraction")),
    }
    pictures = {path.name for path in (folder / "pictures").iterdir()}
    assert pictures == {f"tiny_{stem}.{end}" for stem in stems for end in ("png", "txt")}
    for stem in stems:
        assert (folder / "pictures" / f"tiny_{stem}.png").read_bytes().startswith(b"\x89PNG")
        assert (folder / "pictures" / f"tiny_{stem}.txt").read_text().strip()


def test_results_carry_names_units_and_where_they_come_from(ran):
    paths = list((ran[1] / "results").glob("*.nc"))
    assert len(paths) == 2
    for path in paths:
        with xr.open_dataset(path) as found:
            assert found.attrs["study"] == STUDY
            assert found.attrs["caution"] == CAUTION
            for key in ("source", "history", "versions", "study_hash", "lung", "rules", "fixed"):
                assert found.attrs[key], key
            for name, variable in found.data_vars.items():
                assert variable.attrs["long_name"], name
                if variable.dtype.kind == "f":
                    assert "units" in variable.attrs, name


def test_pictures_lie_with_the_results_unless_told(tmp_path):
    path = tmp_path / "one.toml"
    path.write_text(
        'title = "one"\nlung = "linear"\nlungs = 5\n[analyses.window]\n[outputs]\nfigures = ["svg"]'
    )
    call("run", path, "--out", tmp_path / "all")
    names = {path.name for path in (tmp_path / "all").iterdir()}
    pictures = {
        f"one_{what}.{ending}" for what in ("served", "one_picture") for ending in ("svg", "txt")
    }
    assert names == {"study.toml", "pieces", "window.nc", *pictures}


def test_a_bad_study_writes_nothing(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(STUDY.replace("p_high = 24.0", "p_high = nan").replace("lungs", "lugns"))
    done = call("run", path, "--out", tmp_path / "results")
    assert done.exit_code == 2
    assert "2 problem(s)" in done.stderr
    assert list(tmp_path.iterdir()) == [path]


def test_an_output_folder_that_is_a_file_is_told(tiny, tmp_path):
    done = call("run", tiny, "--out", tiny)
    assert done.exit_code == 2
    assert "must be a folder that can be written" in done.stderr
    assert tiny.read_text() == STUDY


def test_a_study_too_large_for_memory_is_told(tiny, tmp_path, monkeypatch):
    free = SimpleNamespace(virtual_memory=lambda: SimpleNamespace(available=1000))
    monkeypatch.setattr(checks, "psutil", free)
    done = call("run", tiny, "--out", tmp_path / "results")
    assert done.exit_code == 2
    assert "the map of resistance_exp against t_low must fit in memory" in done.stderr


def test_a_map_of_impossible_settings_is_told_as_such(tmp_path):
    path = tmp_path / "odd.toml"
    path.write_text(
        STUDY.replace("p_high = 24.0", "p_high = 5.0\np_low = 9.0") + "[outputs]\nfigures = []"
    )
    done = call("run", path, "--out", tmp_path / "results")
    assert done.exit_code == 0, done.output
    assert "none determined" in done.stdout
    assert "nan%" not in done.stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("window", "--set", "p_high=24"), "held: P high 24 cmH₂O, inspired oxygen fraction 60 %,"),
        (
            ("window", "--population", "normal", "--lungs", 20, "--set", "p_high=24"),
            "held: P high 24 cmH₂O, inspired oxygen fraction 60 %,",
        ),
        (("adjust", "--set", "p_high=24"), "held: P high 24 cmH₂O, inspired oxygen fraction 60 %,"),
        (("wean", "--set", "p_high=24"), "held: P high 24 cmH₂O, inspired oxygen fraction 60 %,"),
        (("cycle", "--set", "p_high=24"), "P low (default)"),
    ],
    ids=lambda words: words[0] if isinstance(words, tuple) else "",
)
def test_a_default_that_enters_is_named(words, told):
    assert told in " ".join(call(*words, "--all").stdout.split())


def test_a_default_is_marked_in_json():
    case = json.loads(call("cycle", "--set", "p_high=24", "--json").stdout)["parameters"]
    assert [case[name]["default"] for name in ("p_high", "p_low")] == [False, True]
    found = json.loads(call("window", "--set", "p_high=24", "--json").stdout)
    assert found["held"].startswith("P high 24 cmH₂O, inspired oxygen fraction 60 %, ")


def test_the_version_is_told():
    done = call("--version")
    assert (done.exit_code, done.stdout) == (0, f"ebbmap {ebbmap.__version__}\n")


def process(*words, stdout):
    """Run the command line in a process of its own, with its output somewhere."""
    code = "from ebbmap.cli import app; app()"
    return subprocess.Popen(
        [sys.executable, "-c", code, *words], stdout=stdout, stderr=subprocess.PIPE, text=True
    )


#: Commands that print; each needs a process of its own, so one stands for all in the fast set.
PRINTING = pytest.mark.parametrize(
    "words",
    [
        pytest.param(words.split(), id=words, marks=() if words == "schema" else pytest.mark.slow)
        for words in ("describe", "cycle --json", "schema", "studies")
    ],
)


@PRINTING
def test_a_pipe_that_nobody_reads_ends_with_its_own_status(words):
    reader, writer = os.pipe()
    os.close(reader)
    with process(*words, stdout=writer) as done:
        os.close(writer)
        error = done.stderr.read()
    assert done.returncode == 141
    assert error == ""


@PRINTING
def test_output_that_cannot_be_written_is_told(words):
    with open("/dev/full", "w") as full, process(*words, stdout=full) as done:
        error = done.stderr.read()
    assert done.returncode == 74
    assert error == "the output could not be written: No space left on device.\n"
