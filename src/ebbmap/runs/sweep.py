"""A sweep that streams: begun or gone on with, and its results opened with labels."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from math import prod
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import (
    describe,
    label,
    label_binding,
    label_status,
    label_verdict,
)
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.errors import EbbmapError, UnfinishedError
from ebbmap.files.study import Study
from ebbmap.files.writing import put_in_place, save_dataset
from ebbmap.kernels.shares import share_words, shares_of_counts
from ebbmap.registries.derivations import DERIVATIONS
from ebbmap.registries.limits import CAUTION, SAFE, UNDETERMINED, UNSAFE
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.runs import store
from ebbmap.runs.counts import BINS, QUANTILE_ERROR, quantiles
from ebbmap.runs.engine import disk_faults_told, run_pieces
from ebbmap.runs.forecast import Forecast, check_room, forecast
from ebbmap.runs.job import PART, STORE, Job, number_of, study_ledger
from ebbmap.runs.ledger import FILES, Ledger, remove

#: Quantiles that the reduction of this name keeps.
MARKS = (0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99)

#: Threads that compare files with their checksums, at most; a disk gives no more to more of them.
READERS = 4

#: Drawn lungs are listed in a store up to this many values; the seed draws them again.
LISTED = 10_000_000

_GB = 1e9  # bytes


def streams(study: Study) -> bool:
    """Whether the sweep of a study goes block by block: it says so, or is large."""
    asked = study.file.analyses.sweep
    if asked is None or asked.store == "netcdf":
        return False
    if asked.store in ("zarr", "none") or asked.reductions or asked.precision == "float32":
        return True
    job = Job(study, Path())
    return job.layout.cases * job.bytes_per_case > asked.netcdf_up_to_gb * _GB


def check_begun(study: Study, folder: Path, *, fresh: bool = False) -> None:
    """Refuse a folder that holds another run, before anything in it is written.

    With `fresh` another run may be there, but no store that none has made.

    Raises
    ------
    EbbmapError
        With what changed.
    """
    ledger = study_ledger(study, folder)
    if not fresh:
        ledger.check()
    if (folder / STORE).exists() and not ledger.sound and not ledger.names():
        raise EbbmapError(
            f"{folder / STORE} is there already, and no run of this kind made it. Name another "
            "folder with --out."
        )


def stream_sweep(
    study: Study,
    ledger: Ledger,
    *,
    workers: int = 1,
    cluster: str | None = None,
    progress: Callable[[int], None],
) -> Iterator[tuple[xr.Dataset, Path]]:
    """Do every block that is missing, then open what came of it.

    Parameters
    ----------
    study : Study
        With a sweep.
    ledger : Ledger
        Of the run, begun. What an earlier run of the same study finished there is kept.
    workers : int
        Processes.
    cluster : str, optional
        Address of a dask.distributed scheduler.
    progress : callable
        Called with finished cases.

    Yields
    ------
    Dataset, Path
        The store, opened without being read, and the reductions; each if asked for.

    Raises
    ------
    EbbmapError
        If there is no room.
    UnfinishedError
        If the run had to stop midway.
    """
    folder = ledger.folder
    job = Job(study, folder, ledger)
    ledger.note({PART: (job.layout.blocks, job.layout.cases)})
    with disk_faults_told(folder):
        todo = _missing(job, workers, content=True)
        progress(job.layout.cases - sum(job.layout.cases_in(number_of(name)) for name in todo))
        if todo:
            check_room(forecast(job, len(todo), workers), folder)
        if job.stored:
            _prepare_store(job)
    first = [todo]
    # what this run itself has finished is not read again: its size is compared with what was meant
    run_pieces(
        job,
        lambda: first.pop() if first else _missing(job, workers, content=False),
        workers=workers,
        cluster=cluster,
        progress=progress,
    )
    if job.stored:
        yield xr.open_zarr(job.path, chunks=None), job.path
    if job.asked.reductions:
        result = _summary(job)
        yield result, save_dataset(result, folder / "cases_summary.nc")


def foresee(study: Study, folder: Path, workers: int) -> Forecast:
    """Foretell what is still to do of a sweep that streams; nothing is written.

    Raises
    ------
    EbbmapError
        If the folder holds another run.
    """
    check_begun(study, folder)
    job = Job(study, folder)
    there = set(job.ledger.names())
    return forecast(job, sum(name not in there for name in job.names()), workers)


def _missing(job: Job, workers: int, *, content: bool) -> list[str]:
    """Take back blocks that are not entered, or are not what was entered, and return them."""
    there = set(job.ledger.names())

    def lacks(name: str) -> bool:
        entry = job.ledger.read(name) if name in there else None
        return entry is None or bool(job.ledger.differing(entry, content=content))

    with ThreadPoolExecutor(min(workers, READERS)) as readers:
        names = job.names()
        todo = [name for name, lost in zip(names, readers.map(lacks, names), strict=True) if lost]
    for name in todo:
        job.ledger.strike(name)
        for place in job.places(number_of(name)).values() if name in there else ():
            if (job.folder / place).is_dir():
                remove(job.folder / place)
    return todo


def _prepare_store(job: Job) -> None:
    """See that axes, metadata and the folder of every column are what they were made as.

    They follow from the study, so whatever is not, or cannot be vouched for, is made again.
    """
    entry = job.ledger.read(f"{FILES}.{STORE}")
    if entry is not None and not job.ledger.differing(entry):
        return
    columns = {
        name: (kind, {key: _plain(value) for key, value in _attrs(job, name).items()})
        for name, kind in job.columns.items()
    }
    made = job.ledger.parts / STORE
    shutil.rmtree(made, ignore_errors=True)
    store.create(made, _coords(job), job.layout, columns, job.asked.compression)
    places = [path.relative_to(made) for path in sorted(made.rglob("*")) if path.is_file()]
    if not job.path.exists():
        with job.ledger.turn():
            os.replace(made, job.path)
    else:
        for place in places:
            if (job.path / place.parent).is_file():
                remove(job.path / place.parent)
            (job.path / place.parent).mkdir(parents=True, exist_ok=True)
            if (job.path / place).is_dir():
                remove(job.path / place)
        put_in_place(
            {job.path / place: partial(shutil.copyfile, made / place) for place in places},
            parts=job.ledger.parts,
            turn=job.ledger.turn,
        )
        shutil.rmtree(made, ignore_errors=True)
    job.ledger.vouch(STORE, [f"{STORE}/{place.as_posix()}" for place in places])


def _attrs(job: Job, name: str) -> dict[str, Any]:
    """Attributes of a column, as in NetCDF."""
    blank = xr.DataArray(0)
    if name == "status":
        return label_status(blank).attrs
    what, _, rule = name.partition("_")
    if rule in job.rules and what in ("verdict", "margin", "binding"):
        if what == "verdict":
            return label_verdict(blank).attrs
        if what == "binding":
            return label_binding(blank, job.rules[rule]).attrs
        return describe(
            blank,
            "safety margin",
            comment="signed distance to the nearest hard limit over that limit's width",
        ).attrs
    return label(blank, name).attrs


def _coords(job: Job) -> xr.Dataset:
    """Coordinates and attributes of the results: axes, names of populations, drawn lungs."""
    groups = job.question.group_names
    coords: dict[str, Any] = {"population": np.array(groups)}
    coords |= {n: label(xr.DataArray(axis, dims=n), n) for n, axis in job.axes.items()}
    drawn = _drawn(job)
    use = Use(tuple(job.axes), outcomes=job.todo.outcomes)
    attrs = add_provenance(
        xr.Dataset(coords=coords),
        job.question,
        "every case",
        use,
        precision=f"{job.asked.precision}: each value is rounded by "
        f"{np.finfo(job.dtype).eps / 2:.1e} of its size at most",
        study=job.study.text,
        study_hash=job.study.digest,
        study_title=job.study.file.title,
    ).attrs
    # no time of day: the same study gives the same bytes; pieces/plan.json knows when it was begun
    attrs["history"] = "made by ebbmap, block by block"
    return xr.Dataset(coords=coords | drawn, attrs=attrs)


def _drawn(job: Job) -> dict[str, xr.DataArray]:
    """Parameters that are given, drawn or left at their default, along what they vary with."""
    layout = job.layout
    along = [
        n
        for dim, n in zip(layout.dims, layout.shape, strict=True)
        if dim in ("population", "sample", *job.held)
    ]
    if prod(along) * len(job.todo.parameters) > LISTED:
        return {}
    whole = tuple(slice(0, n) for n in layout.shape[1:])
    rows = [job.inputs((slice(i, i + 1), *whole)) for i in range(layout.shape[0])]
    derived = {rule.target for rule in DERIVATIONS if rule.trigger in rows[0]}
    found = {
        name: label(xr.DataArray(float(PARAMETERS[name].default)), name)
        for name in job.todo.parameters
        if name not in rows[0] and name not in derived
    }
    for name in set(rows[0]).intersection(*rows) - set(job.axes):
        same = all(row[name].size == 1 and row[name] == rows[0][name] for row in rows)
        shape = (1,) * len(layout.dims)
        full = np.concatenate([row[name] + np.zeros(shape) for row in rows[: 1 if same else None]])
        # a dimension of one place is one along which nothing varies, except the lungs
        own = [axis for axis, n in enumerate(full.shape) if n > 1]
        array = xr.DataArray(
            full.reshape([full.shape[axis] for axis in own]),
            dims=[layout.dims[axis] for axis in own],
        )
        found[name] = label(array, name)
    return {name: found[name] for name in sorted(found)}


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray) else value


def _summary(job: Job) -> xr.Dataset:
    """Add the entries of all blocks up, and label what comes of it."""
    layout, asked = job.layout, job.asked
    cells = tuple(n for dim, n in zip(layout.dims, layout.shape, strict=True) if dim in job.marked)
    counts = {
        rule: np.zeros((layout.shape[0], *cells, 4, len(limits.hard) + 1), np.int64)
        for rule, limits in job.rules.items()
    }
    extremes = {n: np.full((layout.shape[0], 2), np.nan) for n in job.kept}
    bins = {n: np.zeros((layout.shape[0], BINS), np.int64) for n in job.kept}
    for name in job.names():
        entry, box = job.ledger.read(name), layout.box(number_of(name))
        if entry is None:
            raise UnfinishedError(
                f"{job.ledger.path / name}.piece was damaged or removed while this run was at "
                "work. Give the same command again."
            )
        at = (
            box[0],
            *(one for dim, one in zip(layout.dims, box, strict=True) if dim in job.marked),
        )
        group = box[0].start
        for key, found in entry.arrays.items():
            what, _, of = key.partition("_")
            if what == "counts":
                counts[of][at] += found.reshape(counts[of][at].shape)
            elif what == "extremes":
                low, high = extremes[of][group]
                extremes[of][group] = np.fmin(low, found[0]), np.fmax(high, found[1])
            elif what == "bins":
                bins[of][group, found[0]] += found[1]
    parts = [
        xr.Dataset(
            coords={
                k: v for k, v in _coords(job).coords.items() if k in ("population", *job.marked)
            }
        )
    ]
    if "safe_share" in asked.reductions:
        parts.append(_shares(job, counts, layout.cases // prod((layout.shape[0], *cells))))
    for name in job.kept:
        if "extremes" in asked.reductions:
            array = xr.DataArray(extremes[name], dims=("population", "extreme"))
            parts.append(label(array, name).to_dataset(name=f"{name}_extremes"))
        if "quantiles" in asked.reductions:
            found = np.stack([quantiles(one, MARKS) for one in bins[name]])
            array = label(xr.DataArray(found, dims=("population", "quantile")), name)
            array.attrs["comment"] = f"read from bins; off by {QUANTILE_ERROR:.2g} of its size"
            parts.append(array.to_dataset(name=f"{name}_quantiles"))
    dataset = xr.merge(parts, combine_attrs="drop", join="outer", compat="no_conflicts")
    if "extreme" in dataset.dims:
        dataset = dataset.assign_coords(extreme=["least", "greatest"])
    if "quantile" in dataset.dims:
        dataset = dataset.assign_coords(quantile=list(MARKS))
    dataset.attrs = _coords(job).attrs | {"title": "what every case adds up to"}
    return dataset


def _shares(job: Job, counts: dict[str, np.ndarray], cases: int) -> xr.Dataset:
    dims = ("population", *job.marked)
    rules = []
    for rule, count in counts.items():
        limits = job.rules[rule]
        by_verdict = count.sum(axis=-1)
        broken = np.moveaxis(count[..., UNSAFE, : len(limits.hard)], -1, 0)
        found = shares_of_counts(
            by_verdict[..., SAFE],
            by_verdict[..., CAUTION],
            by_verdict[..., UNDETERMINED],
            broken,
            cases=cases,
        )
        bounds = [bound.name for bound in limits.hard]
        rules.append(
            xr.Dataset(
                {
                    "safe_share": (dims, found.safe),
                    "safe_share_interval": (
                        (*dims, "ci_bound"),
                        np.stack([found.safe_low, found.safe_high], -1),
                    ),
                    "caution_share": (dims, found.caution),
                    "undetermined_share": (dims, found.undetermined),
                    "binding_count": (
                        ("bound", *dims),
                        count[..., :-1].sum(-2).transpose(count.ndim - 2, *range(count.ndim - 2)),
                    ),
                    "broken_share": (("bound", *dims), found.broken),
                },
                {"bound": bounds, "ci_bound": ["lower", "upper"]},
            )
        )
    dataset = xr.concat(rules, dim=xr.Variable("rule", list(counts)), join="outer")
    for name in dataset.data_vars:
        words = "cases to which this limit is nearest"
        if name != "binding_count":
            words = share_words(str(name), "cases")
        dataset[name] = describe(dataset[name], words)
    dataset["safe_share_interval"].attrs |= {"ci_method": "Wilson score", "ci_level": 0.95}
    return dataset
