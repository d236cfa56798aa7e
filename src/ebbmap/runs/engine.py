"""Pieces over processes, on one machine or many. Which worker does a piece never matters."""

from __future__ import annotations

import os
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Protocol

import joblib
from joblib.externals.loky.process_executor import BrokenProcessPool

from ebbmap.errors import EbbmapError, UnfinishedError
from ebbmap.runs.bond import end_with

#: How long workers wait for more work before they end [s].
IDLE = 20

#: How often the workers are started again after one of them was lost.
RESTARTS = 2


def default_workers() -> int:
    """Return how many processors this process may use."""
    return int(joblib.cpu_count())


class Work(Protocol):
    """What is cut into pieces that can be done anywhere."""

    @property
    def folder(self) -> Path:
        """Where results go."""

    def run(self, name: str) -> int:
        """Do a piece and enter it in the ledger; return its cases."""

    def task(self, name: str) -> tuple[Callable[..., int], tuple[str, ...]]:
        """Return a function and the words with which it does a piece in any process."""


def run_pieces(
    work: Work,
    missing: Callable[[], list[str]],
    *,
    alone: float,
    workers: int,
    cluster: str | None,
    progress: Callable[[int], None],
) -> None:
    """Do every missing piece.

    Parameters
    ----------
    work : Work
        What is cut into pieces.
    missing : callable
        Returns the pieces that are still to do; asked again when these are done.
    alone : float
        Time that this process works alone before others are started [s].
    workers : int
        Processes; one means this one.
    cluster : str, optional
        Address of a dask.distributed scheduler that is used instead.
    progress : callable
        Called with the cases of each piece that is done.

    Raises
    ------
    UnfinishedError
        If the disk or the workers fail; finished pieces are kept.
    """
    lost = 0
    with disk_faults_reported(work.folder):
        while todo := missing():
            try:
                with _ended(_results(work, todo, alone, workers, cluster)) as done:
                    for cases in done:
                        progress(cases)
            except _lost_workers() as error:
                lost += 1
                if lost > RESTARTS:
                    raise UnfinishedError(
                        f"workers were lost {lost} times, which most often means too little memory "
                        f"({type(error).__name__}). What is finished is kept. Give the same "
                        "command again with fewer --workers."
                    ) from None


@contextmanager
def _ended(results: Iterator[int]) -> Iterator[Iterator[int]]:
    """Give results, and end what is at work on more of them when an exception stops the run."""
    with warnings.catch_warnings(), closing(results):  # type: ignore[type-var]
        # joblib warns of tasks that were given up, which is what was asked for
        warnings.filterwarnings("ignore", module="joblib")
        yield results


@contextmanager
def disk_faults_reported(folder: Path) -> Iterator[None]:
    """Turn a fault of the disk into a sentence that says how to resume the run."""
    try:
        yield
    except OSError as error:
        raise UnfinishedError(
            f"the run stopped: {error.strerror or error} ({folder}). What is finished is kept. "
            "Make room or permit writing, and give the same command again."
        ) from None


def _results(
    work: Work, todo: list[str], alone: float, workers: int, cluster: str | None
) -> Iterator[int]:
    if cluster is None:
        until = time.perf_counter() + alone
        # other processes take a second or two to start: short work is done before they are there
        while todo and (workers == 1 or len(todo) == 1 or time.perf_counter() < until):
            yield work.run(todo[0])
            todo = todo[1:]
    if not todo:
        return
    tasks = (joblib.delayed(function)(*words) for function, words in map(work.task, todo))
    with _engine(cluster):
        yield from joblib.Parallel(
            n_jobs=-1 if cluster else min(workers, len(todo)),
            return_as="generator_unordered",
            # one piece is work enough for one task
            batch_size=1,
            pre_dispatch="2 * n_jobs" if not cluster else "4 * n_jobs",
        )(tasks)


@contextmanager
def _engine(cluster: str | None) -> Iterator[None]:
    if cluster is None:
        with joblib.parallel_config(
            backend="loky",
            inner_max_num_threads=1,
            idle_worker_timeout=IDLE,
            initializer=end_with,
            initargs=(os.getpid(),),
        ):
            yield
        return
    try:
        from distributed import Client
    except ImportError:
        raise EbbmapError(
            "--cluster needs dask.distributed, which is not here. Install ebbmap[cluster]."
        ) from None
    try:
        client = Client(cluster, timeout="10s", set_as_default=True)
    except (OSError, ValueError) as error:
        raise EbbmapError(
            f"--cluster must be the address of a running scheduler; got {cluster!r} ({error}). "
            "Start one, or leave --cluster out."
        ) from None
    with client, joblib.parallel_config(backend="dask"):
        yield


def _lost_workers() -> tuple[type[Exception], ...]:
    found: list[Any] = [BrokenProcessPool]
    try:
        from distributed import KilledWorker
    except ImportError:
        return tuple(found)
    return (*found, KilledWorker)
