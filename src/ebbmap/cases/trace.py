"""Outcomes, verdicts and status of a lung as a graph of operations, and as JavaScript."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ebbmap.cases.evaluate import STATUS, compute
from ebbmap.caution import CAUTION
from ebbmap.engines.javascript import javascript
from ebbmap.engines.tracer import Graph, record
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import VERDICTS, judge
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES, plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display


@dataclass(frozen=True)
class Trace:
    """What a lung does with one case, as a graph of operations.

    Parameters
    ----------
    lung : str
        Name of the lung.
    graph : Graph
        Its inputs are parameters; its outputs the outcomes, `status`, and where limits were given
        `verdict`, `margin` and `binding`.
    """

    lung: str
    graph: Graph

    def evaluate(self, **values: Any) -> dict[str, Any]:
        """Work through the graph in NumPy; what is not given takes its default.

        Examples
        --------
        >>> float(trace(["flow_ratio"], "linear").evaluate(t_low=0.5)["flow_ratio"].round(4))
        0.4895
        """
        usual = {name: PARAMETERS[name].default for name in self.graph.inputs}
        return self.graph.evaluate({**usual, **values})

    @property
    def quantities(self) -> Mapping[str, Mapping[str, Any]]:
        """Label, unit and, of parameters, default and bounds of all inputs and outputs."""
        found: dict[str, Mapping[str, Any]] = {}
        for name in self.graph.inputs:
            entry = PARAMETERS[name]
            found[name] = {
                "label": entry.long_name,
                "units": display(entry.units),
                "default": entry.default,
                "low": entry.low,
                "high": entry.high,
            }
        for name in self.graph.outputs:
            if name in OUTCOMES:
                outcome = OUTCOMES[name]
                found[name] = {"label": outcome.long_name, "units": display(outcome.units)}
        found["status"] = {"label": "status of the case", "words": STATUS}
        if "verdict" in self.graph.outputs:
            found["verdict"] = {"label": "verdict", "words": VERDICTS}
        return found

    def javascript(self) -> str:
        """Return the graph as the text of a script; see `engines.javascript`.

        Examples
        --------
        >>> "function solveCases" in trace(["flow_ratio"], "linear").javascript()
        True
        """
        title = f"Outcomes of the lung {self.lung}, traced from ebbmap. {CAUTION}"
        return javascript(self.graph, self.quantities, title)


def trace(outcomes: Iterable[str], lung: str, limits: LimitSet | None = None) -> Trace:
    """Trace what a lung does with one case.

    Parameters
    ----------
    outcomes : iterable of str
        Registry names.
    lung : str
        Name of a lung whose formulas look at no value: linear, tube or paired.
    limits : LimitSet, optional
        Limits to judge by.

    Raises
    ------
    EbbmapError
        If a name is unknown, or NumPy alone solves the lung.

    Examples
    --------
    >>> traced = trace(["flow_ratio"], "linear")
    >>> traced.graph.inputs
    ('p_high', 'p_low', 't_high', 't_low', 'compliance', 'resistance_insp', 'resistance_exp')
    """
    model = lung_model(lung)
    if not model.compiled or model.costly:
        raise EbbmapError(
            f"the lung {lung!r} cannot be traced: it lays steps by indices or by looking at "
            "values. Trace the linear, tube or paired lung."
        )
    named = tuple(outcomes)
    wanted = tuple(dict.fromkeys((*named, *(limits.outcomes if limits else ()))))
    todo = plan(model, wanted)

    def follow(piece: Mapping[str, Any]) -> Mapping[str, Any]:
        known, status = compute(model, todo, piece)
        found = {name: known[name] for name in named} | {"status": status}
        if limits is not None:
            judged = judge(limits, {name: known[name] for name in limits.outcomes})
            found |= {
                "verdict": judged.verdict,
                "margin": judged.margin,
                "binding": judged.binding,
            }
        return found

    return Trace(lung, record(follow, todo.parameters))
