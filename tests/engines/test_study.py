"""The engine in study files, on the command line and in Python: the same answers by either."""

import json

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


SINGLE = 'engine = "jax"\nprecision = "single"'


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


def test_a_result_says_engine_precision_and_error():
    pytest.importorskip("jax")
    own = ebbmap.run(STUDY.format(engine=""))
    found = ebbmap.run(STUDY.format(engine=SINGLE))
    assert np.array_equal(shares(own), shares(found))
    (plain,), (single,) = own.values(), found.values()
    assert plain.attrs["engine"] == f"NumPy {np.__version__} in double precision"
    said = single.attrs["engine"]
    assert "in single precision on cpu" in said
    assert "0 of 4,096 verdicts differ" in said
    assert single.attrs["precision_error"] in said
    assert "flow ratio" in single.attrs["precision_error"]
    assert "precision_error" not in plain.attrs


def test_precision_is_a_part_of_what_was_asked(tmp_path):
    pytest.importorskip("jax")
    ebbmap.run(STUDY.format(engine=""), out=tmp_path, engine="jax")
    kept = json.loads((tmp_path / "pieces" / "plan.json").read_text(encoding="utf-8"))
    assert kept["plan"]["study"]["engine"] == "jax"
    with pytest.raises(EbbmapError, match="precision"):
        ebbmap.run(STUDY.format(engine=""), out=tmp_path, engine="jax", precision="single")


def test_single_precision_needs_jax():
    with pytest.raises(StudyError, match="must go with engine"):
        ebbmap.run(STUDY.format(engine='precision = "single"'))
