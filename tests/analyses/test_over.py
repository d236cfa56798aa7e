"""What analyses over several settings share: what they refuse, and how they say their ranges."""

import numpy as np
import pytest

from ebbmap.analyses.registry import ANALYSES
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import parse_study
from ebbmap.plotting.pages.robust import pages
from ebbmap.registries.limits import limit_set
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.robust import tables

OVER = {
    "robust": {},
    "edge": {"budget": 1000, "points": 100, "tolerance": 0.1},
    "boxes": {"resamples": 10},
}
AXES = {"t_low": np.array([0.2, 1.4]), "p_high": np.array([18.0, 30.0])}


def question(**other):
    asked = dict(lung="linear", rules={"flow_ratio": limit_set("flow_ratio")}, lungs=60)
    return Question(**(asked | {"populations": (POPULATIONS["normal"],)} | other))


@pytest.mark.parametrize("name", OVER)
def test_a_setting_is_not_drawn_with_the_lungs(name):
    entry = ANALYSES[name]
    options = entry.options(over=["compliance"], **OVER[name])
    with pytest.raises(EbbmapError, match=r"^compliance is drawn with the lungs of normal\. \w+"):
        entry.pieces(question(), options, {"compliance": np.array([30.0, 60.0])})
    study = f"""
        populations = ["normal"]
        [axes]
        compliance = [30.0, 60.0]
        [analyses.{name}]
        over = ["compliance", "compliance"]
    """
    with pytest.raises(StudyError) as error:
        parse_study(study)
    place = f"analyses.{name}.over: "
    assert f"{place}compliance is drawn with the lungs. " in str(error.value)
    assert f"{place}'compliance' is listed twice. Keep one of them." in str(error.value)


@pytest.mark.parametrize("name", OVER)
def test_ranges_are_said_in_the_words_of_every_result(name):
    entry = ANALYSES[name]
    result = entry.pieces(question(), entry.options(over=list(AXES), **OVER[name]), AXES).whole()
    said = result.attrs["tried" if name == "boxes" else "over"]
    counted = " (2 values)" if name == "robust" else ""
    assert said == f"T low 0.2 to 1.4 s{counted}; P high 18 to 30 cmH₂O{counted}"
    assert entry.result_name(entry.options(over=list(AXES))) == f"{name}_t_low_p_high"


def test_a_share_that_is_chosen_is_said_in_per_cent():
    entry, axes = ANALYSES["robust"], {"fio2": np.array([0.4, 0.6])}
    rules = {"oxygen": limit_set("oxygen")}
    found = entry.pieces(question(rules=rules), entry.options(over=["fio2"]), axes).whole()
    assert found.attrs["over"] == "inspired oxygen fraction 40 to 60 % (2 values)"
    ((_, _, text),) = pages(found)
    chosen = float(found["chosen_fio2"].sel(choice="all groups")[0, 0])
    assert f"inspired oxygen fraction {100 * chosen:g} % for all groups" in text
    # data stay fractions
    assert next(tables(found)).column("fio2")[0] == f"{chosen:g}"
