"""Blocks over processes, on one machine or many. Which worker does a block never matters."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import joblib
from joblib.externals.loky.process_executor import BrokenProcessPool

from ebbmap.errors import EbbmapError, UnfinishedError
from ebbmap.streaming.job import Job, run_block

#: How long workers wait for a run that was killed before they end too [s].
IDLE = 20

#: How often the workers are started again after one of them was lost.
RESTARTS = 2


def default_workers() -> int:
    """Processors that this process may use."""
    return int(joblib.cpu_count())


def run_blocks(
    job: Job,
    missing: Callable[[], list[int]],
    *,
    workers: int,
    cluster: str | None,
    progress: Callable[[int], None],
) -> None:
    """Do every missing block.

    Parameters
    ----------
    job : Job
        The sweep.
    missing : callable
        Returns the blocks that are still to do.
    workers : int
        Processes; one means this one.
    cluster : str, optional
        Address of a dask.distributed scheduler that is used instead.
    progress : callable
        Called with the cases of each block that is done.

    Raises
    ------
    UnfinishedError
        If the disk or the workers fail; finished blocks are kept.
    """
    lost = 0
    while todo := missing():
        try:
            with disk_faults_told(job.folder):
                for _, cases in _results(job, todo, workers, cluster):
                    progress(cases)
        except _lost_workers() as error:
            lost += 1
            if lost > RESTARTS:
                raise UnfinishedError(
                    f"workers were lost {lost} times, which most often means too little memory "
                    f"({type(error).__name__}). What is finished is kept. Give the same command "
                    "again with fewer --workers."
                ) from None


@contextmanager
def disk_faults_told(folder: Path) -> Iterator[None]:
    """Turn a fault of the disk into a sentence that says how to go on."""
    try:
        yield
    except OSError as error:
        raise UnfinishedError(
            f"the run stopped: {error.strerror or error} ({folder}). What is finished is kept. "
            "Make room or permit writing, and give the same command again."
        ) from None


def _results(
    job: Job, todo: list[int], workers: int, cluster: str | None
) -> Iterable[tuple[int, int]]:
    if cluster is None and (workers == 1 or len(todo) == 1):
        yield from map(job.run, todo)
        return
    tasks = (joblib.delayed(run_block)(job.study.text, str(job.folder), n) for n in todo)
    with _engine(cluster):
        yield from joblib.Parallel(
            n_jobs=-1 if cluster else min(workers, len(todo)),
            return_as="generator_unordered",
            # one block is work enough for one task
            batch_size=1,
            pre_dispatch="2 * n_jobs" if not cluster else "4 * n_jobs",
        )(tasks)


@contextmanager
def _engine(cluster: str | None) -> Iterator[None]:
    if cluster is None:
        with joblib.parallel_config(
            backend="loky", inner_max_num_threads=1, idle_worker_timeout=IDLE
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
