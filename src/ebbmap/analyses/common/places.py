"""What analyses along one axis share: one population at one place, and all of them in a result."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.factors import (
    Factors,
    computed_outcomes,
    factors_of,
    named_outcomes,
    solve_places,
)
from ebbmap.analyses.options import Along, Axes
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups, join_places, listed
from ebbmap.cases.question import Question
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.errors import NonFiniteOutcomeError
from ebbmap.kernels.sobol import NanPolicy
from ebbmap.registries.populations import Population

#: What to do about an outcome that is not finite, for those who ask by options.
DROP = (
    "In a study: set drop_failed = true in the table of this analysis to leave out what these "
    "cases belong to; the indices then describe only the lungs with a value."
)


@dataclass(frozen=True)
class Place:
    """One population at one place of an axis: a piece of an analysis along it.

    Parameters
    ----------
    question : Question
        What is asked.
    options : Along
        The axis, and which outcomes are explained.
    group : Population or None
        The lungs.
    grid : ndarray, shape (1,)
        The place.
    progress : callable, optional
        Called with the number of cases just finished.
    """

    question: Question
    options: Along
    group: Population | None
    grid: np.ndarray
    progress: Progress = None

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Outcomes that are explained, besides those of the rules."""
        return named_outcomes(self.question, self.options)

    @property
    def nan_policy(self) -> NanPolicy:
        """What is done where an outcome is not finite."""
        return "drop_block" if getattr(self.options, "drop_failed", False) else "raise"

    @cached_property
    def factors(self) -> Factors:
        """What varies here; see `factors_of` for errors."""
        place = float(self.grid[0])
        along = self.options.along
        return factors_of(self.question, self.group, along, self.outcomes, place=place)

    def solve(self, values: Mapping[str, xr.DataArray]) -> xr.Dataset:
        """Solve cases here, and judge them by every rule; see `solve_places`."""
        return solve_places(
            self.question,
            values,
            along=self.options.along,
            grid=self.grid,
            outcomes=self.outcomes,
            progress=self.progress,
        )


def pieces_along(
    question: Question,
    options: Along,
    axes: Axes,
    solve: Callable[[Place], xr.Dataset],
    *,
    variables: Mapping[str, Variable],
    title: str,
    comment: str,
    of_population: Callable[[xr.Dataset], xr.Dataset] = lambda row: row,
    design: bool = True,
    attrs: Mapping[str, Any] | None = None,
) -> Pieces[xr.Dataset]:
    """Cut an analysis along an axis into one population at one place.

    Parameters
    ----------
    question : Question
        With g populations.
    options : Along
        The axis, and the values on it unless `axes` has them.
    axes : mapping of str to ndarray, shape (m,)
        Values by parameter.
    solve : callable
        ``solve(place) -> Dataset``: one piece.
    variables : mapping of str to Variable
        What the result's variables are; `{along}` in their texts is the axis.
    title, comment : str
        Of the result.
    of_population : callable
        ``of_population(row) -> Dataset``: sum up one population along the whole axis.
    design : bool
        Whether cases come from a design, not from the draws of a population.
    attrs : mapping of str to value, optional
        Further attributes of the result.
    """
    along, grid, groups = options.along, options.grid(axes), question.groups()
    m = len(grid)

    def one(number: int, progress: Progress) -> xr.Dataset:
        group, at = groups[number // m], number % m
        try:
            return solve(Place(question, options, group, grid[at : at + 1], progress))
        except NonFiniteOutcomeError as error:
            raise NonFiniteOutcomeError(f"{error}\n{DROP}") from None

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        rows = [join_places(found[at : at + m], along) for at in range(0, len(found), m)]
        whole = join_groups([of_population(row) for row in rows], question.group_names)
        whole = finish(whole, question, options, title, comment, design=design)
        whole.attrs |= dict(attrs or {})
        return label_variables(whole, variables, level=options.level, along=along)

    return listed(len(groups) * m, one, join)


def finish(
    dataset: xr.Dataset,
    question: Question,
    options: Along,
    title: str,
    comment: str,
    *,
    design: bool = True,
) -> xr.Dataset:
    """Label the axis of a result along it, and say what made it; see `pieces_along`."""
    along = options.along
    label_variables(dataset, {}, axes=[along])
    outcomes = tuple(dict.fromkeys((*named_outcomes(question, options), *question.outcomes)))
    use = Use((along,), factors=True, design=design, outcomes=outcomes)
    return add_provenance(dataset, question, title, use, comment=comment, along=along)


def analysis_along(
    name: str, options: type[Along], *, stem: str | None = None, **own: Any
) -> Analysis:
    """Return the entry of an analysis that draws lungs at every place of an axis.

    Parameters
    ----------
    name : str
        Its key.
    options : type of Along
        What it can be asked.
    stem : str, optional
        What its result files begin with; its name if not given.
    **own
        What else there is to say of it; see `Analysis`.
    """
    return Analysis(
        name=name,
        options=options,
        lays_out=lambda asked: [asked.get("along")],
        draws=lambda asked: True,
        stem=lambda own: f"{stem or name}_{own.along}",
        keeps_pieces=True,
        computes=computed_outcomes,
        **own,
    )
