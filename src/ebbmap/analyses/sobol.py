"""What drives each outcome at every release time: indices along an axis, for each population.

A run goes on until it is sure: the design is doubled, and only its new rows are solved, until
every interval is narrow enough or the budget is spent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.common.factors import (
    Factors,
    factors_of,
    finish,
    groups_among,
    named_outcomes,
    say_factor,
    say_outcome,
    solve_places,
)
from ebbmap.analyses.common.failures import locate_failures
from ebbmap.analyses.common.sensitivity import estimate_sobol
from ebbmap.cases.design import RESAMPLING_STREAM, draw_sobol_design, seed_stream
from ebbmap.cases.design import factors_of as factors_in
from ebbmap.cases.evaluate import NO_ALVEOLAR_VENTILATION, OK, unsolved
from ebbmap.cases.labelling import describe
from ebbmap.cases.pieces import Found, Pieces, Progress, in_a_row, join_groups, join_places
from ebbmap.cases.question import Question
from ebbmap.errors import NonFiniteOutcomeError
from ebbmap.kernels.pawn import SLICES, pawn_indices
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.registries.parameters import PARAMETERS

#: Without a stopping width the curve of convergence starts at this share of the base rows.
FIRST_SHARE = 8

#: PAWN looks at this many base rows (twice as many cases) and at these outcomes and the margins.
PAWN_ROWS = 1024
PAWN_OUTCOMES = ("auto_peep", "release_volume_per_kg")

SETTLED, SPENT, NOT_ASKED = "settled", "budget spent", "no stopping width asked"

#: What a piece tells by base rows.
_BY_SIZE = (
    "first_by_size",
    "first_width_by_size",
    "total_by_size",
    "total_width_by_size",
    "widest_by_size",
)

#: What is said of cases that are determined, although some of their outcomes have no value.
FLAGGED = "solved, but have no alveolar ventilation, so no PaCO2 and pH"

#: Cases of which not every outcome is known, from their status.
_GAPS: Mapping[str, Callable[[np.ndarray], np.ndarray]] = {
    "failed": unsolved,
    "flagged": lambda status: status == NO_ALVEOLAR_VENTILATION,
}

INDEPENDENT = (
    "Factors are drawn independently: correlations of the population are dropped, and each "
    "property keeps the mean and variance that it has given the held ones."
)


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
    return driver_pieces(
        question,
        along=along,
        grid=grid,
        base_size=base_size,
        stopping_width=stopping_width,
        max_base_size=max_base_size,
        stopping_outcomes=stopping_outcomes,
        second_order=second_order,
        replicates=replicates,
        resamples=resamples,
        level=level,
        groups=groups,
        pawn=pawn,
        outcomes=outcomes,
        drop_failed=drop_failed,
    ).whole(progress)


def driver_pieces(
    question: Question,
    *,
    along: str,
    grid: np.ndarray,
    base_size: int,
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
) -> Pieces[xr.Dataset]:
    """Cut the indices into one population at one place on a design of one size.

    A population's next size is wanted once all of its places are there and one is not narrow
    enough; its pieces solve the new rows only. See `find_drivers`.
    """
    names = named_outcomes(question, outcomes)
    budget = max_base_size or (16 * base_size if stopping_width else base_size)
    populations, m = question.groups(), len(grid)

    def named(number: int, place: int, size: int) -> str:
        return f"{number:04d}.{place:06d}.{size:08d}"

    def rounds(number: int, found: Found) -> Iterator[list[str]]:
        """Pieces of a population by size, up to the first size that is not there as a whole."""
        size = base_size
        while True:
            row = [named(number, place, size) for place in range(m)]
            yield row
            if stopping_width is None or 2 * size > budget or not all(n in found for n in row):
                return
            if _widest_of([found[name] for name in row])[-1] <= stopping_width:
                return
            size *= 2

    def factors_at(number: int, place: float) -> Factors:
        return factors_of(question, populations[number], along, names, place=place)

    @lru_cache(maxsize=2)
    def drawn(number: int, size: int) -> xr.Dataset:
        # the same factors at every place, though not with the same distributions
        factors = factors_at(number, float(grid[0])).names
        return draw_sobol_design(
            factors,
            size,
            second_order=second_order,
            replicates=replicates,
            groups=groups_among(factors, groups),
            seed=question.seed,
        )

    def located(number: int, design: xr.Dataset, failed: np.ndarray, places: np.ndarray) -> str:
        each = [factors_at(number, float(place)) for place in places]
        return _located(each, design, failed, along, places)

    def gaps(number: int, design: xr.Dataset, status: np.ndarray, places: np.ndarray) -> str:
        """Say of which cases something is not known, and where they lie; status (n, m)."""
        words = {"failed": "that could not be solved", "flagged": f"that were {FLAGGED}"}
        return " ".join(
            f"Of the cases {words[kind]}: {located(number, design, told(status), places)}."
            for kind, told in _GAPS.items()
            if told(status).any()
        )

    def solve(name: str, found: Found, progress: Progress) -> xr.Dataset:
        number, at, size = map(int, name.split("."))
        place = grid[at : at + 1]
        factors, design = factors_at(number, float(place[0])), drawn(number, size)
        # the rows of smaller designs are the first rows of this one
        smaller = [base_size * 2**k for k in range((size // base_size).bit_length() - 1)]
        parts = [found[named(number, at, one)] for one in smaller]
        known = sum(part.sizes["kept_row"] for part in parts)
        new = solve_places(
            question,
            factors.from_unit(design["unit"].values[known:]),
            along=along,
            grid=place,
            outcomes=names,
            progress=progress,
        )
        outputs = _after(parts, new)
        status = outputs["status"].values
        where = ""
        if (status != OK).any() and drop_failed:
            where = gaps(number, design, status, place)
        elif (status != OK).any():
            # nothing comes of this run: say as well as can be where the gaps lie
            every = [
                solve_places(
                    question,
                    factors_at(number, float(one)).from_unit(design["unit"].values),
                    along=along,
                    grid=np.array([one]),
                    outcomes=names,
                )["status"].values
                for one in grid
            ]
            where = gaps(number, design, np.concatenate(every, axis=1), grid)

        def estimate(rows: int) -> xr.Dataset:
            return _on_first_rows(
                design,
                outputs,
                rows,
                where,
                resamples=resamples,
                level=level,
                seed=question.seed,
                nan_policy="drop_block" if drop_failed else "raise",
            )

        # the whole design first: if cases failed, its counts are the ones to report
        whole = estimate(size)
        prefixes = _prefixes(size, replicates) if stopping_width is None else ()
        curve = [*(estimate(rows) for rows in prefixes), whole]
        one = whole.assign(_curve(curve, [_widest(each, stopping_outcomes) for each in curve]))
        if pawn and groups is None:
            one = one.assign(_pawn(design, outputs, along, level=level, seed=question.seed))
        one = one.assign(
            {
                f"{kind}_rows": (f"{kind}_row", np.flatnonzero(told(status).any(axis=1)))
                for kind, told in _GAPS.items()
            }
        )
        # rows are kept only where a larger design may want them
        return one if stopping_width is None else one.assign(_kept(new))

    def join_one(number: int, found: Found) -> xr.Dataset:
        sizes = [[found[name] for name in row] for row in rounds(number, found)]
        whole = join_places([_told(one) for one in sizes[-1]], along)
        curves = [join_places([_told(one)[list(_BY_SIZE)] for one in row], along) for row in sizes]
        widest = [width for row in sizes for width in _widest_of(row)]
        whole = whole.drop_dims("size").assign(in_a_row(curves, "size").data_vars)
        whole["widest_by_size"] = whole["widest_by_size"].copy(data=widest)
        if "pawn" in whole:
            # a place with more failures has fewer cases, and more noise
            noise = max(float(one["pawn_noise"]) for one in sizes[-1])
            said = _disagreement(whole["pawn"], whole["pawn_interval"], whole, along)
            whole = whole.assign(
                pawn_noise=whole["pawn_noise"].copy(data=noise),
                disagreement=describe(
                    xr.DataArray(said), "where the two kinds of index rank otherwise"
                ),
            )
        design = drawn(number, int(whole["size"][-1]))
        counts = {}
        for kind in _GAPS:
            rows = np.zeros((design.sizes["sample"], m), bool)
            for place, one in enumerate(sizes[-1]):
                rows[one[f"{kind}_rows"].values, place] = True
            where = located(number, design, rows, grid) if rows.any() else ""
            counts[kind] = int(rows.sum()), where
        verdict = NOT_ASKED
        if stopping_width is not None:
            verdict = SETTLED if widest[-1] <= stopping_width else SPENT
        return whole.assign(
            verdict=describe(xr.DataArray(verdict), "whether the intervals are narrow enough"),
            rows=describe(xr.DataArray(int(whole["size"][-1])), "base rows of the design"),
            failed=describe(xr.DataArray(counts["failed"][0]), "cases that could not be solved"),
            failed_where=describe(xr.DataArray(counts["failed"][1]), "where the failed cases lie"),
            flagged=describe(xr.DataArray(counts["flagged"][0]), f"cases that were {FLAGGED}"),
            flagged_where=describe(
                xr.DataArray(counts["flagged"][1]), "where the flagged cases lie"
            ),
            cases=describe(xr.DataArray(design.sizes["sample"] * m), "cases in all"),
        )

    def join(found: Found) -> xr.Dataset:
        dataset = join_groups(
            [join_one(number, found) for number in range(len(populations))], question.group_names
        )
        dataset = finish(
            dataset, question, f"what drives the outcomes along {along}", along, INDEPENDENT, names
        )
        dataset.attrs |= {
            "base_size": int(dataset["rows"].max()),
            "stopping_width": float("nan") if stopping_width is None else stopping_width,
            "max_base_size": budget,
            "failures": _failures(dataset, drop_failed),
        }
        return dataset

    def wanted(found: Found) -> list[str]:
        return [
            name
            for number in range(len(populations))
            for row in rounds(number, found)
            for name in row
        ]

    return Pieces(wanted, solve, join)


def _kept(rows: xr.Dataset) -> dict[str, Any]:
    """Solved rows of a piece, by names that no index has."""
    return {
        f"kept_{name}": (("kept_row", *values.dims[1:]), values.values)
        for name, values in rows.data_vars.items()
    }


def _after(parts: Sequence[xr.Dataset], new: xr.Dataset) -> xr.Dataset:
    """Put new rows after those that pieces of smaller designs kept."""
    return xr.Dataset(
        {
            name: (
                values.dims,
                np.concatenate([*(part[f"kept_{name}"].values for part in parts), values.values]),
                values.attrs,
            )
            for name, values in new.data_vars.items()
        },
        {name: coord for name, coord in new.coords.items() if "sample" not in coord.dims},
    )


def _told(piece: xr.Dataset) -> xr.Dataset:
    """Return a piece without the rows that it keeps for others."""
    return piece.drop_dims(["failed_row", "flagged_row", "kept_row"], errors="ignore")


def _widest_of(places: Sequence[xr.Dataset]) -> list[float]:
    """Width of the widest interval at any place, by base rows."""
    return np.max([one["widest_by_size"].values for one in places], axis=0).tolist()


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
            f"{error}\n{where or 'Every case could be solved.'}\n"
            "In a study: set drop_failed = true in [analyses.sobol] to leave out whole base "
            "blocks; the indices then describe only the lungs with a value."
        ) from None


def _located(each: Sequence[Factors], design: xr.Dataset, failed, along: str, grid) -> str:
    """Say where the failed cases, shape (n, m), lie among the factors and along the axis.

    `each` holds the factors at each of the m places.
    """
    unit = design["unit"].values
    drawn = [[array.values for array in one.from_unit(unit).values()] for one in each]
    columns = np.array(drawn).transpose(2, 0, 1).reshape(-1, len(each[0].names))
    cases = np.column_stack([columns, np.tile(grid, len(failed))])
    return locate_failures([*each[0].names, along], cases, failed.reshape(-1))


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
    """Width of the widest interval; an outcome that does not vary has none and does not count.

    An index without an interval, because too few rows carry it, is as wide as can be.
    """
    known = indices["outcome"].values.astype(str)
    graded = [name for name in known if not name.startswith("safe_")]
    chosen = indices.sel(outcome=graded if outcomes is None else list(outcomes))
    names = [name for name in ("first", "total", "second") if name in chosen]
    widths = [_widths(chosen, name).fillna(np.inf).where(chosen[name].notnull()) for name in names]
    widest = [float(width.max()) for width in widths]
    return max((width for width in widest if not np.isnan(width)), default=0.0)


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


def _pawn(design, outputs, along, *, level, seed) -> dict[str, Any]:
    """PAWN indices on the A and B rows of a design."""
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
        {"pawn_outcome": chosen, "parameter": factors_in(design)},
        dims,
    )
    interval = xr.DataArray(
        np.moveaxis(found.interval, 0, 1).reshape(*shape, 2), dims=(*dims, "ci_bound")
    )
    return {
        "pawn": describe(index, "PAWN index (median)", slices=SLICES, cases=int(solved.sum())),
        "pawn_interval": describe(interval, "interval of the PAWN index", ci_level=level),
        "pawn_noise": describe(
            xr.DataArray(found.noise), "PAWN index that a factor without influence stays below"
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
    flagged = int(dataset["flagged"].sum())
    lost = float((dataset["dropped"] / dataset["rows"]).max())
    told = f"{failed:,} of {cases:,} cases could not be solved{_places(dataset, 'failed')}"
    if flagged:
        told += f", {flagged:,} were {FLAGGED}{_places(dataset, 'flagged')}"
    if not lost:
        return f"{told}; no base row was left out"
    if not dropped or lost >= 1.0:
        return f"{told}; nothing is left of some outcome"
    return (
        f"{told}; up to {lost:.1%} of the base rows were left out of an index, on "
        f"request: intervals are up to {1 / np.sqrt(1 - lost):.2f} times wider for it, and the "
        "indices describe the lungs with a value, not all"
    )


def _places(dataset: xr.Dataset, kind: str) -> str:
    """Say where the cases of a kind lie, in brackets; nothing where there are none."""
    texts = dict.fromkeys(text for text in dataset[f"{kind}_where"].values.tolist() if text)
    return f" ({'; '.join(texts)})" if texts else ""
