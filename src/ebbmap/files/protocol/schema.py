"""The schema of a protocol file: tables, keys and types, shared with study files where alike."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BeforeValidator, Field, create_model

from ebbmap.analyses.options import LungName, Number, ParameterName, Positive, Share
from ebbmap.committee.draft import Rule, Span
from ebbmap.committee.sizes import SIZES
from ebbmap.files.study.schema import (
    MAX_DRAWS,
    MAX_LUNGS,
    Limits,
    OwnName,
    OwnPopulation,
    Table,
    Text,
)
from ebbmap.lungs import DEFAULT_LUNG

#: Settings drawn from the draft's ranges, at most.
MAX_SETTINGS = 2**16

Error = Annotated[float, Field(ge=0, le=1)]


class Range(Table):
    """A range of a setting, or one value."""

    low: Number
    high: Number

    def span(self) -> Span:
        """Return the range."""
        return Span(self.low, self.high)


def as_range(value: object) -> object:
    """Return a plain number as a range of one value."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return {"low": value, "high": value}
    return value


Setting = Annotated[Range, BeforeValidator(as_range)]


class Stops(Table):
    """Where a rule stops."""

    error: Error = Field(0.0, description="relative error of what is measured")
    at_least: Positive | None = None
    at_most: Positive | None = None

    def stops(self) -> dict[str, float]:
        """Return the ends that were given."""
        ends = {"at_least": self.at_least, "at_most": self.at_most}
        return {name: end for name, end in ends.items() if end is not None}


class TimeConstant(Stops):
    """T low is a multiple of the measured expiratory time constant."""

    rule: Literal["time_constant"]
    multiple: Setting


class FlowRatio(Stops):
    """T low is where the expiratory flow has fallen to a share of its peak."""

    rule: Literal["flow_ratio"]
    ratio: Share


class Plateau(Stops):
    """P high is the plateau pressure of a small tidal volume, plus an offset."""

    rule: Literal["plateau"]
    volume_per_kg: Positive
    peep: Annotated[Number, Field(ge=0)]
    plus: Number = 0.0


def as_setting(value: object) -> object:
    """Give a number or a range the mark that tells it from a rule."""
    value = as_range(value)
    if isinstance(value, dict) and "rule" not in value:
        return {"rule": "range", **value}
    return value


class MarkedRange(Range):
    """A range where a rule could stand."""

    rule: Literal["range"]


PHigh = Annotated[
    Annotated[MarkedRange | Plateau, Field(discriminator="rule")], BeforeValidator(as_setting)
]
TLow = Annotated[
    Annotated[MarkedRange | TimeConstant | FlowRatio, Field(discriminator="rule")],
    BeforeValidator(as_setting),
]


class Settings(Table):
    """The draft: a range, a value or a rule for each of the four settings."""

    p_high: PHigh
    p_low: Setting
    t_high: Setting
    t_low: TLow

    def spans(self) -> dict[str, Span]:
        """Return every range, in the order of the settings."""
        spans = {}
        for name in type(self).model_fields:
            given = getattr(self, name)
            if isinstance(given, Range):
                spans[name] = given.span()
            elif isinstance(given, TimeConstant):
                spans["t_low_in_time_constants"] = given.multiple.span()
        return spans

    def rules(self) -> dict[str, Rule]:
        """Return every rule by the setting it sets."""
        rules = {}
        if isinstance(self.p_high, Plateau):
            given = self.p_high
            rules["p_high"] = Rule(
                "plateau",
                given.volume_per_kg,
                given.error,
                given.plus,
                given.peep,
                **given.stops(),
            )
        if isinstance(self.t_low, FlowRatio):
            rules["t_low"] = Rule(
                "flow_ratio", self.t_low.ratio, self.t_low.error, **self.t_low.stops()
            )
        elif isinstance(self.t_low, TimeConstant):
            rules["t_low"] = Rule("time_constant", error=self.t_low.error, **self.t_low.stops())
        return rules


class Ends(Table):
    """A range with one or two ends."""

    low: Number | None = None
    high: Number | None = None

    def span(self) -> Span:
        """Return the range, infinite where an end is open."""
        low = -math.inf if self.low is None else self.low
        return Span(low, math.inf if self.high is None else self.high)


class GroupTable(Table):
    """One population of the protocol."""

    population: str
    weight: Positive = 1.0
    wanted: Share | None = Field(None, description="share that must be safe; the file's if absent")


if TYPE_CHECKING:

    class Sizes(Table):
        """How many lungs and settings the parts of the check take."""
else:
    Sizes = create_model(
        "Sizes",
        __base__=Table,
        __doc__="How many lungs and settings the parts of the check take; by the lung's cost.",
        **{
            name: (
                int | None,
                Field(None, ge=one.least, le=one.most, strict=True, description=one.text),
            )
            for name, one in SIZES.items()
        },
    )


class ProtocolFile(Table):
    """A protocol: a draft, whom it is for, and how much must be safe."""

    title: Text = Field(min_length=1, max_length=200)
    question: Text = ""
    institution: Text = ""
    lung: LungName = DEFAULT_LUNG
    seed: int = Field(0, ge=0, lt=2**63, strict=True)
    lungs: int | None = Field(
        None,
        ge=64,
        le=MAX_LUNGS,
        strict=True,
        description="lungs drawn from each group; by the lung's cost if absent",
    )
    settings_drawn: int | None = Field(
        None,
        ge=8,
        le=MAX_SETTINGS,
        strict=True,
        description="settings that each lung meets; by the lung's cost if absent",
    )
    sizes: Sizes = Sizes()
    own_breathing: list[Annotated[Number, Field(ge=0)]] = Field(
        [],
        max_length=4,
        description="levels of alveolar ventilation by own breathing at which the verdict is "
        "counted too [L min-1]",
    )
    knowledge: int = Field(
        0,
        ge=0,
        le=MAX_DRAWS,
        strict=True,
        description="outer draws of what is not known of the populations; 39 or more for 95 %, 0 "
        "for none",
    )
    wanted: Share = 0.9
    settings: Settings
    fixed: dict[ParameterName, Number] = Field(default_factory=dict)
    groups: list[GroupTable] = Field(min_length=1)
    population: dict[OwnName, OwnPopulation] = Field(default_factory=dict)
    eligible: dict[str, Ends] = Field(default_factory=dict)
    limits: Limits


FAMILIES = {
    "range": MarkedRange,
    "time_constant": TimeConstant,
    "flow_ratio": FlowRatio,
    "plateau": Plateau,
}
