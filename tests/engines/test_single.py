"""Single precision: asked for, measured on the very cases, said, or refused."""

import numpy as np
import pytest

import ebbmap
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.precision import measure_single
from ebbmap.cases.question import Question
from ebbmap.engines import accuracy, use_engine
from ebbmap.errors import EbbmapError
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import Limit, LimitSet
from walks import walk


def test_errors_are_measured_on_every_outcome():
    pytest.importorskip("jax")
    lung = lung_model("linear")
    names = ("release_volume", "flow_ratio", "paco2")
    values = walk(lung)
    exact = evaluate(lung, values, names)
    with use_engine("jax", "single"):
        found = evaluate(lung, values, names)
        measured = accuracy()
    assert np.array_equal(found.status, exact.status)
    for name in names:
        apart = np.abs(found.outcomes[name] - exact.outcomes[name])
        usual = np.nanmedian(np.abs(exact.outcomes[name]))
        # single precision has seven digits, of which gas exchange costs one or two
        assert 0.0 < measured.errors[name] <= np.nanmax(apart) < 1e-4 * usual
    assert measured.statuses == 0
    assert 16 <= measured.cases < 2000


def test_only_an_unusual_engine_stands_under_tables():
    pytest.importorskip("jax")
    from ebbmap.tables.held import held_text

    values = {"t_low": [0.3, 0.5], "outcomes": ["flow_ratio"]}
    assert "solved by" not in held_text(ebbmap.simulate("linear", **values))
    with use_engine("jax"):
        said = held_text(ebbmap.simulate("linear", **values))
        assert held_text(ebbmap.waveforms("stepped", t_low=0.5)) == ""
    assert said.startswith("solved by: JAX")
    assert "in double precision on cpu" in said


def test_verdicts_that_turn_refuse_single_precision():
    pytest.importorskip("jax")
    held = {"p_high": 24.0, "p_low": 0.0, "t_high": 5.0, "t_low": 0.5}
    volume = float(
        evaluate(lung_model("linear"), held, ("release_volume",)).outcomes["release_volume"]
    )
    # a window narrower than seven digits, around the one value that there is
    narrow = Limit("release_volume", "invented", low=volume - 1e-7, high=volume + 1e-7)
    asked = Question("linear", held, rules={"narrow": LimitSet("narrow", "narrow", (narrow,))})
    with use_engine("jax", "single"), pytest.raises(EbbmapError, match=r"verdicts.*'double'"):
        measure_single(asked, {}, ["linear"], ())


def test_single_precision_is_not_for_every_lung_and_engine():
    pytest.importorskip("jax")
    with use_engine("jax", "single"), pytest.raises(EbbmapError, match="closed formulas"):
        evaluate(lung_model("whole"), {}, ("flow_ratio",))
    with pytest.raises(EbbmapError, match="must go with engine"), use_engine("numpy", "single"):
        pass
    with pytest.raises(EbbmapError, match="unknown precision 'half'"), use_engine("jax", "half"):
        pass
