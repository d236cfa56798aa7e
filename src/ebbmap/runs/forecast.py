"""What a streamed sweep will cost, before it starts: sizes counted, time by a short trial."""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass
from math import prod
from pathlib import Path

import numpy as np
import psutil

from ebbmap.cases.checks import MEMORY_SHARE
from ebbmap.cases.evaluate import boxes
from ebbmap.errors import TooLargeError
from ebbmap.runs.job import Job
from ebbmap.runs.store import codec

#: Cases of the trial: long enough to be measured, short enough to be waited for.
TRIAL = 2**16

#: Bytes of a worker before its first block: interpreter and libraries (measured).
WORKER_BYTES = 200e6

#: Arrays of a block that live beside its columns while it is written.
COPIES = 2


@dataclass(frozen=True)
class Forecast:
    """Costs of what is still to do.

    Parameters
    ----------
    cases, blocks : int
        How many.
    disk, memory : float
        Bytes, after compression; and bytes of all workers together.
    seconds : float
        Time with all workers, if they do not hinder each other.
    """

    cases: int
    blocks: int
    disk: float
    memory: float
    seconds: float


def forecast(job: Job, blocks: int, workers: int) -> Forecast:
    """Foretell the cost of so many blocks of a sweep by solving a piece of its first block.

    Parameters
    ----------
    job : Job
        The sweep.
    blocks : int
        Blocks to do.
    workers : int
        Processes.
    """
    layout = job.layout
    first = layout.box(0)
    box = next(boxes(tuple(one.stop for one in first), TRIAL))
    cases = prod(one.stop - one.start for one in box)
    job.solve(box)  # the first time pays for libraries and memory
    start = time.perf_counter()
    filled, _ = job.solve(box)
    packed = 0
    for values in filled.values() if job.stored else ():
        pack = codec(job.asked.compression, values.dtype.itemsize)
        flat = np.ascontiguousarray(values)
        packed += flat.nbytes if pack is None else len(pack.encode(flat))
    each = (time.perf_counter() - start) / cases
    todo = min(layout.cases, blocks * prod(layout.chunk))
    memory = WORKER_BYTES + COPIES * job.bytes_per_case * prod(layout.chunk)
    return Forecast(
        todo, blocks, packed / cases * todo, workers * memory, each * todo / max(workers, 1)
    )


def check_room(asked: Forecast, folder: Path) -> None:
    """Refuse what the disk or the memory cannot hold.

    Raises
    ------
    TooLargeError
        With the sizes and the remedy.
    """
    free = shutil.disk_usage(folder).free
    if asked.disk > free:
        raise TooLargeError(
            f"the store must fit on the disk ({free / 1e9:,.1f} GB free); it takes about "
            f"{asked.disk / 1e9:,.1f} GB for {asked.cases:,} cases. Take fewer points or outcomes, "
            "precision = 'float32', or store = 'none' with reductions."
        )
    available = psutil.virtual_memory().available
    if asked.memory > MEMORY_SHARE * available:
        raise TooLargeError(
            f"the workers must fit in memory ({available / 1e9:,.1f} GB free); they take about "
            f"{asked.memory / 1e9:,.1f} GB. Take fewer --workers or a smaller block."
        )
