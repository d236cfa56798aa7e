"""What a study declares is used or refused, and every value that was held is named."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import STATUS
from ebbmap.errors import StudyError
from ebbmap.files.study import parse_study
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.runs.run import run_study
from ebbmap.runs.sources import plan_tasks
from ebbmap.tables.held import study_notes
from ebbmap.tables.results import summary

#: A table for every analysis of a study, small, on a lung that can serve it.
TABLES = {
    "window": "[analyses.window]",
    "profile": '[analyses.profile]\nalong = "t_low"\noutcomes = ["auto_peep"]',
    "trade": '[analyses.trade]\naxes = ["t_low"]\ncosts = ["paco2", "auto_peep"]',
    "course": "[analyses.course]\nchange = { t_low = 0.6 }\nminutes = 2",
    "compare": "[analyses.compare]",
    "startup": "[analyses.startup]\ncycles = 2",
    "inside": "[analyses.inside]",
    "collapse": "[analyses.collapse]\nt_low = [0.4]",
    "adjust": "[analyses.adjust]",
    "wean": "[analyses.wean]",
    "rules": '[analyses.rules]\nalong = "t_low"\nmodels = ["linear"]',
    "foretell": "[analyses.foretell]\nresamples = 10",
    "together": "[analyses.together]",
    "limits": "[analyses.limits]",
    "strategies": "[analyses.strategies]\nstrategies = ['trial_2017']",
    "unknowns": "[analyses.unknowns]\nt_low = 0.4",
    "map": '[[analyses.map]]\nx = "t_low"\ny = "resistance_exp"',
    "edge": "[analyses.edge]\npoints = 100",
    "robust": "[analyses.robust]",
    "mapping": "[analyses.mapping]\nresamples = 50",
    "boxes": "[analyses.boxes]\nresamples = 10",
    "given": "[analyses.given]\noutcomes = ['auto_peep']",
    "rare": "[analyses.rare]\ncases = 100\nreplicates = 4",
    "shapley": "[analyses.shapley]\nbase_size = 32\noutcomes = ['auto_peep']",
    "screening": "[analyses.screening]\ntrajectories = 4\noutcomes = ['auto_peep']",
    "slopes": "[analyses.slopes]\nresamples = 100\noutcomes = ['auto_peep']",
    "sobol": "[analyses.sobol]\nbase_size = 32\nresamples = 100\noutcomes = ['auto_peep']",
    "sweep": "[analyses.sweep]",
}
#: Lungs without which an analysis gives nothing.
LEAST_LUNGS = {"given": 128, "slopes": 32}
LUNGS = {"inside": "paired", "collapse": "stepped"}
WITH_AXIS = {
    "profile",
    "trade",
    "collapse",
    "rules",
    "foretell",
    "together",
    "unknowns",
    "map",
    "edge",
    "robust",
    "mapping",
    "boxes",
    "given",
    "rare",
    "shapley",
    "screening",
    "slopes",
    "sobol",
    "sweep",
}

#: Analyses that work out all four settings themselves.
SETS_SETTINGS = {"strategies"}


def study_of(kind, *lines, populations='["normal", "restrictive"]'):
    axes = ["t_low = [0.4, 0.6]"] if kind in WITH_AXIS else []
    axes += ["resistance_exp = [10.0, 20.0]"] if kind == "map" else []
    fixed = ["recruitable_share = 0.3"] if kind == "collapse" else []
    return "\n".join(
        [
            'title = "t"',
            f'lung = "{LUNGS.get(kind, "linear")}"',
            f"lungs = {LEAST_LUNGS.get(kind, 8)}",
            f"knowledge = {90 if kind == 'unknowns' else 0}",
            f"populations = {populations}",
            "[fixed]",
            *fixed,
            *lines,
            "[axes]",
            *axes,
            "[limits]",
            'sets = ["pressure"]',
            'rules = ["flow_ratio"]',
            TABLES[kind],
        ]
    )


def result_of(text):
    (task,) = plan_tasks(parse_study(text))
    return task.run(lambda done: None)


@pytest.fixture(scope="module")
def results():
    """Results of every analysis where nobody names P high and the lung's C is held."""
    return {kind: result_of(study_of(kind, "compliance = 40.0")) for kind in TABLES}


@pytest.mark.parametrize("kind", TABLES)
def test_every_analysis_names_what_it_held(results, kind):
    attrs = results[kind].attrs
    fixed = attrs["fixed"].split(", ")
    assert "compliance 40 mL/cmH₂O" in fixed
    default = f"{PARAMETERS['p_high'].say(PARAMETERS['p_high'].default)} (default)"
    assert (default in fixed) == (kind not in SETS_SETTINGS)
    by_itself = WITH_AXIS | SETS_SETTINGS | {"window"}
    assert ("T low 0.5 s (default)" in fixed) == (kind not in by_itself)
    assert attrs["conditioned_on"].split(", ")[0] == "compliance"
    assert attrs["averaged_over"] == attrs["sampled"] == ""
    assert "Invented lungs (normal, restrictive)." in attrs["comment"]


@pytest.mark.parametrize("kind", TABLES)
def test_every_value_that_was_held_is_a_coordinate(results, kind):
    result = results[kind]
    settings = {} if kind in SETS_SETTINGS else {"p_high": 25.0}
    for name, value in {**settings, "compliance": 40.0}.items():
        if name not in result.dims:  # the way of weaning begins there
            assert np.all(result[name] == value), name


@pytest.mark.parametrize("kind", TABLES)
def test_a_default_that_enters_is_the_one_that_the_analysis_used(results, kind):
    """Naming the default in the study changes no number, and drops the mark."""
    defaults = ("fio2 = 0.5",) if kind in SETS_SETTINGS else ("p_high = 25.0", "t_high = 5.0")
    stated = result_of(study_of(kind, "compliance = 40.0", *defaults))
    for name, array in results[kind].data_vars.items():
        np.testing.assert_array_equal(array, stated[name])
    name, value = ("fio2", 0.5) if kind in SETS_SETTINGS else ("p_high", 25.0)
    assert PARAMETERS[name].say(value) in stated.attrs["fixed"].split(", ")


def test_what_is_averaged_over_is_said():
    text = (
        study_of("map", "t_high = 5.0")
        .replace('y = "resistance_exp"', 'y = "resistance_exp"\naverage_over = ["p_high"]')
        .replace(
            "[axes]",
            "[samples]\np_low = { family = 'uniform', low = 0, high = 5 }\n[axes]\n"
            "p_high = [20.0, 22.0, 24.0]",
        )
    )
    attrs = result_of(text).attrs
    assert attrs["averaged_over"] == (
        "P high 20 to 24 cmH₂O (3 values), P low evenly between 0 and 5 cmH₂O"
    )
    assert attrs["sampled"] == "P low evenly between 0 and 5 cmH₂O"
    assert attrs["conditioned_on"] == "expiratory resistance"


def test_an_axis_may_stand_beside_a_value_for_the_analyses_without_it():
    both = study_of("sobol").replace("[axes]", "[axes]\np_high = [20.0, 30.0]") + (
        '\n[[analyses.map]]\nx = "t_low"\ny = "p_high"'
    )
    with pytest.raises(StudyError, match=r"axes\.p_high: analyses\.sobol would not use it"):
        parse_study(both)
    held = both.replace("[fixed]", "[fixed]\np_high = 18.0")
    found = {task.kind: task.run(lambda done: None) for task in plan_tasks(parse_study(held))}
    alone = result_of(study_of("sobol", "p_high = 18.0"))
    np.testing.assert_array_equal(found["sobol"]["variance"], alone["variance"])
    assert "P high 18 cmH₂O" in found["sobol"].attrs["fixed"].split(", ")
    assert "P high" not in found["map"].attrs["fixed"]


def test_samples_may_stand_beside_an_axis():
    drawn = "[samples]\np_high = { family = 'uniform', low = 18, high = 28 }\n[axes]"
    text = study_of("sobol").replace("[axes]", f"{drawn}\np_high = [20.0, 30.0]") + (
        '\n[[analyses.map]]\nx = "t_low"\ny = "p_high"'
    )
    found = {task.kind: task.run(lambda done: None) for task in plan_tasks(parse_study(text))}
    assert "p_high" in found["sobol"]["parameter"].values
    assert found["sobol"].attrs["sampled"] == "P high evenly between 18 and 28 cmH₂O"
    assert found["map"].attrs["sampled"] == found["map"].attrs["averaged_over"] == ""
    assert found["map"]["p_high"].values.tolist() == [20.0, 30.0]


@pytest.mark.parametrize("kind", TABLES)
def test_the_terminal_names_what_was_held(results, kind):
    *_, last = summary(kind, results[kind])
    assert f"held: {results[kind].attrs['fixed']}; other properties drawn given: compl" in str(last)


def test_settings_that_nobody_names_are_told_before_any_work():
    asked = parse_study(study_of("sobol", "p_low = 0.0"))
    assert asked.defaults == {"analyses.sobol": ["p_high", "t_high"]}
    (told,) = study_notes(asked)
    assert told == "analyses.sobol does not set P high 25 cmH₂O, T high 5 s: the default"


def test_the_first_map_whose_settings_take_their_default_is_number_one():
    asked = parse_study(
        "title = 'maps'\nlungs = 20\npopulations = ['normal']\nlung = 'linear'\n"
        "[fixed]\np_low = 0.0\n"
        "[axes]\nt_low = [0.3, 0.6]\np_high = [20.0, 30.0]\n[limits]\nsets = ['auto_peep']\n"
        "[[analyses.map]]\nx = 't_low'\ny = 'p_high'\n"
    )
    assert asked.defaults == {"analyses.map.1": ["t_high"]}


OWN = """
[population.mine]
base = "normal"
{more}
properties.predicted_body_weight = {{ family = "normal", mean = 66.0, sd = {sd}{cut} }}
"""


def own_study(kind, sd=11.0, cut="", more="", lines=()):
    text = study_of(kind, *lines, populations='["mine"]')
    return text + OWN.format(sd=sd, cut=cut, more=more)


def test_a_distribution_that_can_leave_the_bounds_is_told_before_any_work():
    (note,) = parse_study(own_study("map")).notes
    assert note.startswith("population mine, predicted_body_weight: leaves 20 to 150 kg")
    assert "Add low or high" in note
    assert parse_study(own_study("map", cut=", low = 30, high = 120")).notes == ()


@pytest.mark.parametrize("kind", ["sobol", "shapley", "screening"])
def test_designs_refuse_it_unless_they_may_drop(kind):
    with pytest.raises(StudyError, match="cannot leave out single cases"):
        parse_study(own_study(kind))
    dropping = own_study(kind).replace(f"[analyses.{kind}]", f"[analyses.{kind}]\ndrop_failed=true")
    assert parse_study(dropping).notes


def test_a_distribution_that_leaves_them_often_is_refused():
    with pytest.raises(StudyError, match=r"leaves 20 to 150 kg with probability 0\.0"):
        parse_study(own_study("map", sd=25.0))


@pytest.mark.parametrize("kind", ["map", "mapping", "boxes", "window", "sweep"])
def test_lungs_that_leave_the_bounds_are_marked_and_counted(kind):
    text = own_study(kind, sd=19.5).replace("lungs = 8", "lungs = 2000")
    result = result_of(text.replace('sets = ["pressure"]', 'sets = ["pressure", "volume"]'))
    assert "predicted body weight in " in result.attrs["left_bounds"]
    if kind == "sweep":
        weight, result = result["predicted_body_weight"], result.isel(population=0)
        out = (weight < 20.0) | (weight > 150.0)
        # 2.4 SD away: 0.9 % of 2,000 lungs, within five standard errors
        assert int(out.sum()) == pytest.approx(18, abs=5 * np.sqrt(18))
        for t_low in range(2):
            here = result.isel(t_low=t_low)
            np.testing.assert_array_equal(here["status"] == STATUS.index("out_of_domain"), out)
            np.testing.assert_array_equal(here["release_volume"].isnull(), out)


def test_a_source_is_taken_and_said():
    more = 'source = "ward 7, 2024, n = 120"'
    asked = parse_study(own_study("map", cut=", low = 30, high = 120", more=more)).question
    assert "Lungs drawn from what the study states: mine: ward 7, 2024, n = 120" in asked.lungs_text
    assert "nvented" not in asked.lungs_text
    weight = asked.populations[0].marginals["predicted_body_weight"]
    assert (weight.source, weight.confirmed) == ("ward 7, 2024, n = 120", "read")
    assert "predicted_body_weight" not in asked.populations[0].unconfirmed


def test_what_a_property_says_goes_before_what_its_population_says():
    more = 'source = "ward 7"\nconfirmed = "memory, uncertain"\n'
    cut = ', low = 30, high = 120, source = "own scales", confirmed = "read"'
    text = own_study("map", cut=cut, more=more)
    text += 'properties.compliance = { family = "lognormal", median = 40, log_sd = 0.2 }\n'
    marginals = parse_study(text).question.populations[0].marginals
    assert marginals["predicted_body_weight"].source == "own scales"
    assert marginals["predicted_body_weight"].confirmed == "read"
    assert marginals["compliance"].source == "ward 7"
    assert marginals["compliance"].confirmed == "memory, uncertain"


def test_without_a_source_the_lungs_are_invented():
    asked = parse_study(own_study("map", cut=", low = 30, high = 120")).question
    assert asked.lungs_text == "Invented lungs (mine)."
    assert "predicted_body_weight" in asked.populations[0].unconfirmed


def test_a_streamed_sweep_marks_lungs_that_leave_the_bounds_as_a_plain_one_does(tmp_path):
    text = own_study("sweep", sd=19.5).replace("lungs = 8", "lungs = 400")
    plain = result_of(text)
    study = parse_study(text.replace("[analyses.sweep]", '[analyses.sweep]\nstore = "zarr"'))
    ((_, streamed, _),) = run_study(study, tmp_path, progress=lambda task: lambda done: None)
    for name in ("status", "release_volume", "verdict_flow_ratio"):
        dims = plain[name].dims
        np.testing.assert_array_equal(streamed[name].transpose(*dims), plain[name])
    assert streamed.attrs["left_bounds"] == plain.attrs["left_bounds"] != ""
