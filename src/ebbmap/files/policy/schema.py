"""The schema of a policy file: that of a protocol, with rules in the place of a fixed setting."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from ebbmap.analyses.options import Number, OutcomeName, ParameterName, Positive
from ebbmap.files.common.tables import OwnName, Table, Text
from ebbmap.files.policy.words import condition_of, minutes_of, step_of
from ebbmap.files.protocol.schema import ProtocolFile
from ebbmap.files.protocol.settings import Setting, Settings
from ebbmap.policies.language import MOVABLE

#: Longest time that patients are followed [h].
MOST_HOURS = 240


def _condition(text: str) -> str:
    condition_of(text)
    return text


def _step(text: str) -> str:
    step_of(text)
    return text


def _time(text: str) -> str:
    minutes_of(text)
    return text


ConditionText = Annotated[str, AfterValidator(_condition)]
StepText = Annotated[str, AfterValidator(_step)]
TimeText = Annotated[str, AfterValidator(_time)]
Rows = dict[Literal[MOVABLE], list[Number]]  # type: ignore[valid-type]
ROWS = "settings of a table's rows instead, the next of which is taken"
NotNegative = Annotated[Number, Field(ge=0)]


class Start(Settings):
    """The first settings: a range, a value or a rule for each of the four, and FiO2."""

    fio2: Setting | None = Field(
        None, description="inspired oxygen; what [fixed] or the registry has if absent"
    )


class Measure(Table):
    """What is measured, how often, and how well."""

    name: OutcomeName = Field(description="outcome that is measured, by its registry name")
    every: TimeText = Field(description="how often it is measured, such as '1 h'")
    after_change: TimeText | None = Field(
        None, description="measured besides so long after a change of settings"
    )
    delay: TimeText = Field("0 min", description="until the value is known")
    error: Text = Field("", description="standard deviation of the error, such as '0.05' or '5 %'")
    error_share: NotNegative = Field(0.0, le=1, description="the same as a share of the value")
    round_to: Text = Field("", description="step to which the value is rounded")
    source: Text = Field("", description="where frequency and error come from")


class Adjust(Table):
    """What is changed when a condition on measured values holds."""

    name: OwnName = Field(description="what the rule is called in reports")
    when: ConditionText = Field(
        description="condition on measured values under which it acts, such as 'ph < 7.25'"
    )
    until: ConditionText | None = Field(None, description="once begun, it acts until this holds")
    move: list[StepText] = Field([], description="one step of each setting")
    rows: Rows = Field({}, description=ROWS)
    cap: list[ConditionText] = Field([], description="settings past which it does not move")
    wait: TimeText = Field(description="before any rule acts again")
    again: TimeText | None = Field(None, description="before this rule acts again")
    priority: int = Field(0, description="the smallest comes first, then the order of the file")
    source: Text = Field(
        "", description="where the rule comes from, if not from the policy's one source"
    )
    own: Text = Field("", description="what of it is the project's own")


class Leaving(Table):
    """A criterion to leave the mode."""

    when: ConditionText = Field(
        description="condition on measured values under which the mode is left"
    )
    lasting: TimeText = Field(description="how long it must have held, such as '30 min'")
    words: Text = Field(min_length=1, description="the criterion in words, for the report")


class Stop(Table):
    """When a patient leaves the mode."""

    criteria: list[Leaving] = Field(min_length=1, description="any one of these ends the mode")
    own: Text = Field("", description="what of it is the project's own")


class Wean(Table):
    """How pressure comes down; the last of the rules, and the first to be set back."""

    when: ConditionText = Field(
        description="condition on measured values under which pressure comes down a step"
    )
    move: list[StepText] = Field([], description="one step of each setting")
    rows: Rows = Field({}, description=ROWS)
    cap: list[ConditionText] = Field([], description="as of the other rules")
    wait: TimeText = Field(description="before any rule acts again")
    again: TimeText | None = Field(None, description="before the next step of weaning")
    end: ConditionText | None = Field(None, description="where it is done")
    halt: ConditionText | None = Field(None, description="when one step is taken back")
    source: Text = Field(
        "", description="where the steps come from, if not from the policy's one source"
    )
    own: Text = Field("", description="what of it is the project's own")


class Breathing(Table):
    """Own ventilation that follows CO2: none below the threshold, a line above it, a top.

    Numbers are our choice around what was read: 0.72 L/min/mmHg in volunteers on remifentanil
    (Anesthesiology 2003;99:779, derived); thresholds 1 to 6 mmHg above the resting tension while
    a ventilator inflates the lung.
    """

    slope: NotNegative = Field(
        0.5,
        le=10,
        description="own alveolar ventilation by each mmHg of PaCO2 above the threshold "
        "[L/min/mmHg]",
    )
    spread: NotNegative = Field(
        0.7, le=3, description="standard deviation, between patients, of the slope's logarithm"
    )
    threshold: Positive = Field(
        40.0, le=200, description="mean PaCO2 below which nobody breathes [mmHg]"
    )
    above: NotNegative = Field(
        6.0, le=100, description="standard deviation of the threshold between patients [mmHg]"
    )
    at_most: NotNegative = Field(
        3.0, le=30, description="most alveolar ventilation by own breathing [L/min]"
    )


class Patients(Table):
    """How patients answer in time; numbers are our choice unless a source is named.

    CO2 stores: 1.0 mL/kg/mmHg fast and 3 in all, exchange 0.06 /min, for 65 kg (stores of 1.5 to
    3.73 mL/kg/mmHg in dogs; elimination constant 0.08 /min in adults, Anesthesiology 2003;99:779).
    Oxygen: rate constants 1.01 /min up and 0.69 /min down after a step of inspired oxygen
    (Intensive Care Med 2001;27:655). Collapse: lost within 5 min and gained over more than an
    hour (Crit Care 2013, cc12051), so 5 and 120 min. CO2 of 50 mmHg when the mode begins.
    """

    own_breathing: Breathing = Field(Breathing(), description="how own breathing follows CO2")
    co2_store_fast: Positive = Field(
        65.0, description="CO2 that blood and perfused organs take up by each mmHg [mL/mmHg]"
    )
    co2_store_slow: Positive = Field(
        130.0, description="CO2 that muscle and other slow tissue take up by each mmHg [mL/mmHg]"
    )
    co2_store_exchange: Positive = Field(
        7.8,
        description="exchange of CO2 between both stores by each mmHg of difference [mL/min/mmHg]",
    )
    oxygen_up: Positive = Field(
        1.01, le=60, description="rate at which oxygen follows a rise [1/min]"
    )
    oxygen_down: Positive = Field(
        0.69, le=60, description="rate at which oxygen follows a fall [1/min]"
    )
    closing: TimeText = Field(
        "5 min", description="time constant with which lung collapses when mean pressure falls"
    )
    opening: TimeText = Field(
        "2 h", description="time constant with which lung is regained when mean pressure rises"
    )
    paco2_start: Positive = Field(
        50.0, ge=10, le=200, description="PaCO2 as the mode begins [mmHg]"
    )


class Disease(Table):
    """How one property of every patient changes over time: improves, or worsens."""

    parameter: ParameterName = Field(description="property that changes, by its registry name")
    hours: list[NotNegative] = Field(min_length=2, max_length=50, description="rising, from 0")
    factors: list[Positive] = Field(
        min_length=2,
        max_length=50,
        description="what each patient's own value is multiplied by then; 1 at the start, straight "
        "between, level after the last",
    )
    source: Text = Field(description="where the course comes from, or that it is invented")


class MendTable(Table):
    """Search other numbers in the same rules: safe for most, with fewest changes."""

    evaluations: int = Field(ge=2, le=5000, strict=True, description="candidates simulated at most")
    patients: int = Field(
        64, ge=32, le=4096, strict=True, description="drawn from each group for the search"
    )


class PolicyFile(ProtocolFile):
    """A policy: how to start, what to measure, what to change, when to stop, how to wean."""

    settings: Start = Field(
        alias="start", description="the first settings, before anything is measured"
    )
    source: Text = Field(min_length=1, description="the one source of the policy")
    leaves_out: list[Text] = Field(description="what the source does not say")
    own: list[Text] = Field(description="what is the project's own")
    goal: ConditionText = Field(description="measured values at which nothing needs to be done")
    measure: list[Measure] = Field(
        min_length=1, description="what is measured, how often and how well"
    )
    adjust: list[Adjust] = Field([], description="rules, the most urgent first")
    stop: Stop | None = Field(None, description="when a patient leaves the mode; never if absent")
    wean: Wean | None = Field(None, description="how pressure comes down; it never does if absent")
    patients: Patients = Field(
        Patients(), description="how patients answer to a change within minutes and hours"
    )
    disease: list[Disease] = Field([], description="how patients improve or worsen")
    mend: MendTable | None = Field(
        None, description="search other numbers in the same rules; none if absent"
    )
    dial: dict[Literal[MOVABLE], Text] = Field(  # type: ignore[valid-type]
        {}, description="step in which a setting can be set"
    )
    hours: int = Field(
        48, ge=1, le=MOST_HOURS, strict=True, description="how long each patient is followed [h]"
    )
    reversal: TimeText = Field(
        "4 h", description="a setting moved up and down within this time oscillates"
    )
