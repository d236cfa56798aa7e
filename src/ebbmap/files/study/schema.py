"""The schema of a study file: tables, keys and types, and how each becomes one of our objects."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BeforeValidator, Field, create_model

from ebbmap.analyses.base import Analysis
from ebbmap.analyses.options import Axis, LungName, ParameterName, as_axis
from ebbmap.analyses.registry import ANALYSES
from ebbmap.engines import Precision
from ebbmap.files.common.tables import (
    FAMILIES,
    MAX_DRAWS,
    MAX_LUNGS,
    Distribution,
    EngineName,
    Limits,
    OwnName,
    OwnPopulation,
    Table,
    Text,
)
from ebbmap.lungs import DEFAULT_LUNG

__all__ = ["FAMILIES", "Analyses", "StudyFile", "study_schema"]


def _number_or_word(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise ValueError(f"must be a number or a category; got {value!r}")
    return value


Value = Annotated[float | str, BeforeValidator(_number_or_word)]


def _field(entry: Analysis) -> tuple[Any, Any]:
    """Return the key of an analysis; what it is for is the first line of its options."""
    text = (entry.options.__doc__ or entry.name).strip().split("\n")[0]
    if entry.several:
        return list[entry.options], Field([], description=text)  # type: ignore[name-defined]
    return entry.options | None, Field(None, description=text)


def analyses_table(analyses: Mapping[str, Analysis]) -> type[Table]:
    """Return the schema of the table ``analyses``, one optional key for each."""
    fields: dict[str, Any] = {name: _field(entry) for name, entry in analyses.items()}
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

    figures: list[Literal["png", "svg", "pdf", "gif"]] = Field(
        ["png"],
        description="formats of the pictures: png for screens, svg and pdf for print, gif for "
        "courses over time",
    )


class StudyFile(Table):
    """A study: one question, runnable as it stands."""

    title: Text = Field(
        min_length=1,
        max_length=200,
        description="what the study is called; it heads every page and picture",
    )
    question: Text = Field(
        "", description="the question in one or two sentences, printed with the results"
    )
    use: list[str] = Field(
        [],
        max_length=100,
        description="own entries: .py files in the folder of the study, which are run with all "
        "your rights, and packages such as 'my-package >= 1.2'",
    )
    lung: LungName = Field(
        DEFAULT_LUNG,
        description="lung model that solves every case; `ebbmap describe` lists them",
    )
    other_lungs: list[LungName] = Field(
        [],
        description="lung models that solve the same cases too: the results of each go to a folder "
        "of its name beside those of `lung`",
    )
    engine: EngineName = "numpy"
    precision: Precision = Field(
        "double",
        description="digits that jax works with: double, or single, for lungs with closed "
        "formulas; the error of every outcome is measured and stated, and a study whose verdicts "
        "it changes is refused",
    )
    seed: int = Field(
        0,
        ge=0,
        lt=2**63,
        strict=True,
        description="start of all random draws: the same file and seed give the same numbers",
    )
    lungs: int = Field(
        2000, ge=2, le=MAX_LUNGS, strict=True, description="lungs drawn from each population"
    )
    lungs_may_grow: bool = Field(
        False,
        description="draw lungs by hundreds, so that a finished run can take more of them; if "
        "false, another number of lungs is other lungs",
    )
    knowledge: int = Field(
        0,
        ge=0,
        le=MAX_DRAWS,
        strict=True,
        description="outer draws of what is not known of the populations, each with as many "
        "lungs: a second interval of every share; 39 or more for 95 %, 0 for none",
    )
    populations: list[str] = Field(
        [], description="populations from which lungs are drawn, bundled or defined below"
    )
    population: dict[OwnName, OwnPopulation] = Field(
        {}, description="populations defined here, each under a name of its own"
    )
    fixed: dict[ParameterName, Value] = Field(
        {},
        description="settings and properties held at one value in every case, in the registry's "
        "units",
    )
    axes: dict[ParameterName, Annotated[Axis, BeforeValidator(as_axis)]] = Field(
        {},
        description="settings and properties that take values on a grid, for the analyses that "
        "name them",
    )
    samples: dict[ParameterName, Distribution] = Field(
        {},
        description="settings and properties that are drawn besides the lungs, each from a "
        "distribution",
    )
    limits: Limits = Field(Limits(), description="what counts as safe")
    analyses: Analyses = Field(description="what is to be found; each part has a table of its own")
    outputs: Outputs = Field(Outputs(), description="what is written beside the results")


def study_schema(analyses: Mapping[str, Analysis]) -> type[StudyFile]:
    """Return the schema of a study file that may ask these analyses."""
    if dict(analyses) == dict(ANALYSES.bundled):
        return StudyFile
    return create_model("StudyFile", __base__=StudyFile, analyses=(analyses_table(analyses), ...))
