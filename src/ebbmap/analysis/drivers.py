"""What drives each outcome at every release time: indices along an axis, for each population.

A run goes on until it is sure: the design is doubled, and only its new rows are solved, until
every interval is narrow enough or the budget is spent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analysis.factors import (
    Factors,
    factors_of,
    finish,
    groups_among,
    named_outcomes,
    say_factor,
    say_outcome,
    solve_places,
)
from ebbmap.analysis.failures import locate_failures
from ebbmap.analysis.kernels.pawn import SLICES, pawn_indices
from ebbmap.analysis.kernels.resampling import REPLICATES
from ebbmap.analysis.sensitivity import estimate_sobol
from ebbmap.cases import Question
from ebbmap.design import RESAMPLING_STREAM, draw_sobol_design, seed_stream
from ebbmap.errors import NonFiniteOutcomeError
from ebbmap.evaluate import OK
from ebbmap.labelling import describe
from ebbmap.parameters import PARAMETERS
from ebbmap.populations import Population

#: Without a stopping width the curve of convergence starts at this share of the base rows.
FIRST_SHARE = 8

#: PAWN looks at this many base rows (twice as many cases) and at these outcomes and the margins.
PAWN_ROWS = 1024
PAWN_OUTCOMES = ("auto_peep", "release_volume_per_kg")

SETTLED, SPENT, NOT_ASKED = "settled", "budget spent", "no stopping width asked"

INDEPENDENT = "Factors are drawn independently: correlations of the population are dropped."


def find_drivers(
    question: Question,
    *,
    along: str,
    grid: np.ndarray,
    base_size: int = 1024,
    stopping_width: float | None = None,
    max_base_size: int | None = None,
    stopping_outcomes: Sequence[str] | None = None,
    second_order: bool = True,
    replicates: int = REPLICATES,
    resamples: int = 1000,
    level: float = 0.95,
    groups: Mapping[str, Sequence[str]] | str | None = None,
    pawn: bool = True,
    outcomes: tuple[str, ...] | None = None,
    drop_failed: bool = False,
    progress: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Estimate Sobol indices of every outcome, of the margin and of being safe.

    Parameters
    ----------
    question : Question
        Model, populations, samples and the rules that are compared. Factors are the properties
        of the population that are not fixed, and the samples.
    along : str
        Parameter whose values are the places of the indices, such as t_low.
    grid : ndarray, shape (m,)
        Its values.
    base_size : int
        Base rows to start with, a power of two.
    stopping_width : float, optional
        Double the design until no interval of an index is wider than this.
    max_base_size : int, optional
        The budget: base rows at which to give up; 16 times `base_size` if None.
    stopping_outcomes : sequence of str, optional
        Outcomes whose intervals decide; all but `safe_RULE` if None: a yes-or-no outcome that
        is nearly always the same has hardly any variance to share out, and would never settle.
    second_order, replicates, resamples, level
        As in `draw_sobol_design` and `estimate_sobol`.
    groups : mapping of str to sequence of str, or "kind", optional
        Parameters that are varied together; "kind" sets settings against lung properties.
    pawn : bool
        Whether to add the moment-independent index of the margins and of `PAWN_OUTCOMES`; there
        is none for groups.
    outcomes : tuple of str, optional
        Outcomes to explain; all that the lung gives if None.
    drop_failed : bool
        Leave out whole base blocks with a case that could not be solved or judged.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        As `estimate_sobol`, with dims (population, along, outcome, parameter, parameter_other,
        ci_bound). The outcome `margin_RULE` is the safety margin under a rule, `safe_RULE` is
        one where the case is safe and zero where it is not. The curve of convergence is
        `first_by_size`, `total_by_size` and their widths (..., size), `widest_by_size`
        (population, size); `verdict` (population) says whether it settled, `rows` on how many.
        `pawn` (population, along, pawn_outcome, parameter), its interval and `pawn_noise`, with
        `disagreement` (population), a sentence on where it ranks otherwise than the total index.

    Raises
    ------
    NonFiniteOutcomeError
        If a case could not be solved or judged and `drop_failed` is not set.
    EbbmapError
        For values that cannot be, fewer than two factors, or a design too large to hold.

    Notes
    -----
    Variance-based indices need independent factors: the marginals are the population's, its
    correlations are dropped here.
    """
    names = named_outcomes(question, outcomes)
    budget = max_base_size or (16 * base_size if stopping_width else base_size)

    def one_group(group: Population | None) -> xr.Dataset:
        factors = factors_of(question, group, along, names)
        members = groups_among(factors.names, groups)
        solved: list[xr.Dataset] = []
        curve: list[xr.Dataset] = []
        size = base_size
        while True:
            design = draw_sobol_design(
                factors.names, size, second_order=second_order, replicates=replicates,
                groups=members, seed=question.seed,
            )  # fmt: skip
            known = sum(piece.sizes["sample"] for piece in solved)
            solved.append(
                solve_places(
                    question, factors.from_unit(design["unit"].values[known:]), along=along,
                    grid=grid, outcomes=names, progress=progress,
                )
            )  # fmt: skip
            outputs = xr.concat(solved, "sample") if len(solved) > 1 else solved[0]
            solved = [outputs]

            failed = outputs["status"].values != OK
            where = _located(factors, design, failed, along, grid) if failed.any() else ""

            def estimate(rows: int, design=design, outputs=outputs, where=where) -> xr.Dataset:
                return _on_first_rows(
                    design, outputs, rows, where, resamples=resamples, level=level,
                    seed=question.seed, nan_policy="drop_block" if drop_failed else "raise",
                )  # fmt: skip

            if stopping_width is None:
                # the whole design first: if cases failed, its counts are the ones to report
                whole = estimate(size)
                curve = [*(estimate(rows) for rows in _prefixes(size, replicates)), whole]
                break
            curve.append(estimate(size))
            narrow = _widest(curve[-1], stopping_outcomes) <= stopping_width
            if narrow or 2 * size > budget:
                break
            size *= 2
        widest = [_widest(one, stopping_outcomes) for one in curve]
        verdict = NOT_ASKED
        if stopping_width is not None:
            verdict = SETTLED if widest[-1] <= stopping_width else SPENT
        found = curve[-1].assign(_curve(curve, widest))
        if pawn and members is None:
            found = found.assign(
                _pawn(design, outputs, along, level=level, seed=question.seed, indices=found)
            )
        return found.assign(
            verdict=describe(xr.DataArray(verdict), "whether the intervals are narrow enough"),
            rows=describe(xr.DataArray(size), "base rows of the design"),
            failed=describe(xr.DataArray(int(failed.sum())), "cases that could not be solved"),
            failed_where=describe(xr.DataArray(where), "where the failed cases lie"),
            cases=describe(xr.DataArray(outputs["status"].size), "cases in all"),
        )

    dataset = xr.concat(
        [one_group(group) for group in question.groups()],
        dim=xr.Variable("population", question.group_names),
        join="outer", combine_attrs="override",
    )  # fmt: skip
    finish(dataset, question, f"what drives the outcomes along {along}", along, INDEPENDENT)
    dataset.attrs |= {
        "base_size": int(dataset["rows"].max()),
        "stopping_width": float("nan") if stopping_width is None else stopping_width,
        "max_base_size": budget,
        "failures": _failures(dataset, drop_failed),
    }
    return dataset


def _on_first_rows(
    design: xr.Dataset, outputs: xr.Dataset, rows: int, where: str, **options
) -> xr.Dataset:
    """Estimate on the first base rows of a design, which are a design themselves."""
    cases = rows * (design.sizes["sample"] // int(design.attrs["base_size"]))
    part = design.isel(sample=slice(0, cases)).assign_attrs(base_size=rows)
    solved = outputs.drop_vars("status").isel(sample=slice(0, cases))
    try:
        return estimate_sobol(part, solved.assign_coords(sample=part["sample"]), **options)
    except NonFiniteOutcomeError as error:
        raise NonFiniteOutcomeError(
            f"{error}\nOf the cases that could not be solved: {where or 'there are none'}.\n"
            "In a study: set drop_failed = true in [analyses.sobol] to leave out whole base "
            "blocks; the indices then describe only the lungs that could be solved."
        ) from None


def _located(factors: Factors, design: xr.Dataset, failed, along: str, grid) -> str:
    """Say where the failed cases, shape (n, m), lie among the factors and along the axis."""
    drawn = [array.values for array in factors.from_unit(design["unit"].values).values()]
    columns = [np.repeat(values, len(grid)) for values in drawn]
    cases = np.stack([*columns, np.tile(grid, len(failed))], axis=1)
    return locate_failures([*factors.names, along], cases, failed.reshape(-1))


def _prefixes(size: int, replicates: int) -> Iterator[int]:
    """Sizes of the curve of convergence, short of the whole design."""
    rows = max(size // FIRST_SHARE, 2 * replicates, 2)
    while rows < size:
        yield rows
        rows *= 2


def _widths(indices: xr.Dataset, name: str) -> xr.DataArray:
    interval = indices[f"{name}_interval"]
    return interval.sel(ci_bound="upper") - interval.sel(ci_bound="lower")


def _widest(indices: xr.Dataset, outcomes: Sequence[str] | None) -> float:
    """Width of the widest interval; an outcome that does not vary has none and does not count."""
    known = indices["outcome"].values.astype(str)
    graded = [name for name in known if not name.startswith("safe_")]
    chosen = indices.sel(outcome=graded if outcomes is None else list(outcomes))
    names = [name for name in ("first", "total", "second") if name in chosen]
    widest = [float(_widths(chosen, name).max()) for name in names]
    return max((width for width in widest if np.isfinite(width)), default=0.0)


def _curve(curve: list[xr.Dataset], widest: list[float]) -> dict[str, xr.DataArray]:
    sizes = [int(one.attrs["base_size"]) for one in curve]
    dim = xr.Variable("size", sizes, {"units": "1", "long_name": "base rows"})
    found = {}
    for name, words in (("first", "first-order"), ("total", "total")):
        values = xr.concat([one[name] for one in curve], dim)
        widths = xr.concat([_widths(one, name) for one in curve], dim)
        found[f"{name}_by_size"] = describe(values, f"{words} Sobol index by base rows")
        found[f"{name}_width_by_size"] = describe(
            widths, f"width of the interval of the {words} Sobol index by base rows"
        )
    found["widest_by_size"] = describe(
        xr.DataArray(widest, {"size": dim}, "size"), "width of the widest interval by base rows"
    )
    return found


def _pawn(design, outputs, along, *, level, seed, indices) -> dict[str, Any]:
    """PAWN indices on the A and B rows of a design, and where they rank otherwise."""
    n, replicates = int(design.attrs["base_size"]), int(design.attrs["replicates"])
    names = [str(name) for name in outputs.data_vars]
    chosen = [name for name in names if name in PAWN_OUTCOMES or name.startswith("margin_")]
    block = design.sizes["sample"] // n
    starts = block * np.arange(min(n, PAWN_ROWS))
    rows = np.concatenate([starts, starts + block - 1])
    columns = outputs[chosen].isel(sample=rows).to_array("pawn_outcome")
    columns = columns.transpose("sample", along, "pawn_outcome")
    flat = columns.values.reshape(len(rows), -1)
    solved = np.isfinite(flat).all(axis=1)
    found = pawn_indices(
        design["unit"].values[rows[solved]], flat[solved], level=level,
        replicates=max(replicates, REPLICATES), rng=seed_stream(seed, RESAMPLING_STREAM),
    )  # fmt: skip
    dims = (along, "pawn_outcome", "parameter")
    shape = (columns.sizes[along], len(chosen), design.sizes["parameter"])
    index = xr.DataArray(
        found.index.T.reshape(shape), {"pawn_outcome": chosen, "parameter": indices["parameter"]},
        dims,
    )  # fmt: skip
    interval = xr.DataArray(
        np.moveaxis(found.interval, 0, 1).reshape(*shape, 2), dims=(*dims, "ci_bound")
    )
    return {
        "pawn": describe(index, "PAWN index (median)", slices=SLICES, cases=int(solved.sum())),
        "pawn_interval": describe(interval, "interval of the PAWN index", ci_level=level),
        "pawn_noise": describe(
            xr.DataArray(found.noise), "PAWN index that a factor without influence stays below"
        ),
        "disagreement": describe(
            xr.DataArray(_disagreement(index, interval, indices, along)),
            "where the two kinds of index rank otherwise",
        ),
    }


def _disagreement(index, interval, indices, along: str) -> str:
    """Say where two parameters are ranked one way by variance and the other way by distribution.

    Both rankings count only where the intervals of the two parameters do not overlap.
    """
    places = indices[along].values
    names = indices["parameter"].values.astype(str)
    told = []
    for outcome in index["pawn_outcome"].values.astype(str):
        total = indices["total_interval"].sel(outcome=outcome).transpose(along, "parameter", ...)
        one = interval.isel(pawn_outcome=list(index["pawn_outcome"].values).index(outcome))
        low, high = (np.stack([a.values[..., k] for a in (total, one)]) for k in (0, 1))
        # above[kind, place, i, j]: i ranks above j
        above = low[..., :, None] > high[..., None, :]
        for place, i, j in np.argwhere(above[0] & above[1].swapaxes(-1, -2)):
            told.append((outcome, places[place], names[i], names[j]))
    if not told:
        return "PAWN and total indices rank no two parameters differently beyond their intervals"
    outcome, place, first, second = told[0]
    return (
        f"{len(told)} disagreements beyond the intervals, such as {say_outcome(outcome)} at "
        f"{PARAMETERS[along].say(round(float(place), 4))}: total index {say_factor(first)} above "
        f"{say_factor(second)}, PAWN the other way round"
    )


def _failures(dataset: xr.Dataset, dropped: bool) -> str:
    """Say how many cases failed, what was done, and what it does to the result."""
    failed, cases = int(dataset["failed"].sum()), int(dataset["cases"].sum())
    where = "; ".join(
        dict.fromkeys(text for text in dataset["failed_where"].values.tolist() if text)
    )
    lost = float((dataset["dropped"] / dataset["rows"]).max())
    told = f"{failed:,} of {cases:,} cases could not be solved"
    if not lost:
        return f"{told}; no base row was left out"
    if not dropped or lost >= 1.0:
        return f"{told} ({where}); nothing is left of some outcome"
    return (
        f"{told} ({where}); up to {lost:.1%} of the base rows were left out of an index, on "
        f"request: intervals are up to {1 / np.sqrt(1 - lost):.2f} times wider for it, and the "
        "indices describe the lungs that could be solved, not all"
    )
