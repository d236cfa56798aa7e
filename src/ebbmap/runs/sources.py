"""What a run is asked by: a study, a check, a comparison, policies; each as tasks and pieces."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import xarray as xr

from ebbmap.cases.pieces import Pieces
from ebbmap.catalogue.sources import NOTHING_USED, Used
from ebbmap.committee.check import check_parts
from ebbmap.committee.difference import difference_parts
from ebbmap.committee.joint import PART, apart
from ebbmap.committee.protocol import Protocol
from ebbmap.engines import Engine
from ebbmap.files.policy import parse_policy
from ebbmap.files.protocol import parse_protocol
from ebbmap.files.study import Study, parse_study
from ebbmap.files.writing import save_dataset
from ebbmap.policies import pieces as policies
from ebbmap.policies.beside_draft import beside_pieces
from ebbmap.policies.compiled import piece_size
from ebbmap.policies.language import Policy
from ebbmap.runs.chunks import Chunks, study_plan
from ebbmap.runs.enlarging import kept_pieces
from ebbmap.runs.job import streams
from ebbmap.runs.ledger import Ledger
from ebbmap.runs.plan import Compare, plan_of
from ebbmap.runs.usual import usual_policy
from ebbmap.runs.work import Part, Solved, Work

#: History of a result that is put together from kept pieces: no time of day, so that the same
#: study gives the same bytes.
UNDATED = "made by ebbmap, piece by piece; pieces/plan.json tells when"


#: The part of a check that stands beside the draft, and its result.
BESIDE = "beside"


@dataclass(frozen=True)
class Task:
    """One analysis of a study.

    Parameters
    ----------
    name : str
        Stem of its result file.
    kind : str
        Name of the analysis in the study file.
    cases : int
        Cases that it will solve, as far as this is known beforehand.
    pieces : Pieces
        What it does.
    options : Options
        What it is asked.
    keeps_pieces : bool
        Whether it may take long, so that every finished piece is kept.
    streams : bool
        Whether it goes block by block to a store or to counts, which see to their own files.
    """

    name: str
    kind: str
    cases: int
    pieces: Pieces[xr.Dataset]
    options: Any = None
    keeps_pieces: bool = False
    streams: bool = False

    def run(self, progress: Callable[[int], None]) -> xr.Dataset:
        """Do all of it here and now."""
        return self.pieces.whole(progress)


def plan_tasks(study: Study) -> list[Task]:
    """List the analyses of a study in the order in which they run."""
    tasks = []
    for entry, options in study.asked():
        cases = entry.size(study.question, options, study.axes).cases if entry.counts_cases else 0
        tasks.append(
            Task(
                entry.result_name(options),
                entry.name,
                cases,
                entry.pieces(study.question, options, study.axes),
                options,
                keeps_pieces=entry.keeps_pieces,
                streams=entry.every_case and streams(study),
            )
        )
    return tasks


#: Gives every dataset of a finished task, and its file if it has one.
Save = Callable[[Task, Any, Path], Iterable[tuple[Any, Path | None]]]


def _unsaved(task: Task, result: Any, folder: Path) -> Iterator[tuple[Any, None]]:
    yield result, None


@dataclass(frozen=True)
class Source:
    """What a run is asked by: a study, a protocol, or two drafts.

    Parameters
    ----------
    name : str
        Of its kind, among `SOURCES`.
    texts : tuple of str
        Of its files: all that another process needs to do a piece.
    plan : mapping
        What distinguishes a run from another one.
    tasks : tuple of Task
        Its parts, in the order in which they run.
    parts : mapping of str to Part
        Their pieces, by name.
    keeps : bool
        Whether every finished piece is kept, so that a run can be resumed.
    files : mapping of str to str
        Texts that are written before any work, by file name.
    save : callable
        ``save(task, result, folder) -> (dataset, path or None), ...``
    used : Used
        Own entries: their files are kept beside the results, where other processes find them.
    compare : callable
        What says which pieces of an earlier, smaller question stay.
    """

    name: str
    texts: tuple[str, ...]
    plan: Mapping[str, Any]
    tasks: tuple[Task, ...]
    parts: Mapping[str, Part]
    keeps: bool = True
    files: Mapping[str, str] = field(default_factory=dict)
    save: Save = _unsaved
    used: Used = NOTHING_USED
    compare: Compare = lambda before, now: ""

    def work(self, folder: Path, run: str = "") -> Work:
        """Return the work of this source in a folder, for a run."""
        ledger = Ledger(folder, self.plan, run, self.compare)
        return Work(self.parts, ledger, run_piece, self.name, *self.texts)


def study_source(study: Study) -> Source:
    """Return a study as a source of analyses; one without long analyses keeps no pieces."""
    with study.catalogue.active():
        tasks = tuple(plan_tasks(study))
        parts = {t.name: Chunks(study) if t.streams else Solved(t.name, t.pieces) for t in tasks}
    keeps = any(task.streams or task.keeps_pieces for task in tasks)

    def save(task: Task, result: Any, folder: Path) -> Iterator[tuple[xr.Dataset, Path]]:
        if task.streams:
            yield from result
            return
        if keeps:
            result.attrs["history"] = UNDATED
        result.attrs |= {
            "study": study.text,
            "study_hash": study.digest,
            "study_title": study.file.title,
        }
        yield result, save_dataset(result, folder / f"{task.name}.nc")

    return Source(
        "study",
        (study.text, study.file.engine, study.file.precision, study.file.lung),
        study_plan(study),
        tasks,
        parts,
        keeps,
        {"study.toml": study.text},
        save,
        study.used,
        kept_pieces(study),
    )


def check_source(protocol: Protocol) -> Source:
    """Return a protocol, and conventional ventilation beside it, as a source of its parts."""
    usual = usual_policy()
    plan = plan_of("protocol", protocol.stated, protocol.digest)
    plan |= plan_of("conventional", usual.protocol.stated, usual.protocol.digest)
    parts = check_parts(protocol)
    if (beside := beside_pieces(protocol, usual)) is not None:
        parts[BESIDE] = beside
    # a part of a protocol has the text of the whole
    texts = (protocol.text, str(protocol.stated.get(PART, "")))
    return _committee("check", texts, plan, parts, protocol.engine)


def _check_again(text: str, of: str, engine: Engine) -> Source:
    """Return the source of a check from its words: the text, the groups of a part, the engine."""
    protocol = parse_protocol(text).solved_by(engine)
    return check_source(apart(protocol)[of] if of else protocol)


def comparison_source(old: Protocol, new: Protocol) -> Source:
    """Return two drafts as a source of the parts of their comparison."""
    plan = {**plan_of("new", new.stated, new.digest), **plan_of("old", old.stated, old.digest)}
    texts = (old.text, new.text)
    return _committee("comparison", texts, plan, difference_parts(old, new), new.engine)


def policy_source(policy: Policy, conventional: Policy) -> Source:
    """Return a policy, and the usual way beside it, as a source of the parts of its check."""
    plan = _policies_plan(policy=policy, conventional=conventional)
    texts = (policy.protocol.text, conventional.protocol.text)
    parts = policies.policy_parts(policy, conventional)
    return _committee("policy", texts, plan, parts, policy.protocol.engine)


def policies_source(old: Policy, new: Policy) -> Source:
    """Return two policies as a source of the parts of their comparison."""
    texts = (old.protocol.text, new.protocol.text)
    plan = _policies_plan(new=new, old=old)
    parts = policies.difference_parts(old, new)
    return _committee("policies", texts, plan, parts, new.protocol.engine)


def _policies_plan(**named: Policy) -> dict[str, Any]:
    plan: dict[str, Any] = {}
    for name, one in named.items():
        plan |= plan_of(name, one.protocol.stated, one.protocol.digest)
        # pieces of other patients go into no folder together
        plan[f"{name}_piece"] = piece_size(one)
    return plan


def _committee(
    name: str,
    texts: tuple[str, ...],
    plan: Mapping[str, Any],
    parts: Mapping[str, Pieces[Any]],
    engine: Engine,
) -> Source:
    tasks = tuple(
        Task(part, name, 0, pieces, None, keeps_pieces=True) for part, pieces in parts.items()
    )
    solved = {name: Solved(name, pieces) for name, pieces in parts.items()}
    return Source(name, (*texts, engine), plan, tasks, solved)


def _parsed(parse: Callable[[str], Any], *words: Any) -> list[Any]:
    """Return what files ask, from their texts and the engine that solves them all."""
    *texts, engine = words
    return [parse(text).solved_by(engine) for text in texts]


#: What makes a source from the output folder and the texts of its files, by name.
SOURCES: Mapping[str, Callable[..., Source]] = MappingProxyType(
    {
        "study": lambda folder, text, engine=None, precision=None, lung=None: study_source(
            parse_study(text, folder=folder).solved_by(engine, precision).by_lung(lung)
        ),
        "check": lambda folder, *words: _check_again(*words),
        "comparison": lambda folder, *words: comparison_source(*_parsed(parse_protocol, *words)),
        "policy": lambda folder, *words: policy_source(*_parsed(parse_policy, *words)),
        "policies": lambda folder, *words: policies_source(*_parsed(parse_policy, *words)),
    }
)


def run_piece(name: str, *words: str) -> int:
    """Do one piece in whatever process this is; return its cases.

    Parameters
    ----------
    name : str
        Of the source.
    words : sequence of str
        Texts of its files, the output folder, the run, and the piece.
    """
    *texts, folder, run, piece = words
    used, work = _work(name, tuple(texts), folder, run)
    with used.catalogue.active():
        return work.run(piece)


@lru_cache(maxsize=1)
def _work(name: str, texts: tuple[str, ...], folder: str, run: str) -> tuple[Used, Work]:
    source = SOURCES[name](Path(folder), *texts)
    return source.used, source.work(Path(folder), run)
