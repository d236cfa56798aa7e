"""A sweep that streams, as a part of a run: a piece is a block of cases, and a chunk of the store.

One task writes a chunk, so nothing is locked but the folder.
"""

from __future__ import annotations

import os
import shutil
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.errors import EbbmapError
from ebbmap.files.study import Study
from ebbmap.files.writing import put_in_place, remove, save_dataset
from ebbmap.runs import store
from ebbmap.runs.enlarging import kept_pieces
from ebbmap.runs.entries import Entry, Fingerprint
from ebbmap.runs.forecast import Cost, check_room, forecast
from ebbmap.runs.job import FEWER, PART, STORE, Job, number_of
from ebbmap.runs.ledger import FILES, Ledger
from ebbmap.runs.plan import plan_of
from ebbmap.runs.sweep import column_attrs, coordinates, summary_of
from ebbmap.runs.work import Finished, Kept

#: Blocks up to which the finished ones among them are looked for before a run.
LISTED_BLOCKS = 10**6


def study_plan(study: Study) -> dict[str, Any]:
    """Return what a study asks, own entries included: what its run is compared by."""
    stated = study.file.model_dump(mode="json")
    return plan_of("study", stated, study.digest, study.catalogue.provenance)


def study_ledger(study: Study, folder: Path, run: str = "") -> Ledger:
    """Return the ledger of a study in a folder."""
    return Ledger(folder, study_plan(study), run, kept_pieces(study))


def check_begun(ledger: Ledger, *, fresh: bool = False) -> None:
    """Refuse a folder that holds another run, before anything in it is written.

    With `fresh` another run may be there, but no store that none has made.

    Raises
    ------
    EbbmapError
        With what changed.
    """
    if not fresh:
        ledger.check()
    made = ledger.folder / STORE
    if made.exists() and not ledger.sound and not ledger.names():
        raise EbbmapError(
            f"{made} exists already, and no run of this kind made it. Name another folder with "
            "--out."
        )


def foresee(
    study: Study, folder: Path, workers: int, *, fresh: bool = False, blocks: int | None = None
) -> Cost:
    """Return the expected cost of what is left of a sweep that streams; nothing is written.

    Parameters
    ----------
    study : Study
        With a sweep.
    folder : Path
        Where its results go.
    workers : int
        Processes.
    fresh : bool
        Whether what is finished there will be forgotten.
    blocks : int, optional
        Blocks that are to be done; those without an entry in the folder if not given.

    Raises
    ------
    EbbmapError
        If the folder holds another run.
    """
    job, ledger = Job(study), study_ledger(study, folder)
    check_begun(ledger, fresh=fresh)
    if blocks is not None:
        return forecast(job, blocks, workers) if blocks else Cost(PART, 0, 0.0, 0.0, 0.0)
    if fresh or job.layout.blocks > LISTED_BLOCKS:
        return forecast(job, job.layout.blocks, workers)
    there = set(ledger.names())
    return forecast(job, sum(name not in there for name in job.names()), workers)


class Chunks:
    """The blocks of a sweep that streams.

    Parameters
    ----------
    study : Study
        With a sweep.
    """

    #: Blocks are short and many: other processes are started at once.
    alone = 0.0

    def __init__(self, study: Study):
        self._job = Job(study)
        self.cases = self._job.layout.cases

    def wanted(self, kept: Kept) -> list[str]:
        """Return the name of every block."""
        return self._job.names()

    def places(self, name: str) -> list[str]:
        """Return the chunks that a block is, as places in the output folder."""
        return list(self._job.places(number_of(name)).values())

    def prepare(self, ledger: Ledger, todo: int, workers: int) -> None:
        """Check that there is room, and make the store with its axes and metadata.

        Raises
        ------
        TooLargeError
            If disk or memory do not suffice.
        """
        # blocks that only get further columns have their room already but for these
        fewer = sum(name.endswith(f".{FEWER}") for name in ledger.names())
        if todo > fewer:
            check_room([forecast(self._job, todo - fewer, workers)], ledger.folder)
        if self._job.stored:
            prepare_store(self._job, ledger)

    def do(self, name: str, kept: Kept) -> Finished:
        """Solve the cases of a block."""
        job, number = self._job, number_of(name)
        before = f"{name}.{FEWER}"
        there: dict[str, Fingerprint] = {}
        replaces: tuple[str, ...] = ()
        if kept.sound(before, content=True):
            entry = kept.entry(before)
            filled, sums = self._further(kept, entry, number)
            sums, there, replaces = {**entry.arrays, **sums}, dict(entry.files), (before,)
        else:
            filled, sums = job.solve(job.layout.box(number))
        chunks = {
            place: partial(store.packed, filled[column], job.layout, job.asked.compression)
            for column, place in job.places(number).items()
            if column in filled
        }
        how: dict[str, Any] = {"beside": chunks, "there": there, "replaces": replaces}
        return Finished(sums, job.layout.cases_in(number), **how)

    def _further(
        self, kept: Kept, entry: Entry, number: int
    ) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """Compute further columns of a block whose fewer columns are stored; see `Job.derive`."""
        job, places = self._job, self._job.places(number)
        shape = tuple(side.stop - side.start for side in job.layout.box(number))

        def read(column: str) -> np.ndarray:
            content = (kept.folder / places[column]).read_bytes()
            kind = job.columns[column]
            return store.unpacked(content, kind, shape, job.layout, job.asked.compression)

        stored = [name for name in job.kept if places[name] in entry.files]
        return job.derive(number, stored, read)

    def join(self, kept: Kept, ledger: Ledger) -> list[tuple[xr.Dataset, Path]]:
        """Open the store without reading it, and save what all blocks add up to, if asked for."""
        job, made = self._job, ledger.folder / STORE
        for name in ledger.names():
            if name.endswith(f".{FEWER}"):
                ledger.strike(name)
        results = [(xr.open_zarr(made, chunks=None), made)] if job.stored else []
        if job.asked.reductions:
            summary = summary_of(job, lambda name: kept.entry(name).arrays)
            results.append((summary, save_dataset(summary, ledger.folder / f"{PART}_summary.nc")))
        return results


def prepare_store(job: Job, ledger: Ledger) -> None:
    """Make sure that axes, metadata and the folder of every column are as they were made.

    They follow from the study, so what is not, or cannot be vouched for, is made again.
    """
    entry = ledger.read(f"{FILES}.{STORE}")
    if entry is not None and not entry.differing(ledger.folder):
        return
    columns = {name: (kind, column_attrs(job, name)) for name, kind in job.columns.items()}
    made, path = ledger.parts / STORE, ledger.folder / STORE
    shutil.rmtree(made, ignore_errors=True)
    store.create(made, coordinates(job), job.layout, columns, job.asked.compression)
    places = [file.relative_to(made) for file in sorted(made.rglob("*")) if file.is_file()]
    if not path.exists():
        with ledger.turn():
            os.replace(made, path)
    else:
        for place in places:
            if (path / place.parent).is_file():
                remove(path / place.parent)
            (path / place.parent).mkdir(parents=True, exist_ok=True)
            if (path / place).is_dir():
                remove(path / place)
        put_in_place(
            {path / place: partial(shutil.copyfile, made / place) for place in places},
            parts=ledger.parts,
            turn=ledger.turn,
        )
        shutil.rmtree(made, ignore_errors=True)
    ledger.vouch(STORE, [f"{STORE}/{place.as_posix()}" for place in places])
