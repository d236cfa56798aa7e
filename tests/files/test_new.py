"""New files without TOML: what is asked, what is written, and that both are checked."""

import itertools
import json
import math

import numpy as np
import pytest
from typer.testing import CliRunner

from ebbmap.cli import app
from ebbmap.errors import EbbmapError
from ebbmap.files.new.asked import KINDS
from ebbmap.files.new.form import form_page
from ebbmap.files.new.lines import spread, text_of
from ebbmap.files.new.sheet import read_rows, template_csv
from ebbmap.files.protocol import load_protocol, parse_protocol
from ebbmap.files.study import load_study
from ebbmap.registries.parameters import PARAMETERS

#: Where half of a bell curve lies, in standard deviations either way.
QUARTILE = 0.6744897501960817


def new(*words, given=None, status=0):
    done = CliRunner().invoke(app, ["new", *map(str, words)], input=given)
    assert done.exit_code == status, done.output
    return done


@pytest.mark.parametrize("kind", KINDS)
def test_the_defaults_of_every_kind_pass_its_own_check(tmp_path, kind):
    path = tmp_path / "new.toml"
    told = json.loads(new(kind, "--out", path, "--json").stdout)
    assert told["file"] == str(path)
    (load_protocol if kind == "protocol" else load_study)(path)
    # a number has its unit and its usual range beside it
    assert "[cmH₂O], usually 15 to 35" in path.read_text(encoding="utf-8")


CHOICES = list(
    itertools.product(("range", "plateau"), ("range", "flow_ratio", "time_constant"), (0.0, 2.5))
)


@pytest.mark.parametrize(("p_high", "t_low", "slowest"), CHOICES)
def test_every_choice_is_what_the_protocol_then_says(p_high, t_low, slowest):
    answers = KINDS["protocol"].answers(
        {"p_high_rule": p_high, "t_low_rule": t_low, "exclude_above": slowest, "p_low": "3 cmH2O"}
    )
    found = parse_protocol(text_of("protocol", answers))
    kinds = {name: rule.kind for name, rule in found.draft.rules.items()}
    wanted = {} if p_high == "range" else {"p_high": p_high}
    assert kinds == (wanted if t_low == "range" else {**wanted, "t_low": t_low})
    assert found.draft.spans["p_low"].say() == "3"
    assert [g.name for g in found.groups] == ["normal", "restrictive", "obstructive"]
    ends = {name: span.high for name, span in found.eligible.items()}
    assert ends == ({"time_constant_exp": slowest} if slowest else {})


WRONG = [
    ({"p_high_low": "2"}, "p_high_low: is usually 15 to 35 cmH₂O; got 2. Did you mean 20.39 cmH₂O"),
    ({"p_high_low": "200"}, "p_high_low: must be between 1 and 80 cmH₂O; got 200."),
    (
        {"wanted": "80"},
        "wanted: must be between 0.01 and 0.99; got 80. Did you mean 0.8, which is 80 %?",
    ),
    ({"fio2": "60"}, "fio2: must be between 0.15 and 1; got 60. Did you mean 0.6, which is 60 %?"),
    ({"t_low_low": "400"}, "t_low_low: must be between 0.01 and 60 s; got 400. Did you mean 0.4 s"),
    ({"p_low": "20"}, "P low must stay below P high. They look swapped. Swap them."),
    ({"t_low_low": "0.6"}, "t_low_high must not be below t_low_low. They look swapped."),
    ({"p_low": "high"}, "p_low: must be a number in cmH₂O; got 'high'."),
    (
        {"weight_normal": "0", "weight_restrictive": "0", "weight_obstructive": "0"},
        "weight: at least one group must have patients.",
    ),
]


@pytest.mark.parametrize(("given", "said"), WRONG)
def test_a_wrong_answer_is_told_and_nothing_is_written(tmp_path, given, said):
    path = tmp_path / "new.toml"
    words = [word for key, text in given.items() for word in ("--set", f"{key}={text}")]
    assert said in new("protocol", "--out", path, *words, status=2).stderr
    assert not path.exists()


def test_questions_are_asked_again_until_they_can_be_answered(tmp_path):
    path = tmp_path / "new.toml"
    # the title, who for, the question, and a number that is no share, then the defaults
    given = 'A "first" draft\n\n\n80\n0.75\n' + "\n" * 30
    done = new("protocol", "--out", path, given=given)
    assert "Did you mean 0.8, which is 80 %?" in done.stdout
    found = load_protocol(path)
    assert (found.title, found.wanted) == ('A "first" draft', 0.75)


def test_what_is_there_is_not_written_over(tmp_path):
    path = tmp_path / "new.toml"
    path.write_text("mine")
    assert "is there already" in new("study", "--out", path, "--template", status=2).stderr
    assert path.read_text() == "mine"


def test_a_template_names_every_key(tmp_path):
    path = tmp_path / "new.toml"
    new("protocol", "--template", "--out", path)
    text = path.read_text(encoding="utf-8")
    for key in ("knowledge", "settings_drawn", "limits.own", "population.our_patients", "seed"):
        assert key in text
    # what stands in comments is right too
    assert load_protocol(path).title == "My draft"


def test_half_of_the_patients_lie_where_a_ward_says():
    median, log_sd = spread(30.0, 45.0)
    lower, upper = (median * math.exp(sign * QUARTILE * log_sd) for sign in (-1, 1))
    # the file keeps six digits
    np.testing.assert_allclose((lower, upper), (30.0, 45.0), rtol=1e-9)


def test_a_population_has_the_quartiles_that_were_asked(tmp_path):
    path = tmp_path / "new.toml"
    words = (
        "--set",
        "compliance_from=0.02 L/cmH2O",
        "--set",
        "compliance_to=32",
        "--set",
        "name=stiff",
    )
    new("population", "--out", path, *words)
    (group,) = load_study(path).question.populations
    ends = [float(group.marginals["compliance"].at(np.array(s))) for s in (-QUARTILE, QUARTILE)]
    assert group.name == "stiff"
    np.testing.assert_allclose(ends, (20.0, 32.0), rtol=1e-4)


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_a_table_of_phenotypes_becomes_groups(tmp_path, suffix):
    table, path = tmp_path / f"table.{suffix}", tmp_path / "new.toml"
    new("--template-table", "--out", table)
    new("protocol", "--from", table, "--out", path)
    found = load_protocol(path)
    said = [(g.name, g.weight, g.wanted) for g in found.groups]
    assert said == [("stiff_and_small", 0.75, 0.7), ("slow_to_empty", 0.25, 0.7)]
    marginal = found.groups[1].population.marginals["resistance_exp"]
    np.testing.assert_allclose(marginal.centre, math.sqrt(15.0 * 35.0), rtol=1e-5)
    new("population", "--from", table, "--out", tmp_path / "own.toml")
    study = load_study(tmp_path / "own.toml")
    assert [g.name for g in study.question.populations] == ["stiff_and_small", "slow_to_empty"]


def table_of(tmp_path, text, name="table.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_table_of_another_country_is_read(tmp_path):
    text = "Name;Weight;Compliance from [L/cmH2O];compliance_to [L/cmH2O]\nours;2;0,020;0,032\n"
    (row,) = read_rows(table_of(tmp_path, text), "protocol")
    assert row["name"] == "ours"
    assert row["base"] == "restrictive"
    np.testing.assert_allclose((row["compliance_from"], row["compliance_to"]), (20.0, 32.0))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("name\n", "a row of patients must be there; got none."),
        ("base\nnormal\n", "a column 'name' must be there"),
        (
            "name,complaince_from\na,1\n",
            "row 1: unknown column 'complaince_from'; did you mean 'compliance_from'",
        ),
        ("name,name\na,b\n", "column 'name' is there twice."),
        ("name\na\na\n", "name 'a' is there twice."),
        ("name,base\na,ARDS\n", "row 2, base: unknown answer 'ARDS'"),
        (
            "name,compliance_from,compliance_to\na,0.02,0.03\n",
            "row 2, compliance_from: must be between 1",
        ),
        (
            "name,compliance_from,compliance_to\na,30,20\n",
            "compliance_to must not be below compliance_from",
        ),
        ("name,compliance_from\na,30\n", "compliance_from: must have compliance_to beside it."),
        ("name,compliance_from [kg],compliance_to\na,30,40\n", "'kg' cannot be converted"),
        (
            "name,predicted_body_weight_from,predicted_body_weight_to\na,160,180\n",
            "which is 160 lb?",
        ),
        (
            "name,wanted\na,80\n",
            "row 2, wanted: must be between 0.01 and 0.99; got 80. Did you mean 0.8",
        ),
    ],
)
def test_what_is_wrong_in_a_table_is_told_with_its_row(tmp_path, text, said):
    with pytest.raises(EbbmapError, match=r"table\.csv") as raised:
        read_rows(table_of(tmp_path, text), "protocol")
    assert said in str(raised.value)


def test_a_file_that_is_no_workbook_is_told(tmp_path):
    with pytest.raises(EbbmapError, match="is no workbook that can be read"):
        read_rows(table_of(tmp_path, "name\na\n", "table.xlsx"), "protocol")
    with pytest.raises(EbbmapError, match=r"must be a \.csv or \.xlsx file"):
        read_rows(table_of(tmp_path, "name\na\n", "table.ods"), "protocol")


def test_the_form_has_every_question_with_the_bounds_of_the_registry():
    page = form_page()
    start = page.index("const data = ") + len("const data = ")
    data = json.loads(page[start : page.index(";\n", start)].replace("<\\/", "</"))
    asked = {one["key"]: one for one in data["questions"]}
    assert list(asked) == [one.key for one in KINDS["protocol"].questions]
    entry = PARAMETERS["p_low"]
    assert (asked["p_low"]["low"], asked["p_low"]["high"]) == (entry.low, entry.high)
    assert asked["p_low"]["usual"] == [entry.usual_low, entry.usual_high]


def test_the_template_as_csv_has_units_in_its_heads():
    assert "compliance_from [mL/cmH₂O]" in template_csv().splitlines()[0]
