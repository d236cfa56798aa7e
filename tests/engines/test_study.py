"""The engine in study files, on the command line and in Python: the same answers by either."""

import numpy as np
import pytest

import ebbmap
from ebbmap.errors import EbbmapError, StudyError

STUDY = """
title = "two engines"
lung = "linear"
lungs = 200
populations = ["restrictive"]
{engine}
[fixed]
p_low = 0.0
p_high = 24.0
t_high = 5.0
[axes]
t_low = {{ start = 0.3, stop = 0.9, count = 5 }}
compliance = {{ start = 20.0, stop = 60.0, count = 4 }}
[limits]
sets = ["pressure", "volume"]
rules = ["flow_ratio"]
[[analyses.map]]
x = "t_low"
y = "compliance"
"""


def shares(results):
    (found,) = [results[name] for name in results]
    return found["safe_share"].values


def test_a_study_names_its_engine():
    pytest.importorskip("jax")
    own = shares(ebbmap.run(STUDY.format(engine="")))
    assert np.array_equal(own, shares(ebbmap.run(STUDY.format(engine='engine = "jax"'))))
    assert np.array_equal(own, shares(ebbmap.run(STUDY.format(engine=""), engine="auto")))


def test_an_unknown_engine_is_a_problem_of_the_study():
    with pytest.raises(StudyError, match="engine"):
        ebbmap.run(STUDY.format(engine='engine = "abacus"'))


def test_an_engine_of_one_process_has_no_cluster():
    pytest.importorskip("jax")
    with pytest.raises(EbbmapError, match="works in one process"):
        ebbmap.run(STUDY.format(engine='engine = "jax"'), cluster="tcp://127.0.0.1:1")
