"""The tracer: a graph and a script that give what NumPy gives, the script in a real browser."""

import json
from base64 import b64decode

import numpy as np
import pytest

from browser import opened, started
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.trace import trace
from ebbmap.engines.javascript import EXPRESSIONS
from ebbmap.engines.tracer import OPERATIONS, Graph, Step, record
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import outcomes_of
from walks import CLOSED, agree, walk

#: Brings half a million numbers over with all their bits, and quickly.
AS_BYTES = """
const text = (column) => btoa(
  Array.from(new Uint8Array(column.buffer), (byte) => String.fromCharCode(byte)).join(""));
return Object.fromEntries(
  Object.entries(solveCases(VALUES, 10000)).map(([name, column]) => [name, text(column)]));
"""

LIMITS = LIMIT_SETS["harm"]


@pytest.fixture(scope="module", params=CLOSED)
def traced(request):
    lung = lung_model(request.param)
    values = walk(lung, 10_000)
    with np.errstate(all="ignore"):
        expected = evaluate(lung, values)
    return trace(outcomes_of(lung), request.param, LIMITS), values, expected


def check(found, expected, names):
    """Compare outcomes, statuses and verdicts with NumPy's."""
    assert np.array_equal(found["status"], expected.status)
    for name in names:
        agree(expected.outcomes, found, name, rtol=1e-12)
    judged = judge(LIMITS, {name: np.asarray(found[name]) for name in LIMITS.outcomes})
    assert np.array_equal(found["verdict"], judged.verdict)
    assert np.array_equal(found["binding"], judged.binding)


def test_the_graph_gives_what_numpy_gives(traced):
    trace_, values, expected = traced
    with np.errstate(all="ignore"):
        check(trace_.evaluate(**values), expected, outcomes_of(lung_model(trace_.lung)))


def test_the_script_gives_what_numpy_gives_in_a_browser(traced, tmp_path):
    trace_, values, expected = traced
    path = tmp_path / "page.html"
    sent = json.dumps({name: values[name].tolist() for name in trace_.graph.inputs})
    path.write_text(
        f"<!doctype html><meta charset='utf-8'><link rel='icon' href='data:,'>"
        f"<script>{trace_.javascript()}</script><script>const VALUES = {sent};</script>",
        encoding="utf-8",
    )
    with started() as browser, opened(browser, path.as_uri()) as page:
        columns = page.evaluate(f"() => {{ {AS_BYTES} }}")
        assert page.errors == [] and page.requests == []
        labels = page.evaluate("() => QUANTITIES")
    found = {name: np.frombuffer(b64decode(text)) for name, text in columns.items()}
    check(found, expected, outcomes_of(lung_model(trace_.lung)))
    assert labels["flow_ratio"]["label"] == "flow ratio"
    assert labels["p_high"]["units"] == "cmH₂O"


def test_every_operation_can_be_written():
    assert set(EXPRESSIONS) == set(OPERATIONS)


def test_equal_operations_are_one_and_what_is_not_needed_is_left_out():
    def function(at):
        at["x"] / at["y"]
        return {"z": at["x"] * at["x"] + at["x"] * at["x"]}

    graph = record(function, ("x", "y"))
    assert graph.inputs == ("x",)
    assert [step.operation for step in graph.steps] == ["input", "multiply", "add"]


def test_a_lung_that_looks_at_values_is_refused():
    for name in ("stepped", "whole"):
        with pytest.raises(EbbmapError, match=f"{name}.*cannot be traced"):
            trace(["flow_ratio"], name)


def test_a_traced_number_cannot_be_looked_at():
    with pytest.raises(EbbmapError, match="no value to look at"):
        record(lambda at: {"y": 1.0 if at["x"] > 0.0 else 2.0}, ("x",))


@pytest.mark.parametrize(
    "steps",
    [
        (Step("add", (0, 1)),),
        (Step("unheard_of", ()),),
        (Step("exp", (1,)), Step("input", (), "x")),
    ],
)
def test_a_graph_out_of_order_is_refused(steps):
    with pytest.raises(EbbmapError, match="wrong"):
        Graph(steps, (), {})
