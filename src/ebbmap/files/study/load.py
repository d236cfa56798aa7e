"""Reading a study file: all problems at once, or the question that it asks."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping
from copy import copy
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Self

from pydantic import ValidationError

from ebbmap.analyses.base import Analysis
from ebbmap.analyses.findings import sentences
from ebbmap.analyses.registry import ANALYSES
from ebbmap.cases.question import Question
from ebbmap.catalogue.sources import NOTHING_USED, Source, Used, load_use
from ebbmap.catalogue.value import Catalogue
from ebbmap.engines import Engine, Precision, check_choice
from ebbmap.errors import EbbmapError, StudyError, shortened
from ebbmap.files.common.forgiving import understood
from ebbmap.files.common.lines import counted_from_one, with_lines
from ebbmap.files.common.reading import read_text, read_toml
from ebbmap.files.study.cross import cross_checks
from ebbmap.files.study.schema import FAMILIES, StudyFile, study_schema
from ebbmap.files.study.uses import default_settings, leaving
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import parameter
from ebbmap.registries.populations import POPULATIONS, Population

#: A table within the folder of the study: no way up, no drive, no hidden name.
_TABLE = re.compile(r"(?:[^\W.][\w-]*/)*[^\W.][\w-]*\.(?:csv|tsv|txt|nc)")

#: Bytes of the largest table of patients.
LARGEST_TABLE = 2**26


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
        content = hashlib.sha256(text.encode())
        for source in used.files:
            # what is not code is not in the fingerprint of the catalogue
            content.update(b"" if source.name.endswith(".py") else source.content)
        self.digest = content.hexdigest()[:16]
        self.axes = {name: axis.grid() for name, axis in file.axes.items()}
        self.question = Question(
            lung=file.lung,
            fixed=_fixed(file.fixed),
            samples={name: one.marginal() for name, one in file.samples.items()},
            populations=tuple(_populations(file)),
            rules=file.limits.build(),
            lungs=file.lungs,
            lungs_may_grow=file.lungs_may_grow,
            seed=file.seed,
            knowledge=file.knowledge,
        )

    @property
    def catalogue(self) -> Catalogue:
        """Bundled and own entries."""
        return self.used.catalogue

    def solved_by(self, engine: Engine | None, precision: Precision | None) -> Self:
        """Return the same study by another engine or precision; None leaves its own.

        Raises
        ------
        EbbmapError
            If there is no such engine or precision, or they do not go together.
        """
        changed = {"engine": engine, "precision": precision}
        other = copy(self)
        other.file = self.file.model_copy(update={k: v for k, v in changed.items() if v})
        check_choice(other.file.engine, other.file.precision)
        return other

    def by_lung(self, lung: str | None) -> Self:
        """Return the same study by another lung model alone; None leaves its own."""
        if lung in (None, self.file.lung):
            return self
        other = copy(self)
        other.file = self.file.model_copy(update={"lung": lung, "other_lungs": []})
        with self.catalogue.active():
            other.question = replace(self.question, lung=str(lung))
        return other

    @property
    def beside(self) -> list[Self]:
        """The same study by each of its other lung models."""
        return [self.by_lung(lung) for lung in self.file.other_lungs]

    @property
    def computed(self) -> tuple[list[str], list[str] | None]:
        """The lung models that its analyses solve, and the outcomes beside those of its rules.

        All outcomes that a lung gives are None.
        """
        lungs: list[str] = []
        names: list[list[str] | None] = []
        for entry, options in self.asked():
            lungs += getattr(options, "models", None) or [self.question.lung]
            own = entry.computes(options)
            names.append(None if own is None else [n for n in own if n in OUTCOMES])
        some = [own for own in names if own is not None]
        outcomes = list(dict.fromkeys(n for own in some for n in own))
        return list(dict.fromkeys(lungs)), outcomes if len(some) == len(names) else None

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
    'whole'
    """
    raw = read_toml(text, where)
    try:
        return _read(raw, text, where, folder, analyses)
    except StudyError as error:
        raise StudyError(where, with_lines(error.problems, text)) from None


def _read(
    raw: dict[str, Any],
    text: str,
    where: str,
    folder: Path | None,
    analyses: Mapping[str, Analysis],
) -> Study:
    """Check the tables of a study; see `parse_study`."""
    named = raw.get("use")
    names = [name for name in named if isinstance(name, str)] if isinstance(named, list) else []
    try:
        used = load_use(names, folder)
    except EbbmapError as error:
        raise StudyError(where, [f"use: {line}" for line in str(error).splitlines()]) from None
    used = replace(used, files=(*used.files, *_tables(raw, where, folder)))
    with used.catalogue.active():
        return _checked(raw, text, where, MappingProxyType({**analyses}), used)


def _checked(
    raw: dict[str, Any], text: str, where: str, analyses: Mapping[str, Analysis], used: Used
) -> Study:
    schema = study_schema(analyses)
    meant = understood(raw, schema)
    raw = meant.raw
    problems = [*meant.problems, *cross_checks(raw, analyses, meant.stated)]
    try:
        file = schema.model_validate(raw)
    except ValidationError as error:
        raise StudyError(where, sentences(error, schema, FAMILIES) + problems) from None
    if problems:
        raise StudyError(where, problems)
    try:
        study = Study(file, text, analyses, used).solved_by(None, None)
        problems, notes = leaving(raw, file, study.question, analyses, study.axes)
        for other in study.beside:
            found, _ = leaving(raw, other.file, other.question, analyses, study.axes)
            problems = [*problems, *(text for text in found if text not in problems)]
    except EbbmapError as error:
        raise StudyError(where, str(error).splitlines()) from None
    if problems:
        raise StudyError(where, problems)
    study.notes = tuple(map(counted_from_one, notes))
    defaults = default_settings(raw, file, study.question, analyses)
    study.defaults = {counted_from_one(place): names for place, names in defaults.items()}
    return study


def _tables(raw: dict[str, Any], where: str, folder: Path | None) -> Iterator[Source]:
    """Yield the tables that own populations name; each is then named by its whole path."""
    own = raw.get("population")
    for name, one in own.items() if isinstance(own, dict) else ():
        path = one.get("table") if isinstance(one, dict) else None
        if not isinstance(path, str) or not path:
            continue
        place = f"population.{name}.table"
        if not _TABLE.fullmatch(path):
            raise StudyError(
                where,
                [
                    f"{place}: must be the path of a .csv or .nc file in the folder of the study "
                    f"or below; got {shortened(path)}. Put the file there."
                ],
            )
        if folder is None:
            raise StudyError(where, [f"{place}: needs a folder. Save the study as a file."])
        file = folder / path
        if not file.is_file() or file.stat().st_size > LARGEST_TABLE:
            raise StudyError(
                where,
                [f"{place}: must be a file of at most {LARGEST_TABLE // 2**20} MiB; got {path}."],
            )
        one["table"] = str(file)
        yield Source(path, file.read_bytes())


def _fixed(values: Mapping[str, Any]) -> dict[str, float]:
    return {name: float(parameter(name).code(value)) for name, value in values.items()}  # type: ignore[arg-type]


def _populations(file: StudyFile) -> list[Population]:
    own = {name: one.build(name) for name, one in file.population.items()}
    return [own[name] if name in own else POPULATIONS[name] for name in file.populations]
