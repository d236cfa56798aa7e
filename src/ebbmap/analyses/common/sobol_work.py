"""Sobol indices piece by piece: one population at one place on a design of one size."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.common.design_size import LEAST_SIZE, largest_design
from ebbmap.analyses.common.factors import (
    FAILED,
    Factors,
    groups_among,
    named_outcomes,
)
from ebbmap.analyses.common.failures import locate_failures
from ebbmap.analyses.common.growth import (
    BY_SIZE,
    KEPT_AFTER,
    curve_of,
    kept_rows,
    prefixes,
    rows_after,
    smaller_sizes,
    widest,
    widest_of,
    without_rows,
)
from ebbmap.analyses.common.pawn import PAWN, disagreement_sentence, estimate_pawn
from ebbmap.analyses.common.places import Place, finish
from ebbmap.analyses.common.sensitivity import estimate_sobol
from ebbmap.analyses.common.surrogate import Surrogate, fit_surrogate
from ebbmap.cases.design import draw_sobol_design
from ebbmap.cases.evaluate import NO_STEADY_STATE, OK, unsolved
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Found, Progress, in_a_row, join_groups, join_places
from ebbmap.cases.question import Question
from ebbmap.digits import percent
from ebbmap.errors import NonFiniteOutcomeError

SETTLED, SPENT, NOT_ASKED = "settled", "budget spent", "no stopping width asked"

#: What is said of cases that are determined, although some of their outcomes have no value.
FLAGGED = "solved, but have no steady state, so no PaCO2, pH or SpO2"

#: Cases of which not every outcome is known, from their status.
_GAPS: Mapping[str, Callable[[np.ndarray], np.ndarray]] = {
    "failed": unsolved,
    "flagged": lambda status: status == NO_STEADY_STATE,
}

INDEPENDENT = (
    "Factors are drawn independently: correlations of the population are dropped, and each "
    "property keeps the mean and variance that it has given the held ones."
)

#: What is said of each population in the end, in the order in which a result has it.
SUMMARY: Mapping[str, Variable] = {
    "verdict": Variable("whether the intervals are narrow enough"),
    "rows": Variable("base rows of the design"),
    "failed": FAILED,
    "failed_where": Variable("where the failed cases lie"),
    "flagged": Variable(f"cases that were {FLAGGED}"),
    "flagged_where": Variable("where the flagged cases lie"),
    "cases": Variable("cases in all"),
}


class SobolWork:
    """The indices of a question, piece by piece.

    Parameters
    ----------
    question : Question
        With g populations.
    options : Options
        Those of `find_sobol`.
    grid : ndarray, shape (m,)
        Values of the axis.
    """

    def __init__(self, question: Question, options: Any, grid: np.ndarray):
        self.question, self.options, self.grid = question, options, grid
        self.populations = question.groups()
        self.design = lru_cache(maxsize=2)(self._draw)
        self.surrogate = lru_cache(maxsize=2)(self._fit)
        self.fit_to = options.fitter()

    def wanted(self, found: Found) -> list[str]:
        """Return all pieces that are known to be needed, given those that are there."""
        numbers = range(len(self.populations))
        names = [name for n in numbers for row in self._sizes(n, found) for name in row]
        return names if self.options.surrogate else [*self._smaller(found), *names]

    def _smaller(self, found: Found) -> Iterator[str]:
        """Yield what an earlier run of a smaller design left, of which rows are taken."""
        sizes = [self.options.base_size >> k for k in range(1, self.options.base_size.bit_length())]
        for number in range(len(self.populations)):
            for place in range(len(self.grid)):
                names = (_name(number, place, size) for size in sizes if size >= LEAST_SIZE)
                yield from (name for name in names if name in found)

    def _sizes(self, number: int, found: Found) -> Iterator[list[str]]:
        """Return a population's pieces by size, up to the first size that is not complete."""
        size, width = self.options.base_size, self.options.stopping_width
        while True:
            row = [_name(number, place, size) for place in range(len(self.grid))]
            yield row
            if width is None or 2 * size > largest_design(self.options):
                return
            if not all(name in found for name in row):
                return
            if widest_of([found[name] for name in row])[-1] <= width:
                return
            size *= 2

    def _place(self, number: int, place: float, progress: Progress = None) -> Place:
        group = self.populations[number]
        return Place(self.question, self.options, group, np.array([place]), progress)

    def _factors(self, number: int, place: float) -> Factors:
        return self._place(number, place).factors

    def _draw(self, number: int, size: int) -> xr.Dataset:
        # the same factors at every place, though not with the same distributions
        names = self._factors(number, self.grid[0]).names
        return draw_sobol_design(
            names,
            size,
            second_order=self.options.second_order,
            replicates=self.options.replicates,
            groups=groups_among(names, self.options.groups),
            seed=self.question.seed,
        )

    def solve(self, name: str, found: Found, progress: Progress) -> xr.Dataset:
        """Do one piece: solve the rows that no smaller design has, and estimate on all."""
        number, at, size = map(int, name.split("."))
        place, options = self.grid[at : at + 1], self.options
        design = self.design(number, size)
        # the rows of smaller designs are the first rows of this one
        before = smaller_sizes(size, LEAST_SIZE, lambda own: _kept_after(number, at, own, found))
        parts = [found[_name(number, at, own)] for own in before]
        known = sum(part.sizes["kept_row"] for part in parts)
        new = self._solved(number, place, design["unit"].values[known:], progress)
        outputs = rows_after(parts, new)
        gaps = self._gaps(number, design, outputs, place)
        fitted = self.surrogate(number, float(place[0])) if options.surrogate else None
        indices = self._estimated(design, outputs, gaps, fitted)
        if options.pawn and options.groups is None and fitted is None:
            how = {"level": options.level, "seed": self.question.seed}
            indices = indices.assign(estimate_pawn(design, outputs, options.along, **how))
        status = outputs["status"].values
        rows = {
            f"{kind}_rows": (f"{kind}_row", np.flatnonzero(is_gap(status).any(axis=1)))
            for kind, is_gap in _GAPS.items()
        }
        # a surrogate foretells its rows faster than they are read
        kept = {} if options.surrogate else kept_rows(new, before[-1] if before else 0)
        return indices.assign(rows).assign(kept)

    def _solved(
        self, number: int, place: np.ndarray, unit: np.ndarray, progress: Progress = None
    ) -> xr.Dataset:
        """Solve rows of a design at one place, shape (1,), or let a surrogate foretell them."""
        if self.options.surrogate:
            return self.surrogate(number, float(place[0])).predict(unit)
        here = self._place(number, place[0], progress)
        return here.solve(here.factors.from_unit(unit))

    def _fit(self, number: int, place: float) -> Surrogate:
        return fit_surrogate(
            self.question,
            self._factors(number, place),
            along=self.options.along,
            place=place,
            outcomes=named_outcomes(self.question, self.options),
            runs=self.options.surrogate_runs,
            fit_to=self.fit_to,
        )

    def _estimated(
        self, design: xr.Dataset, outputs: xr.Dataset, gaps: str, surrogate: Surrogate | None
    ) -> xr.Dataset:
        """Estimate on the whole design, and on its first rows for the convergence curve."""
        options, size = self.options, int(design.attrs["base_size"])

        def estimate(rows: int) -> xr.Dataset:
            indices = _on_first_rows(
                design,
                outputs,
                rows,
                gaps,
                resamples=options.resamples,
                level=options.level,
                seed=self.question.seed,
                nan_policy="drop_block" if options.drop_failed else "raise",
            )
            return surrogate.widen(indices) if surrogate else indices

        # the whole design first: if cases failed, its counts are the ones to report
        whole = estimate(size)
        alone = options.stopping_width is None
        curve = [*map(estimate, prefixes(size, options.replicates) if alone else ()), whole]
        widths = [widest(indices, options.stopping_outcomes) for indices in curve]
        return whole.assign(curve_of(curve, widths))

    def _gaps(self, number: int, design: xr.Dataset, outputs: xr.Dataset, place: np.ndarray) -> str:
        """Return the cases of which something is not known, and where they lie, in words."""
        status, grid = outputs["status"].values, place
        if (status == OK).all():
            return ""
        if not self.options.drop_failed:
            # nothing comes of this run: say as well as can be where the gaps lie
            grid, unit = self.grid, design["unit"].values
            places = [grid[at : at + 1] for at in range(len(grid))]
            every = [self._solved(number, one, unit)["status"].values for one in places]
            status = np.concatenate(every, axis=1)
        kinds = {"failed": "that could not be solved", "flagged": f"that were {FLAGGED}"}
        return " ".join(
            f"Of the cases {kinds[kind]}: {self._located(number, design, is_gap(status), grid)}."
            for kind, is_gap in _GAPS.items()
            if is_gap(status).any()
        )

    def _located(
        self, number: int, design: xr.Dataset, failed: np.ndarray, grid: np.ndarray
    ) -> str:
        """Say where the failed cases, shape (n, m), lie among the factors and along the axis."""
        unit, each = design["unit"].values, [self._factors(number, place) for place in grid]
        drawn = [[array.values for array in one.from_unit(unit).values()] for one in each]
        columns = np.array(drawn).transpose(2, 0, 1).reshape(-1, len(each[0].names))
        cases = np.column_stack([columns, np.tile(grid, len(failed))])
        names = [*each[0].names, self.options.along]
        return locate_failures(names, cases, failed.reshape(-1))

    def join(self, found: Found) -> xr.Dataset:
        """Put all pieces together."""
        options = self.options
        numbers = range(len(self.populations))
        dataset = finish(
            join_groups([self._population(n, found) for n in numbers], self.question.group_names),
            self.question,
            options,
            f"what drives the outcomes along {options.along}",
            INDEPENDENT,
        )
        width = options.stopping_width
        dataset.attrs |= {
            "base_size": int(dataset["rows"].max()),
            "stopping_width": float("nan") if width is None else width,
            **options.stood_in_by,
            "max_base_size": largest_design(options),
            "failures": _failures(dataset, options.drop_failed),
        }
        return dataset

    def _population(self, number: int, found: Found) -> xr.Dataset:
        """Join the places of one population, and sum up how sure they are."""
        along, width = self.options.along, self.options.stopping_width
        sizes = [[found[name] for name in row] for row in self._sizes(number, found)]
        last = sizes[-1]
        whole = join_places([without_rows(piece) for piece in last], along)
        grown = [[_curve(piece, alone=width is None) for piece in row] for row in sizes]
        curves = [join_places(row, along) for row in grown]
        widths = [w for row in grown for w in widest_of(row)]
        whole = whole.drop_dims("size").assign(in_a_row(curves, "size").data_vars)
        whole["widest_by_size"] = whole["widest_by_size"].copy(data=widths)
        if "pawn" in whole:
            # a place with more failures has fewer cases, and more noise
            noise = max(float(piece["pawn_noise"]) for piece in last)
            said = disagreement_sentence(whole["pawn"], whole["pawn_interval"], whole, along)
            most = max(float(piece["pawn_largest_noise"]) for piece in last)
            whole = whole.assign(
                pawn_noise=whole["pawn_noise"].copy(data=noise),
                pawn_largest_noise=whole["pawn_largest_noise"].copy(data=most),
                disagreement=said,
            )
        verdict = NOT_ASKED
        if width is not None:
            verdict = SETTLED if widths[-1] <= width else SPENT
        rows = int(whole["size"][-1])
        design = self.design(number, rows)
        whole = whole.assign(verdict=verdict, rows=rows)
        for kind in _GAPS:
            whole = whole.assign(self._counted(kind, number, design, last))
        whole = whole.assign(cases=design.sizes["sample"] * len(self.grid))
        return label_variables(whole, {**SUMMARY, "disagreement": PAWN["disagreement"]})

    def _counted(
        self, kind: str, number: int, design: xr.Dataset, pieces: Sequence[xr.Dataset]
    ) -> dict[str, int | str]:
        """Count the cases of a kind at all places, and say where they lie."""
        rows = np.zeros((design.sizes["sample"], len(self.grid)), bool)
        for place, piece in enumerate(pieces):
            rows[piece[f"{kind}_rows"].values, place] = True
        where = self._located(number, design, rows, self.grid) if rows.any() else ""
        return {kind: int(rows.sum()), f"{kind}_where": where}


def _curve(piece: xr.Dataset, *, alone: bool) -> xr.Dataset:
    """Return a piece's convergence curve; of a design that grows, its own size is one point of it.

    A piece of an earlier run may have been asked for alone, with a curve of its own.
    """
    curve = without_rows(piece)[list(BY_SIZE)]
    return curve if alone else curve.isel(size=slice(-1, None))


def _kept_after(number: int, place: int, size: int, found: Found) -> int | None:
    """Return the base rows that the rows kept in a piece come after; None if it keeps none."""
    name = _name(number, place, size)
    piece = found[name] if name in found else None
    return None if piece is None or KEPT_AFTER not in piece else int(piece[KEPT_AFTER])


def _name(number: int, place: int, size: int) -> str:
    """Return the name of the piece of a population at a place, with so many base rows."""
    return f"{number:04d}.{place:06d}.{size:08d}"


def _on_first_rows(
    design: xr.Dataset, outputs: xr.Dataset, rows: int, where: str, **options: Any
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


def _failures(dataset: xr.Dataset, dropped: bool) -> str:
    """Return how many cases failed, what was done, and what it does to the result, in words."""
    failed, cases = int(dataset["failed"].sum()), int(dataset["cases"].sum())
    flagged = int(dataset["flagged"].sum())
    lost = float((dataset["dropped"] / dataset["rows"]).max())
    sentence = f"{failed:,} of {cases:,} cases could not be solved{_places(dataset, 'failed')}"
    if flagged:
        sentence += f", {flagged:,} were {FLAGGED}{_places(dataset, 'flagged')}"
    if not lost:
        return f"{sentence}; no base row was left out"
    if not dropped or lost >= 1.0:
        return f"{sentence}; nothing is left of some outcome"
    return (
        f"{sentence}; up to {percent(lost, 1)} % of the base rows were left out of an index, on "
        f"request: intervals are up to {1 / np.sqrt(1 - lost):.2f} times wider for it, and the "
        "indices describe the lungs with a value, not all"
    )


def _places(dataset: xr.Dataset, kind: str) -> str:
    """Return where the cases of a kind lie, in brackets; nothing where there are none."""
    texts = dict.fromkeys(text for text in dataset[f"{kind}_where"].values.tolist() if text)
    return f" ({'; '.join(texts)})" if texts else ""
