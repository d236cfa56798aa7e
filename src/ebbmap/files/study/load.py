"""Reading a study file: all problems at once, or the question that it asks."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel, ValidationError

from ebbmap.analyses.base import Analysis
from ebbmap.analyses.registry import ANALYSES
from ebbmap.cases.question import Question
from ebbmap.catalogue.sources import NOTHING_USED, Used, load_use
from ebbmap.catalogue.value import Catalogue
from ebbmap.errors import SHOWN, EbbmapError, StudyError, shortened, unknown_name
from ebbmap.files.study.cross import cross_checks
from ebbmap.files.study.reading import read_text, read_toml
from ebbmap.files.study.schema import FAMILIES, StudyFile, study_schema
from ebbmap.files.study.uses import default_settings, leaving
from ebbmap.registries.parameters import parameter
from ebbmap.registries.populations import POPULATIONS, Population

#: Findings of the schema that are listed, one sentence each; the others are counted.
LISTED = 100


class Study:
    """A study file that passed every check.

    Parameters
    ----------
    file : StudyFile
        The parsed file.
    text : str
        The file as it was read; its hash goes into every result.
    analyses : mapping of str to Analysis
        The entries of the analyses that it may ask.
    used : Used
        Bundled and own entries, and the files that these come from.

    Attributes
    ----------
    notes : tuple of str
        What should be known before a run, though it stops none.
    defaults : dict of str to list of str
        Settings that nobody names, by the analysis that takes their default.
    """

    def __init__(
        self,
        file: StudyFile,
        text: str,
        analyses: Mapping[str, Analysis] = ANALYSES,
        used: Used = NOTHING_USED,
    ):
        self.file = file
        self.used = used
        self.analyses = analyses
        self.text = text
        self.notes: tuple[str, ...] = ()
        self.defaults: dict[str, list[str]] = {}
        self.digest = hashlib.sha256(text.encode()).hexdigest()[:16]
        self.axes = {name: axis.grid() for name, axis in file.axes.items()}
        self.question = Question(
            lung=file.lung,
            fixed=_fixed(file.fixed),
            samples={name: one.marginal() for name, one in file.samples.items()},
            populations=tuple(_populations(file)),
            rules=file.limits.build(),
            lungs=file.lungs,
            seed=file.seed,
        )

    @property
    def catalogue(self) -> Catalogue:
        """Bundled and own entries."""
        return self.used.catalogue

    def asked(self) -> Iterator[tuple[Analysis, Any]]:
        """Yield the analyses that it asks, with their options, in the order in which they run."""
        for name, entry in self.analyses.items():
            options = getattr(self.file.analyses, name)
            for one in options if entry.several else [options]:
                if one is not None:
                    yield entry, one


def load_study(path: Path) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path : Path
        A TOML file.

    Raises
    ------
    StudyError
        With every problem found: its place, the value, what is expected, the nearest known name.
    """
    return parse_study(read_text(path), str(path), folder=Path(path).parent)


def parse_study(
    text: str,
    where: str = "study",
    *,
    folder: Path | None = None,
    analyses: Mapping[str, Analysis] = ANALYSES,
) -> Study:
    r"""Check the text of a study file; see `load_study`.

    Parameters
    ----------
    text : str
        The file.
    where : str
        Its name, for messages.
    folder : Path, optional
        Where the files are that it names in `use`. They are run.
    analyses : mapping of str to Analysis
        The entries of the analyses that it may ask.

    Examples
    --------
    >>> study = parse_study('title = "t"\n[analyses.window]')
    >>> study.question.lung
    'linear'
    """
    raw = read_toml(text, where)
    named = raw.get("use")
    names = [name for name in named if isinstance(name, str)] if isinstance(named, list) else []
    try:
        used = load_use(names, folder)
    except EbbmapError as error:
        raise StudyError(where, [f"use: {line}" for line in str(error).splitlines()]) from None
    with used.catalogue.active():
        return _checked(raw, text, where, MappingProxyType({**analyses}), used)


def _checked(
    raw: dict[str, Any], text: str, where: str, analyses: Mapping[str, Analysis], used: Used
) -> Study:
    problems = cross_checks(raw, analyses)
    schema = study_schema(analyses)
    try:
        file = schema.model_validate(raw)
    except ValidationError as error:
        raise StudyError(where, sentences(error, schema) + problems) from None
    if problems:
        raise StudyError(where, problems)
    try:
        study = Study(file, text, analyses, used)
        problems, notes = leaving(raw, file, study.question, analyses, study.axes)
    except EbbmapError as error:
        raise StudyError(where, str(error).splitlines()) from None
    if problems:
        raise StudyError(where, problems)
    study.notes = tuple(notes)
    study.defaults = default_settings(raw, file, study.question, analyses)
    return study


def _fixed(values: Mapping[str, Any]) -> dict[str, float]:
    return {name: float(parameter(name).code(value)) for name, value in values.items()}  # type: ignore[arg-type]


def _populations(file: StudyFile) -> list[Population]:
    own = {name: one.build(name) for name, one in file.population.items()}
    return [own[name] if name in own else POPULATIONS[name] for name in file.populations]


def sentences(error: ValidationError, schema: type[BaseModel]) -> list[str]:
    """Turn pydantic's findings into sentences with place, expectation, value and nearest name.

    The known names of a table are listed once, and past `LISTED` findings are counted only.
    """
    said, listed = [], set()
    for one in error.errors(include_url=False)[:LISTED]:
        place = _place(one["loc"])
        kind, found = one["type"], one["input"]
        if kind == "extra_forbidden":
            table = one["loc"][:-1]
            what = unknown_name("key", one["loc"][-1], _keys(table, schema))
            if table in listed:
                what = what.partition(" Known: ")[0]
            listed.add(table)
        elif kind == "missing":
            what = f"must be given: {one['loc'][-1]!r} is missing. Add it."
        elif kind == "value_error":
            what = str(one["ctx"]["error"])
        else:
            message = one["msg"][0].lower() + one["msg"][1:]
            what = f"{message}; got {shortened(found)}"
        said.append(f"{place}: {what}{'' if what.endswith(('.', '?')) else '.'}")
    if (more := error.error_count() - LISTED) > 0:
        said.append(f"file: {more:,} more problems of this kind are not listed.")
    return said


def _place(loc: tuple[int | str, ...]) -> str:
    """Path of keys in the file, without the marks that the schema adds."""
    words = [str(p) for p in loc if p not in FAMILIES and "[" not in str(p)]
    return ".".join(w if len(w) <= SHOWN else f"{w[:SHOWN]}..." for w in words) or "file"


def _keys(loc: tuple[int | str, ...], schema: type[BaseModel]) -> list[str]:
    """Known keys of the table at a place of the file."""
    table: Any = schema
    for part in loc:
        fields = getattr(table, "model_fields", {})
        if part in fields:
            table = _inner(fields[part].annotation)
        elif part in FAMILIES:
            table = FAMILIES[str(part)]
    return list(getattr(table, "model_fields", {}))


def _inner(annotation: Any) -> Any:
    """Return the table behind list[...], dict[...], ... | None and Annotated[...]."""
    for argument in reversed(getattr(annotation, "__args__", ())):
        found = _inner(argument)
        if isinstance(found, type) and issubclass(found, BaseModel):
            return found
    return annotation
