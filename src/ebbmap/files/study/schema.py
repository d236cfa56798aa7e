"""The schema of a study file: tables, keys and types, and how each becomes one of our objects."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, Field, create_model

from ebbmap.analyses.base import Analysis
from ebbmap.analyses.options import (
    Axis,
    LungName,
    Number,
    Options,
    OutcomeName,
    ParameterName,
    as_axis,
    known_name,
)
from ebbmap.analyses.registry import ANALYSES
from ebbmap.cases.cohort import How, Missing, cohort
from ebbmap.engines import Engine
from ebbmap.errors import EbbmapError
from ebbmap.lungs import DEFAULT_LUNG
from ebbmap.registries import families
from ebbmap.registries.folding import without
from ebbmap.registries.limits import LIMIT_SETS, RULES, Limit, LimitSet, combine
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Confirmed, Marginal, Population

#: Written into results that come from distributions defined in a study file.
STUDY_SOURCE = "study file"

#: Lungs of a population that a study may ask for.
MAX_LUNGS = 1_000_000

#: Outer draws of what is not known that a study may ask for.
MAX_DRAWS = 10_000


def _number_or_word(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise ValueError(f"must be a number or a category; got {value!r}")
    return value


SetName = Annotated[str, known_name("limit set", LIMIT_SETS)]
Value = Annotated[float | str, BeforeValidator(_number_or_word)]
#: Becomes part of file names and column names: no slash, no dot, no sign that a plot would read.
OwnName = Annotated[str, Field(pattern=r"^\w[\w -]{0,59}$")]
#: Goes into attributes of result files, which end a text at a control character.
Text = Annotated[str, Field(pattern=r"^[^\x00-\x08\x0b-\x1f]*$")]


class Table(Options, BaseModel):
    """A table of the file: unknown keys are problems."""


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


class Gamma(Cut):
    """Gamma distribution by mean and standard deviation."""

    family: Literal["gamma"]
    mean: Number
    sd: Number

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        one = families.gamma(self.mean, self.sd)
        return families.shaped(one, family="gamma", **self.origin(of), **self.ends())


class Beta(Stated):
    """Beta distribution between low and high, by mean and standard deviation."""

    family: Literal["beta"]
    low: Number
    high: Number
    mean: Number
    sd: Number

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        one = families.beta(self.low, self.high, self.mean, self.sd)
        return families.shaped(one, family="beta", **self.origin(of))


class Triangular(Stated):
    """Triangle from low over its mode to high."""

    family: Literal["triangular"]
    low: Number
    mode: Number
    high: Number

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        one = families.triangular(self.low, self.mode, self.high)
        return families.shaped(one, family="triangular", **self.origin(of))


Distribution = Annotated[
    Uniform | Normal | Lognormal | Gamma | Beta | Triangular, Field(discriminator="family")
]


FAMILIES: Mapping[str, type[Table]] = MappingProxyType(
    {
        "uniform": Uniform,
        "normal": Normal,
        "lognormal": Lognormal,
        "gamma": Gamma,
        "beta": Beta,
        "triangular": Triangular,
    }
)


class Correlation(Table):
    """Correlation of the normal scores of two properties."""

    between: tuple[ParameterName, ParameterName]
    value: Annotated[float, Field(gt=-1, lt=1)]


class OwnPopulation(Stated):
    """A population defined in the file; what it does not name comes from `base`."""

    long_name: Text = ""
    table: Text = Field("", description="own patients: a .csv or .nc file, a row each")
    how: How = Field("bootstrap", description="rows drawn again, or a smooth copula fitted to them")
    missing: Missing | None = Field(None, description="leave rows with gaps out, or draw the gaps")
    columns: dict[ParameterName, Text] = Field({}, description="headers with other names")
    units: dict[ParameterName, Text] = Field({}, description="units that no header states")
    weights: Text = Field("", description="column that says how often a row counts")
    group: tuple[Text, Text] | None = Field(None, description="a column, and its text in rows used")
    base: Annotated[str, known_name("population", POPULATIONS)] | None = None
    properties: dict[ParameterName, Distribution] = {}
    correlations: list[Correlation] = []

    def build(self, name: str) -> Population:
        """Return the population."""
        if self.table:
            return self._cohort(name)
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
            folds=MappingProxyType(without(base.folds, self.properties) if base else {}),
        )

    def _cohort(self, name: str) -> Population:
        """Return the population of a table."""
        if self.base or self.properties or self.correlations:
            raise EbbmapError(
                "a population with a table takes its properties and correlations from it. Drop "
                "base, properties and correlations, or drop the table."
            )
        found = cohort(
            Path(self.table),
            name,
            how=self.how,
            missing=self.missing,
            columns=self.columns,
            units=self.units,
            weights=self.weights or None,
            group=self.group,
            source=self.source or f"own table {Path(self.table).name}",
        )
        return replace(found, long_name=self.long_name or name)

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
    uncertainty: Number | None = Field(None, description="how far its bounds may lie either way")
    rule: OwnName | None = Field(None, description="belongs to this compared rule only")

    def build(self) -> Limit:
        """Return the limit."""
        return Limit(
            self.outcome,
            self.why,
            self.low,
            self.high,
            self.severity,
            self.width,
            self.uncertainty,
        )


class Limits(Table):
    """Limit sets that always hold, rules that are compared, and own limits."""

    sets: list[SetName] = ["pressure", "volume", "auto_peep"]
    rules: list[str] = list(RULES)
    own: list[OwnLimit] = []
    uncertainty: dict[OutcomeName, Annotated[Number, Field(ge=0)]] = Field(
        {}, description="how far limits on an outcome may lie either way, in its unit"
    )

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
            rules[rule] = self._uncertain(combine(rule, *parts))
        for name in self.uncertainty:
            if not any(name in rule.outcomes for rule in rules.values()):
                raise EbbmapError(f"uncertainty.{name}: no limit bounds it. Drop it.")
        return rules

    def _uncertain(self, rule: LimitSet) -> LimitSet:
        """Return a rule with the uncertainties that the study states."""
        limits = (
            replace(one, uncertainty=self.uncertainty.get(one.outcome, one.uncertainty))
            for one in rule.limits
        )
        return replace(rule, limits=tuple(limits))


def analyses_table(analyses: Mapping[str, Analysis]) -> type[Table]:
    """Return the schema of the table ``analyses``, one optional key for each."""
    fields: dict[str, Any] = {
        name: (list[entry.options], []) if entry.several else (entry.options | None, None)  # type: ignore[name-defined]
        for name, entry in analyses.items()
    }
    return create_model("Analyses", __base__=Table, __doc__=ANALYSES_TEXT, **fields)


#: What the table of analyses is, in the JSON schema.
ANALYSES_TEXT = "What to do; each part is optional."

if TYPE_CHECKING:

    class Analyses(Table):
        """What to do; each part is optional."""

        def __getattr__(self, name: str) -> Any: ...
else:
    Analyses = analyses_table(ANALYSES.bundled)


class Outputs(Table):
    """What to write beside the results."""

    figures: list[Literal["png", "svg", "pdf", "gif"]] = ["png"]


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
    lung: LungName = DEFAULT_LUNG
    engine: Engine = Field(
        "numpy",
        description="what solves the cases: numpy, jax, or auto, which takes jax where it has an "
        "accelerator; numbers differ by rounding only",
    )
    seed: int = Field(0, ge=0, lt=2**63, strict=True)
    lungs: int = Field(2000, ge=2, le=MAX_LUNGS, strict=True)
    knowledge: int = Field(
        0,
        ge=0,
        le=MAX_DRAWS,
        strict=True,
        description="outer draws of what is not known of the populations, each with as many "
        "lungs: a second interval of every share; 39 or more for 95 %, 0 for none",
    )
    populations: list[str] = []
    population: dict[OwnName, OwnPopulation] = {}
    fixed: dict[ParameterName, Value] = {}
    axes: dict[ParameterName, Annotated[Axis, BeforeValidator(as_axis)]] = {}
    samples: dict[ParameterName, Distribution] = {}
    limits: Limits = Limits()
    analyses: Analyses
    outputs: Outputs = Outputs()


def study_schema(analyses: Mapping[str, Analysis]) -> type[StudyFile]:
    """Return the schema of a study file that may ask these analyses."""
    if dict(analyses) == dict(ANALYSES.bundled):
        return StudyFile
    return create_model("StudyFile", __base__=StudyFile, analyses=(analyses_table(analyses), ...))
