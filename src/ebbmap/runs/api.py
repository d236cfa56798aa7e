"""Whole studies and checks from Python."""

from __future__ import annotations

import datetime
import shutil
import tempfile
import weakref
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from ebbmap.committee.check import Check
from ebbmap.committee.joint import JointCheck, check_apart
from ebbmap.committee.protocol import Protocol
from ebbmap.engines import Engine, Precision
from ebbmap.errors import shortened
from ebbmap.files.bundled import bundled_protocols, bundled_studies, named_file
from ebbmap.files.protocol import load_protocol, parse_protocol
from ebbmap.files.study import Study, load_study, parse_study
from ebbmap.files.writing import save_dataset, write_text
from ebbmap.policies.language import Policy
from ebbmap.runs.dates import stated_date
from ebbmap.runs.policies import PolicyCheck, check_policy, policy_of
from ebbmap.runs.results import PROTOCOL_FILE, Results
from ebbmap.runs.run import run_check, run_study

T = TypeVar("T")

#: A study of two cases, for the examples.
EXAMPLE = """
title = "auto-PEEP along T low"
[axes]
t_low = [0.3, 0.6]
[outputs]
figures = []
[analyses.profile]
along = "t_low"
outcomes = ["auto_peep"]
"""


def run(
    study: str | Path | Study,
    *,
    out: str | Path | None = None,
    workers: int = 1,
    cluster: str | None = None,
    fresh: bool = False,
    engine: Engine | None = None,
    precision: Precision | None = None,
    progress: Callable[[str, int], None] | None = None,
) -> Results:
    """Run every analysis of a study, or resume an earlier run of it in the same folder.

    Parameters
    ----------
    study : str, Path or Study
        Path, name of a bundled study, text (TOML), or a checked study.
    out : str or Path, optional
        Folder for results; if not given, a temporary one that is removed with what is returned.
    workers : int
        Processes.
    cluster : str, optional
        Address of a dask.distributed scheduler that is used instead.
    fresh : bool
        Forget what an earlier run finished in the folder.
    engine : {"numpy", "jax", "auto"}, optional
        What solves the cases; that of the study if not given.
    precision : {"double", "single"}, optional
        Digits that JAX works with; that of the study if not given. What single precision costs
        is measured on cases of the study first, and a study whose verdicts it changes is refused.
    progress : callable, optional
        ``progress(analysis, cases)``, called with the number of cases just finished.

    Returns
    -------
    Results
        A mapping of names to Datasets.

    Raises
    ------
    StudyError
        With every problem of the study.
    EbbmapError
        If the folder cannot be written, holds another run, or a task is too large.
    UnfinishedError
        If the run had to stop midway; the same call resumes it where a folder is given.

    Examples
    --------
    >>> results = run(EXAMPLE)
    >>> results  # doctest: +ELLIPSIS
    <Results: 1 in ...>
        profile: auto_peep... (...t_low 2...)
    >>> results["profile"]["auto_peep"].attrs["units"]
    'cmH2O'
    """
    checked = _checked(study, Study, load_study, parse_study, bundled_studies())
    folder, passing = _folder(out)
    results = Results(folder)
    if passing:
        weakref.finalize(results, shutil.rmtree, folder, ignore_errors=True)
    how: dict[str, Any] = {
        "workers": workers,
        "cluster": cluster,
        "fresh": fresh,
        "engine": engine,
        "precision": precision,
    }
    for _ in run_study(checked, folder, progress=lambda t: _counter(t.name, progress), **how):
        pass
    results.look()
    return results


def check(
    protocol: str | Path | Protocol | Policy,
    *,
    out: str | Path | None = None,
    date: str | datetime.date | None = None,
    workers: int = 1,
    cluster: str | None = None,
    fresh: bool = False,
    engine: Engine | None = None,
    progress: Callable[[str, int], None] | None = None,
) -> Check | JointCheck | PolicyCheck:
    """Check a draft protocol or a policy: for whom it is safe, which limit fails, what would hold.

    Parameters
    ----------
    protocol : str, Path, Protocol or Policy
        Path, name of a bundled draft or policy, text (TOML), or a checked one.
    out : str or Path, optional
        Folder for results (NetCDF) and for the pieces from which a check is resumed; nothing is
        kept where none is given.
    date : str or date, optional
        Stated in every result, YYYY-MM-DD; today's (UTC) if not given.
    workers, cluster, fresh, progress
        As in `run`; `progress` is called with parts of the check.
    engine : {"numpy", "jax", "auto"}, optional
        What solves the cases, and moves the patients of a policy; that of the file if not given.

    Returns
    -------
    Check, JointCheck or PolicyCheck
        `holds`, and `results`: a mapping of names to Datasets. Of groups with settings of their
        own `results` has the joint verdict, and `parts` a Check of each; of a policy there are
        `findings` too.

    Raises
    ------
    StudyError
        With every problem of the protocol.
    EbbmapError, UnfinishedError
        As in `run`; EbbmapError also if the date is not a date.

    Examples
    --------
    >>> check("harbour_draft", date="the first of May")
    Traceback (most recent call last):
        ...
    ebbmap.errors.EbbmapError: date must be YYYY-MM-DD; got 'the first of May'.
    """
    stated = stated_date(date)
    policy = policy_of(protocol)
    if policy is None:
        drafts = bundled_protocols()
        draft = _checked(protocol, Protocol, load_protocol, parse_protocol, drafts)
    folder, passing = _folder(out)
    done: Check | JointCheck | PolicyCheck
    try:
        how: dict[str, Any] = {"workers": workers, "cluster": cluster, "fresh": fresh}
        how |= {"engine": engine, "date": stated, "progress": partial(_counter, progress=progress)}
        if policy is not None:
            done = check_policy(policy, folder, **how)
        elif draft.differs:
            done = check_apart(draft, folder, partial(_check_kept, keep=not passing, **how))
        else:
            done = run_check(draft, folder, **how)
        if not passing:
            _keep(done, draft if policy is None else policy.protocol, folder)
    finally:
        if passing:
            shutil.rmtree(folder, ignore_errors=True)
    return done


def _check_kept(part: Protocol, folder: Path, *, keep: bool, **how: Any) -> Check:
    """Check groups that are set alike; keep what was found in a folder of their own."""
    found = run_check(part, folder, **how)
    if keep:
        _keep(found, part, folder)
    return found


def _keep(done: Check | JointCheck | PolicyCheck, protocol: Protocol, folder: Path) -> None:
    """Write the text of what was checked, and every result."""
    write_text(folder / PROTOCOL_FILE, protocol.text)
    for name, dataset in done.results.items():
        save_dataset(dataset, folder / f"{name}.nc")


def _folder(out: str | Path | None) -> tuple[Path, bool]:
    """Return the folder for results, and whether it is a temporary one."""
    return (Path(tempfile.mkdtemp(prefix="ebbmap-")), True) if out is None else (Path(out), False)


def _counter(name: str, progress: Callable[[str, int], None] | None) -> Callable[[int], None]:
    return lambda cases: None if progress is None else progress(name, cases)


def _checked(
    asked: Any,
    kind: type[T],
    load: Callable[[Path], T],
    parse: Callable[[str], T],
    bundled: Path,
) -> T:
    """Return what was asked for, read and checked if it is a path, a bundled name or a text."""
    if isinstance(asked, kind):
        return asked
    # names of files have no line break, and no study fits in one line
    if isinstance(asked, str) and "\n" in asked:
        return parse(asked)
    if not isinstance(asked, (str, Path)):
        raise TypeError(
            f"must be a path, the name of a bundled file, the text of one (TOML), or a "
            f"{kind.__name__}; got {shortened(asked)}."
        )
    return load(named_file(Path(asked), bundled))
