"""The schema of a protocol file: tables, keys and types, shared with study files where alike."""

from __future__ import annotations

import datetime
import math
from typing import TYPE_CHECKING, Annotated

from pydantic import BeforeValidator, Field, create_model

from ebbmap.analyses.options import LungName, Number, ParameterName, Positive, Share
from ebbmap.committee.draft import Span
from ebbmap.committee.sizes import SIZES
from ebbmap.files.common.tables import (
    MAX_DRAWS,
    MAX_LUNGS,
    EngineName,
    Limits,
    OwnName,
    OwnPopulation,
    Table,
    Text,
)
from ebbmap.files.protocol.settings import OwnSettings, Settings
from ebbmap.lungs import DEFAULT_LUNG

#: Settings drawn from the draft's ranges, at most.
MAX_SETTINGS = 2**16


def as_day(value: object) -> object:
    """Return a day as text: YYYY-MM-DD, or nothing."""
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()
    if isinstance(value, str) and value:
        try:
            return datetime.date.fromisoformat(value).isoformat()
        except ValueError:
            raise ValueError(f"must be a day like 2027-01-31; got {value[:40]!r}") from None
    return value


Day = Annotated[str, BeforeValidator(as_day)]


class Ends(Table):
    """A range with one or two ends."""

    low: Number | None = Field(
        None, description="lower end, in the property's unit; open if absent"
    )
    high: Number | None = Field(
        None, description="upper end, in the property's unit; open if absent"
    )

    def span(self) -> Span:
        """Return the range, infinite where an end is open."""
        low = -math.inf if self.low is None else self.low
        return Span(low, math.inf if self.high is None else self.high)


class ProtocolLimits(Limits):
    """What counts as safe: sets of limits, own limits, and at most one rule for T low."""

    rules: list[str] = Field(
        [], max_length=300, description="at most one rule for T low that must be kept besides"
    )


class GroupTable(Table):
    """One population of the protocol."""

    population: str = Field(description="population from which the group's lungs are drawn")
    weight: Positive = Field(
        1.0,
        description="how much the group counts where groups are put together, relative to the "
        "others",
    )
    wanted: Share | None = Field(None, description="share that must be safe; the file's if absent")
    settings: OwnSettings | None = Field(
        None, description="settings of this group alone; what it leaves out is as for all groups"
    )
    fixed: dict[ParameterName, Number] = Field(
        default_factory=dict, description="values of this group alone, such as fio2"
    )
    limits: ProtocolLimits | None = Field(
        None, description="what counts as safe in this group, instead of the file's limits"
    )

    @property
    def has_own(self) -> bool:
        """Whether anything is set or judged otherwise in this group."""
        return bool(self.settings or self.fixed or self.limits)


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

    title: Text = Field(
        min_length=1, max_length=200, description="what the protocol is called; it heads the report"
    )
    question: Text = Field(
        "", description="what the committee wants to know, in one or two sentences"
    )
    institution: Text = Field("", description="who the protocol is for; printed in the report")
    owner: Text = Field("", max_length=200, description="who answers for the protocol")
    version: Text = Field("", max_length=40, description="of the protocol")
    valid_until: Day = Field("", description="day on which the protocol expires: YYYY-MM-DD")
    lung: LungName = Field(
        DEFAULT_LUNG,
        description="lung model that solves every case; `ebbmap describe` lists them",
    )
    engine: EngineName = "numpy"
    seed: int = Field(
        0,
        ge=0,
        lt=2**63,
        strict=True,
        description="start of all random draws: the same file and seed give the same numbers",
    )
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
    sizes: Sizes = Field(
        Sizes(), description="how many lungs and settings each part of the check takes"
    )
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
    wanted: Share = Field(
        0.9, description="share of each group's combinations of lung and settings that must be safe"
    )
    settings: Settings = Field(
        description="the draft's four settings: a value, a range or a rule for each"
    )
    fixed: dict[ParameterName, Number] = Field(
        default_factory=dict,
        description="values held in every case, such as fio2, in the registry's units",
    )
    groups: list[GroupTable] = Field(
        min_length=1,
        description="the patients whom the protocol is for, one table for each population",
    )
    population: dict[OwnName, OwnPopulation] = Field(
        default_factory=dict, description="populations defined here, each under a name of its own"
    )
    eligible: dict[str, Ends] = Field(
        default_factory=dict,
        description="properties by which patients are let in, each with the ends of its range",
    )
    limits: ProtocolLimits = Field(description="what counts as safe")
