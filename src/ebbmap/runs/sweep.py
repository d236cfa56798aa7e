"""What the results of a sweep that streams say: axes, labels, and what all blocks add up to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import prod
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
from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, UNSAFE
from ebbmap.kernels.shares import share_words, shares_of_counts
from ebbmap.registries.derivations import DERIVATIONS
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.runs.counts import BINS, QUANTILE_ERROR, quantiles
from ebbmap.runs.job import Job, number_of

#: Quantiles that the reduction of this name keeps.
MARKS = (0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99)

#: Drawn lungs are listed in a store up to this many values; the seed draws them again.
LISTED = 10_000_000


def column_attrs(job: Job, name: str) -> dict[str, Any]:
    """Return the attributes of a column of the store, as in NetCDF."""
    attrs = _labelled(job, name).attrs
    return {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in attrs.items()}


def _labelled(job: Job, name: str) -> xr.DataArray:
    blank = xr.DataArray(0)
    if name == "status":
        return label_status(blank)
    what, _, rule = name.partition("_")
    if rule not in job.rules or what not in ("verdict", "margin", "binding"):
        return label(blank, name)
    if what == "verdict":
        return label_verdict(blank)
    if what == "binding":
        return label_binding(blank, job.rules[rule])
    return describe(
        blank,
        "safety margin",
        comment="signed distance to the nearest hard limit over that limit's width",
    )


def coordinates(job: Job) -> xr.Dataset:
    """Return what the results have in common: axes, names of populations, drawn lungs, texts."""
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
    """Return parameters that are given, drawn or left at their default."""
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
        found[name] = label(_one_array([row[name] for row in rows], layout.dims), name)
    return {name: found[name] for name in sorted(found)}


def _one_array(of_groups: list[np.ndarray], dims: tuple[str, ...]) -> xr.DataArray:
    """Return a parameter of every population as one array, along what it varies with."""
    first = of_groups[0]
    same = all(values.size == 1 and values == first for values in of_groups)
    shape = (1,) * len(dims)
    full = np.concatenate([values + np.zeros(shape) for values in of_groups[: 1 if same else None]])
    # a dimension of one place is one along which nothing varies, except the lungs
    own = [axis for axis, n in enumerate(full.shape) if n > 1]
    return xr.DataArray(
        full.reshape([full.shape[axis] for axis in own]), dims=[dims[axis] for axis in own]
    )


def summary_of(job: Job, sums: Callable[[str], Mapping[str, np.ndarray]]) -> xr.Dataset:
    """Add up what the blocks kept of their cases, and label it.

    Parameters
    ----------
    job : Job
        The sweep.
    sums : callable
        ``sums(name) -> {key: ndarray}``: what a block kept.
    """
    layout = job.layout
    cells = tuple(n for dim, n in zip(layout.dims, layout.shape, strict=True) if dim in job.marked)
    counts, extremes, bins = _add_up(job, cells, sums)
    reduced = coordinates(job)
    kept = {k: v for k, v in reduced.coords.items() if k in ("population", *job.marked)}
    parts = [xr.Dataset(coords=kept)]
    if "safe_share" in job.asked.reductions:
        parts.append(_shares(job, counts, layout.cases // prod((layout.shape[0], *cells))))
    for name in job.kept:
        if "extremes" in job.asked.reductions:
            array = xr.DataArray(extremes[name], dims=("population", "extreme"))
            parts.append(label(array, name).to_dataset(name=f"{name}_extremes"))
        if "quantiles" in job.asked.reductions:
            found = np.stack([quantiles(counted, MARKS) for counted in bins[name]])
            array = label(xr.DataArray(found, dims=("population", "quantile")), name)
            array.attrs["comment"] = f"read from bins; off by {QUANTILE_ERROR:.2g} of its size"
            parts.append(array.to_dataset(name=f"{name}_quantiles"))
    dataset = xr.merge(parts, combine_attrs="drop", join="outer", compat="no_conflicts")
    places = {"extreme": ["least", "greatest"], "quantile": list(MARKS)}
    dataset = dataset.assign_coords({n: places[n] for n in places if n in dataset.dims})
    dataset.attrs = reduced.attrs | {"title": "what every case adds up to"}
    return dataset


def _add_up(job: Job, cells: tuple[int, ...], sums: Callable[[str], Mapping[str, np.ndarray]]):
    """Return counts by rule, extremes and binned values by outcome, of every population."""
    layout = job.layout
    groups = layout.shape[0]
    counts = {
        rule: np.zeros((groups, *cells, 4, len(limits.hard) + 1), np.int64)
        for rule, limits in job.rules.items()
    }
    extremes = {n: np.full((groups, 2), np.nan) for n in job.kept}
    bins = {n: np.zeros((groups, BINS), np.int64) for n in job.kept}
    for name in job.names():
        box = layout.box(number_of(name))
        marked = [cut for dim, cut in zip(layout.dims, box, strict=True) if dim in job.marked]
        group, place = box[0].start, (box[0], *marked)
        for key, array in sums(name).items():
            what, _, of = key.partition("_")
            if what == "counts":
                counts[of][place] += array.reshape(counts[of][place].shape)
            elif what == "extremes":
                low, high = extremes[of][group]
                extremes[of][group] = np.fmin(low, array[0]), np.fmax(high, array[1])
            elif what == "bins":
                bins[of][group, array[0]] += array[1]
    return counts, extremes, bins


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
