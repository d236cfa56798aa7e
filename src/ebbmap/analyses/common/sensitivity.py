"""Variance-based sensitivity of labelled outcomes.

The numbers come from the kernel; this module checks, stacks and labels.
Sizes: d parameters, s outputs (outcomes times their extra dims).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.design import RESAMPLING_STREAM, check_design, factors_of, seed_stream
from ebbmap.cases.labelling import Variable
from ebbmap.errors import DesignMismatchError, NonFiniteOutcomeError
from ebbmap.kernels.resampling import CI_BOOTSTRAP, CI_SKEWED
from ebbmap.kernels.sobol import NanPolicy, sobol_indices

#: What is said of an outcome on one design.
INDICES: Mapping[str, Variable] = {
    "first": Variable("first-order Sobol index"),
    "total": Variable("total Sobol index"),
    "second": Variable("second-order Sobol index"),
    "first_interval": Variable("interval of the first-order Sobol index"),
    "total_interval": Variable("interval of the total Sobol index"),
    "second_interval": Variable("interval of the second-order Sobol index"),
    "dropped": Variable("base rows left out because an outcome was not finite"),
    # each outcome has its own unit, so one string cannot say what the variances are in
    "variance": Variable("variance of the outcome over the design", "see variance_units"),
}

_OWN_DIMS = {
    "first": ("parameter",),
    "total": ("parameter",),
    "second": ("parameter", "parameter_other"),
    "first_interval": ("parameter", "ci_bound"),
    "total_interval": ("parameter", "ci_bound"),
    "second_interval": ("parameter", "parameter_other", "ci_bound"),
    "dropped": (),
    "variance": (),
}

_WIDE = (
    " On one Sobol design the intervals are wider than they need be, for a bootstrap of rows "
    "cannot see how evenly the points lie."
)


def estimate_sobol(
    design: xr.Dataset,
    outputs: xr.Dataset,
    *,
    resamples: int = 1000,
    level: float = 0.95,
    seed: int = 0,
    nan_policy: NanPolicy = "raise",
) -> xr.Dataset:
    """Estimate the Sobol indices of every outcome to every parameter of a design.

    Parameters
    ----------
    design : Dataset
        What `draw_sobol_design` returned; base size, order, replicates and groups are read from
        it. Intervals come from the replicates where it has any.
    outputs : Dataset
        Outcomes computed on it, each with dim `sample` and any extra dims, which pass through;
        outcomes may differ in them. CF flags (`flag_values`) are not outcomes and are left out.
    resamples : int
        Bootstrap resamples, >= 2; not used for a design with replicates.
    level : float
        Probability that an interval is to cover, in (0, 1).
    seed : int
        Seed of the resamples, >= 0.
    nan_policy : {"raise", "drop_block"}
        Refuse outcomes that are not finite, or leave out, for each output by itself, the base
        rows whose block is not finite throughout.

    Returns
    -------
    Dataset
        `first`, `total` (..., outcome, parameter), `second` (..., parameter, parameter_other) if
        the design has second order, their intervals (..., ci_bound), and `dropped` and
        `variance` (..., outcome). NaN for an outcome that does not vary.

    Raises
    ------
    DesignMismatchError
        If design and outputs do not belong together (`check_design`), or there is no outcome.
    NonFiniteOutcomeError
        If an outcome is not finite and `nan_policy` is "raise"; every such outcome is named.
    EbbmapError
        If `resamples`, `level`, `seed` or `nan_policy` is not legal.

    Examples
    --------
    >>> from ebbmap.cases.design import draw_sobol_design
    >>> design = draw_sobol_design(["compliance", "t_low"], 256, seed=0)
    >>> outputs = xr.Dataset({"release_volume": design.unit.sum("parameter")})
    >>> indices = estimate_sobol(design, outputs)
    >>> indices["first"].sel(outcome="release_volume").values.round(2).tolist()
    [0.5, 0.5]
    """
    check_design(design, outputs)
    outcomes = pick_outcomes(outputs, nan_policy)
    factors = factors_of(design)
    replicates = int(design.attrs["replicates"])
    indices = sobol_indices(
        stack(outcomes),
        factors=len(factors),
        second_order=bool(design.attrs["second_order"]),
        replicates=replicates,
        resamples=resamples,
        level=level,
        rng=seed_stream(seed, RESAMPLING_STREAM),
        nan_policy=nan_policy,
    )
    comment = "Estimates are not clipped: near zero they can be negative."
    if replicates == 1:
        comment += _WIDE
    units = [f"({values.attrs.get('units', '')})2" for values in outcomes.values()]
    attrs = {
        "title": "Sobol indices",
        "design": "sobol",
        **{name: design.attrs[name] for name in ("base_size", "second_order", "replicates")},
        "design_seed": design.attrs["seed"],
        "resamples": int(resamples),
        "seed": int(seed),
        "nan_policy": nan_policy,
        "ci_method": CI_BOOTSTRAP if replicates == 1 else CI_SKEWED,
        "ci_level": float(level),
        "comment": comment,
    }
    own = {"variance_units": ("outcome", units, {"long_name": "units of the variance"})}
    return label_estimates(
        vars(indices), INDICES, _OWN_DIMS, outputs, outcomes, factors, own, attrs
    )


def label_estimates(
    estimates: Mapping[str, np.ndarray | None],
    variables: Mapping[str, Variable],
    own_dims: Mapping[str, tuple[str, ...]],
    outputs: xr.Dataset,
    outcomes: Mapping[str, xr.DataArray],
    factors: list[str],
    by_outcome: Mapping[str, Any],
    attrs: Mapping[str, Any],
) -> xr.Dataset:
    """Return the estimates of a kernel with their outcomes, parameters and provenance.

    Parameters
    ----------
    estimates : mapping of str to ndarray
        Arrays by name; None for what was not asked.
    variables, own_dims : mapping
        By name, what each is, and its dims besides those of the outcomes.
    outputs, outcomes
        What was estimated from, and which of it are outcomes, by name.
    factors : list of str
        Parameters or groups, in the order of the estimates.
    by_outcome : mapping of str to variable
        Further coordinates along `outcome`.
    attrs : mapping of str to value
        Attributes of the result, with `ci_method` and `ci_level`, which the bounds get as well.
    """
    interval = {name: attrs[name] for name in ("ci_method", "ci_level")}
    others = {"parameter_other": ("parameter_other", factors, {"long_name": "other parameter"})}
    pairs = any("parameter_other" in dims for dims in own_dims.values())
    result = xr.Dataset(
        coords={
            **shared_coords(outputs, outcomes),
            "outcome": ("outcome", list(outcomes), {"long_name": "outcome"}),
            **by_outcome,
            "parameter": ("parameter", factors, {"long_name": "parameter"}),
            **(others if pairs else {}),
            "ci_bound": ("ci_bound", ["lower", "upper"], {"long_name": "bound", **interval}),
        },
        attrs={"Conventions": "CF-1.11", **attrs},
    )
    for name, dims in own_dims.items():
        values = estimates[name]
        if values is not None:
            result[name] = unstack(values, dims, outcomes)
            result[name].attrs |= variables[name].attributes()
    return result


def estimate_by_kept(
    kept: np.ndarray,
    own_dims: Mapping[str, tuple[str, ...]],
    d: int,
    estimate: Callable[[np.ndarray, np.ndarray], object | None],
) -> dict[str, np.ndarray]:
    """Estimate together the outputs that are known in the same rows.

    Parameters
    ----------
    kept : ndarray of bool, shape (rows, s)
        Where each output is known.
    own_dims : mapping of str to tuple of str
        Dims of each estimate besides those of the outcomes.
    d : int
        Parameters.
    estimate : callable
        ``estimate(rows, columns) -> estimates``, by attribute, from rows as a mask, shape (rows,),
        of the outputs in some columns; None where there are too few.

    Returns
    -------
    dict of str to ndarray
        Arrays of the shapes that a kernel gives; NaN where there are too few rows.
    """
    sizes = {"parameter": d, "ci_bound": 2}
    found = {
        name: np.full((kept.shape[1], *(sizes[dim] for dim in own)), np.nan)
        for name, own in own_dims.items()
    }
    patterns, which = np.unique(kept, axis=1, return_inverse=True)
    for number, rows in enumerate(patterns.T):
        columns = np.flatnonzero(which.reshape(-1) == number)
        estimates = estimate(rows, columns)
        if estimates is not None:
            for name, array in found.items():
                own = getattr(estimates, name)
                array[columns] = np.moveaxis(own, _output_axis(own_dims[name]), 0)
    return {
        name: np.moveaxis(array, 0, _output_axis(own_dims[name])) for name, array in found.items()
    }


def _output_axis(own: tuple[str, ...]) -> int:
    """Return where a kernel puts the outputs: before the bounds of an interval, else last."""
    return len(own) - ("ci_bound" in own)


def pick_outcomes(
    outputs: xr.Dataset, nan_policy: NanPolicy = "drop_block"
) -> dict[str, xr.DataArray]:
    """Pick the outcomes, `sample` first; flags of a sweep have a variance, but no meaning.

    Raises
    ------
    DesignMismatchError
        If there is none, or one has no `sample`.
    NonFiniteOutcomeError
        If `nan_policy` is "raise" and one is not finite; every such outcome is named.
    """
    outcomes = {
        str(name): values
        for name, values in outputs.data_vars.items()
        if "flag_values" not in values.attrs
    }
    misfits = [name for name, values in outcomes.items() if "sample" not in values.dims]
    if misfits or not outcomes:
        raise DesignMismatchError(
            "outputs must hold outcomes with dim sample; "
            + (f"{', '.join(misfits)} has none. Drop it." if misfits else "there are none.")
        )
    outcomes = {name: values.transpose("sample", ...) for name, values in outcomes.items()}
    if nan_policy == "raise":
        refuse_non_finite(outcomes)
    return outcomes


def extra_dims(outcomes: Mapping[str, xr.DataArray]) -> dict[str, int]:
    """Return the sizes of all dims but `sample`, in order of appearance."""
    sizes: dict[str, int] = {}
    for values in outcomes.values():
        sizes |= {str(dim): size for dim, size in values.sizes.items() if dim != "sample"}
    return sizes


def refuse_non_finite(outcomes: Mapping[str, xr.DataArray]) -> None:
    """Refuse outcomes that are not finite; every one of them is named.

    Raises
    ------
    NonFiniteOutcomeError
        One sentence for each such outcome.
    """
    complaints = []
    for name, values in outcomes.items():
        lost = ~np.isfinite(values.values)
        if lost.any():
            first = np.flatnonzero(lost.reshape(len(lost), -1).any(axis=1))[0]
            complaints.append(
                f"{name} has {lost.sum():,} non-finite of {lost.size:,} values "
                f'(first: sample {first}); pass nan_policy="drop_block".'
            )
    if complaints:
        raise NonFiniteOutcomeError("\n".join(complaints))


def stack(outcomes: Mapping[str, xr.DataArray]) -> np.ndarray:
    """Lay outcomes with all their extra dims side by side, shape (rows, s)."""
    columns = [values.values.reshape(len(values), -1) for values in outcomes.values()]
    return columns[0] if len(columns) == 1 else np.concatenate(columns, axis=1, dtype=float)


def shared_coords(outputs: xr.Dataset, outcomes: Mapping[str, xr.DataArray]) -> dict[str, Any]:
    """Return the coordinates of the extra dims, which a result keeps."""
    return {
        str(name): coord
        for name, coord in outputs.coords.items()
        if "sample" not in coord.dims and set(coord.dims) <= extra_dims(outcomes).keys()
    }


def unstack(
    values: np.ndarray, own: tuple[str, ...], outcomes: Mapping[str, xr.DataArray]
) -> xr.Variable:
    """Give the s outputs their outcomes and extra dims back.

    The kernel puts the outputs behind parameter and parameter_other and before the bounds; here
    they go first, and an outcome without some extra dim is repeated along it.
    """
    by_output = np.moveaxis(values, _output_axis(own), 0)
    extra = extra_dims(outcomes)
    pieces, start = [], 0
    for outcome in outcomes.values():
        shape, dims = outcome.shape[1:], tuple(str(dim) for dim in outcome.dims[1:])
        stop = start + math.prod(shape)
        piece = by_output[start:stop].reshape(shape + by_output.shape[1:])
        sizes = extra | dict(zip(own, by_output.shape[1:], strict=True))
        pieces.append(xr.Variable((*dims, *own), piece).set_dims(sizes).transpose(*sizes))
        start = stop
    return xr.Variable(
        (*extra, "outcome", *own),
        np.stack([piece.values for piece in pieces], axis=len(extra)),
    )
