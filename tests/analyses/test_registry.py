"""The registry of analyses: one word for each, one place for each default, one file to add one."""

import inspect
from importlib import import_module
from types import MappingProxyType

import numpy as np
import pytest
import xarray as xr
from pydantic import Field

import ebbmap
from ebbmap.analyses import NAMES
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common import sensitivity
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Options, Positive
from ebbmap.analyses.registry import ANALYSES
from ebbmap.analyses.screening import estimate_effects
from ebbmap.analyses.shapley import estimate_shapley
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.question import middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.errors import StudyError
from ebbmap.files.study import parse_study
from ebbmap.files.study.schema import Analyses
from ebbmap.runs.costs import study_costs
from ebbmap.runs.run import run_study
from ebbmap.runs.sources import plan_tasks

NAMED = pytest.mark.parametrize("name", NAMES)


@NAMED
def test_an_analysis_has_one_word(name):
    module = import_module(f"ebbmap.analyses.{name}")
    entry = ANALYSES[name]
    assert module.ANALYSIS is entry and entry.name == name
    assert entry.long_name
    assert entry.options.__module__ == module.__name__
    public = getattr(ebbmap, f"find_{name}")
    assert inspect.unwrap(public) is getattr(module, f"find_{name}")
    assert name in Analyses.model_fields


@NAMED
def test_its_function_takes_a_question_and_options_and_the_rest_by_keyword(name):
    signature = inspect.signature(getattr(ebbmap, f"find_{name}"))
    kinds = {key: parameter.kind for key, parameter in signature.parameters.items()}
    assert list(kinds) == ["question", "options", "axes", "progress"]
    assert kinds["axes"] == kinds["progress"] == inspect.Parameter.KEYWORD_ONLY
    needs_none = all(
        not field.is_required() for field in ANALYSES[name].options.model_fields.values()
    )
    default = signature.parameters["options"].default
    assert default is (None if needs_none else inspect.Parameter.empty)


@NAMED
def test_every_option_says_what_it_is(name):
    for option, field in ANALYSES[name].options.model_fields.items():
        assert field.description, option


@NAMED
def test_every_function_is_documented_in_full(name):
    text = inspect.getdoc(getattr(ebbmap, f"find_{name}"))
    for part in ("Parameters", "Returns", "Raises"):
        assert f"{part}\n{'-' * len(part)}" in text, part


#: What is estimated on a design that somebody else drew, and where its defaults are declared.
ESTIMATES = (
    ("screening", estimate_effects),
    ("shapley", estimate_shapley),
    ("sobol", sensitivity.estimate_sobol),
)


@pytest.mark.parametrize(("name", "estimate"), ESTIMATES, ids=[name for name, _ in ESTIMATES])
def test_an_estimate_on_a_design_takes_the_defaults_of_the_options(name, estimate):
    fields = ANALYSES[name].options.model_fields
    shared = {
        key: parameter.default
        for key, parameter in inspect.signature(estimate).parameters.items()
        if key in fields and parameter.default is not inspect.Parameter.empty
    }
    assert shared
    for key, default in shared.items():
        assert not fields[key].is_required() and fields[key].default == default, key


# an analysis that is added


class Halving(Options):
    """Share of the trapped volume that some T low leave."""

    t_low: Positive = Field(default=0.5, description="T low [s]")


VARIABLES = {"left": Variable("share of the release volume that is trapped")}


def find_halving(question, options=None, *, axes=NO_AXES, progress=None):
    options = options or Halving()
    left = []
    for group in question.groups():
        values = {**middle_lung(question, group, {}), "t_low": options.t_low}
        solved = simulate(question.lung, outcomes=("trapped_volume", "release_volume"), **values)
        left.append(float(solved["trapped_volume"] / solved["release_volume"]))
    result = xr.Dataset({"left": ("population", left)}, {"population": question.group_names})
    return label_variables(result, VARIABLES)


def check_halving(asked):
    if "t_low" in asked.study.table("fixed"):
        yield f"{asked.place}.t_low: is fixed too. Drop one of them."


HALVING = Analysis(
    name="halving",
    long_name="what some T low leave",
    options=Halving,
    pieces=whole(find_halving),
    size=middle_lungs(lambda question, options, axes: 1),
    variables=VARIABLES,
    lays_out=lambda asked: ["t_low"],
    check=check_halving,
    own_pages=lambda result: iter([("halving", None, "a page")]),
)
WITH_ONE_MORE = MappingProxyType({**ANALYSES, "halving": HALVING})
STUDY = 'title = "one more"\nlung = "linear"\npopulations = ["normal", "obstructive"]\n'


def test_an_analysis_is_added_with_one_entry(tmp_path):
    study = parse_study(f"{STUDY}[analyses.halving]\nt_low = 0.3", analyses=WITH_ONE_MORE)
    (task,) = plan_tasks(study)
    assert (task.name, task.kind, task.cases) == ("halving", "halving", 0)
    assert [cost.cases for cost in study_costs(study, tmp_path, 1)] == [2]
    ((_, result, path),) = run_study(study, tmp_path, progress=lambda task: lambda cases: None)
    with xr.open_dataset(path) as saved:
        np.testing.assert_array_equal(saved["left"], result["left"])
        assert saved["left"].attrs["long_name"] == VARIABLES["left"].long_name
        assert saved.attrs["study_title"] == "one more"
    # a slow lung keeps more
    assert float(result["left"][1]) > float(result["left"][0]) > 0
    assert [text for _, _, text in study.analyses["halving"].pages(result)] == ["a page"]
    assert list(study.analyses["halving"].tables(result)) == []


@pytest.mark.parametrize(
    ("tail", "said"),
    [
        ("[analyses.halving]\nt_low = -1", r"analyses.halving.t_low: .*must be above 0; got -1"),
        ("[analyses.halving]\nt_lo = 1", r"analyses.halving.t_lo: unknown key"),
        (
            "[fixed]\nt_low = 0.4\n[analyses.halving]",
            r"analyses.halving.t_low: is fixed too. Drop one of them.",
        ),
        ("[analyses]", r"must name at least one of .*, halving, "),
        (
            "[samples]\nt_low = { family = 'uniform', low = 0.3, high = 0.6 }\n[analyses.halving]",
            "samples.t_low: every analysis lays it out",
        ),
    ],
)
def test_what_is_asked_of_it_is_checked(tail, said):
    with pytest.raises(StudyError, match=said):
        parse_study(STUDY + tail, analyses=WITH_ONE_MORE)


def test_another_study_knows_nothing_of_it():
    with pytest.raises(StudyError, match=r"analyses.halving: unknown key"):
        parse_study(f"{STUDY}[analyses.halving]")
