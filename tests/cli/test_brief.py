"""Short answers of the bedside's commands: the verdict first, whole words, units, few digits."""

import re
from itertools import pairwise

import pytest
from typer.testing import CliRunner

from ebbmap.cases.simulate import simulate
from ebbmap.caution import CAUTION
from ebbmap.cli import app
from ebbmap.cli.asked import asked_of
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.brief.charts import bar, curve, stretches
from ebbmap.tables.brief.words import digits_of

LINEAR = ("--lung", "linear")


def call(*words, columns=80):
    done = CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": str(columns)})
    assert done.exit_code == 0, done.output
    return done.stdout.splitlines()


@pytest.fixture(scope="module")
def answers():
    """The lines of every command, for the middle restrictive lung."""
    group = (*LINEAR, "--population", "restrictive")
    return {
        "cycle": call("cycle", *group),
        "window": call("window", *group, "--middle"),
        "windows": call("window", *group, "--lungs", 20),
        "adjust": call("adjust", *group, "--lungs", 20),
        "wean": call("wean", *group),
    }


VERDICT = re.compile("SAFE|UNSAFE|CAUTION|breaks no limit|NO T LOW|STAYS AS SET|NOT BEGUN")


def test_the_verdict_follows_the_caution(answers):
    for name, lines in answers.items():
        assert lines[0] == CAUTION, name
        assert VERDICT.search(" ".join(lines[1:3])), name


def test_lines_keep_to_the_columns_there_are_and_cut_no_word(answers):
    for name, lines in answers.items():
        assert max(map(len, lines[1:])) <= 80, name
    wide = call("wean", *LINEAR, columns=100)
    assert max(map(len, wide[1:])) <= 100
    words = {word for line in call("adjust", *LINEAR, "--all") for word in line.split()}
    # heads of the long table that columns of 80 once cut apart
    assert {"arterial", "pressure", "auto-PEEP", "[cmH₂O]"} <= words


def test_no_number_has_more_digits_than_a_bedside_shows(answers):
    for name, lines in answers.items():
        text = "\n".join(lines[1:])
        assert not re.search(r"\d\.\d{4,}", text), name
        assert not re.search(r"\de[-+]?\d", text), name
        assert "nan" not in text, name


def test_units_stand_beside_numbers(answers):
    text = " ".join(answers["cycle"])
    assert re.search(r"PaCO₂ \d+ mmHg, pH \d\.\d\d, PaO₂ \d+ mmHg, SpO₂ \d+ %", text)
    assert "P low 0 cmH₂O, T high 5 s, T low 0.5 s, FiO₂ 60 %" in text


def test_a_cycle_says_what_simulate_computes_for_the_middle_lung(answers):
    asked = asked_of(None, "linear", "restrictive")
    case = simulate("linear", limits=LIMIT_SETS["harm"], **asked.values)
    text = " ".join(answers["cycle"])
    for name, word in (("paco2", "PaCO₂"), ("spo2", "SpO₂"), ("auto_peep", "auto-PEEP")):
        assert f"{word} {digits_of(name, float(case[name]))} " in text
    middle = POPULATIONS["restrictive"].middle({})
    whole = asked_of(None, None, "restrictive").values
    assert {name: whole[name] for name in middle} == {n: float(v) for n, v in middle.items()}


def test_a_broken_limit_is_named_first_with_what_was_found():
    lines = call("cycle", *LINEAR, "--set", "p_high=32", "--set", "t_low=1.5")
    told = " ".join(lines[1:4])
    assert told.startswith("UNSAFE: ")
    # 50 mL/cmH2O in 65 kg: 24 mL/kg at 32 cmH2O, and 88 % of it in 1.5 s
    assert "release volume above 8 mL/kg (here 21.7 mL/kg)" in told
    assert any("BROKEN" in line for line in lines)


def test_rules_and_limits_of_a_cycle_can_be_chosen():
    rule = " ".join(call("cycle", *LINEAR, "--rule", "flow_ratio", "--set", "t_low=1.5"))
    assert "flow ratio below 50 % (here 12 %)" in rule
    only = " ".join(call("cycle", *LINEAR, "--limits", "pressure", "--set", "t_low=1.5"))
    assert "release volume, at most" not in only


@pytest.mark.parametrize("name", ["T_low", "t-low", "T low", "t_low"])
def test_a_setting_may_be_spelled_as_it_is_said(name):
    assert "T low 0.7 s" in " ".join(call("cycle", *LINEAR, "--set", f"{name}=0.7"))


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("cycle", "--set", "p_high=5", "--set", "p_low=9"), "p_high must be above p_low; got 5"),
        (("window", "--set", "p_high=5", "--set", "p_low=9"), "p_high must be above p_low; got 5"),
        (("adjust", "--set", "p_high=5", "--set", "p_low=9"), "p_high must be above p_low; got 5"),
        (("cycle", "--set", "t_low=0,5"), "Write --set t_low=0.5."),
        (("cycle", "--set", "fio2=60%"), "Write --set fio2=0.6."),
        (("window", "--rule", "pressure"), "unknown rule 'pressure'"),
    ],
)
def test_what_cannot_be_is_an_error(words, text):
    done = CliRunner().invoke(app, [*words, *LINEAR])
    assert done.exit_code == 2
    assert text in done.stderr
    assert done.stdout == ""


def test_the_long_list_is_asked_for(answers):
    every = call("cycle", *LINEAR, "--population", "restrictive", "--all")
    assert len(every) > 2 * len(answers["cycle"])
    assert any(line.split()[:1] == ["bicarbonate"] for line in every)


def test_a_curve_falls_as_its_values_do():
    rows = list(curve([8.0, 6.0, 4.0, 2.0], rows=4))
    filled = [sum(row[i] == "█" for row in rows) for i in range(4)]
    assert filled == [4, 3, 2, 1]


def test_bars_and_stretches_keep_their_width():
    assert [bar(share, 10).count("█") for share in (-1.0, 0.0, 0.25, 1.0, 7.0)] == [0, 0, 2, 10, 10]
    chart, ticks = stretches([(0.1, 0.2), (1.0, 2.0)], 1.5, 60, (0.05, 5.0))
    assert len(chart) == 60
    pieces = [match.span() for match in re.finditer("[█◆]+", chart)]
    # 0.1 to 0.2 and 1 to 2 are as long as each other on a logarithmic axis
    assert len(pieces) == 2
    assert abs((pieces[0][1] - pieces[0][0]) - (pieces[1][1] - pieces[1][0])) <= 1
    at = [ticks.index(f" {tick} ") for tick in ("0.1", "1", "2")]
    assert all(low < high for low, high in pairwise(at))
