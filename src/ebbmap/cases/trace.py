"""Outcomes, verdicts and status of a lung as a graph of operations, and as JavaScript."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from ebbmap.cases.evaluate import STATUS, compute, resolve
from ebbmap.caution import CAUTION
from ebbmap.engines.javascript import javascript
from ebbmap.engines.tracer import Graph, record
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import VERDICTS, judge_bounds
from ebbmap.lungs import Lung, lung_model
from ebbmap.registries.derivations import all_inputs, ways
from ebbmap.registries.limits import Bound, LimitSet
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
    limits : mapping of str to Bound
        Bounds whose values are inputs, by `input_of`.
    """

    lung: str
    graph: Graph
    limits: Mapping[str, Bound] = field(default_factory=dict)

    def evaluate(self, **values: Any) -> dict[str, Any]:
        """Work through the graph in NumPy; what is not given takes its default.

        Examples
        --------
        >>> float(trace(["flow_ratio"], "linear").evaluate(t_low=0.5)["flow_ratio"].round(4))
        0.4895
        """
        usual = {
            name: self.limits[name].value if name in self.limits else PARAMETERS[name].default
            for name in self.graph.inputs
            if name not in OUTCOMES
        }
        return self.graph.evaluate({**usual, **values})

    @property
    def quantities(self) -> Mapping[str, Mapping[str, Any]]:
        """Label, unit and, of parameters, default and bounds of all inputs and outputs."""
        found: dict[str, Mapping[str, Any]] = {}
        for name, bound in self.limits.items():
            outcome = OUTCOMES[bound.outcome]
            found[name] = {"label": bound.sentence, "units": display(outcome.units)}
        for name in self.graph.inputs:
            if name in self.limits or name in OUTCOMES:
                continue
            entry = PARAMETERS[name]
            found[name] = {
                "label": entry.long_name,
                "units": display(entry.units),
                "default": entry.default,
                "low": entry.low,
                "high": entry.high,
            }
        for name in (*self.graph.inputs, *self.graph.outputs):
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


def trace(
    outcomes: Iterable[str],
    lung: str,
    limits: LimitSet | None = None,
    *,
    given: Iterable[str] = (),
    moving: bool = False,
    solved: bool = False,
) -> Trace:
    """Trace what a lung does with one case.

    Parameters
    ----------
    outcomes : iterable of str
        Registry names.
    lung : str
        Name of a lung whose formulas look at no value: linear, tube or paired.
    limits : LimitSet, optional
        Limits to judge by.
    given : iterable of str, optional
        Parameters that stand for those derived from them, such as plateau_peep for p_high.
    moving : bool
        Whether the values of the limits are inputs too, by the names of `input_of`.
    solved : bool
        Whether what the lung solves is given too, as from a table: then any lung can be traced.

    Raises
    ------
    EbbmapError
        If a name is unknown, or NumPy alone solves the lung and what it solves is not given.

    Examples
    --------
    >>> traced = trace(["flow_ratio"], "linear")
    >>> traced.graph.inputs
    ('p_high', 'p_low', 't_high', 't_low', 'compliance', 'resistance_insp', 'resistance_exp')
    """
    model = lung_model(lung) if solved else traceable(lung)
    found_before = model.solves if solved else ()
    named = tuple(outcomes)
    wanted = tuple(dict.fromkeys((*named, *(limits.outcomes if limits else ()))))
    todo = plan(model, wanted)
    hard, caution = (limits.hard, limits.caution) if limits else ((), ())
    bounds = {input_of(bound): bound for bound in (*hard, *caution)} if moving else {}
    parameters = inputs_given(todo.parameters, given)

    def follow(piece: Mapping[str, Any]) -> Mapping[str, Any]:
        values = {name: piece[name] for name in parameters}
        table = {name: piece[name] for name in found_before}
        solver = replace(model, solve=lambda **_: table) if solved else model
        known, status = compute(solver, todo, resolve(values, todo.parameters))
        found = {name: known[name] for name in named} | {"status": status}
        if limits is not None:
            moved = [
                tuple(replace(b, value=piece[input_of(b)]) if moving else b for b in some)
                for some in (hard, caution)
            ]
            read = {name: known[name] for name in limits.outcomes}
            judged = judge_bounds(moved[0], moved[1], read)
            found |= {
                "verdict": judged.verdict,
                "margin": judged.margin,
                "binding": judged.binding,
            }
            if moving:
                margins = {input_of(b): b.margin_among(known) for some in moved for b in some}
                found |= {f"margin_of_{name}": margin for name, margin in margins.items()}
        return found

    return Trace(lung, record(follow, (*parameters, *found_before, *bounds)), bounds)


def inputs_given(names: Iterable[str], given: Iterable[str]) -> tuple[str, ...]:
    """Return the parameters that must be known for some others, in the registry's order.

    Parameters
    ----------
    names : iterable of str
        Parameters that are needed.
    given : iterable of str
        As in `trace`: what is derived from one of these is no input itself.

    Examples
    --------
    >>> inputs_given(["compliance_fast", "t_low"], ["slow_volume_share"])
    ('t_low', 'compliance', 'slow_volume_share')
    """
    chosen = tuple(given)
    every = all_inputs(names, chosen)
    derived = {way.target for name in every for way in ways(name, chosen)}
    return tuple(sorted(every - derived, key=list(PARAMETERS).index))


def input_of(bound: Bound) -> str:
    """Return the name by which the value of a bound is an input of a trace.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> input_of(limit_set("harm").hard[0])
    'hard_end_high_pressure_high'
    """
    return f"{bound.severity}_{bound.name}"


def is_traceable(lung: str) -> bool:
    """Return whether a lung's formulas look at no value.

    Examples
    --------
    >>> is_traceable("tube"), is_traceable("whole")
    (True, False)
    """
    model = lung_model(lung)
    return bool(model.compiled) and not model.costly


def traceable(lung: str) -> Lung:
    """Return a lung whose formulas look at no value.

    Raises
    ------
    EbbmapError
        If there is no lung of this name, or its formulas cannot be traced.
    """
    model = lung_model(lung)
    if not is_traceable(lung):
        raise EbbmapError(
            f"the lung {lung!r} cannot be traced: it lays steps by indices or by looking at "
            "values. Trace the linear, tube or paired lung."
        )
    return model


def trace_course(lung: str, given: Iterable[str] = ()) -> dict[str, Graph]:
    """Trace what a lung does over time: what it remembers, and the curves of a cycle.

    Parameters
    ----------
    lung, given
        As in `trace`.

    Returns
    -------
    dict of str to Graph
        "settled": parameters -> the state of the settled cycle; "rest": `start_pressure` -> the
        state of a lung at rest; "after": state and parameters -> the state one cycle later;
        "curves": `time` since T high began, state and parameters -> the signals. States are
        `state_0`, `state_1` and so on.

    Examples
    --------
    >>> sorted(trace_course("linear")["curves"].outputs)
    ['airway_pressure', 'alveolar_pressure', 'flow', 'volume']
    """
    model = traceable(lung)
    own = inputs_given(model.parameters, given)

    def lung_of(at: Mapping[str, Any]) -> dict[str, Any]:
        return resolve({name: at[name] for name in own}, model.parameters)

    def kept(state: Any) -> dict[str, Any]:
        return _numbered("state", state if isinstance(state, tuple) else (state,))

    settled = record(lambda at: kept(model.settle(**lung_of(at))), own)
    states = tuple(settled.outputs)

    def before(at: Mapping[str, Any]) -> Any:
        parts = tuple(at[name] for name in states)
        return parts[0] if len(parts) == 1 else parts

    return {
        "settled": settled,
        "rest": record(lambda at: kept(model.rest(at["start_pressure"])), ("start_pressure",)),
        "after": record(
            lambda at: kept(model.cycle(before(at), **lung_of(at))[1]), (*states, *own)
        ),
        "curves": record(
            lambda at: model.waveform(before(at), at["time"], **lung_of(at)),
            ("time", *states, *own),
        ),
    }


def trace_slopes(lung: str) -> dict[str, Graph]:
    """Trace how a lung moves, for pages that follow it step by step.

    Parameters
    ----------
    lung : str
        Name of a lung with `followed`.

    Returns
    -------
    dict of str to Graph
        "rest": `start_pressure` [cmH2O] and parameters -> the state of a lung at rest, part by
        part. "begin": parameters -> the state from which cycles are run until they settle.
        "slopes": `since` a phase began [s], the pressure `target` that it goes to [cmH2O],
        state, parameters and what else `Lung.followed` takes -> `slope_of_` each part, and the
        signals. Parts of the state are called `state_` and their own name.

    Raises
    ------
    EbbmapError
        If there is no such lung, or it cannot be followed.

    Examples
    --------
    >>> sorted(trace_slopes("whole")["slopes"].outputs)[-4:]
    ['slope_of_airway', 'slope_of_fast', 'slope_of_slow', 'volume']
    """
    model = lung_model(lung)
    way = model.followed
    if way is None:
        raise EbbmapError(
            f"the lung {lung!r} has no slopes to follow, for its curves have formulas. Take "
            "`trace_course`."
        )
    own = model.parameters
    parts = way.state._fields

    def named(word: str, state: Any) -> dict[str, Any]:
        return {f"{word}_{part}": value for part, value in zip(parts, state, strict=True)}

    def begun(at: Mapping[str, Any]) -> dict[str, Any]:
        return named("state", way.rest(at["start_pressure"], **{name: at[name] for name in own}))

    def moved(at: Mapping[str, Any]) -> dict[str, Any]:
        state = way.state(*(at[f"state_{part}"] for part in parts))
        values = {name: at[name] for name in (*own, *way.solved)}
        slopes, signals = way.slopes(state, at["since"], at["target"], **values)
        return {**named("slope_of", slopes), **signals}

    states = (f"state_{part}" for part in parts)
    first = record(lambda at: named("state", way.begin(**{name: at[name] for name in own})), own)
    return {
        "begin": first,
        "rest": record(begun, ("start_pressure", *own)),
        "slopes": record(moved, ("since", "target", *states, *own, *way.solved)),
    }


def _numbered(word: str, parts: Iterable[Any]) -> dict[str, Any]:
    """Return the parts of a state by a word and their number."""
    return {f"{word}_{place}": part for place, part in enumerate(parts)}
