"""The schema of a study file: tables, keys and types, and how each becomes one of our objects."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, FiniteFloat

from ebbmap.analyses.adjust import STEPS
from ebbmap.analyses.collapse import DRAWN
from ebbmap.analyses.compare import TABLE
from ebbmap.analyses.wean import P_HIGH_STEP, SECONDS_PER_PRESSURE
from ebbmap.errors import unknown_name
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.lungs import LUNGS
from ebbmap.registries.limits import LIMIT_SETS, RULES, Limit, LimitSet, combine
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Confirmed, Marginal, Population

#: Written into results that come from distributions defined in a study file.
STUDY_SOURCE = "study file"

#: Points of an axis and lungs of a population that a study may ask for.
MAX_POINTS = 10_000
MAX_LUNGS = 1_000_000


def _known(kind: str, names: Mapping[str, Any]):
    """Return a check that a name is in a registry."""

    def check(name: str) -> str:
        if name not in names:
            raise ValueError(unknown_name(kind, name, names))
        return name

    return AfterValidator(check)


def _number(value: object) -> object:
    """Let a word through as it is, and refuse True and False, which Python takes for numbers."""
    if isinstance(value, bool):
        raise ValueError(f"must be a number; got {value}")
    return value


def _number_or_word(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise ValueError(f"must be a number or a category; got {value!r}")
    return value


ParameterName = Annotated[str, _known("parameter", PARAMETERS)]
OutcomeName = Annotated[str, _known("outcome", OUTCOMES)]
LungName = Annotated[str, _known("lung", LUNGS)]
SetName = Annotated[str, _known("limit set", LIMIT_SETS)]
Number = Annotated[FiniteFloat, BeforeValidator(_number)]
Value = Annotated[float | str, BeforeValidator(_number_or_word)]
Share = Annotated[float, Field(gt=0, lt=1)]
#: Becomes part of file names and column names: no slash, no dot, no sign that a plot would read.
OwnName = Annotated[str, Field(pattern=r"^\w[\w -]{0,59}$")]
#: Goes into attributes of result files, which end a text at a control character.
Text = Annotated[str, Field(pattern=r"^[^\x00-\x08\x0b-\x1f]*$")]


class Table(BaseModel):
    """A table of the file: unknown keys are problems."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Axis(Table):
    """Grid of one parameter: a list of values, or start, stop and count."""

    values: list[Number] | None = Field(None, min_length=1, max_length=MAX_POINTS)
    start: Number | None = None
    stop: Number | None = None
    count: int | None = Field(None, ge=2, le=MAX_POINTS, strict=True)
    spacing: Literal["linear", "log"] = "linear"

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


class Stated(Table):
    """What is said of where numbers come from; a property's own goes before the population's."""

    source: Text = Field("", description="where the numbers come from; printed on every picture")
    confirmed: Confirmed | None = Field(
        None, description="how far the source was read; 'read' if a source is given and this is not"
    )

    def origin(self, other: Stated | None = None) -> dict[str, Any]:
        """Return source and confirmation of a marginal, from here or else from another."""
        source = self.source or (other.source if other else "")
        said = self.confirmed or (None if self.source or other is None else other.confirmed)
        plain: Confirmed = "read" if source else "assumption"
        return {"source": source or STUDY_SOURCE, "confirmed": said or plain}


class Uniform(Stated):
    """Even between low and high."""

    family: Literal["uniform"]
    low: Number
    high: Number

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        return Marginal("uniform", self.low, self.high, **self.origin(of))


class Cut(Stated):
    """A distribution that low and high, if given, cut off."""

    low: Number | None = None
    high: Number | None = None

    def ends(self) -> dict[str, Any]:
        """Return the ends of a marginal."""
        return {
            "low": -np.inf if self.low is None else self.low,
            "high": np.inf if self.high is None else self.high,
        }


class Normal(Cut):
    """Bell curve, cut off at low and high if given."""

    family: Literal["normal"]
    mean: Number
    sd: Number

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        return Marginal("normal", self.mean, self.sd, **self.origin(of), **self.ends())


class Lognormal(Cut):
    """Logarithm is normal: median, and standard deviation of the logarithm."""

    family: Literal["lognormal"]
    median: Number
    log_sd: Number

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        return Marginal("lognormal", self.median, self.log_sd, **self.origin(of), **self.ends())


Distribution = Annotated[Uniform | Normal | Lognormal, Field(discriminator="family")]


FAMILIES: Mapping[str, type[Table]] = MappingProxyType(
    {"uniform": Uniform, "normal": Normal, "lognormal": Lognormal}
)


class Correlation(Table):
    """Correlation of the normal scores of two properties."""

    between: tuple[ParameterName, ParameterName]
    value: Annotated[float, Field(gt=-1, lt=1)]


class OwnPopulation(Stated):
    """A population defined in the file; what it does not name comes from `base`."""

    long_name: Text = ""
    base: Annotated[str, _known("population", POPULATIONS)] | None = None
    properties: dict[ParameterName, Distribution] = {}
    correlations: list[Correlation] = []

    def build(self, name: str) -> Population:
        """Return the population."""
        base = POPULATIONS[self.base] if self.base else None
        marginals = dict(base.marginals) if base else {}
        marginals |= {key: value.marginal(self) for key, value in self.properties.items()}
        pairs = dict(base.correlations) if base else {}
        for one in self.correlations:
            pairs.pop((one.between[1], one.between[0]), None)
            pairs[one.between] = one.value
        return Population(
            name,
            self.long_name or name,
            f"defined in the {STUDY_SOURCE}",
            MappingProxyType(marginals),
            MappingProxyType(pairs),
            self.source_text(),
        )

    def source_text(self) -> str:
        """Say where the population comes from; empty where nobody gave a source."""
        sources: dict[str, list[str]] = {}
        for name, value in self.properties.items():
            if value.source or not self.source:
                of = value.source or "no source given"
                sources.setdefault(of, []).append(PARAMETERS[name].long_name)
        if not self.source and set(sources) <= {"no source given"}:
            return ""
        parts = [self.source] if self.source else []
        parts += [f"{', '.join(names)}: {of}" for of, names in sources.items()]
        return "; ".join([*parts, *([f"the rest as in {self.base}"] if self.base else [])])


class OwnLimit(Table):
    """A limit defined in the file."""

    outcome: OutcomeName
    why: Text = Field(min_length=1)
    low: Number | None = None
    high: Number | None = None
    severity: Literal["hard", "caution"] = "hard"
    width: Number | None = None
    rule: OwnName | None = Field(None, description="belongs to this compared rule only")

    def build(self) -> Limit:
        """Return the limit."""
        return Limit(self.outcome, self.why, self.low, self.high, self.severity, self.width)


class Limits(Table):
    """Limit sets that always hold, rules that are compared, and own limits."""

    sets: list[SetName] = ["pressure", "volume", "auto_peep"]
    rules: list[str] = list(RULES)
    own: list[OwnLimit] = []

    def build(self) -> dict[str, LimitSet]:
        """Return every compared rule, together with the limits that always hold."""
        always = tuple(one.build() for one in self.own if one.rule is None)
        shared = [LIMIT_SETS[name] for name in self.sets]
        if always:
            shared.append(LimitSet("own", "limits of the study", always))
        rules = {}
        for rule in self.rules or ["limits"]:
            own = tuple(one.build() for one in self.own if one.rule == rule)
            parts = [*shared, *([LIMIT_SETS[rule]] if rule in LIMIT_SETS else [])]
            if own:
                parts.append(LimitSet(rule, rule, own))
            rules[rule] = combine(rule, *parts)
        return rules


class Sweep(Table):
    """Solve and keep every case, the axes by the lungs, or only what they add up to."""

    outcomes: list[OutcomeName] | None = None
    judged: bool = Field(True, description="keep the verdicts, and the outcomes that they need")
    store: Literal["auto", "netcdf", "zarr", "none"] = Field(
        "auto", description="auto: zarr above netcdf_up_to_gb; none: reductions only"
    )
    netcdf_up_to_gb: float = Field(1.0, ge=0)
    precision: Literal["float64", "float32"] = Field(
        "float64", description="float32 rounds each value by 6e-8 of its size at most"
    )
    compression: Literal["none", "fast", "small"] = "fast"
    block: int = Field(2**20, ge=1000, le=2**24, strict=True, description="cases in a block")
    reductions: list[Literal["safe_share", "extremes", "quantiles"]] = []
    reduce_to: list[ParameterName] = Field([], description="axes that the safe share keeps")


class Along(Table):
    """An analysis at every value of one axis."""

    along: ParameterName = "t_low"
    at: list[Number] | None = Field(
        None,
        min_length=1,
        max_length=MAX_POINTS,
        description="values of `along`; its axis if absent",
    )
    level: Share = 0.95


class OfOutcomes(Along):
    """An analysis of what drives outcomes at every value of one axis."""

    outcomes: list[OutcomeName] | None = None
    groups: Literal["kind"] | dict[str, list[ParameterName]] | None = Field(
        None, description="parameters varied together; 'kind': settings against lung properties"
    )
    drop_failed: bool = Field(
        False, description="leave out whole base blocks with a case that could not be solved"
    )


class Sobol(OfOutcomes):
    """Sensitivity indices at every value of one axis."""

    base_size: int = Field(1024, ge=16, le=2**20, strict=True)
    stopping_width: Share | None = Field(
        None, description="double the design until no interval is wider than this"
    )
    max_base_size: int | None = Field(None, ge=16, le=2**20, strict=True)
    stopping_outcomes: list[str] | None = Field(
        None,
        min_length=1,
        description="outcomes, margin_RULE or safe_RULE that decide; all but safe_RULE if absent",
    )
    second_order: bool = True
    replicates: int = Field(REPLICATES, ge=1, le=256, strict=True)
    resamples: int = Field(1000, ge=100, le=100_000, strict=True)
    pawn: bool = True


class Screening(OfOutcomes):
    """Elementary effects: which of many parameters can be fixed."""

    trajectories: int = Field(64, ge=4, le=2**20, strict=True)
    levels: int = Field(8, ge=2, le=64, multiple_of=2, strict=True)
    fix_below: Share = 0.05
    resamples: int = Field(1000, ge=100, le=100_000, strict=True)


class Shapley(OfOutcomes):
    """Shares of the variance among properties that depend on each other."""

    base_size: int = Field(512, ge=32, le=2**20, strict=True)
    replicates: int = Field(REPLICATES, ge=2, le=256, strict=True)


class FactorMapping(Along):
    """Which property sets the unsafe cases apart."""

    resamples: int = Field(100, ge=50, le=10_000, strict=True)


class Boxes(Table):
    """Boxes of properties and settings that hold the unsafe cases."""

    over: list[ParameterName] = Field(
        ["t_low"], min_length=1, description="settings drawn evenly between the ends of their axes"
    )
    density: Annotated[float, Field(gt=0, le=1)] = 0.9
    resamples: int = Field(50, ge=10, le=10_000, strict=True)
    level: Share = 0.95


class Map(Table):
    """Safe share over two axes."""

    x: ParameterName
    y: ParameterName
    average_over: list[ParameterName] = []


class Window(Table):
    """Release windows of every lung, or along an axis."""

    along: ParameterName | None = None


class Profile(Table):
    """Outcomes of each population's middle lung along an axis."""

    along: ParameterName
    outcomes: list[OutcomeName] = Field(min_length=1)


class Trade(Table):
    """Settings by their costs, and the front of best compromises."""

    axes: list[ParameterName] = Field(["t_low", "t_high"], min_length=1)
    costs: list[OutcomeName] = Field(["paco2", "closed_fraction"], min_length=2)


class Course(Table):
    """PaCO2 after a change of settings."""

    change: dict[ParameterName, Number] = Field(min_length=1)
    minutes: float = Field(30.0, gt=0, le=1440)


class Compare(Table):
    """Each population's middle lung side by side, in each of some lung models."""

    models: list[LungName] = Field([], description="lung models; the study's own if empty")
    outcomes: list[OutcomeName] = Field(list(TABLE), min_length=1, max_length=8)


class Startup(Table):
    """The first cycles of each population's middle lung, and one longer release among them."""

    start_pressure: Annotated[float, Field(ge=0, le=40)] = 5.0
    cycles: int = Field(12, ge=1, le=500, strict=True)
    longer_t_low: Annotated[float, Field(gt=0)] | None = None
    longer_cycle: int | None = Field(None, ge=1, strict=True)


class Inside(Table):
    """One release of a lung with two compartments, seen from inside."""

    seconds: Annotated[float, Field(gt=0, le=60)] = 2.0


class Collapse(Table):
    """Units that close in a release and reopen in T high: some release times, and along T low."""

    t_low: list[Annotated[Number, Field(gt=0)]] = Field(
        list(DRAWN), min_length=1, max_length=4, description="release times that are drawn [s]"
    )


class Adjust(Table):
    """One step of each setting from the present ones, single and in pairs."""

    steps: dict[ParameterName, Annotated[Number, Field(gt=0)]] = Field(dict(STEPS), min_length=1)


class Wean(Table):
    """P high down and T high up, step by step, from the settings as they are."""

    p_high_end: Annotated[Number, Field(gt=0)] = 12.0
    p_high_step: Annotated[Number, Field(gt=0)] = P_HIGH_STEP
    seconds_per_pressure: Annotated[Number, Field(gt=0)] = SECONDS_PER_PRESSURE


class Rules(Table):
    """Flow ratio and exhaled fraction together, in each of some lung models."""

    along: ParameterName = "t_low_in_time_constants"
    models: list[LungName] = Field(["linear", "tube"], min_length=1, max_length=3)


class Analyses(Table):
    """What to do; each part is optional."""

    sweep: Sweep | None = None
    sobol: Sobol | None = None
    screening: Screening | None = None
    shapley: Shapley | None = None
    mapping: FactorMapping | None = None
    boxes: Boxes | None = None
    map: list[Map] = []
    window: Window | None = None
    profile: Profile | None = None
    trade: Trade | None = None
    course: Course | None = None
    compare: Compare | None = None
    startup: Startup | None = None
    inside: Inside | None = None
    collapse: Collapse | None = None
    adjust: Adjust | None = None
    wean: Wean | None = None
    rules: Rules | None = None


class Outputs(Table):
    """What to write beside the results."""

    figures: list[Literal["png", "svg", "pdf", "gif"]] = ["png"]


def as_axis(value: object) -> object:
    """Let a plain list stand for an axis."""
    return {"values": value} if isinstance(value, list) else value


class StudyFile(Table):
    """A study: one question, runnable as it stands."""

    title: Text = Field(min_length=1, max_length=200)
    question: Text = ""
    use: list[str] = Field(
        [],
        max_length=100,
        description="own entries: .py files in the folder of the study, which are run with all "
        "your rights, and packages such as 'my-package >= 1.2'",
    )
    lung: LungName = "linear"
    seed: int = Field(0, ge=0, lt=2**63, strict=True)
    lungs: int = Field(2000, ge=2, le=MAX_LUNGS, strict=True)
    populations: list[str] = []
    population: dict[OwnName, OwnPopulation] = {}
    fixed: dict[ParameterName, Value] = {}
    axes: dict[ParameterName, Annotated[Axis, BeforeValidator(as_axis)]] = {}
    samples: dict[ParameterName, Distribution] = {}
    limits: Limits = Limits()
    analyses: Analyses
    outputs: Outputs = Outputs()
