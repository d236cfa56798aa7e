"""Every page of the studies that come with the project, on shrunken copies."""

import re
from pathlib import Path

import numpy as np
import pytest

from ebbmap.cases.question import STATED_LUNG
from ebbmap.caution import CAUTION
from ebbmap.files.study import load_study, parse_study
from ebbmap.plotting.pages import pages_of, save_page
from ebbmap.runs.sources import plan_tasks

# every page of the bundled studies is drawn
pytestmark = pytest.mark.slow

STUDIES = sorted((Path(__file__).parents[2] / "studies").glob("*.toml"))

#: What makes a study small: key, and its value here.
SMALL = {"lungs": 12, "count": 4, "base_size": 32, "resamples": 100}


def shrink(text):
    # indices from lungs as they are need more of them
    few = {**SMALL, "lungs": 128} if "[analyses.given" in text else SMALL
    for key, value in few.items():
        text = re.sub(rf"\b{key} = \d+", f"{key} = {value}", text)
    return re.sub(r"\bat = \[.*\]", "at = [0.3, 0.6, 1.2]", text)


@pytest.fixture(scope="module", params=STUDIES, ids=lambda path: path.stem)
def study(request):
    return parse_study(shrink(request.param.read_text(encoding="utf-8")), request.param.name)


@pytest.fixture(scope="module")
def pages(study):
    return [
        page
        for task in plan_tasks(study)
        for page in pages_of(task.kind, task.run(lambda cases: None))
    ]


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: path.stem)
def test_every_study_passes_its_checks(path):
    assert load_study(path).question.rules


def test_there_are_studies():
    assert len(STUDIES) >= 2


def test_every_page_carries_the_caution_and_says_where_its_lungs_come_from(pages, study):
    assert pages
    names = [group.name for group in study.question.populations]
    # the bundled studies draw bundled populations, which are invented; others state one lung
    said = f"Invented lungs ({', '.join(names)}).".replace("_", " ") if names else STATED_LUNG
    for name, figure, _ in pages:
        text = " ".join(" ".join(t.get_text() for t in figure.texts).split())
        assert CAUTION in text, name
        assert said in text, name
        assert ("nvented" in text) == bool(names), name


def test_every_page_has_its_own_name_and_a_text_for_those_who_cannot_see_it(pages):
    names = [name for name, _, _ in pages]
    assert len(set(names)) == len(names)
    for name, _, text in pages:
        assert len(text) > 20, name
        assert "nan" not in text


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_the_same_result_gives_the_same_bytes(ending, tmp_path):
    study = load_study(next(path for path in STUDIES if path.stem == "two_rules"))
    task = next(task for task in plan_tasks(study) if task.kind == "profile")
    result = task.run(lambda cases: None)
    for number in (1, 2):
        ((_, figure, _),) = pages_of("profile", result)
        save_page(figure, tmp_path / f"{number}.{ending}")
    one, other = ((tmp_path / f"{number}.{ending}").read_bytes() for number in (1, 2))
    assert len(one) > 5000
    assert one == other


ODD = """
title = "odd"
lung = "linear"
seed = 0
lungs = 5
populations = ["normal"]
[fixed]
{fixed}
[axes]
t_low = [0.3, 0.5]
resistance_exp = [8.0, 14.0]
[analyses.window]
{along}
[[analyses.map]]
x = "t_low"
y = "resistance_exp"
"""


@pytest.mark.parametrize("along", ["", 'along = "resistance_exp"'], ids=["lungs", "axis"])
@pytest.mark.parametrize(
    "fixed",
    ["p_high = 8.0\np_low = 10.0", "p_high = 70.0", "p_high = 2.0"],
    ids=["impossible", "nowhere safe", "too little"],
)
def test_a_result_without_any_safe_place_is_drawn_too(fixed, along):
    study = parse_study(ODD.format(fixed=fixed, along=along))
    for task in plan_tasks(study):
        for _, figure, text in pages_of(task.kind, task.run(lambda cases: None)):
            figure.draw_without_rendering()
            assert "nan" not in text


PROFILE = """
title = "profile"
lung = "linear"
populations = ["normal"]
[axes]
t_low = [0.3, 0.5]
[analyses.profile]
along = "t_low"
outcomes = ["auto_peep", "flow_ratio"]
"""


def test_outcomes_of_different_units_get_axes_of_their_own():
    (task,) = plan_tasks(parse_study(PROFILE))
    ((_, figure, _),) = pages_of(task.kind, task.run(lambda cases: None))
    assert [ax.get_ylabel() for ax in figure.axes] == ["auto-PEEP [cmH₂O]", "flow ratio"]


OWN = """
title = "own"
lung = "linear"
lungs = 8
populations = ["mine", "obstructive"]
[fixed]
p_high = 24.0
resistance_insp = 16.0
[axes]
t_low = [0.3, 0.5]
resistance_exp = [5.0, 60.0]
[[analyses.map]]
x = "t_low"
y = "resistance_exp"
[limits]
rules = ["flow_ratio"]
[population.mine]
base = "normal"
source = "ward 7"
properties.resistance_exp = { family = "lognormal", median = 9.0, log_sd = 0.3 }
"""


def test_a_map_marks_the_middle_lung_of_every_population_given_what_is_held():
    study = parse_study(OWN)
    (task,) = plan_tasks(study)
    result = task.run(lambda cases: None)
    ((_, figure, _),) = pages_of(task.kind, result)
    panels = [ax for ax in figure.axes if ax.get_ylim() == (5.0, 60.0)]
    drawn = [[float(line.get_ydata()[0]) for line in ax.lines] for ax in panels]
    middles = [
        group.middle({"resistance_insp": 16.0})["resistance_exp"].item()
        for group in study.question.populations
    ]
    assert drawn == [[middle] for middle in middles * 2]
    # both properties go together: a lung of this inspiratory resistance is no median lung
    assert all(
        abs(m - g.median["resistance_exp"]) > 1.0
        for m, g in zip(middles, study.question.populations, strict=True)
    )
    np.testing.assert_array_equal(result["middle_resistance_exp"], middles)
    assert "middle_t_low" not in result


MIXED = """
title = "mixed"
lung = "stepped"
lungs = 4
populations = ["normal", "obstructive", "severe_asthma"]
[fixed]
p_high = 24.0
{more}
[limits]
rules = ["flow_ratio"]
{analyses}
"""

BOTH_AXES = """
[axes]
t_low = [0.3, 0.5]
resistance_exp = [8.0, 14.0]
[[analyses.map]]
x = "t_low"
y = "resistance_exp"
[analyses.screening]
along = "t_low"
trajectories = 4
resamples = 100
outcomes = ["auto_peep"]
"""


@pytest.mark.parametrize(
    ("more", "analyses"),
    [
        ("", BOTH_AXES),
        (
            "t_low = 0.5",
            "[analyses.compare]\n[analyses.startup]\ncycles = 3\n[analyses.wean]\n"
            "p_high_end = 16.0\np_high_step = 4.0",
        ),
    ],
    ids=["over axes", "at one setting"],
)
def test_populations_with_properties_of_their_own_stand_side_by_side(more, analyses):
    study = parse_study(MIXED.format(more=more, analyses=analyses))
    for task in plan_tasks(study):
        result = task.run(lambda cases: None)
        assert result.sizes["case" if task.kind == "compare" else "population"] == 3
        for _, figure, text in pages_of(task.kind, result):
            assert figure.axes
            assert "nan" not in text
