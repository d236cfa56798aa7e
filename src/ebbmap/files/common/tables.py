"""Tables that files of several kinds share: distributions, own populations, and limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, Field

from ebbmap.analyses.options import Number, Options, OutcomeName, ParameterName, known_name
from ebbmap.engines import Engine
from ebbmap.errors import EbbmapError
from ebbmap.registries import families
from ebbmap.registries.folding import without
from ebbmap.registries.limits import LIMIT_SETS, RULES, Limit, LimitSet, combine
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import (
    POPULATIONS,
    Confirmed,
    How,
    Marginal,
    Missing,
    Population,
)

#: Written into results that come from distributions defined in a study file.
STUDY_SOURCE = "study file"

#: Lungs of a population that a study may ask for.
MAX_LUNGS = 1_000_000

#: Outer draws of what is not known that a study may ask for.
MAX_DRAWS = 10_000

EngineName = Annotated[
    Engine,
    Field(
        description="what solves the cases: numpy, jax, or auto, which takes jax where it has an "
        "accelerator; numbers differ by rounding only"
    ),
]
SetName = Annotated[str, known_name("limit set", LIMIT_SETS)]
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

    family: Literal["uniform"] = Field(description="even between two ends")
    low: Number = Field(description="lower end, in the property's unit")
    high: Number = Field(description="upper end, in the property's unit")

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        return Marginal("uniform", self.low, self.high, **self.origin(of))


class Cut(Stated):
    """A distribution that low and high, if given, cut off."""

    low: Number | None = Field(
        None, description="values below this are not drawn, in the property's unit"
    )
    high: Number | None = Field(
        None, description="values above this are not drawn, in the property's unit"
    )

    def ends(self) -> dict[str, Any]:
        """Return the ends of a marginal."""
        return {
            "low": -np.inf if self.low is None else self.low,
            "high": np.inf if self.high is None else self.high,
        }


class Normal(Cut):
    """Bell curve, cut off at low and high if given."""

    family: Literal["normal"] = Field(description="a bell curve")
    mean: Number = Field(description="mean before it is cut off, in the property's unit")
    sd: Number = Field(
        description="standard deviation before it is cut off, in the property's unit"
    )

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        return Marginal("normal", self.mean, self.sd, **self.origin(of), **self.ends())


class Lognormal(Cut):
    """Logarithm is normal: median, and standard deviation of the logarithm."""

    family: Literal["lognormal"] = Field(description="a bell curve of the logarithm")
    median: Number = Field(description="median before it is cut off, in the property's unit")
    log_sd: Number = Field(
        description="standard deviation of the natural logarithm; 0.3 is about 30 % either way"
    )

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        return Marginal("lognormal", self.median, self.log_sd, **self.origin(of), **self.ends())


class Gamma(Cut):
    """Gamma distribution by mean and standard deviation."""

    family: Literal["gamma"] = Field(description="skewed to the right, above zero")
    mean: Number = Field(description="mean before it is cut off, in the property's unit")
    sd: Number = Field(
        description="standard deviation before it is cut off, in the property's unit"
    )

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        one = families.gamma(self.mean, self.sd)
        return families.shaped(one, family="gamma", **self.origin(of), **self.ends())


class Beta(Stated):
    """Beta distribution between low and high, by mean and standard deviation."""

    family: Literal["beta"] = Field(description="a hump of any skew between two ends")
    low: Number = Field(description="lower end, in the property's unit")
    high: Number = Field(description="upper end, in the property's unit")
    mean: Number = Field(description="mean, in the property's unit")
    sd: Number = Field(description="standard deviation, in the property's unit")

    def marginal(self, of: Stated | None = None) -> Marginal:
        """Return the distribution, a property of a population or on its own."""
        one = families.beta(self.low, self.high, self.mean, self.sd)
        return families.shaped(one, family="beta", **self.origin(of))


class Triangular(Stated):
    """Triangle from low over its mode to high."""

    family: Literal["triangular"] = Field(
        description="straight up to the mode and straight down again"
    )
    low: Number = Field(description="lower end, in the property's unit")
    mode: Number = Field(description="commonest value, in the property's unit")
    high: Number = Field(description="upper end, in the property's unit")

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

    between: tuple[ParameterName, ParameterName] = Field(
        description="the two properties, by registry name"
    )
    value: Annotated[float, Field(gt=-1, lt=1)] = Field(
        description="correlation of their normal scores, from -1 to 1"
    )


class OwnPopulation(Stated):
    """A population defined in the file; what it does not name comes from `base`."""

    long_name: Text = Field("", description="what it is called in reports and pictures")
    table: Text = Field("", description="own patients: a .csv or .nc file, a row each")
    how: How = Field("bootstrap", description="rows drawn again, or a smooth copula fitted to them")
    missing: Missing | None = Field(None, description="leave rows with gaps out, or draw the gaps")
    columns: dict[ParameterName, Text] = Field({}, description="headers with other names")
    units: dict[ParameterName, Text] = Field({}, description="units that no header states")
    weights: Text = Field("", description="column that says how often a row counts")
    group: tuple[Text, Text] | None = Field(None, description="a column, and its text in rows used")
    base: Annotated[str, known_name("population", POPULATIONS)] | None = Field(
        None, description="bundled population that gives what is not named here"
    )
    properties: dict[ParameterName, Distribution] = Field(
        {}, description="distribution of each property, in the registry's units"
    )
    correlations: list[Correlation] = Field([], description="pairs of properties that go together")

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
        from ebbmap.cases.cohort import cohort  # it reads tables, which few files name

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
        """Return where the population comes from; empty where nobody gave a source."""
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

    outcome: OutcomeName = Field(description="outcome that is judged, by its registry name")
    why: Text = Field(
        min_length=1, description="the reason or the source; printed beside every verdict"
    )
    low: Number | None = Field(None, description="least value that is kept, in the outcome's unit")
    high: Number | None = Field(
        None, description="greatest value that is kept, in the outcome's unit"
    )
    severity: Literal["hard", "caution"] = Field(
        "hard", description="hard: a case that breaks it is unsafe; caution: it is only warned of"
    )
    width: Number | None = Field(
        None,
        description="difference that counts as one, by which margins are measured, in the "
        "outcome's unit",
    )
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

    sets: list[SetName] = Field(
        ["pressure", "volume", "auto_peep"],
        description="sets of limits that always hold; `ebbmap describe` lists them",
    )
    rules: list[str] = Field(
        list(RULES), description="rules for T low, compared one after the other"
    )
    own: list[OwnLimit] = Field([], description="limits defined here")
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
