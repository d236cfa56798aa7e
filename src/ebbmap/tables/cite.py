"""What a result rests on: the sources of every parameter, outcome, limit and population in it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import xarray as xr

from ebbmap.errors import EbbmapError
from ebbmap.files.study import parse_study
from ebbmap.lungs import LUNGS
from ebbmap.registries.citations import Citation, citations
from ebbmap.registries.limits import LIMIT_SETS, LimitSet
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Population
from ebbmap.runs.results import open_results
from ebbmap.tables.brief.words import lines
from ebbmap.tables.plain import document

#: What stands between the parts of a list of uses; longer lists are cut.
_USES = 6


@dataclass
class Rests:
    """Sources of a result, each with what takes it.

    Parameters
    ----------
    uses : dict of str to list of str
        Text of a source, and the names of the entries that have it.
    """

    uses: dict[str, list[str]] = field(default_factory=dict)

    def add(self, source: str, what: str) -> None:
        """Add that an entry has a source."""
        names = self.uses.setdefault(" ".join(source.split()), [])
        if source.strip() and what not in names:
            names.append(what)

    @property
    def papers(self) -> dict[str, tuple[Citation, list[str]]]:
        """Key of every paper that a source names: the paper, and the sources that name it."""
        found: dict[str, tuple[Citation, list[str]]] = {}
        for source in self.uses:
            for paper in citations(source):
                _, sources = found.setdefault(paper.key, (paper, []))
                sources.append(source)
        return dict(sorted(found.items()))

    @property
    def others(self) -> list[str]:
        """Sources that name no paper: textbooks, memory, definitions, assumptions."""
        return sorted(source for source in self.uses if source and not any(citations(source)))


@contextmanager
def opened(path: Path) -> Iterator[list[xr.Dataset]]:
    """Open the results of a folder, or one result, for as long as they are read.

    Parameters
    ----------
    path : Path
        A NetCDF file, or the folder of a run or a check.

    Raises
    ------
    EbbmapError
        If there is none.
    """
    if path.is_dir():
        results = open_results(path)
        try:
            yield list(results.values())
        finally:
            results.close()
        return
    try:
        dataset = xr.open_dataset(path, engine="h5netcdf")
    except (OSError, ValueError) as error:
        raise EbbmapError(
            f"{path} must be a result (NetCDF) or the folder of a run; it could not be read "
            f"({type(error).__name__}). Name what `ebbmap run` wrote."
        ) from None
    with dataset:
        yield [dataset]


def rests_of(results: Iterable[xr.Dataset]) -> Rests:
    """Collect what results rest on.

    Parameters
    ----------
    results : iterable of Dataset
        Of a run, a check or a function of the package.

    Returns
    -------
    Rests
        The bundled entries are looked up in the registries; entries of a study's own bring the
        sources that the study states.

    Raises
    ------
    EbbmapError
        If no result holds anything that the registries know.
    """
    rests = Rests()
    for result in results:
        _add_names(rests, result)
        _add_study(rests, result)
    if not rests.uses:
        raise EbbmapError(
            "the result must hold parameters or outcomes of the registries; it has none. "
            "Name a file or a folder that ebbmap wrote."
        )
    return rests


def _add_names(rests: Rests, result: xr.Dataset) -> None:
    for name in map(str, result.variables):
        entry = PARAMETERS.get(name) or OUTCOMES.get(name)
        if entry is not None:
            rests.add(entry.source, entry.long_name)
    model = str(result.attrs.get("lung", ""))
    if model in LUNGS:
        rests.add(LUNGS[model].source, f"lung model {model}")
    named = str(result.attrs.get("rules", ""))
    for name in (part.partition(":")[0].strip() for part in named.split(";")):
        if name in LIMIT_SETS:
            _add_limits(rests, LIMIT_SETS[name])
    for dim in ("population", "group"):
        for name in map(str, result[dim].values.ravel()) if dim in result.coords else ():
            if name in POPULATIONS:
                _add_population(rests, POPULATIONS[name])


def _add_study(rests: Rests, result: xr.Dataset) -> None:
    """Add what the study of a result names, where its text can be read."""
    if not (text := str(result.attrs.get("study", ""))):
        return
    try:
        question = parse_study(text).question
    except EbbmapError:
        # a study that uses files of its own is read where these are; its entries are named above
        return
    for name in question.fixed:
        rests.add(PARAMETERS[name].source, PARAMETERS[name].long_name)
    for limits in question.rules.values():
        _add_limits(rests, limits)
    for group in question.populations:
        _add_population(rests, group)


def _add_limits(rests: Rests, limits: LimitSet) -> None:
    for limit in limits.limits:
        rests.add(limit.why, f"limit: {limit.sentence}")
        entry = OUTCOMES[limit.outcome]
        rests.add(entry.source, entry.long_name)


def _add_population(rests: Rests, group: Population) -> None:
    for name, marginal in group.marginals.items():
        rests.add(marginal.source, f"{group.name}: {PARAMETERS[name].long_name}")
    for number in group.known.numbers if group.known is not None else ():
        rests.add(number.source, f"{group.name}: {number.name.replace('_', ' ')}")


def cite_lines(rests: Rests, width: int) -> Iterator[str]:
    """Yield the papers first, each with what rests on it, then what names no paper.

    Parameters
    ----------
    rests : Rests
        What was collected.
    width : int
        Columns there are.
    """
    count = len(rests.papers)
    yield f"This result rests on {count} paper{'s' * (count != 1)}, as the registries name them:"
    for paper, sources in rests.papers.values():
        yield from lines(f"- {paper.text}", width, hang="  ")
        for source in sources:
            text = _uses(rests.uses[source])
            said = text if source == paper.text else f"{text} ({source})"
            yield from lines(said, width, indent="    ", hang="  ")
    yield ""
    yield "No paper is named for these (textbooks, memory, definitions, assumptions):"
    for source in rests.others:
        yield from lines(f"- {source}: {_uses(rests.uses[source])}", width, hang="  ")
    yield ""
    yield "Nothing was looked up or completed. Read a source before you cite it."


def _uses(names: list[str]) -> str:
    more = f" and {len(names) - _USES} more" if len(names) > _USES else ""
    return f"{', '.join(names[:_USES])}{more}"


def bibtex(rests: Rests, version: str) -> str:
    """Return an entry for the package and one for each paper."""
    own = "\n".join(
        [
            "@software{ebbmap,",
            "  author = {{ebbmap developers}},",
            "  title = {ebbmap: safe-region maps of two-level, time-cycled pressure ventilation},",
            f"  version = {{{version}}},",
            "}",
        ]
    )
    note = "as named in the registries of ebbmap; not completed"
    entries = [paper.bibtex(_note(note, sources)) for paper, sources in rests.papers.values()]
    return "\n\n".join([own, *entries])


def _note(note: str, sources: list[str]) -> str:
    words = [word for word in ("from memory", "transcription") if any(word in s for s in sources)]
    return f"{note} ({', '.join(words)})" if words else note


def cite_data(rests: Rests, version: str) -> dict[str, Any]:
    """Return what a result rests on as plain data."""
    papers: list[Mapping[str, Any]] = [
        {
            "key": key,
            "text": paper.text,
            "sources": [{"source": s, "uses": rests.uses[s]} for s in sources],
        }
        for key, (paper, sources) in rests.papers.items()
    ]
    others = [{"source": source, "uses": rests.uses[source]} for source in rests.others]
    return document(papers=papers, others=others, bibtex=bibtex(rests, version))
