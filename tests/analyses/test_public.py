"""Functions of analyses as users call them: options as a model, as a mapping, or left out."""

import pytest
import xarray as xr

import ebbmap
from ebbmap.analyses.profile import Profile
from ebbmap.errors import EbbmapError
from ebbmap.registries.limits import limit_set

ASKED = {"along": "t_low", "outcomes": ["flow_ratio"]}
AXES = {"t_low": [0.3, 0.6]}


def test_a_mapping_asks_what_its_model_asks():
    by_model = ebbmap.find_profile(ebbmap.Question(), Profile(**ASKED), axes=AXES)
    by_mapping = ebbmap.find_profile(question=ebbmap.Question(), options=ASKED, axes=AXES)
    # the time of day is among the attributes
    xr.testing.assert_identical(by_model.drop_attrs(), by_mapping.drop_attrs())


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({**ASKED, "along": "t_loww"}, "along: unknown parameter 't_loww'; did you mean 't_low'"),
        (None, "'outcomes' is missing"),
        ({**ASKED, "outcome": "ph"}, "outcome"),
        (3, r"must be Profile\(\.\.\.\) or a mapping with its keys; got 3"),
    ],
)
def test_options_that_cannot_be_are_refused(options, sentence):
    with pytest.raises(EbbmapError, match=sentence):
        ebbmap.find_profile(ebbmap.Question(), options, axes=AXES)


def test_options_with_defaults_may_be_left_out():
    question = ebbmap.Question(rules={"pressure": limit_set("pressure")})
    assert ebbmap.find_window(question)["lower"].attrs["units"] == "s"


@pytest.mark.parametrize(
    ("name", "options", "laid_out"),
    [
        ("window", {}, []),
        ("map", {"x": "t_low", "y": "t_high"}, ["t_low", "t_high"]),
        ("trade", {}, ["t_low", "t_high"]),
        ("mapping", {"along": "t_low", "at": [0.5]}, ["t_low"]),
        ("together", {"axes": ["t_low"]}, ["t_low"]),
        ("boxes", {"over": ["t_low"]}, ["t_low"]),
        ("wean", {}, []),
    ],
)
def test_what_judges_wants_limits(name, options, laid_out):
    axes = {name: [0.3, 0.5] for name in laid_out}
    with pytest.raises(EbbmapError, match=r"without limits\. Give the question `rules`"):
        getattr(ebbmap, f"find_{name}")(ebbmap.Question(), options, axes=axes)
