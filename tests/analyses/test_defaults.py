"""An analysis that is called from Python takes the defaults that a study file has."""

import inspect
from typing import get_args

import pytest

from ebbmap.analyses import boxes, mapping, screening, shapley
from ebbmap.analyses import sobol as drivers
from ebbmap.analyses.adjust import adjust_settings
from ebbmap.analyses.collapse import follow_collapse
from ebbmap.analyses.common import sensitivity
from ebbmap.analyses.inside import look_inside
from ebbmap.analyses.startup import follow_start
from ebbmap.analyses.wean import plan_weaning
from ebbmap.files.study.schema import Analyses

#: Key of the study file, and what is called from Python.
ALL = (
    ("startup", follow_start),
    ("inside", look_inside),
    ("wean", plan_weaning),
    ("adjust", adjust_settings),
    ("collapse", follow_collapse),
    ("screening", screening.find_screening),
    ("screening", screening.estimate_effects),
    ("shapley", shapley.find_shapley),
    ("shapley", shapley.estimate_shapley),
    ("sobol", drivers.find_drivers),
    ("sobol", drivers.driver_pieces),
    ("sobol", sensitivity.estimate_sobol),
    ("mapping", mapping.map_factors),
    ("boxes", boxes.find_boxes),
)


def defaults_of_the_file(kind):
    """Return the options of an analysis and their defaults."""
    (table,) = [
        one for one in get_args(Analyses.model_fields[kind].annotation) if one is not type(None)
    ]
    fields = table.model_fields.items()
    return {name: field.get_default(call_default_factory=True) for name, field in fields}


@pytest.mark.parametrize(("kind", "function"), ALL, ids=lambda x: getattr(x, "__name__", x))
def test_defaults_are_those_of_the_study_file(kind, function):
    asked = defaults_of_the_file(kind)
    own = {
        name: p.default
        for name, p in inspect.signature(function).parameters.items()
        if p.default is not inspect.Parameter.empty and name in asked
    }
    assert own
    for name, value in own.items():
        told = asked[name]
        assert (tuple(told) if isinstance(value, tuple) else told) == value, name
