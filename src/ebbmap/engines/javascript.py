"""A graph of operations written as JavaScript: no formula is written a second time.

The text depends on nothing, and a number in it has all its digits.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from ebbmap.engines.tracer import Graph, Step

#: Operation -> expression, by what it takes.
EXPRESSIONS: Mapping[str, str] = {
    "add": "{0} + {1}",
    "subtract": "{0} - {1}",
    "multiply": "{0} * {1}",
    "divide": "{0} / {1}",
    "power": "Math.pow({0}, {1})",
    "negative": "-{0}",
    "less": "{0} < {1}",
    "less_equal": "{0} <= {1}",
    "greater": "{0} > {1}",
    "greater_equal": "{0} >= {1}",
    "equal": "{0} === {1}",
    "not_equal": "{0} !== {1}",
    "logical_and": "{0} && {1}",
    "logical_or": "{0} || {1}",
    "logical_not": "!{0}",
    "exp": "Math.exp({0})",
    "expm1": "Math.expm1({0})",
    "log": "Math.log({0})",
    "log1p": "Math.log1p({0})",
    "sqrt": "Math.sqrt({0})",
    "sin": "Math.sin({0})",
    "abs": "Math.abs({0})",
    "floor": "Math.floor({0})",
    "isnan": "Number.isNaN({0})",
    "isfinite": "Number.isFinite({0})",
    "minimum": "Math.min({0}, {1})",
    "maximum": "Math.max({0}, {1})",
    "where": "{0} ? {1} : {2}",
}

#: A function that reads a case from one array of numbers and writes its results into another.
IN_PLACE = """\
const {upper}_INPUTS = {inputs};
const {upper}_OUTPUTS = {outputs};

function {name}(at, out) {{
{reads}
{body}
{writes}
}}
"""

PAGE = """\
// {title}
const QUANTITIES = {quantities};
const INPUTS = {inputs};
const OUTPUTS = {outputs};

// one case: numbers in the order of INPUTS, results in the order of OUTPUTS
function solveCase({arguments}) {{
{body}
  return [{results}];
}}

// many cases: one array or one number for each of INPUTS, one array for each of OUTPUTS
function solveCases(values, count) {{
  const columns = INPUTS.map((name) => values[name]);
  const found = OUTPUTS.map(() => new Float64Array(count));
  for (let k = 0; k < count; k++) {{
    const one = solveCase(...columns.map((c) => (typeof c === "number" ? c : c[k])));
    for (let j = 0; j < one.length; j++) found[j][k] = Number(one[j]);
  }}
  return Object.fromEntries(OUTPUTS.map((name, j) => [name, found[j]]));
}}
"""


def javascript(graph: Graph, quantities: Mapping[str, Mapping[str, Any]], title: str) -> str:
    """Return a graph as the text of a script with `solveCase` and `solveCases`.

    Parameters
    ----------
    graph : Graph
        The graph; names of inputs and outputs are words of letters, digits and underscores.
    quantities : mapping of str to mapping
        Label and unit of inputs and outputs, as far as they have them.
    title : str
        First line, a comment.

    Examples
    --------
    >>> from ebbmap.engines.tracer import record
    >>> text = javascript(record(lambda at: {"y": 2.0 * at["x"]}, ("x",)), {}, "twice")
    >>> "const v2 = 2 * x;" in text
    True
    """
    words, lines = _lines(graph)
    return PAGE.format(
        title=" ".join(title.split()),
        quantities=json.dumps(quantities, ensure_ascii=False, indent=1).replace("</", "<\\/"),
        inputs=json.dumps(graph.inputs),
        outputs=json.dumps(tuple(graph.outputs)),
        arguments=", ".join(graph.inputs),
        body="\n".join(lines),
        results=", ".join(words[number] for number in graph.outputs.values()),
    )


def in_place(graph: Graph, name: str) -> str:
    """Return a graph as a function that makes no new arrays: for pages that call it often.

    Parameters
    ----------
    graph : Graph
        As in `javascript`.
    name : str
        Name of the function; ``NAME_INPUTS`` and ``NAME_OUTPUTS`` list what its two arrays hold.

    Examples
    --------
    >>> from ebbmap.engines.tracer import record
    >>> text = in_place(record(lambda at: {"y": 2.0 * at["x"]}, ("x",)), "twice")
    >>> "const x = at[0];" in text, "out[0] = v2;" in text
    (True, True)
    """
    words, lines = _lines(graph)
    return IN_PLACE.format(
        name=name,
        upper=name.upper(),
        inputs=json.dumps(graph.inputs),
        outputs=json.dumps(tuple(graph.outputs)),
        reads="\n".join(f"  const {one} = at[{place}];" for place, one in enumerate(graph.inputs)),
        body="\n".join(lines),
        writes="\n".join(
            f"  out[{place}] = {words[number]};"
            for place, number in enumerate(graph.outputs.values())
        ),
    )


def _lines(graph: Graph) -> tuple[list[str], list[str]]:
    """Return how each step is written where it is used, and the lines that compute them."""
    words, lines = [], []
    for number, step in enumerate(graph.steps):
        word = _word(step, number)
        words.append(word)
        if step.operation in EXPRESSIONS:
            expression = EXPRESSIONS[step.operation].format(*(words[one] for one in step.of))
            lines.append(f"  const {word} = {expression};")
    return words, lines


def _word(step: Step, number: int) -> str:
    """Return how a step is written where it is used."""
    if step.operation == "input":
        return str(step.value)
    if step.operation != "constant":
        return f"v{number}"
    if isinstance(step.value, bool):
        return "true" if step.value else "false"
    if math.isnan(step.value):
        return "NaN"
    if math.isinf(step.value):
        return "Infinity" if step.value > 0 else "(-Infinity)"
    text = repr(step.value).removesuffix(".0")
    return f"({text})" if step.value < 0 else text
