"""Whether a design, and outputs computed on it, are what an analysis may read.

Sizes: n base rows, d parameters, g factors, r rows of a base block (2 g + 2, or g + 2).
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.cases.design.factors import factors_of
from ebbmap.errors import DesignMismatchError


def check_design(design: xr.Dataset, outputs: xr.Dataset | None = None) -> None:
    """Refuse a Sobol design, or outputs of one, that an analysis would misread.

    Parameters
    ----------
    design : Dataset
        What `draw_sobol_design` returned.
    outputs : Dataset, optional
        What was computed on it, with the design's `sample` coordinate.

    Raises
    ------
    DesignMismatchError
        If `design` is of another kind or incomplete, if rows are missing, reordered or not what
        their place in the design says, or if the outputs do not have the design's rows.

    Examples
    --------
    >>> from ebbmap.cases.design import draw_sobol_design
    >>> design = draw_sobol_design(["compliance", "t_low"], 8, seed=0)
    >>> check_design(design.isel(sample=slice(None, None, -1)))
    Traceback (most recent call last):
        ...
    ebbmap.errors.DesignMismatchError: sample of the design must count 0, 1, 2, ...; got 47 \
(row 0). Sort by sample, or keep the order in which it was drawn.
    """
    check_kind(design, "sobol")
    lacking = [
        name
        for name in ("base_size", "second_order", "replicates", "seed")
        if name not in design.attrs
    ]
    lacking += [name for name in ("sample", "parameter", "unit") if name not in design.variables]
    if lacking:
        raise DesignMismatchError(
            f"design lacks {', '.join(lacking)}. Pass what draw_sobol_design returned, unchanged."
        )
    n, second_order = int(design.attrs["base_size"]), bool(design.attrs["second_order"])
    factors = factors_of(design)
    _check_samples(design, "the design", n * ((2 if second_order else 1) * len(factors) + 2))
    membership = design["group"] if "group" in design.coords else design["parameter"]
    own = membership.values == np.array(factors)[:, None]
    _check_structure(design["unit"].transpose("sample", "parameter").values, n, own)
    if outputs is not None:
        if "sample" not in outputs.coords:
            raise DesignMismatchError(
                "outputs must have the sample coordinate of their design; it is missing. "
                "Keep it, so that the row order can be checked."
            )
        _check_samples(outputs, "the outputs", design.sizes["sample"])


def check_kind(design: xr.Dataset, kind: str) -> None:
    """Refuse a design of another kind.

    Raises
    ------
    DesignMismatchError
        With the function that draws what is wanted.
    """
    drawn = design.attrs.get("design")
    if drawn != kind:
        raise DesignMismatchError(
            f"design must be {kind!r}; got {drawn!r}. Draw it with draw_{kind}_design."
        )


def check_counted(design: xr.Dataset, outputs: xr.Dataset) -> None:
    """Refuse a design or outputs whose rows are not all there in the order drawn.

    Raises
    ------
    DesignMismatchError
        Naming which of the two.
    """
    rows = np.arange(design.sizes["sample"])
    for what, data in (("the design", design), ("the outputs", outputs)):
        if "sample" not in data.coords or not np.array_equal(data["sample"].values, rows):
            raise DesignMismatchError(
                f"sample of {what} must count 0, 1, 2, ... to {len(rows) - 1}. "
                "Keep all rows in the order in which they were drawn."
            )


def _check_samples(data: xr.Dataset, what: str, rows: int) -> None:
    """Refuse data whose sample coordinate does not count so many rows in the order drawn."""
    sample = data["sample"].values
    if len(sample) != rows:
        raise DesignMismatchError(
            f"{what} must have {rows:,} rows, as base size, order and parameters say; "
            f"got {len(sample):,}. Use all rows of the design."
        )
    wrong = np.flatnonzero(sample != np.arange(rows))
    if len(wrong):
        raise DesignMismatchError(
            f"sample of {what} must count 0, 1, 2, ...; got {sample[wrong[0]]} (row {wrong[0]}). "
            "Sort by sample, or keep the order in which it was drawn."
        )


def _check_structure(unit: np.ndarray, n: int, own: np.ndarray) -> None:
    """Refuse points, shape (n r, d), that are not A, AB_j, [BA_j], B in every base block.

    `own`, shape (g, d), says which columns each factor substitutes.
    """
    blocks = unit.reshape(n, -1, unit.shape[1])
    a, b = blocks[:, :1], blocks[:, -1:]
    expected = [a, np.where(own, b, a), np.where(own, a, b), b]
    if blocks.shape[1] == len(own) + 2:
        del expected[2]
    same = (blocks == np.concatenate(expected, axis=1)).all(axis=2)
    if not same.all():
        raise DesignMismatchError(
            "each base block must hold A, AB_j (A with column j of B), BA_j where drawn, and B; "
            f"it does not (sample {np.argmin(same)}). Use the points in the order drawn."
        )
