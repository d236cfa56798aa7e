"""Files as a ward writes them, each with the sentence that it should get."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.committee.draft import Span
from ebbmap.errors import StudyError
from ebbmap.files.policy import load_policy
from ebbmap.files.protocol import load_protocol, parse_protocol
from ebbmap.files.study import load_study, parse_study
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import OUTCOMES, outcome, plan
from ebbmap.registries.parameters import PARAMETERS

#: A right file; each wrong one changes some of its lines.
RIGHT = """\
title = "start on day one"
lung = "linear"
wanted = 0.8

[settings]
p_high = { low = 20.0, high = 28.0 }
p_low = 0.0
t_high = { low = 4.0, high = 6.0 }
t_low = { rule = "time_constant", multiple = 0.6, error = 0.1, at_most = 1.2 }

[[groups]]
population = "normal"
weight = 3

[[groups]]
population = "mine"
wanted = 0.7

[population.mine]
base = "restrictive"
properties.compliance = { family = "lognormal", median = 35.0, log_sd = 0.3 }
properties.predicted_body_weight = { family = "normal", mean = 70.0, sd = 8.0 }

[eligible]
time_constant_exp = { high = 2.0 }

[limits]
sets = ["harm"]

[[limits.own]]
outcome = "flow_ratio"
low = 0.25
why = "invented"
severity = "caution"
"""

OWN = 'outcome = "flow_ratio"\nlow = 0.25'

#: What is changed, into what, and what must be said of it.
WRONG = {
    # limits that no lung reaches, and units
    "saturation in per cent": (
        OWN,
        'outcome = "spo2"\nlow = 88',
        "line 32, limits.own.1.low: arterial oxygen saturation lies between 0 and 1; got 88. "
        "Did you mean 0.88, which is 88 %?",
    ),
    "saturation of 96 per cent at most": (
        OWN,
        'outcome = "spo2"\nhigh = 96',
        "limits.own.1.high: arterial oxygen saturation lies between 0 and 1; got 96. Did you mean "
        "0.96, which is 96 %?",
    ),
    "a pH without its leading figure": (
        OWN,
        'outcome = "ph"\nlow = 0.72',
        "arterial pH lies between 5.5 and 9; got 0.72. Mend the number.",
    ),
    "release volume in litres": (
        OWN,
        'outcome = "release_volume"\nhigh = 0.5',
        "release volume is usually 100 to 2000 mL; got 0.5. Did you mean 500 mL, which is 0.5 L? "
        "If not, write '0.5 mL' with its unit.",
    ),
    "release volume per kg in litres": (
        OWN,
        'outcome = "release_volume_per_kg"\nhigh = 0.008',
        "Did you mean 8 mL/kg, which is 0.008 L/kg?",
    ),
    "carbon dioxide in kPa": (
        OWN,
        'outcome = "paco2"\nhigh = 8',
        "arterial CO₂ tension is usually 25 to 120 mmHg; got 8. Did you mean 60 mmHg, which is 8 "
        "kPa?",
    ),
    "oxygen in kPa": (OWN, 'outcome = "pao2"\nlow = 8', "Did you mean 60 mmHg, which is 8 kPa?"),
    "a flow ratio in per cent": (
        "low = 0.25",
        "low = 25",
        "flow ratio lies between 0 and 1; got 25. Did you mean 0.25, which is 25 %?",
    ),
    "pressures in kPa": (
        "low = 20.0, high = 28.0",
        "low = 2.0, high = 2.8",
        "line 6, settings.p_high.high: P high is usually 15 to 35 cmH₂O; got 2.8. Did you mean "
        "28.55 cmH₂O, which is 2.8 kPa?",
    ),
    "times in milliseconds": (
        "low = 4.0, high = 6.0",
        "low = 4000, high = 6000",
        "line 8, settings.t_high: t_high must be between 0.05 and 120 s; got 4000. This looks like "
        "milliseconds: 4 s?",
    ),
    "weight in pounds": (
        "mean = 70.0, sd = 8.0",
        "mean = 154.0, sd = 8.0",
        "line 22, population.mine.properties.predicted_body_weight: predicted_body_weight must be "
        "between 20 and 150 kg; got 154. This looks like lb: 69.85 kg?",
    ),
    "light patients in pounds": (
        "mean = 70.0, sd = 8.0",
        "mean = 132.0, sd = 3.0",
        "predicted body weight is usually 40 to 90 kg; got 132. Did you mean 59.87 kg, which is "
        "132 lb?",
    ),
    "weight below nothing": (
        "mean = 70.0, sd = 8.0",
        "mean = -70.0, sd = 8.0",
        "must be between 20 and 150 kg; got -70.",
    ),
    "compliance in litres": (
        "median = 35.0",
        "median = 0.035",
        "line 21, population.mine.properties.compliance: compliance must be between 1 and 1000 "
        "mL/cmH₂O; got 0.035. This looks like L/cmH₂O: 35 mL/cmH₂O?",
    ),
    "resistance per millilitre": (
        'properties.compliance = { family = "lognormal", median = 35.0, log_sd = 0.3 }',
        'properties.resistance_exp = { family = "lognormal", median = 0.014, log_sd = 0.3 }',
        "Did you mean 14 cmH₂O·s/L, which is 0.014 cmH2O s/mL?",
    ),
    "inspired oxygen in per cent": (
        "[eligible]",
        "[fixed]\nfio2 = 60\n\n[eligible]",
        "line 25, fixed.fio2: fio2 must be between 0.15 and 1 ; got 60. This looks like percent: "
        "0.6 ?",
    ),
    # shares
    "wanted in per cent": (
        "wanted = 0.8",
        "wanted = 80",
        "line 3, wanted: must be below 1; got 80. Write 0.8 for 80 %.",
    ),
    "a group's share in per cent": (
        "wanted = 0.7",
        "wanted = 70",
        "line 17, groups.2.wanted: must be below 1; got 70. Write 0.7 for 70 %.",
    ),
    "an error in per cent": (
        "error = 0.1",
        "error = 10",
        "line 9, settings.t_low.error: must be at most 1; got 10. Write 0.1 for 10 %.",
    ),
    "per cent without quotes": (
        "wanted = 0.8",
        "wanted = 80 %",
        'line 3: has a unit outside quotes: 80 %. Write 0.8, or "80 %" in quotes.',
    ),
    # what an editor or a habit leaves behind
    "a decimal comma": (
        "p_low = 0.0",
        "p_low = 0,5",
        "line 7: has a decimal comma: 0,5. Write 0.5.",
    ),
    "a decimal comma in a range": (
        "low = 4.0, high = 6.0",
        "low = 4,5, high = 6,5",
        "line 8: has a decimal comma: 4,5. Write 4.5.",
    ),
    "a unit without quotes": (
        "p_low = 0.0",
        "p_low = 0 cmH2O",
        'line 7: has a unit outside quotes: 0 cmH2O. Write 0, or "0 cmH2O" in quotes.',
    ),
    "a unit of something else": (
        "p_low = 0.0",
        'p_low = "0 mL"',
        "line 7, settings.p_low: must be a number in cmH₂O; got '0 mL': 'mL' cannot be converted",
    ),
    "words where a number stands": (
        "p_low = 0.0",
        'p_low = "low"',
        "line 7, settings.p_low: must be a number, or a range as { low = 1, high = 2 }; got 'low'.",
    ),
    "a range in words": (
        "{ low = 4.0, high = 6.0 }",
        "4 to 6",
        "line 8: has a range in words. Write { low = 4, high = 6 }",
    ),
    "a range as a list": (
        "{ low = 4.0, high = 6.0 }",
        "[4.0, 6.0]",
        "line 8, settings.t_high: must be a number, or a range as { low = 1, high = 2 }",
    ),
    "a colon": ("p_low = 0.0", "p_low: 0.0", "line 7: has a colon after p_low. Write p_low ="),
    "a key with a blank": ("p_low = 0.0", "p low = 0.0", "line 7: has a key with spaces: p low."),
    "no value": ("p_low = 0.0", "p_low =", "line 7: gives p_low no value."),
    "a long dash": (
        "p_low = 0.0",
        "p_low = –5",
        "line 7: has a long dash where a minus should be.",
    ),
    "a leading zero": ("p_low = 0.0", "p_low = 05", "line 7: has a number that begins with 0: 05."),
    "a naked point": ("wanted = 0.8", "wanted = .8", "nothing beside its point: .8. Write 0.8."),
    "a text without quotes": (
        'lung = "linear"',
        "lung = linear",
        'line 2: has a text without quotes: linear. Write "linear".',
    ),
    "a quote that is not closed": (
        'lung = "linear"',
        'lung = "linear',
        "line 2: has a text without its closing quote.",
    ),
    "a bracket that is not closed": (
        "[settings]",
        "[settings",
        "line 5: has a bracket that is not closed. Close it.",
    ),
    "a key twice": (
        "p_low = 0.0",
        "p_low = 0.0\np_low = 2.0",
        "line 8: is there already further up",
    ),
    # names
    "a population that nobody knows": (
        'population = "normal"',
        'population = "ARDS"',
        "line 12, groups.1.population: unknown population 'ARDS'. Known: mine, normal, "
        "obstructive, restrictive, severe_asthma. Or define one of your own in [population.NAME].",
    ),
    "a slip of a name": (
        'population = "normal"',
        'population = "norml"',
        "groups.1.population: unknown population 'norml'; did you mean 'normal'?",
    ),
    "a setting misspelled": (
        "t_high =",
        "t_hig =",
        "line 8, settings.t_hig: unknown key 't_hig'; did",
    ),
    "a rule that nobody knows": (
        'rule = "time_constant"',
        'rule = "tide"',
        "line 9, settings.t_low: must be one of 'range', 'time_constant', 'flow_ratio', 'either'; "
        "got",
    ),
    "a rule without its name": (
        'rule = "time_constant", ',
        "",
        'line 9, settings.t_low: must name its rule beside multiple. Write rule = "time_constant".',
    ),
    "titration in a protocol": (
        "[eligible]",
        "[titration]\nevery = 4\n\n[eligible]",
        "line 24, titration: a protocol states settings and does not change them.",
    ),
    # what does not fit together
    "pressures swapped": (
        "p_high = { low = 20.0, high = 28.0 }\np_low = 0.0",
        "p_high = 5.0\np_low = 24.0",
        "line 7, settings.p_low: must stay below P high; got 24 with P high 5 cmH₂O. They look "
        "swapped. Swap them.",
    ),
    "pressures that overlap": (
        "p_low = 0.0",
        "p_low = { low = 0.0, high = 22.0 }",
        "settings.p_low: must stay below P high; got 0 to 22 with P high 20 to 28 cmH₂O. Part the",
    ),
    "a range turned round": (
        "low = 20.0, high = 28.0",
        "low = 28.0, high = 20.0",
        "line 6, settings.p_high: must have low <= high; got 28 to 20. Swap them.",
    ),
    "weight of nothing": (
        "weight = 3",
        "weight = 0",
        "line 13, groups.1.weight: must be above 0; got 0.",
    ),
    "a group twice": ('"mine"\nwanted', '"normal"\nwanted', "groups: 'normal' is named twice."),
    "an empty exclusion": (
        "{ high = 2.0 }",
        "{}",
        "line 25, eligible.time_constant_exp: must have low or high; got neither. Add one.",
    ),
    "no limits": ('[limits]\nsets = ["harm"]\n\n', "[limit]\n", "limit: unknown key 'limit'"),
}


def problems(text, parse=parse_protocol):
    with pytest.raises(StudyError) as caught:
        parse(text)
    return caught.value.problems


def changed(old, new):
    assert old in RIGHT
    return RIGHT.replace(old, new, 1)


def test_the_right_file_is_right():
    assert parse_protocol(RIGHT).title == "start on day one"
    assert len(WRONG) >= 40


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_file_gets_its_sentence(name):
    old, new, sentence = WRONG[name]
    found = problems(changed(old, new))
    assert any(sentence in problem for problem in found), found
    # a number that nobody wrote is of no use
    assert not any("(sample" in problem for problem in found)


@pytest.mark.parametrize("name", [name for name in WRONG if "P high" not in WRONG[name][2]])
def test_one_wrong_thing_is_one_sentence(name):
    if name in ("pressures in kPa", "no limits", "a setting misspelled"):
        pytest.skip("two numbers, or two keys, are wrong in it")
    assert len(problems(changed(*WRONG[name][:2]))) == 1


#: What is read as it is meant, and what it must come to.
MEANT = {
    "a unit in quotes": ("p_low = 0.0", 'p_low = "0 cmH2O"', "p_low", Span(0.0, 0.0)),
    # 98.0665 Pa are a cmH2O, and 100 Pa a mbar
    "another unit": (
        "p_low = 0.0",
        'p_low = "5 mbar"',
        "p_low",
        Span(500 / 98.0665, 500 / 98.0665),
    ),
    "a comma in quotes": ("p_low = 0.0", 'p_low = "0,5 cmH2O"', "p_low", Span(0.5, 0.5)),
    "a range in quotes": (
        "{ low = 4.0, high = 6.0 }",
        '"4000 to 6000 ms"',
        "t_high",
        Span(4.0, 6.0),
    ),
    "upper case": ("p_low = 0.0", "P_Low = 2.0", "p_low", Span(2.0, 2.0)),
    "a hyphen": ("p_low = 0.0", "P-low = 2.0", "p_low", Span(2.0, 2.0)),
    "a small pressure that is meant": (
        "p_high = { low = 20.0, high = 28.0 }",
        'p_high = "3 cmH2O"',
        "p_high",
        Span(3.0, 3.0),
    ),
}


@pytest.mark.parametrize("name", MEANT)
def test_what_can_be_understood_is_read(name):
    old, new, setting, span = MEANT[name]
    found = parse_protocol(changed(old, new)).draft.spans[setting]
    # a conversion is one multiplication and one division
    np.testing.assert_allclose((found.low, found.high), (span.low, span.high), rtol=1e-12)


def test_names_are_known_in_any_case():
    text = RIGHT.replace('"normal"', '"Normal"').replace('"linear"', '"Linear"')
    text = text.replace(OWN, 'outcome = "SpO2"\nlow = "88 %"').replace('"mine"', '"Mine"')
    found = parse_protocol(text)
    assert [group.name for group in found.groups] == ["normal", "mine"]
    assert (found.lung.name, found.limits.limits[-1].low) == ("linear", 0.88)
    study = parse_study(
        'Title = "t"\nLung = "Linear"\n[Fixed]\nP_High = "2.5 kPa"\n[Analyses.Window]'
    )
    assert study.question.fixed == {"p_high": pytest.approx(2500.0 / 98.0665, rel=1e-12)}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_file_of_any_editor_is_read(tmp_path, encoding, newline):
    path = tmp_path / "protocol.toml"
    path.write_bytes(RIGHT.replace("\n", newline).encode(encoding))
    assert load_protocol(path).stated == parse_protocol(RIGHT).stated


def test_letters_of_an_old_encoding_are_named_with_their_line(tmp_path):
    path = tmp_path / "protocol.toml"
    path.write_bytes(RIGHT.replace("day one", "Tag für Tag").encode("cp1252"))
    for load in (load_protocol, load_study, load_policy):
        with pytest.raises(StudyError, match=r"line 1 has a letter that is not UTF-8\. Save it"):
            load(path)


def test_curly_quotes_are_read_and_kept_where_they_are_text():
    curly = RIGHT.replace('"start on day one"', "“start on day one”").replace('"harm"', "„harm“")
    assert parse_protocol(curly).stated == parse_protocol(RIGHT).stated
    kept = RIGHT.replace("start on day one", "the “old” draft")
    assert parse_protocol(kept).title == "the “old” draft"


@pytest.mark.parametrize("table", ["limits", "settings", "groups"])
def test_a_missing_table_hides_no_other_error(table):
    text = RIGHT.replace("at_most = 1.2", "at_most = 400.0")
    text = text.replace("high = 2.0", "low = 3.0, high = 2.0")
    text = text.replace("{ low = 20.0, high = 28.0 }", "{ low = 28.0, high = 20.0 }")
    text = text.replace("median = 35.0", "median = 0.035")
    cut = {
        "limits": text[: text.index("[limits]")],
        "settings": text[: text.index("[settings]")] + text[text.index("[[groups]]") :],
        "groups": text[: text.index("[[groups]]")] + text[text.index("[population.mine]") :],
    }
    told = "\n".join(problems(cut[table]))
    assert f"{table}: must be given: '{table}' is missing. Add it." in told
    expected = {
        "settings": ("settings.t_low.at_most", "settings.p_high: must have low <= high"),
        "groups": ("eligible.time_constant_exp: must have low < high",),
        "limits": (),
    }
    assert "This looks like L/cmH₂O: 35" in told
    for other, sentences in expected.items():
        for sentence in sentences:
            # without groups nobody knows which properties there are to choose by
            assert (sentence in told) == (other != table)


def test_lists_are_counted_from_one():
    told = "\n".join(problems(RIGHT.replace("weight = 3", "weight = 3\nx = 1")))
    assert "line 14, groups.1.x: unknown key 'x'" in told
    study = 'title = "t"\nlung = "linear"\n[[analyses.map]]\nx = "t_low"\ny = "t_lo"\n'
    assert any(one.startswith("line 5, analyses.map.1.y: ") for one in problems(study, parse_study))


def test_every_bundled_limit_lies_where_a_limit_can_lie():
    from ebbmap.registries.limits import LIMIT_SETS

    for limits in LIMIT_SETS.values():
        for bound in (*limits.hard, *limits.caution):
            # balances are bounded at nothing, where their steady state ends
            assert bound.value == 0.0 or outcome(bound.outcome).complaint(bound.value) is None


@pytest.mark.parametrize("name", ["linear", "whole"])
def test_no_lung_leaves_the_bounds_of_an_outcome(name):
    """At a thousand settings and lungs from the whole of the legal ranges."""
    lung, rng = lung_model(name), np.random.default_rng(5)
    n = 1000 if name == "linear" else 200
    values = {}
    for parameter in plan(lung).parameters:
        entry = PARAMETERS[parameter]
        low, high = (entry.usual_low, entry.usual_high)
        values[parameter] = rng.uniform(low, high, n)
    found = evaluate(lung, values, None).outcomes
    assert len(found) > 20
    for key, array in found.items():
        low, high = OUTCOMES[key].bounds
        known = array[np.isfinite(array)]
        # rounding of shares that end at 0 and 1
        assert np.all(known >= low - 1e-9), key
        assert np.all(known <= high + 1e-9), key
