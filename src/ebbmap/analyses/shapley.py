"""Shapley effects with labels: shares of each outcome's variance among dependent properties.

Lungs come with their correlations here, which variance-based indices have to drop; the same
lungs without correlations stand beside, so that the difference is what the dependence does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import xarray as xr

from ebbmap.analyses.common.factors import (
    Factors,
    finish,
    groups_among,
    named_outcomes,
    place_pieces,
    say_factor,
    say_outcome,
    solve_places,
)
from ebbmap.analyses.common.factors import factors_of as find_factors
from ebbmap.analyses.common.sensitivity import (
    pick_outcomes,
    refuse_non_finite,
    shared_coords,
    stack,
    unstack,
)
from ebbmap.cases.design import check_counted, check_kind, draw_shapley_design, factors_of
from ebbmap.cases.evaluate import unsolved
from ebbmap.cases.labelling import describe
from ebbmap.cases.pieces import Pieces, Progress, join_groups
from ebbmap.cases.question import Question
from ebbmap.kernels.resampling import CI_REPLICATES, REPLICATES
from ebbmap.kernels.shapley import shapley_effects
from ebbmap.kernels.sobol import NanPolicy
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import Population
from ebbmap.units import display

#: The lungs as the population has them, and the same without correlations.
DEPENDENT, INDEPENDENT = "correlated", "independent"

_OWN_DIMS = {
    "effect": ("parameter",),
    "first": ("parameter",),
    "total": ("parameter",),
    "effect_interval": ("parameter", "ci_bound"),
    "first_interval": ("parameter", "ci_bound"),
    "total_interval": ("parameter", "ci_bound"),
    "dropped": (),
}

_TEXTS = {
    "effect": "Shapley effect",
    "first": "share of the variance that goes once the property is known",
    "total": "share of the variance that stays when all others are known",
    "effect_interval": "interval of the Shapley effect",
    "first_interval": "interval of the share that goes",
    "total_interval": "interval of the share that stays",
    "dropped": "base rows left out because an outcome was not finite",
}


def estimate_shapley(
    design: xr.Dataset,
    outputs: xr.Dataset,
    *,
    level: float = 0.95,
    nan_policy: NanPolicy = "raise",
) -> xr.Dataset:
    """Estimate the Shapley effects of every outcome on a design.

    Parameters
    ----------
    design : Dataset
        What `draw_shapley_design` returned.
    outputs : Dataset
        Outcomes computed on it, each with dim `sample` and any extra dims, which pass through.
    level : float
        Probability that an interval is to cover, in (0, 1).
    nan_policy : {"raise", "drop_block"}
        As in `estimate_sobol`.

    Returns
    -------
    Dataset
        `effect`, `first`, `total` (..., outcome, parameter), their intervals (..., ci_bound) and
        `dropped` (..., outcome).

    Raises
    ------
    DesignMismatchError
        If the design is of another kind, or rows are missing or reordered.
    NonFiniteOutcomeError
        If an outcome is not finite and `nan_policy` is "raise".

    Examples
    --------
    >>> design = draw_shapley_design(["compliance", "resistance_exp"], 64, seed=0)
    >>> outputs = xr.Dataset({"auto_peep": design.score.sum("parameter")})
    >>> estimate_shapley(design, outputs)["effect"].values.round(1).tolist()
    [[0.5, 0.5]]
    """
    check_kind(design, "shapley")
    check_counted(design, outputs)
    outcomes = pick_outcomes(outputs)
    if nan_policy == "raise":
        refuse_non_finite(outcomes)
    factors = factors_of(design)
    found = shapley_effects(
        stack(outcomes),
        players=len(factors),
        replicates=int(design.attrs["replicates"]),
        level=level,
        nan_policy=nan_policy,
    )
    interval = {"ci_method": CI_REPLICATES, "ci_level": float(level)}
    result = xr.Dataset(
        coords={
            **shared_coords(outputs, outcomes),
            "outcome": ("outcome", list(outcomes), {"long_name": "outcome"}),
            "parameter": ("parameter", factors, {"long_name": "parameter"}),
            "ci_bound": ("ci_bound", ["lower", "upper"], {"long_name": "bound", **interval}),
        },
        attrs={
            "Conventions": "CF-1.11",
            "title": "Shapley effects",
            "design": "shapley",
            "base_size": design.attrs["base_size"],
            "replicates": design.attrs["replicates"],
            "design_seed": design.attrs["seed"],
            "nan_policy": nan_policy,
            **interval,
        },
    )
    for name, own in _OWN_DIMS.items():
        result[name] = unstack(getattr(found, name), own, outcomes)
        result[name].attrs |= {"units": "1", "long_name": _TEXTS[name]}
    return result


def find_shapley(
    question: Question,
    *,
    along: str,
    grid: np.ndarray,
    base_size: int = 512,
    replicates: int = REPLICATES,
    level: float = 0.95,
    groups: Mapping[str, Sequence[str]] | str | None = None,
    outcomes: tuple[str, ...] | None = None,
    drop_failed: bool = False,
    progress: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Share out the variance of every outcome, of the margin and of being safe.

    Parameters
    ----------
    question : Question
        Model, populations with their correlations, samples and the rules that are compared.
    along : str
        Parameter whose values are the places of the effects, such as t_low.
    grid : ndarray, shape (m,)
        Its values.
    base_size : int
        Base rows, a power of two; each takes a case for every subset of the factors.
    replicates, level, groups, outcomes, drop_failed, progress
        As in `find_drivers`.

    Returns
    -------
    xarray.Dataset
        As `estimate_shapley`, with dims (population, dependence, along, outcome, parameter,
        ci_bound); `dependence` is "correlated" or "independent", where `first` and `total` are
        Sobol indices. `change` (population) is a sentence on what the correlations change most.

    Raises
    ------
    NonFiniteOutcomeError
        If a case could not be solved or judged and `drop_failed` is not set.
    EbbmapError
        For values that cannot be, fewer than two factors, or too many of them.
    """
    return shapley_pieces(
        question,
        along=along,
        grid=grid,
        base_size=base_size,
        replicates=replicates,
        level=level,
        groups=groups,
        outcomes=outcomes,
        drop_failed=drop_failed,
    ).whole(progress)


def shapley_pieces(
    question: Question,
    *,
    along: str,
    grid: np.ndarray,
    base_size: int,
    replicates: int,
    level: float,
    groups: Mapping[str, Sequence[str]] | str | None,
    outcomes: tuple[str, ...] | None,
    drop_failed: bool,
) -> Pieces[xr.Dataset]:
    """Cut the shares of the variance into one population at one place; see `find_shapley`."""
    names = named_outcomes(question, outcomes)

    def solve(group: Population | None, place: np.ndarray, progress: Progress) -> xr.Dataset:
        factors = find_factors(question, group, along, names, place=float(place[0]))
        each = []
        # without correlations each property keeps the mean and variance that it has given others
        for covariance in (factors.covariance, np.diag(np.diag(factors.covariance))):
            design = draw_shapley_design(
                factors.names,
                base_size,
                mean=factors.mean,
                covariance=covariance,
                replicates=replicates,
                groups=groups_among(factors.names, groups),
                seed=question.seed,
            )
            each.append(
                _estimate(
                    question, factors, design, along, place, names, level, drop_failed, progress
                )
            )
        return xr.concat(each, xr.Variable("dependence", [DEPENDENT, INDEPENDENT]))

    def join(rows: list[xr.Dataset]) -> xr.Dataset:
        dataset = join_groups(
            [
                row.assign(
                    change=describe(
                        xr.DataArray(change_sentence(row, along)),
                        "what the correlations change most",
                    )
                )
                for row in rows
            ],
            question.group_names,
        )
        return finish(
            dataset,
            question,
            f"shares of the outcomes' variance along {along}",
            along,
            "Shapley effects add up to one. Independent: the same lungs without correlations, "
            "where first and total are Sobol indices.",
            names,
        )

    return place_pieces(question, along, grid, solve, join)


def _estimate(question, factors: Factors, design, along, grid, names, level, drop, progress):
    solved = solve_places(
        question,
        factors.from_scores(design["score"].values),
        along=along,
        grid=grid,
        outcomes=names,
        progress=progress,
    )
    failed = int(unsolved(solved["status"].values).sum())
    outputs = solved.drop_vars("status").assign_coords(sample=design["sample"])
    found = estimate_shapley(
        design, outputs, level=level, nan_policy="drop_block" if drop else "raise"
    )
    return found.assign(failed=describe(xr.DataArray(failed), "cases that could not be solved"))


def change_sentence(both: xr.Dataset, along: str) -> str:
    """Say where the correlations change a Shapley effect of a margin most.

    Only changes whose intervals do not overlap count; margins if there are any, else all
    outcomes.
    """
    outcomes = both["outcome"].values.astype(str)
    margins = [name for name in outcomes if name.startswith("margin_")]
    shown = both.sel(outcome=margins or list(outcomes))
    with_it, without = (shown.sel(dependence=one) for one in (DEPENDENT, INDEPENDENT))
    size = (with_it["effect"] - without["effect"]).transpose(along, "outcome", "parameter")
    apart = (
        with_it["effect_interval"].sel(ci_bound="lower")
        > without["effect_interval"].sel(ci_bound="upper")
    ) | (
        with_it["effect_interval"].sel(ci_bound="upper")
        < without["effect_interval"].sel(ci_bound="lower")
    )
    sure = abs(size).where(apart.transpose(*size.dims)).values
    if not np.isfinite(sure).any():
        return "the correlations change no effect beyond its interval"
    place, number, column = np.unravel_index(int(np.nanargmax(sure)), sure.shape)
    at = {along: place, "outcome": number}
    old, new = (one["effect"].isel(at).values for one in (without, with_it))
    ranks = [int((one > one[column]).sum()) + 1 for one in (old, new)]
    low, high = with_it["effect_interval"].isel(at | {"parameter": column}).values
    moved = f"rank {ranks[0]} to {ranks[1]}" if ranks[0] != ranks[1] else f"rank {ranks[0]} stays"
    unit = display(PARAMETERS[along].units)
    name, outcome = str(shown["parameter"].values[column]), str(shown["outcome"].values[number])
    return (
        f"at {PARAMETERS[along].long_name} {float(shown[along][place]):g} {unit} the share of "
        f"{say_factor(name)} in {say_outcome(outcome)} is {new[column]:.2f} ({low:.2f} to "
        f"{high:.2f}) with the correlations, {old[column]:.2f} without ({moved})"
    )
