"""What work will cost, and whether there is room; of a sweep that streams, by a short trial."""

from __future__ import annotations

import shutil
import time
from collections.abc import Sequence
from dataclasses import dataclass
from math import prod
from pathlib import Path

import numpy as np
import psutil

from ebbmap.cases.blocks import boxes
from ebbmap.cases.checks import MEMORY_SHARE
from ebbmap.errors import TooLargeError
from ebbmap.runs.job import PART, Job
from ebbmap.runs.store import codec

#: Cases of the trial: long enough to be measured, short enough to be waited for.
TRIAL = 2**16

#: Bytes of a worker before its first block: interpreter and libraries (measured).
WORKER_BYTES = 200e6

#: Arrays of a block that live beside its columns while it is written.
COPIES = 2

_GB = 1e9  # bytes


@dataclass(frozen=True)
class Cost:
    """What one part of a run costs.

    Parameters
    ----------
    name : str
        Of the part: an analysis as in the study, or a part of a check.
    cases : int
        Cases to solve, at most.
    disk, memory : float
        Bytes that it keeps, and bytes of all workers together.
    seconds : float
        Time with all workers, if they do not hinder each other.
    blocks : int
        Blocks to do, where a sweep streams.
    kept, new : int
        Finished pieces that stay, and others that are known to be needed; both 0 where no earlier
        run is gone on with.
    why : str
        Why pieces of an earlier, smaller study do not stay; empty where all do.
    adds : str
        What is added to those that stay without solving a case again; empty where nothing is.
    """

    name: str
    cases: int
    disk: float
    memory: float
    seconds: float
    blocks: int = 0
    kept: int = 0
    new: int = 0
    why: str = ""
    adds: str = ""


def forecast(job: Job, blocks: int, workers: int) -> Cost:
    """Return the expected cost of some blocks of a sweep, by solving a part of its first one.

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
    return Cost(
        PART,
        todo,
        packed / cases * todo,
        workers * memory,
        each * todo / max(workers, 1),
        blocks,
    )


def check_room(costs: Sequence[Cost], folder: Path) -> None:
    """Refuse what the disk or the memory cannot hold.

    Parameters
    ----------
    costs : sequence of Cost
        Of all that is about to run, one after the other.
    folder : Path
        Where results go; need not be there yet.

    Raises
    ------
    TooLargeError
        With the sizes and the remedy.
    """
    disk, largest = sum(cost.disk for cost in costs), max(costs, key=lambda cost: cost.memory)
    there = next(above for above in (folder, *folder.absolute().parents) if above.is_dir())
    free = shutil.disk_usage(there).free
    if disk > free:
        raise TooLargeError(
            f"the results must fit on the disk ({free / _GB:,.1f} GB free); they take about "
            f"{disk / _GB:,.1f} GB for {sum(cost.cases for cost in costs):,} cases. Take fewer "
            "points or outcomes, precision = 'float32', or store = 'none' with reductions."
        )
    available = psutil.virtual_memory().available
    if largest.memory > MEMORY_SHARE * available:
        raise TooLargeError(
            f"{largest.name} must fit in memory ({available / _GB:,.1f} GB free); it takes about "
            f"{largest.memory / _GB:,.1f} GB. Take fewer points or lungs, fewer --workers, or "
            "smaller blocks."
        )
