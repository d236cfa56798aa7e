"""PAWN indices beside Sobol indices: what moves the whole distribution of an outcome."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.common.factors import say_factor, say_outcome
from ebbmap.cases.design import RESAMPLING_STREAM, factors_of, seed_stream
from ebbmap.cases.labelling import Variable
from ebbmap.kernels.pawn import SLICES, pawn_indices
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.registries.parameters import PARAMETERS

#: PAWN looks at this many base rows (twice as many cases) and at these outcomes and the margins.
PAWN_ROWS = 1024
PAWN_OUTCOMES = ("auto_peep", "release_volume_per_kg")


PAWN: Mapping[str, Variable] = {
    "pawn": Variable("PAWN index (median)"),
    "pawn_interval": Variable("interval of the PAWN index"),
    "pawn_noise": Variable("PAWN index that a factor without influence stays below"),
    "pawn_largest": Variable("largest distance of a slice (PAWN)"),
    "pawn_largest_noise": Variable("largest distance that a factor without influence stays below"),
    "disagreement": Variable("where the two kinds of index rank otherwise"),
}


def few_cases_notes(result: xr.Dataset) -> list[str]:
    """Return a sentence for each factor that acts in few cases only, at any place.

    Parameters
    ----------
    result : xarray.Dataset
        One population, with `pawn`, `pawn_largest` and what noise gives.
    """
    few = (result["pawn"] < result["pawn_noise"]) & (
        result["pawn_largest"] > 2.0 * result["pawn_largest_noise"]
    )
    return [
        f"{say_factor(factor)} acts on {say_outcome(outcome)} in few cases: its PAWN index is "
        "within the noise, but not its largest slice"
        for factor in few["parameter"].values.astype(str)
        for outcome in few["pawn_outcome"].values.astype(str)
        if bool(few.sel(parameter=factor, pawn_outcome=outcome).any())
    ]


def estimate_pawn(
    design: xr.Dataset, outputs: xr.Dataset, along: str, *, level: float, seed: int
) -> dict[str, Any]:
    """Estimate PAWN indices on the A and B rows of a design, as variables of a result.

    They describe `PAWN_OUTCOMES` and margins; there are none where `outputs` has none of these.
    """
    n, replicates = int(design.attrs["base_size"]), int(design.attrs["replicates"])
    names = [str(name) for name in outputs.data_vars]
    chosen = [name for name in names if name in PAWN_OUTCOMES or name.startswith("margin_")]
    if not chosen:
        return {}
    block = design.sizes["sample"] // n
    starts = block * np.arange(min(n, PAWN_ROWS))
    rows = np.concatenate([starts, starts + block - 1])
    columns = outputs[chosen].isel(sample=rows).to_array("pawn_outcome")
    columns = columns.transpose("sample", along, "pawn_outcome")
    flat = columns.values.reshape(len(rows), -1)
    solved = np.isfinite(flat).all(axis=1)
    found = pawn_indices(
        design["unit"].values[rows[solved]],
        flat[solved],
        level=level,
        replicates=max(replicates, REPLICATES),
        rng=seed_stream(seed, RESAMPLING_STREAM),
    )
    dims = (along, "pawn_outcome", "parameter")
    shape = (columns.sizes[along], len(chosen), design.sizes["parameter"])
    index = xr.DataArray(
        found.index.T.reshape(shape),
        {"pawn_outcome": chosen, "parameter": factors_of(design)},
        dims,
    )
    interval = xr.DataArray(
        np.moveaxis(found.interval, 0, 1).reshape(*shape, 2), dims=(*dims, "ci_bound")
    )
    largest = xr.DataArray(found.largest.T.reshape(shape), dims=dims)
    index.attrs = {"slices": SLICES, "cases": int(solved.sum())}
    interval.attrs = {"ci_level": level}
    estimates = {
        "pawn": index,
        "pawn_interval": interval,
        "pawn_largest": largest,
        "pawn_largest_noise": xr.DataArray(found.largest_noise),
        "pawn_noise": xr.DataArray(found.noise),
    }
    for name, array in estimates.items():
        array.attrs = PAWN[name].attributes() | array.attrs
    return estimates


def disagreement_sentence(
    index: xr.DataArray, interval: xr.DataArray, indices: xr.Dataset, along: str
) -> str:
    """Return where two parameters are ranked one way by variance and the other way by distribution.

    Both rankings count only where the intervals of the two parameters do not overlap.
    """
    places = indices[along].values
    names = indices["parameter"].values.astype(str)
    found_pairs = []
    for outcome in index["pawn_outcome"].values.astype(str):
        total = indices["total_interval"].sel(outcome=outcome).transpose(along, "parameter", ...)
        one = interval.isel(pawn_outcome=list(index["pawn_outcome"].values).index(outcome))
        low, high = (np.stack([a.values[..., k] for a in (total, one)]) for k in (0, 1))
        # above[kind, place, i, j]: i ranks above j
        above = low[..., :, None] > high[..., None, :]
        for place, i, j in np.argwhere(above[0] & above[1].swapaxes(-1, -2)):
            found_pairs.append((outcome, places[place], names[i], names[j]))
    if not found_pairs:
        return "PAWN and total indices rank no two parameters differently beyond their intervals"
    outcome, place, first, second = found_pairs[0]
    return (
        f"{len(found_pairs)} disagreements beyond the intervals, such as {say_outcome(outcome)} at "
        f"{PARAMETERS[along].say(round(float(place), 4))}: total index {say_factor(first)} above "
        f"{say_factor(second)}, PAWN the other way round"
    )
