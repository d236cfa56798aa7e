"""The same drawn lungs at any settings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.pieces import Progress
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.registries.populations import Population

#: Cases in memory at once.
BLOCK = 2**18

#: ``f(settings) -> outcomes by name``, shape (m, d) to (m, n).
SolveAt = Callable[[np.ndarray], dict[str, np.ndarray]]


def lungs_of(question: Question, group: Population | None, names: Iterable[str]) -> dict[str, Any]:
    """Draw the lungs of a population, with every value but those of the settings."""
    drawn = draw_cases(question, group, {})
    return {name: value for name, value in drawn.items() if name not in names}


def how_many(lungs: Mapping[str, Any]) -> int:
    """Return the number of lungs among values of parameters, one where none is drawn."""
    drawn = (value.sizes["sample"] for value in lungs.values() if "sample" in value.dims)
    return int(max(drawn, default=1))


def solver_at(
    question: Question,
    lungs: Mapping[str, Any],
    names: Sequence[str],
    outcomes: Sequence[str],
    progress: Progress,
) -> SolveAt:
    """Return the outcomes of all lungs as a function of settings.

    Parameters
    ----------
    question : Question
        Its lung model.
    lungs : mapping of str to DataArray
        Values of all other parameters, drawn ones along `sample`.
    names : sequence of str
        The d settings.
    outcomes : sequence of str
        What to solve.
    progress : callable, optional
        Called with the number of cases just finished.
    """
    n = how_many(lungs)

    def solve(settings: np.ndarray) -> dict[str, np.ndarray]:
        values: dict[str, Any] = dict(lungs)
        for column, name in enumerate(names):
            values[name] = xr.DataArray(settings[:, column], dims="place")
        solved = simulate(question.lung, outcomes=outcomes, progress=progress, **values)
        shape = {"place": len(settings), "sample": n}
        return {
            name: solved[name].variable.set_dims(shape).transpose("place", "sample").values
            for name in outcomes
        }

    return solve
