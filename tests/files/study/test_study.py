import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmap.errors import StudyError
from ebbmap.files.study import Study, load_study, parse_study
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS
from hostile_files import HOSTILE, mutated, told_or_taken, try_many, written

WHOLE = """
title = "all parts"
lung = "linear"
seed = 0
lungs = 50
populations = ["normal", "stiff"]

[population.stiff]
base = "restrictive"
properties.compliance = { family = "normal", mean = 25.0, sd = 5.0, low = 10.0 }
correlations = [{ between = ["compliance", "chest_wall_share"], value = 0.3 }]

[fixed]
p_high = 24.0
p_low = 0.0
t_high = 5.0

[samples]
t_high = { family = "uniform", low = 3.0, high = 6.0 }

[axes]
t_low = { start = 0.2, stop = 1.2, count = 5 }
compliance = [20.0, 40.0, 80.0]
resistance_exp = { start = 5.0, stop = 50.0, count = 4, spacing = "log" }

[limits]
sets = ["pressure"]
rules = ["flow_ratio", "mine"]

[[limits.own]]
outcome = "auto_peep"
why = "invented"
high = 12.0

[[limits.own]]
outcome = "exhaled_fraction"
why = "invented"
low = 0.4
rule = "mine"

[analyses.window]

[[analyses.map]]
x = "t_low"
y = "compliance"
average_over = ["resistance_exp"]

[analyses.sobol]
along = "t_low"
at = [0.3, 0.6]
base_size = 32
resamples = 100

[analyses.profile]
along = "t_low"
outcomes = ["auto_peep"]

[analyses.sweep]
outcomes = ["flow_ratio"]

[outputs]
figures = []
"""


def study(*lines, analyses="[analyses.window]"):
    named = any(line.startswith("lung = ") for line in lines)
    lung = [] if named else ['lung = "linear"']
    return "\n".join(['title = "t"', *lung, *lines, analyses])


def problems_of(text):
    with pytest.raises(StudyError) as error:
        parse_study(text, "study.toml")
    assert str(error.value).startswith(f"study.toml: {len(error.value.problems)} problem(s)\n")
    return error.value.problems


def test_a_whole_study_becomes_a_question():
    asked = parse_study(WHOLE).question
    assert asked.fixed == {"p_high": 24.0, "p_low": 0.0, "t_high": 5.0}
    assert [group.name for group in asked.populations] == ["normal", "stiff"]
    assert (asked.seed, asked.lungs) == (0, 50)
    assert asked.samples["t_high"].family == "uniform"
    assert set(asked.rules) == {"flow_ratio", "mine"}


def test_axes_become_grids():
    axes = parse_study(WHOLE).axes
    np.testing.assert_allclose(axes["t_low"], [0.2, 0.45, 0.7, 0.95, 1.2])
    np.testing.assert_array_equal(axes["compliance"], [20, 40, 80])
    np.testing.assert_allclose(axes["resistance_exp"], 5 * 10 ** (np.arange(4) / 3))


def test_an_own_population_changes_only_what_it_names():
    # the one lung for which nothing is folded into what it has
    text = WHOLE.replace('lung = "linear"', 'lung = "whole"')
    stiff = parse_study(text).question.populations[1]
    base = POPULATIONS["restrictive"]
    assert stiff.marginals["compliance"].centre == 25.0
    assert stiff.marginals["resistance_exp"] == base.marginals["resistance_exp"]
    assert stiff.correlations["compliance", "chest_wall_share"] == 0.3
    assert "compliance" in stiff.unconfirmed


def test_own_limits_join_every_rule_or_their_own():
    rules = parse_study(WHOLE).question.rules
    assert {"auto_peep", "flow_ratio"} < set(rules["flow_ratio"].outcomes)
    assert {"auto_peep", "exhaled_fraction"} < set(rules["mine"].outcomes)
    assert "flow_ratio" not in rules["mine"].outcomes


def test_limits_left_out_are_the_bundled_ones_under_both_rules():
    rules = parse_study(study()).question.rules
    shared = [n for name in ("pressure", "volume", "auto_peep") for n in LIMIT_SETS[name].outcomes]
    for rule in ("flow_ratio", "exhaled_fraction"):
        assert rules[rule].outcomes == (*dict.fromkeys(shared), rule)


def test_a_study_is_known_by_a_hash_of_its_text():
    one, other = parse_study(study()), parse_study(study("seed = 1"))
    assert one.digest == parse_study(study()).digest != other.digest


@pytest.mark.parametrize("sex", ['"male"', "1"])
def test_a_category_may_be_a_word_or_its_number(sex):
    assert parse_study(study(f"fixed = {{ height = 175, sex = {sex} }}")).question.fixed["sex"] == 1


BAD = [
    # numbers
    (study("fixed.p_high = nan"), "fixed.p_high: p_high must be a finite number [cmH₂O]; got nan."),
    (study("fixed.p_high = inf"), "fixed.p_high: p_high must be a finite number [cmH₂O]; got inf."),
    (study("fixed.p_high = -5"), "fixed.p_high: p_high must be between 1 and 80 cmH₂O; got -5."),
    (study("fixed.t_high = 5000.0"), "This looks like milliseconds: 5 s?"),
    (study("fixed.compliance = 0.05"), "This looks like L/cmH₂O: 50 mL/cmH₂O?"),
    (study("fixed.height = 1.75"), "This looks like metres: 175 cm?"),
    (study("fixed.p_high = true"), "fixed.p_high: must be a number or a category; got True."),
    (study('fixed.p_high = "high"'), "fixed.p_high: must be a number; got 'high'."),
    (study('fixed = { height = 170, sex = "men" }'), "fixed.sex: unknown sex 'men'"),
    (study("fixed.p_high = [24.0]"), "fixed.p_high: must be a number or a category; got [24.0]."),
    (study(f"fixed.p_high = 1{'0' * 400}"), "fixed.p_high"),
    (study(f"fixed.p_high = 1{'0' * 5000}"), "is not valid TOML"),
    # names
    (study("fixed.p_hi = 24.0"), "unknown parameter 'p_hi'; did you mean 'p_high'?"),
    (study('lung = "linaer"'), "lung: unknown lung 'linaer'; did you mean 'linear'?"),
    (study("lugns = 5"), "lugns: unknown key 'lugns'; did you mean 'lungs'?"),
    (study('populations = ["ards"]'), "populations: unknown population 'ards'"),
    (study('limits.sets = ["presure"]'), "unknown limit set 'presure'; did you mean 'pressure'?"),
    (study('limits.rules = ["flow"]'), "limits.rules: unknown rule 'flow'"),
    (study(analyses="[analyses.sobl]"), "analyses.sobl: unknown key 'sobl'; did you mean 'sobol'?"),
    (
        study(
            "[axes]\nt_low = [0.5]",
            analyses='[analyses.profile]\nalong = "t_low"\noutcomes = ["peep"]',
        ),
        "unknown outcome 'peep'; did you mean 'auto_peep'?",
    ),
    # axes
    (study("axes.t_low = []"), "axes.t_low"),
    (
        study("axes.t_low = { start = 1.0, stop = 0.5, count = 5 }"),
        "axes.t_low: must have start < stop; got 1 and 0.5.",
    ),
    (study("axes.t_low = { start = 0.5, stop = 0.5, count = 5 }"), "must have start < stop"),
    (study("axes.t_low = [0.5, 0.5]"), "must have increasing values without repeats"),
    (study("axes.t_low = [0.5, nan]"), "axes.t_low"),
    (study("axes.t_low = { start = 0.1, stop = inf, count = 5 }"), "axes.t_low.stop"),
    (study("axes.t_low = { start = 0.1, stop = 1.0 }"), "got only some of them"),
    (study("axes.t_low = { start = 0.1, stop = 1.0, count = 1 }"), "axes.t_low.count"),
    (study("axes.t_low = { start = 0.1, stop = 1.0, count = 2.5 }"), "axes.t_low.count"),
    (
        study("axes.t_low = { start = 0.1, stop = 1.0, count = 1000000 }"),
        "axes.t_low.count: must be at most 10,000; got 1000000.",
    ),
    (study("axes.t_low = { values = [0.5], count = 3 }"), "got both"),
    (
        study('axes.p_low = { start = 0, stop = 5, count = 3, spacing = "log" }'),
        "a log spacing needs start > 0; got 0",
    ),
    (
        study("axes.t_low = [-0.2, 0.5]"),
        "axes.t_low: t_low must be between 0.01 and 60 s; got -0.2.",
    ),
    (study("axes.t_low = { start = -1.7e308, stop = 1.7e308, count = 3 }"), "axes.t_low"),
    # given twice
    (
        study("fixed.p_high = 24.0", "axes.p_high = [24.0, 26.0]", analyses="[analyses.sweep]"),
        "fixed.p_high: every analysis lays it out or draws it. Drop one of them.",
    ),
    (
        study(
            "fixed.p_high = 24.0", 'samples.p_high = { family = "uniform", low = 20, high = 30 }'
        ),
        "fixed.p_high: every analysis lays it out or draws it. Drop one of them.",
    ),
    # declared and not used
    (
        study(
            'populations = ["normal"]',
            "axes = { t_low = [0.3, 0.5], p_high = [20.0, 30.0] }",
            analyses='[[analyses.map]]\nx = "t_low"\ny = "p_high"\n[analyses.sobol]',
        ),
        "axes.p_high: analyses.sobol would not use it, and take the default P high 25 cmH₂O.",
    ),
    (
        study(
            'populations = ["normal"]',
            "axes = { t_low = [0.3, 0.5], p_high = [20.0, 30.0] }",
            analyses="[analyses.mapping]",
        ),
        "axes.p_high: no analysis lays it out. Drop it",
    ),
    (
        study(
            'samples.t_high = { family = "uniform", low = 3, high = 6 }',
            analyses="[analyses.compare]",
        ),
        "samples.t_high: analyses.compare would not draw it, for middle lungs are followed at one "
        "value, and take the default T high 5 s.",
    ),
    (
        study(
            'samples.t_high = { family = "uniform", low = 3, high = 6 }',
            "axes.t_high = [3.0, 4.0]",
            analyses="[analyses.sweep]",
        ),
        "samples.t_high: every analysis lays it out on its axis.",
    ),
    (
        study("fixed = { t_low = 0.5, t_low_in_time_constants = 1.0 }"),
        "t_low_in_time_constants: sets t_low, which is given too. Drop one.",
    ),
    (study('populations = ["normal"]', "fixed.height = 170.0"), "Drop the height."),
    (
        study(
            'populations = ["normal"]',
            'samples.compliance = { family = "uniform", low = 20, high = 50 }',
        ),
        "samples.compliance: is drawn with the population.",
    ),
    (study('populations = ["normal", "normal"]'), "populations: 'normal' is listed twice."),
    (
        study('limits.rules = ["flow_ratio", "flow_ratio"]'),
        "limits.rules: 'flow_ratio' is listed twice.",
    ),
    (study("fixed.p_high = 24.0\nfixed.p_high = 25.0"), "line 4: is there already"),
    (
        study(
            "[axes]\nt_low = [0.3, 0.5]\np_high = [20.0, 25.0]",
            analyses='[[analyses.map]]\nx = "t_low"\ny = "p_high"\n' * 2,
        ),
        "analyses.map.2: has the x and y of analyses.map.1. Keep one of them.",
    ),
    # limits
    (
        study('limits.own = [{ outcome = "auto_peep", why = "w", low = 8, high = 4 }]'),
        "limits.own.1: auto_peep must have low < high; got low 8, high 4. Swap them.",
    ),
    (study('limits.own = [{ outcome = "auto_peep", why = "w" }]'), "needs low or high"),
    (study('limits.own = [{ outcome = "auto_peep", low = 5 }]'), "'why' is missing. Add it."),
    (study('limits.own = [{ outcome = "auto_peep", why = "w", high = nan }]'), "limits.own.1.high"),
    (
        study('limits.own = [{ outcome = "auto_peep", why = "w", high = 9 }]'),
        "the hard bound auto_peep_high is set twice",
    ),
    (
        study('limits.own = [{ outcome = "phi", why = "w", high = 9, rule = "mine" }]'),
        "unknown outcome 'phi'",
    ),
    (
        study('limits.own = [{ outcome = "flow_ratio", why = "w", high = 0.9, rule = "mine" }]'),
        "the rule 'mine' is not in limits.rules. Add it there.",
    ),
    (study("limits = { sets = [], rules = [] }"), "has no hard limit. Add one."),
    # distributions and populations
    (study('samples.t_high = { family = "uniform", low = 6, high = 3 }'), "low < high; got 6, 3"),
    (
        study('samples.t_high = { family = "uniform", low = -1, high = 3 }'),
        "samples.t_high: t_high must be between 0.05 and 120 s; got -1.",
    ),
    (
        study(
            '[population.mine.properties]\ncompliance = { family = "normal", mean = 40, sd = 9, '
            "low = 0 }",
            'lung = "linear"',
            analyses="",
        ),
        "population.mine.properties.compliance: compliance must be between 1 and 1000",
    ),
    (study('samples.t_high = { family = "normal", mean = 5, sd = 0 }'), "must be > 0; got 0"),
    (study('samples.t_high = { family = "gamma", mean = 5 }'), "samples.t_high"),
    (study('populations = ["mine"]', "[population.mine]"), "needs at least one property"),
    (
        study(
            'populations = ["mine"]',
            '[population.mine]\nbase = "normal"\n'
            'correlations = [{ between = ["compliance", "t_low"], value = 0.5 }]',
        ),
        "no pair",
    ),
    # analyses
    (
        study("[axes]\nt_low = [0.3, 0.5]", analyses='[[analyses.map]]\nx = "t_low"\ny = "p_high"'),
        "analyses.map.1.y: p_high has no axis. Add [axes.p_high].",
    ),
    (
        study("[axes]\nt_low = [0.3, 0.5]", analyses='[[analyses.map]]\nx = "t_low"\ny = "t_low"'),
        "x and y must differ",
    ),
    (
        study(
            'populations = ["normal"]', analyses="[analyses.sobol]\nat = [0.5]\nbase_size = 1000"
        ),
        "analyses.sobol.base_size: must be a power of two; got 1000.",
    ),
    (
        study('populations = ["normal"]', analyses="[analyses.sobol]\nat = [-1.0]"),
        "analyses.sobol.at: t_low must be between",
    ),
    (study('populations = ["normal"]', analyses="[analyses.sobol]\nat = []"), "analyses.sobol.at"),
    (study(analyses="[analyses.sobol]\nat = [0.5]"), "needs a population or at least two"),
    (study("fixed.t_low = 0.5"), "searches for T low, so t_low cannot be given"),
    (
        study("axes.t_low = [0.3, 0.5]", analyses='[analyses.window]\nalong = "t_low"'),
        "analyses.window.along",
    ),
    (
        study(
            "axes = { t_low = [0.3, 0.5], t_low_in_time_constants = [0.5, 1.0] }",
            analyses="[analyses.sweep]",
        ),
        "analyses.sweep: has axes of both",
    ),
    (
        study(
            "[axes]\nt_low = [0.3, 0.5]",
            analyses='[analyses.sweep]\nstore = "none"\nreductions = ["safe_share"]\n'
            'reduce_to = ["t_low", "p_high"]',
        ),
        "analyses.sweep.reduce_to: p_high has no axis. Add [axes.p_high].",
    ),
    (
        study(analyses="[analyses.startup]\ncycles = 3\nlonger_cycle = 4"),
        "analyses.startup.longer_cycle: must be one of 3 cycles; got 4.",
    ),
    (
        study(analyses="[analyses.startup]\nlonger_cycle = 13"),
        "analyses.startup.longer_cycle: must be one of 12 cycles; got 13.",
    ),
    (
        study(
            analyses='[analyses.compare]\nmodels = ["stepped", "linear"]\n'
            'outcomes = ["closed_per_release"]'
        ),
        "analyses.compare.outcomes: the lung 'linear' has no closed_per_release. Drop it.",
    ),
    (
        study(analyses='[analyses.compare]\nmodels = ["linear", "tube", "linear"]'),
        "analyses.compare.models: 'linear' is listed twice.",
    ),
    (
        study(analyses="[analyses.inside]"),
        "analyses.inside: the lung 'linear' has no slow compartment.",
    ),
    (
        study("axes.t_low = [0.3, 0.5]", analyses="[analyses.collapse]"),
        "analyses.collapse: in the lung 'linear' no unit can close. Use 'stepped'.",
    ),
    (
        study('lung = "stepped"', "axes.t_low = [0.3, 0.5]", analyses="[analyses.collapse]"),
        "analyses.collapse: nothing can close. Set fixed.recruitable_share above 0.",
    ),
    (
        study(
            'lung = "stepped"',
            "axes.t_low = [0.3, 0.5]",
            "fixed = { recruitable_share = 0.3, effort_pressure = 4.0 }",
            analyses="[analyses.collapse]",
        ),
        "analyses.collapse: with effort no cycle settles. Set fixed.effort_pressure to 0.",
    ),
    (
        study('lung = "stepped"', "fixed.recruitable_share = 0.3", analyses="[analyses.collapse]"),
        "analyses.collapse: t_low has no axis. Add [axes.t_low].",
    ),
    (
        study(
            'lung = "stepped"',
            "axes.t_low = [0.3, 0.5]",
            "fixed.recruitable_share = 0.3",
            analyses="[analyses.collapse]\nt_low = [0.4, 100.0]",
        ),
        "analyses.collapse.t_low: t_low must be between 0.01 and 60 s; got 100",
    ),
    (
        study(analyses="[analyses.adjust]\nsteps = { compliance = 5.0 }"),
        "analyses.adjust.steps.compliance: is no setting. Drop it.",
    ),
    (
        study("fixed.p_high = 20.0", analyses="[analyses.wean]\np_high_end = 20.0"),
        "analyses.wean.p_high_end: must be below P high of 20; got 20.",
    ),
    ('title = "t"\nlung = "linear"\n[analyses]', "analyses: must name at least one of "),
    ('title = "t"', "analyses: must be given: 'analyses' is missing. Add it."),
    ("[analyses.window]", "title: must be given: 'title' is missing. Add it."),
    # names that would leave the output folder or break a file
    (
        study('[population."../../x"]\nbase = "normal"'),
        "x: has a character that cannot",
    ),
    (study('[population."a$b"]\nbase = "normal"'), "has a character that cannot"),
    (
        study(
            'limits = { rules = ["../x"], own = [{ outcome = "auto_peep", why = "x", high = 9.0, '
            'rule = "../x" }] }'
        ),
        "limits.own.1.rule: has a character that cannot stand there",
    ),
    ('title = "a\\u0000b"\n[analyses.window]', "title: has a character that cannot stand there"),
    # types and files
    (study('seed = "zero"'), "seed"),
    (study("seed = -1"), "seed: must be at least 0; got -1."),
    (study("seed = 1.0"), "seed"),
    (study("lungs = 1"), "lungs: must be at least 2; got 1."),
    (study("lungs = 2000000"), "lungs: must be at most 1,000,000"),
    (study('populations = "normal"'), "populations"),
    (study("populations = [[1], {a = 2}]"), "populations"),
    (study("limits.rules = [[1]]"), "limits.rules"),
    (study("fixed = 3"), "fixed"),
    (study('outputs.figures = ["bmp"]'), "outputs.figures"),
    ("title = ", "line 1: gives title no value"),
    ("title", "line 1: has neither '=' nor brackets"),
]


@pytest.mark.parametrize(("text", "sentence"), BAD, ids=[sentence for _, sentence in BAD])
def test_a_bad_study_gets_its_sentence(text, sentence):
    found = problems_of(text)
    assert any(sentence in problem for problem in found), found


def test_all_problems_are_listed_at_once():
    text = study(
        'lung = "linaer"',
        "fixed = { p_hi = 1.0, t_high = nan }",
        "axes.p_high = [25.0, 20.0]",
        'limits.rules = ["flow"]',
        analyses="[analyses.sobol]\nbase_size = 1000",
    )
    found = "\n".join(problems_of(text))
    for name in ("linaer", "p_hi", "t_high", "axes.p_high", "'flow'", "base_size", "t_low"):
        assert name in found


def test_a_file_is_named_in_its_error(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(study("seed = -1"))
    with pytest.raises(StudyError, match=r"mine\.toml: 1 problem"):
        load_study(path)


@pytest.mark.parametrize("content", [None, b"\xff\xfe\x00"], ids=["missing", "not UTF-8"])
def test_a_file_that_cannot_be_read_is_told(tmp_path, content):
    path = tmp_path / "mine.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(StudyError, match=r"cannot be read: .* Name a UTF-8 TOML file"):
        load_study(path)


def test_a_folder_is_no_study(tmp_path):
    with pytest.raises(StudyError, match="cannot be read"):
        load_study(tmp_path)


def test_the_writer_of_mutated_studies_loses_nothing():
    assert parse_study(written(tomllib.loads(WHOLE))).file == parse_study(WHOLE).file


@settings(max_examples=300, **HOSTILE)
@given(mutated(WHOLE))
def test_whatever_a_hostile_file_says_it_is_a_study_or_a_list_of_problems(text):
    told_or_taken(text, parse_study, Study)


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_many_hostile_studies_neither_break_nor_hang_nor_fill_the_memory():
    try_many(WHOLE, parse_study, Study)


@settings(max_examples=200, **HOSTILE)
@given(st.binary(max_size=300))
def test_hostile_bytes_of_any_kind_are_a_list_of_problems(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "hostile.toml"
    path.write_bytes(content)
    with pytest.raises(StudyError) as error:
        load_study(path)
    assert error.value.problems


GOOD = [
    (
        study(
            "[axes]\nt_low = [0.3, 0.5]",
            analyses='[analyses.sweep]\nstore = "none"\nreductions = ["safe_share"]\n'
            'reduce_to = ["t_low"]',
        )
    ),
    study(analyses="[analyses.startup]\ncycles = 3\nlonger_cycle = 3"),
    study(analyses="[analyses.startup]\nlonger_cycle = 12"),
    study(analyses='[analyses.compare]\nmodels = ["tube", "linear"]\noutcomes = ["auto_peep"]'),
    study('lung = "paired"', analyses="[analyses.inside]"),
    study(
        'lung = "stepped"',
        "axes.t_low = [0.3, 0.5]",
        "fixed = { recruitable_share = 0.3, effort_pressure = 0.0 }",
        analyses="[analyses.collapse]\nt_low = [0.4, 0.9]",
    ),
    study(analyses="[analyses.adjust]\nsteps = { t_high = 0.5 }"),
    study("fixed.p_high = 20.0", analyses="[analyses.wean]\np_high_end = 19.0"),
]


@pytest.mark.parametrize("text", GOOD)
def test_what_lies_just_inside_is_taken(text):
    assert parse_study(text).file.title == "t"
