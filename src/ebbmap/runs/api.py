"""Whole studies and checks from Python, and their results: opened when they are first used."""

from __future__ import annotations

import datetime
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import xarray as xr

from ebbmap.catalogue.results import add_outcome
from ebbmap.catalogue.value import Catalogue
from ebbmap.committee.check import Check
from ebbmap.committee.protocol import Protocol
from ebbmap.engines import Engine
from ebbmap.errors import EbbmapError, shortened, unknown_name
from ebbmap.files.bundled import bundled_protocols, bundled_studies, named_file
from ebbmap.files.protocol import load_protocol, parse_protocol
from ebbmap.files.study import Study, load_study, parse_study
from ebbmap.files.writing import save_dataset, write_text
from ebbmap.policies.language import Policy
from ebbmap.runs.dates import stated_date
from ebbmap.runs.job import STORE
from ebbmap.runs.policies import PolicyCheck, check_policy, policy_of
from ebbmap.runs.run import run_check, run_study
from ebbmap.runs.status import Status, status_of

T = TypeVar("T")

#: Files that say what was asked.
STUDY_FILE, PROTOCOL_FILE = "study.toml", "protocol.toml"

#: Variables of a result that its line in the summary names.
_NAMED = 4

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


class Results(Mapping[str, xr.Dataset]):
    """The results in a folder, by name; each file is opened when it is first used.

    Parameters
    ----------
    folder : Path
        Output folder of a run or a check.

    Attributes
    ----------
    folder : Path
        The same.
    names : list of str
        What is there, in alphabetical order: stems of NetCDF files, and `cases` for a Zarr store.
    """

    def __init__(self, folder: Path):
        self.folder = folder
        self._opened: dict[str, xr.Dataset] = {}
        self.look()

    def look(self) -> None:
        """Look again at what is there; what was opened is closed."""
        self.close()
        self._paths = {path.stem: path for path in self.folder.glob("*.nc")}
        if (self.folder / STORE).is_dir():
            self._paths[Path(STORE).stem] = self.folder / STORE
        self.names = sorted(self._paths)

    @property
    def study(self) -> str:
        """Text of the study or the protocol that was run; empty where nothing says it."""
        for name in (STUDY_FILE, PROTOCOL_FILE):
            if (self.folder / name).is_file():
                return (self.folder / name).read_text(encoding="utf-8")
        texts = (dataset.attrs.get("protocol", "") for dataset in self.values())
        return next((str(text) for text in texts if text), "")

    @property
    def status(self) -> Status | None:
        """How far the run has come; None where no pieces were kept, as of a short study."""
        return status_of(self.folder)

    def close(self) -> None:
        """Close every file that was opened; it is opened again when it is next used."""
        for dataset in self._opened.values():
            dataset.close()
        self._opened.clear()

    def add(self, outcome: Any, *, catalogue: Catalogue | None = None) -> list[str]:
        """Add an outcome of one's own to what is there, without solving a case again.

        The files stay as they are; see `ebbmap.catalogue.add_outcome`.

        Parameters
        ----------
        outcome : callable
            A marked function (`ebbmap.outcome`).
        catalogue : Catalogue, optional
            What it may take besides the bundled entries.

        Returns
        -------
        list of str
            Names of the results that have it now.

        Raises
        ------
        EbbmapError
            If no result holds what it needs.

        Examples
        --------
        >>> from ebbmap.catalogue import outcome
        >>> @outcome(units="cmH2O", source="invented for this example")
        ... def twice_auto_peep(auto_peep):
        ...     return 2.0 * auto_peep
        >>> results = run(EXAMPLE)
        >>> results.add(twice_auto_peep)
        ['profile']
        >>> results["profile"]["twice_auto_peep"].dims
        ('population', 't_low')
        """
        added, refused = [], []
        for name in self.names:
            try:
                before = self[name]
                self._opened[name] = add_outcome(before, outcome, catalogue=catalogue)
                self._opened[name].set_close(before.close)
                added.append(name)
            except EbbmapError as error:
                refused.append(f"{name}: {error}")
        if not added:
            raise EbbmapError("\n".join(refused))
        return added

    def __getitem__(self, name: str) -> xr.Dataset:
        if name not in self._paths:
            raise KeyError(unknown_name("result", name, self.names))
        if name not in self._opened:
            path = self._paths[name]
            self._opened[name] = (
                xr.open_zarr(path, chunks=None)
                if path.is_dir()
                else xr.open_dataset(path, engine="h5netcdf")
            )
        return self._opened[name]

    def __contains__(self, name: object) -> bool:
        return name in self._paths

    def __iter__(self) -> Iterator[str]:
        return iter(self.names)

    def __len__(self) -> int:
        return len(self.names)

    def __repr__(self) -> str:
        title = f"<Results: {len(self)} in {str(self.folder)!r}{self._progress()}>"
        return "\n".join([title, *(f"    {name}: {_summary(self[name])}" for name in self)])

    def _progress(self) -> str:
        try:
            status = self.status
        except EbbmapError:
            return ", plan.json missing or damaged"
        if status is None or not status.parts:
            return ""
        done, pieces = (sum(getattr(p, key) for p in status.parts) for key in ("done", "pieces"))
        return f", {done:,} of {pieces:,} pieces finished{', at work' if status.running else ''}"


def _summary(dataset: xr.Dataset) -> str:
    """Return sizes and variables of a result in one line."""
    sizes = " x ".join(f"{dim} {size:,}" for dim, size in dataset.sizes.items())
    names = [str(name) for name in dataset.data_vars]
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"{', '.join(names[:_NAMED])}{more} ({sizes or 'one value each'})"


def open_results(folder: str | Path) -> Results:
    """Open the results of a run or a check without reading them.

    Parameters
    ----------
    folder : str or Path
        Output folder of `run` or `check`, or of the commands of these names.

    Returns
    -------
    Results
        A mapping of names to Datasets, which also knows the text of the study and how far the run
        has come. A Zarr store is read block by block, as much as is asked for.

    Raises
    ------
    EbbmapError
        If the folder is missing or holds no result.
    KeyError
        Later, for a name that is not there; the message gives the nearest one.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     made = run(EXAMPLE, out=folder)
    ...     results = open_results(folder)
    ...     shape = results["profile"]["auto_peep"].shape
    ...     results.study == EXAMPLE
    True
    >>> results.names
    ['profile']
    >>> shape
    (1, 2)
    """
    path = Path(folder)
    results = Results(path)
    if not results.names:
        raise EbbmapError(
            f"{str(folder)!r} must be a folder with results (*.nc or {STORE}); it holds none. Name "
            "the --out of a run or a check, or run the study first."
        )
    return results


def run(
    study: str | Path | Study,
    *,
    out: str | Path | None = None,
    workers: int = 1,
    cluster: str | None = None,
    fresh: bool = False,
    engine: Engine | None = None,
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
    progress: Callable[[str, int], None] | None = None,
) -> Check | PolicyCheck:
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

    Returns
    -------
    Check or PolicyCheck
        `holds`, and `results`: a mapping of names to Datasets; `findings` too of a policy.

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
    done: Check | PolicyCheck
    try:
        how: dict[str, Any] = {"workers": workers, "cluster": cluster, "fresh": fresh}
        how |= {"date": stated, "progress": partial(_counter, progress=progress)}
        if policy is not None:
            done = check_policy(policy, folder, **how)
        else:
            done = run_check(draft, folder, **how)
        if not passing:
            text = draft.text if policy is None else policy.protocol.text
            write_text(folder / PROTOCOL_FILE, text)
            for name, dataset in done.results.items():
                save_dataset(dataset, folder / f"{name}.nc")
    finally:
        if passing:
            shutil.rmtree(folder, ignore_errors=True)
    return done


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
