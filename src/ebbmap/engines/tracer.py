"""A tracer: numbers that note what is done with them, and the graph of operations that results.

It is handed through the same functions as arrays are, so no formula is written twice. Equal
operations on equal numbers are one, and what no result needs is left out.
Sizes: shape (...) is that of the inputs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np

from ebbmap.errors import EbbmapError

#: Operation -> what does it in NumPy. A graph has no other operations but inputs and constants.
OPERATIONS: Mapping[str, Callable[..., Any]] = {
    "add": np.add,
    "subtract": np.subtract,
    "multiply": np.multiply,
    "divide": np.divide,
    "power": np.power,
    "negative": np.negative,
    "less": np.less,
    "less_equal": np.less_equal,
    "greater": np.greater,
    "greater_equal": np.greater_equal,
    "equal": np.equal,
    "not_equal": np.not_equal,
    "logical_and": np.logical_and,
    "logical_or": np.logical_or,
    "logical_not": np.logical_not,
    "exp": np.exp,
    "expm1": np.expm1,
    "log": np.log,
    "log1p": np.log1p,
    "sqrt": np.sqrt,
    "sin": np.sin,
    "abs": np.abs,
    "floor": np.floor,
    "isnan": np.isnan,
    "isfinite": np.isfinite,
    "minimum": np.minimum,
    "maximum": np.maximum,
    "where": np.where,
}


@dataclass(frozen=True)
class Step:
    """One operation of a graph.

    Parameters
    ----------
    operation : str
        A key of `OPERATIONS`, "input" or "constant".
    of : tuple of int
        Numbers of the steps that it takes.
    value : str, float or bool
        Name of an input, or a constant.
    """

    operation: str
    of: tuple[int, ...] = ()
    value: Any = None


class Tape:
    """The steps noted so far."""

    def __init__(self) -> None:
        self.steps: list[Step] = []
        self._known: dict[Any, int] = {}

    def note(self, step: Step) -> Traced:
        """Note a step, or find the equal one."""
        key = (step.operation, step.of, type(step.value), repr(step.value))
        if key not in self._known:
            self._known[key] = len(self.steps)
            self.steps.append(step)
        return Traced(self, self._known[key])

    def take(self, value: Any) -> Traced:
        """Return a number as one that is traced."""
        if isinstance(value, Traced):
            return value
        plain = bool(value) if isinstance(value, (bool, np.bool_)) else float(value)
        return self.note(Step("constant", (), plain))

    def apply(self, operation: str, *values: Any) -> Traced:
        """Note an operation on numbers."""
        return self.note(Step(operation, tuple(self.take(value).number for value in values)))


def _forward(operation: str) -> Any:
    return lambda self, other: self.tape.apply(operation, self, other)


def _backward(operation: str) -> Any:
    return lambda self, other: self.tape.apply(operation, other, self)


class Traced:
    """A number that notes what is done with it; it has no value, so it cannot be looked at."""

    #: NumPy's numbers leave arithmetic with it to it.
    __array_ufunc__ = None

    #: It is one number, whatever axes are put behind it.
    shape = ()

    def __init__(self, tape: Tape, number: int):
        self.tape, self.number = tape, number

    def __array_namespace__(self, api_version: str | None = None) -> Any:
        """Return the functions of traced numbers."""
        return _space(self.tape)

    def __bool__(self) -> bool:
        """Refuse to be looked at."""
        raise EbbmapError(
            "a traced number has no value to look at: this lung or outcome looks at values. "
            "Trace the linear, tube or paired lung."
        )

    def __getitem__(self, index: Any) -> Traced:
        """Return the number itself where only axes of length one are added."""
        for one in index if isinstance(index, tuple) else (index,):
            if one is not None and one is not Ellipsis:
                raise EbbmapError(
                    "a traced number has no parts: this lung takes apart its arrays. "
                    "Trace the linear, tube or paired lung."
                )
        return self

    __hash__ = object.__hash__
    __add__, __radd__ = _forward("add"), _backward("add")
    __sub__, __rsub__ = _forward("subtract"), _backward("subtract")
    __mul__, __rmul__ = _forward("multiply"), _backward("multiply")
    __truediv__, __rtruediv__ = _forward("divide"), _backward("divide")
    __pow__, __rpow__ = _forward("power"), _backward("power")
    __lt__, __le__ = _forward("less"), _forward("less_equal")
    __gt__, __ge__ = _forward("greater"), _forward("greater_equal")
    __eq__, __ne__ = _forward("equal"), _forward("not_equal")
    __and__, __rand__ = _forward("logical_and"), _backward("logical_and")
    __or__, __ror__ = _forward("logical_or"), _backward("logical_or")

    def __neg__(self) -> Traced:
        """Return the number with the other sign."""
        return self.tape.apply("negative", self)

    def __invert__(self) -> Traced:
        """Return whether the number is false."""
        return self.tape.apply("logical_not", self)


def _space(tape: Tape) -> Any:
    """Return the functions of the standard that a tape notes."""

    def noting(operation: str) -> Callable[..., Traced]:
        return lambda *values: tape.apply(operation, *values)

    own = {name: noting(name) for name in OPERATIONS}
    return SimpleNamespace(
        **own,
        square=lambda x: x * x,
        asarray=lambda value, dtype=None: tape.take(value),
        zeros_like=lambda x: tape.take(0.0),
        ones_like=lambda x: tape.take(1.0),
        broadcast_to=lambda x, shape: x,
        int8=None,
        __name__="traced",
    )


@dataclass(frozen=True)
class Graph:
    """A checked graph of operations, each after all that it takes.

    Parameters
    ----------
    steps : tuple of Step
        The operations.
    inputs : tuple of str
        Names of the inputs that are used, in the order in which they were given.
    outputs : mapping of str to int
        Results by name -> number of the step.

    Raises
    ------
    EbbmapError
        If a step takes a later one, is no known operation, or an output does not exist.
    """

    steps: tuple[Step, ...]
    inputs: tuple[str, ...]
    outputs: Mapping[str, int]

    def __post_init__(self) -> None:
        """Refuse a graph that cannot be worked through in order."""
        for number, step in enumerate(self.steps):
            known = step.operation in OPERATIONS or step.operation in ("input", "constant")
            if not known or any(not 0 <= one < number for one in step.of):
                raise EbbmapError(f"step {number} of a graph is wrong: {step}. Trace it anew.")
        if any(not 0 <= number < len(self.steps) for number in self.outputs.values()):
            raise EbbmapError("an output of a graph is no step of it. Trace it anew.")

    def evaluate(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Work through the graph in NumPy: outputs by name, shape (...)."""
        found: list[Any] = []
        for step in self.steps:
            if step.operation == "input":
                found.append(np.asarray(values[step.value], dtype=float))
            elif step.operation == "constant":
                found.append(step.value)
            else:
                found.append(OPERATIONS[step.operation](*(found[one] for one in step.of)))
        return {name: found[number] for name, number in self.outputs.items()}


def record(
    function: Callable[[Mapping[str, Any]], Mapping[str, Any]], names: tuple[str, ...]
) -> Graph:
    """Trace a function of named numbers.

    Parameters
    ----------
    function : callable
        ``function({name: number}) -> {name: number}``, in functions of any engine.
    names : tuple of str
        Its inputs.

    Examples
    --------
    >>> graph = record(lambda at: {"sum": at["x"] + at["y"] + (at["x"] + at["y"])}, ("x", "y"))
    >>> len(graph.steps), float(graph.evaluate({"x": 1.0, "y": 2.0})["sum"])
    (4, 6.0)
    """
    tape = Tape()
    found = function({name: tape.note(Step("input", (), name)) for name in names})
    ends = {name: tape.take(value).number for name, value in found.items()}
    needed = set(ends.values())
    for number in range(len(tape.steps) - 1, -1, -1):
        if number in needed:
            needed.update(tape.steps[number].of)
    places = {number: place for place, number in enumerate(sorted(needed))}
    kept = [tape.steps[number] for number in sorted(needed)]
    steps = tuple(Step(s.operation, tuple(places[n] for n in s.of), s.value) for s in kept)
    used = {step.value for step in steps if step.operation == "input"}
    return Graph(
        steps,
        tuple(name for name in names if name in used),
        {name: places[number] for name, number in ends.items()},
    )
