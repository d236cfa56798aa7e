"""The settings of a draft as a file gives them: a range, a value, or a rule for each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from ebbmap.analyses.options import Number, Positive, Share
from ebbmap.committee.draft import Draft, Span
from ebbmap.committee.rules import TAKEN, Rule
from ebbmap.files.common.tables import Table

Error = Annotated[float, Field(ge=0, le=1)]
Bias = Annotated[float, Field(ge=-0.5, le=1)]
InspiredOxygen = Annotated[float, Field(gt=0, le=1)]


class Range(Table):
    """A range of a setting, or one value."""

    low: Number = Field(description="lower end of the range, in the setting's unit")
    high: Number = Field(description="upper end of the range, in the setting's unit")

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
    """Where a rule stops, and how well it is measured."""

    error: Error = Field(0.0, description="relative error of what is measured")
    bias: Bias = Field(
        0.0, description="by how much the measurement is too high in everybody, as a share"
    )
    step: Positive | None = Field(
        None, description="step in which the setting can be set, such as 0.05 s or 1 cmH2O"
    )
    fails: Annotated[float, Field(ge=0, lt=1)] = Field(
        0.0, description="share of patients in whom the measurement fails"
    )
    otherwise: Positive | None = Field(
        None, description="setting of those in whom it fails; must be given with `fails`"
    )
    at_least: Positive | None = Field(
        None, description="the rule never sets less than this, in the setting's unit"
    )
    at_most: Positive | None = Field(
        None, description="the rule never sets more than this, in the setting's unit"
    )

    def stops(self) -> dict[str, Any]:
        """Return what was given of bias, step and ends."""
        given = {
            "at_least": self.at_least,
            "at_most": self.at_most,
            "bias": self.bias,
            "step": self.step,
            "fails": self.fails,
            "otherwise": self.otherwise,
        }
        return {name: end for name, end in given.items() if end is not None}

    def more(self) -> dict[str, Span]:
        """Return the ranges of what the rule multiplies by."""
        return {}


class TimeConstant(Stops):
    """T low is a multiple of the measured expiratory time constant."""

    rule: Literal["time_constant"] = Field(
        description="T low follows from the measured time constant"
    )
    multiple: Setting = Field(
        description="T low in expiratory time constants: one number or a range"
    )

    def made(self) -> Rule:
        """Return the rule."""
        return Rule("time_constant", error=self.error, **self.stops())

    def more(self) -> dict[str, Span]:
        """Return the range of the multiple."""
        return {"t_low_in_time_constants": self.multiple.span()}


class FlowRatio(Stops):
    """T low is where the expiratory flow has fallen to a share of its peak."""

    rule: Literal["flow_ratio"] = Field(description="T low follows from the expiratory flow")
    ratio: Share = Field(description="share of its peak at which the expiratory flow is cut off")

    def made(self) -> Rule:
        """Return the rule."""
        return Rule("flow_ratio", self.ratio, self.error, **self.stops())


class Either(Table):
    """T low by either of two rules: the shorter, the longer, or whichever is picked."""

    rule: Literal["either"] = Field(description="T low follows from one of two rules")
    of: list[Annotated[TimeConstant | FlowRatio, Field(discriminator="rule")]] = Field(
        min_length=2, max_length=2, description="two rules for T low"
    )
    take: Literal["any", "shorter", "longer"] = Field(
        description="which of the two is taken: any judges both, as either may be picked"
    )

    @model_validator(mode="after")
    def _two(self) -> Either:
        if all(isinstance(one, TimeConstant) for one in self.of):
            raise ValueError(
                "must not name two rules by the time constant. Give one rule with a range of "
                "multiples."
            )
        return self

    def made(self) -> Rule:
        """Return the first rule, with the second one in it."""
        first, second = (one.made() for one in self.of)
        return replace(first, other=second, take=self.take)

    def more(self) -> dict[str, Span]:
        """Return the ranges of multiples, and of which rule is taken."""
        found = {name: span for one in self.of for name, span in one.more().items()}
        return found | ({TAKEN: Span(0.0, 1.0)} if self.take == "any" else {})


class Plateau(Stops):
    """P high is the plateau pressure of a small tidal volume, plus an offset."""

    rule: Literal["plateau"] = Field(description="P high follows from a plateau pressure")
    volume_per_kg: Positive = Field(
        description="tidal volume at which the plateau is measured [mL per kg of predicted body "
        "weight]"
    )
    peep: Annotated[Number, Field(ge=0)] = Field(
        description="PEEP at which the plateau is measured [cmH2O]"
    )
    plus: Number = Field(0.0, description="added to the plateau [cmH2O]; negative takes off")

    def made(self) -> Rule:
        """Return the rule."""
        return Rule("plateau", self.volume_per_kg, self.error, self.plus, self.peep, **self.stops())


class AutoPeep(Stops):
    """P low is what leaves an auto-PEEP."""

    rule: Literal["auto_peep"] = Field(description="P low follows from the auto-PEEP")
    wanted: Positive = Field(description="auto-PEEP that is wanted [cmH2O]")
    start: Annotated[Number, Field(ge=0)] | None = Field(
        None, description="P low at which other rules are read [cmH2O]"
    )

    def made(self) -> Rule:
        """Return the rule."""
        return Rule("auto_peep", self.wanted, self.error, **self.stops())


class PeepTable(Table):
    """P low by a table of FiO2: the row of the FiO2 that is set, else the next higher one."""

    rule: Literal["peep_table"] = Field(description="P low is read from a table of FiO2")
    fio2: list[InspiredOxygen] = Field(
        min_length=1, max_length=100, description="FiO2 of each row, rising"
    )
    peep: list[Annotated[Number, Field(ge=0)]] = Field(
        min_length=1, max_length=100, description="P low of each row [cmH2O]"
    )

    @model_validator(mode="after")
    def _rows(self) -> PeepTable:
        if len(self.fio2) != len(self.peep):
            raise ValueError(
                f"must have a P low for each FiO2; got {len(self.fio2)} FiO2 and "
                f"{len(self.peep)} P low. Add what is missing."
            )
        if any(a >= b for a, b in zip(self.fio2[:-1], self.fio2[1:], strict=True)):
            raise ValueError("must have each FiO2 once, rising. Sort the rows.")
        return self

    def made(self) -> Rule:
        """Return the rule."""
        return Rule("peep_table", rows=tuple(zip(self.fio2, self.peep, strict=True)))


class Following(Table):
    """A setting that follows another one, or the lung, by arithmetic alone."""

    start: Positive | None = Field(None, description="value at which other rules are read")


class ShareOfPHigh(Following):
    """P low is a share of P high."""

    rule: Literal["share_of_p_high"] = Field(description="P low follows from P high")
    share: Setting = Field(description="P low over P high: one number or a range")

    def more(self) -> dict[str, Span]:
        """Return the range of the share."""
        return {"p_low_share": self.share.span()}


class Frequency(Following):
    """T high is what T low leaves of a cycle, for so many releases per minute."""

    rule: Literal["frequency"] = Field(description="T high follows from releases per minute")
    per_minute: Setting = Field(description="releases per minute: one number or a range")

    def more(self) -> dict[str, Span]:
        """Return the range of the frequency."""
        return {"release_frequency": self.per_minute.span()}


class ReleaseShare(Following):
    """T high is such that T low is a share of the cycle."""

    rule: Literal["release_share"] = Field(description="T high follows from T low")
    share: Setting = Field(description="T low over the cycle: one number or a range")

    def more(self) -> dict[str, Span]:
        """Return the range of the share."""
        return {"release_share": self.share.span()}


class Inflation(Following):
    """T high is a multiple of the lung's inspiratory time constant."""

    rule: Literal["inflation"] = Field(description="T high follows from the lung's filling")
    multiple: Setting = Field(
        description="T high in inspiratory time constants: one number or a range"
    )

    def more(self) -> dict[str, Span]:
        """Return the range of the multiple."""
        return {"t_high_in_time_constants": self.multiple.span()}


#: Where a file has the range of a parameter that is no setting.
PLACES = {
    "t_low_in_time_constants": "t_low.multiple",
    "p_low_share": "p_low.share",
    "release_frequency": "t_high.per_minute",
    "release_share": "t_high.share",
    "t_high_in_time_constants": "t_high.multiple",
}


class MarkedRange(Range):
    """A range where a rule could stand."""

    rule: Literal["range"] = Field(
        description="a range where a rule could stand; written by the program"
    )


def marked(**rule_of: str) -> Callable[[object], object]:
    """Return what gives a number or a range the mark that tells it from a rule.

    Parameters
    ----------
    **rule_of : str
        Keys that only one rule of the setting has, and that rule.
    """

    def mark(value: object) -> object:
        value = as_range(value)
        if isinstance(value, dict) and "rule" not in value:
            for key, rule in rule_of.items():
                if key in value:
                    raise ValueError(f'must name its rule beside {key}. Write rule = "{rule}".')
            return {"rule": "range", **value}
        return value

    return mark


PHigh = Annotated[
    Annotated[MarkedRange | Plateau, Field(discriminator="rule")],
    BeforeValidator(marked(volume_per_kg="plateau", peep="plateau")),
]
PLow = Annotated[
    Annotated[MarkedRange | ShareOfPHigh | AutoPeep | PeepTable, Field(discriminator="rule")],
    BeforeValidator(marked(share="share_of_p_high", wanted="auto_peep", fio2="peep_table")),
]
THigh = Annotated[
    Annotated[MarkedRange | Frequency | ReleaseShare | Inflation, Field(discriminator="rule")],
    BeforeValidator(marked(per_minute="frequency", share="release_share", multiple="inflation")),
]
TLow = Annotated[
    Annotated[MarkedRange | TimeConstant | FlowRatio | Either, Field(discriminator="rule")],
    BeforeValidator(marked(multiple="time_constant", ratio="flow_ratio", of="either")),
]

FAMILIES = {
    "range": MarkedRange,
    "time_constant": TimeConstant,
    "flow_ratio": FlowRatio,
    "either": Either,
    "plateau": Plateau,
    "share_of_p_high": ShareOfPHigh,
    "auto_peep": AutoPeep,
    "peep_table": PeepTable,
    "frequency": Frequency,
    "release_share": ReleaseShare,
    "inflation": Inflation,
}


class Settings(Table):
    """The draft: a range, a value or a rule for each of the four settings."""

    p_high: PHigh = Field(description="high pressure [cmH2O]: a value, a range or a rule")
    p_low: PLow = Field(description="low pressure [cmH2O]: a value, a range or a rule")
    t_high: THigh = Field(description="time at P high [s]: a value, a range or a rule")
    t_low: TLow = Field(description="time of the release [s]: a value, a range or a rule")

    def draft(self) -> Draft:
        """Return the draft."""
        spans: dict[str, Span] = {}
        rules, starts = {}, {}
        for name in type(self).model_fields:
            given = getattr(self, name)
            if given is None:
                continue
            if isinstance(given, Range):
                spans[name] = given.span()
                continue
            if not isinstance(given, PeepTable):
                spans |= given.more()
            if not isinstance(given, Following):
                rules[name] = given.made()
            if (start := getattr(given, "start", None)) is not None:
                starts[name] = start
        return Draft(spans, rules, starts)


class OwnSettings(Table):
    """Settings of one group; those that are left out are the file's."""

    p_high: PHigh | None = Field(None, description="high pressure of this group [cmH2O]")
    p_low: PLow | None = Field(None, description="low pressure of this group [cmH2O]")
    t_high: THigh | None = Field(None, description="time at P high of this group [s]")
    t_low: TLow | None = Field(None, description="time of the release of this group [s]")

    def over(self, shared: Settings) -> Settings:
        """Return the settings of all groups with these in their place."""
        own = {name: getattr(self, name) for name in type(self).model_fields}
        return shared.model_copy(update={k: v for k, v in own.items() if v is not None})
