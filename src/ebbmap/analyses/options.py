"""What analyses can be asked: types of values, axes, and the options that several of them share."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import numpy as np
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    FiniteFloat,
    ValidationError,
)

from ebbmap.analyses.findings import sentences
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.lungs import LUNGS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS

#: Points of an axis, at most.
MAX_POINTS = 10_000

#: Grids of parameters by name, each of shape (m,).
Axes = Mapping[str, np.ndarray]

NO_AXES: Axes = MappingProxyType({})


def known_name(kind: str, names: Mapping[str, Any]) -> AfterValidator:
    """Return a check that a name is in a registry."""

    def check(name: str) -> str:
        if name not in names:
            raise ValueError(unknown_name(kind, name, names))
        return name

    return AfterValidator(check)


def _number(value: object) -> object:
    """Return a value as it is, but refuse True and False, which Python takes for numbers."""
    if isinstance(value, bool):
        raise ValueError(f"must be a number; got {value}")
    return value


ParameterName = Annotated[str, known_name("parameter", PARAMETERS)]
OutcomeName = Annotated[str, known_name("outcome", OUTCOMES)]
LungName = Annotated[str, known_name("lung", LUNGS)]
Number = Annotated[FiniteFloat, BeforeValidator(_number)]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]
Share = Annotated[float, Field(gt=0, lt=1)]
Settings = Annotated[list[ParameterName], Field(min_length=1, max_length=6)]
Resamples = Annotated[int, Field(ge=100, le=100_000, strict=True)]


if TYPE_CHECKING:
    from pydantic._internal._model_construction import ModelMetaclass
else:
    ModelMetaclass = type(BaseModel)


class _OwnErrors(ModelMetaclass):
    """Calling such a class raises our error; reading a file goes past it and lists all problems."""

    def __call__(cls, *args: Any, **values: Any) -> Any:
        try:
            return super().__call__(*args, **values)
        except ValidationError as error:
            schema = cast(type[BaseModel], cls)
            raise EbbmapError("\n".join(sentences(error, schema))) from None


class Options(BaseModel, metaclass=_OwnErrors):
    """Options of an analysis, a table of a study file: unknown keys are problems.

    Raises
    ------
    EbbmapError
        With a sentence for each option that cannot be.

    Examples
    --------
    >>> Along(level=2.0)
    Traceback (most recent call last):
    ebbmap.errors.EbbmapError: level: must be below 1; got 2.0. Write 0.02 for 2 %.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)


class Axis(Options):
    """Grid of one parameter: a list of values, or start, stop and count."""

    values: list[Number] | None = Field(
        default=None,
        min_length=1,
        max_length=MAX_POINTS,
        description="rising values, in the registry's unit; instead of start, stop and count",
    )
    start: Number | None = Field(None, description="first value, in the registry's unit")
    stop: Number | None = Field(None, description="last value, in the registry's unit")
    count: int | None = Field(
        default=None, ge=2, le=MAX_POINTS, strict=True, description="values in all, ends included"
    )
    spacing: Literal["linear", "log"] = Field(
        "linear", description="equal steps, or equal ratios (log)"
    )

    def grid(self) -> np.ndarray:
        """Return the values, shape (m,).

        Raises
        ------
        ValueError
            If neither form is complete, or the grid does not increase.
        """
        if self.values is not None:
            if (self.start, self.stop, self.count) != (None, None, None):
                raise ValueError("must have either values or start, stop and count; got both")
            grid = np.asarray(self.values, float)
        elif self.start is None or self.stop is None or self.count is None:
            raise ValueError("must have values, or start, stop and count; got only some of them")
        elif self.start >= self.stop:
            raise ValueError(f"must have start < stop; got {self.start:g} and {self.stop:g}")
        elif not np.isfinite(self.stop - self.start):
            raise ValueError(f"must span a finite range; got {self.start:g} to {self.stop:g}")
        elif self.spacing == "log":
            if self.start <= 0:
                raise ValueError(f"a log spacing needs start > 0; got {self.start:g}")
            grid = np.geomspace(self.start, self.stop, self.count)
        else:
            grid = np.linspace(self.start, self.stop, self.count)
        if np.any(np.diff(grid) <= 0):
            raise ValueError("must have increasing values without repeats")
        return grid


def as_axis(value: object) -> object:
    """Return a plain list as the table of an axis; anything else as it is."""
    return {"values": value} if isinstance(value, list) else value


class Along(Options):
    """An analysis at every value of one axis."""

    along: ParameterName = Field(default="t_low", description="parameter on the axis")
    at: list[Number] | None = Field(
        default=None,
        min_length=1,
        max_length=MAX_POINTS,
        description="values of `along`; its axis if absent",
    )
    level: Share = Field(default=0.95, description="level of the intervals")

    def grid(self, axes: Axes) -> np.ndarray:
        """Return the values of `along`, shape (m,); see `axis_of` for errors."""
        return axis_of(axes, self.along) if self.at is None else np.asarray(self.at, float)


class OfOutcomes(Along):
    """An analysis of what drives outcomes at every value of one axis."""

    outcomes: list[OutcomeName] | None = Field(
        default=None, description="outcomes to explain; all that the lung gives if absent"
    )
    groups: Literal["kind"] | dict[str, list[ParameterName]] | None = Field(
        default=None,
        description="parameters varied together; 'kind': settings against lung properties",
    )
    drop_failed: bool = Field(
        default=False,
        description="leave out whole base blocks with a case that could not be solved",
    )


def axis_of(axes: Axes, name: str) -> np.ndarray:
    """Return the grid of a parameter, shape (m,).

    Raises
    ------
    EbbmapError
        If it has no axis.

    Examples
    --------
    >>> axis_of({"t_low": [0.3, 0.5]}, "t_low")
    array([0.3, 0.5])
    """
    if name not in axes:
        raise EbbmapError(f"{name} has no axis. Give axes={{{name!r}: values}}.")
    return np.asarray(axes[name], float)


def axes_of(axes: Axes, *names: str) -> dict[str, np.ndarray]:
    """Return the grids of some parameters in order; see `axis_of` for errors."""
    return {name: axis_of(axes, name) for name in names}


def refuse_unused(axes: Axes, *used: str | None) -> None:
    """Refuse axes that an analysis would not look at.

    Raises
    ------
    EbbmapError
        Naming each.

    Examples
    --------
    >>> refuse_unused({"t_low": [0.3, 0.5]}, "t_low")
    """
    for name in axes:
        if name not in used:
            raise EbbmapError(f"axes: {name} is not laid out here. Drop it, or name it in options.")
