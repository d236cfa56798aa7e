"""Release windows by fits that stand in for a dear lung, held against fresh lungs.

Cases of the population's own lungs at random T low are fitted, fresh ones judge the fit, and the
windows of fresh lungs, solved whole, say what the windows that it foretells may miss.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.common.stand_in import (
    STAND_IN,
    StandIn,
    compared,
    misjudged,
    picked_cases,
    surrogate_cases,
)
from ebbmap.analyses.common.windows import one_value_each, search_windows
from ebbmap.cases.design import OTHER_LUNGS_STREAM, seed_stream
from ebbmap.cases.drawn_bounds import bar_leavers
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Progress
from ebbmap.cases.question import Question, draw_cases, seed_of
from ebbmap.digits import percent
from ebbmap.kernels.judging import judge
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.populations import Population

#: Fresh lungs whose windows are solved: one more is beyond all of them in one case of 65.
FRESH_LUNGS = 64

#: T low among which cases are picked to be fitted.
PICKED_AT = 256

WINDOW_STAND_IN: Mapping[str, Variable] = {
    **STAND_IN,
    "surrogate_windows_misjudged": Variable(
        "share of the fresh lungs of which the surrogate is wrong about whether they have a window"
    ),
    "surrogate_edge_error": Variable(
        "relative error of an edge of the widest piece that 95 % of the fresh lungs keep to"
    ),
}


def pick_cases(
    question: Question,
    group: Population | None,
    searched: tuple[float, float],
    runs: int,
    progress: Progress,
) -> xr.Dataset:
    """Solve lungs of a population at random T low; see `picked_cases`."""
    places = np.geomspace(*searched, PICKED_AT)
    values = draw_cases(question, group, {"t_low": places})
    return picked_cases(question, values, question.outcomes, surrogate_cases(runs), progress)


def foretold_windows(
    question: Question,
    group: Population | None,
    limits: LimitSet,
    stand_in: StandIn,
    cases: xr.Dataset,
    how: Mapping[str, Any],
    served_at: np.ndarray,
    level: float,
) -> xr.Dataset:
    """Return the windows that a surrogate foretells under one rule, and what they may miss.

    Parameters
    ----------
    question : Question
        With its lungs.
    group : Population or None
        Whose lungs.
    limits : LimitSet
        The rule.
    stand_in : StandIn
        The surrogate.
    cases : Dataset
        What it was fitted to, and fresh cases; see `pick_cases`.
    how : mapping
        Range and resolution of the search; see `search_windows`.
    served_at : ndarray, shape (m,)
        T low at which lungs are counted [s].
    level : float
        Level of the intervals.

    Returns
    -------
    Dataset
        As `search_windows`, with `WINDOW_STAND_IN` and three intervals that contain what the
        surrogate may misjudge: of the shares that are served (t_low), of the share with a window,
        and the T low between which the best one may lie, of these lungs.
    """
    values = draw_cases(question, group, {})
    found = search_windows(question.lung, values, limits, solve=stand_in.outcomes_at, **how)
    at_places = misjudged(stand_in, cases, limits)
    of_lungs, off, wrong = _held_against_fresh_lungs(question, group, limits, stand_in, how)
    full, drawn = one_value_each(values)
    solvable = {n: np.asarray(a)[:, None] for n, a in bar_leavers(full, drawn).items()}
    solved = stand_in.outcomes_at({**solvable, "t_low": served_at[None, :]})
    margin = judge(limits, {n: solved[n] for n in limits.outcomes}).margin.T
    surely = (margin > at_places.safe).sum(axis=1)
    perhaps = (margin >= -at_places.unsafe).sum(axis=1)
    places = served_at[perhaps >= surely.max()]
    return found.assign(
        {name: ((), value) for name, value in at_places.said().items()}
        | {
            "surrogate_q2": ((), stand_in.q2),
            "surrogate_windows_misjudged": ((), wrong),
            "surrogate_edge_error": ((), off),
            "served_share_interval": (
                ("ci_bound", "t_low"),
                np.stack(at_places.widened(margin, level)),
            ),
            "window_share_interval": (
                "ci_bound",
                np.stack(of_lungs.widened(found["best_margin"].values, level)),
            ),
            "best_between": ("ci_bound", places[[0, -1]]),
        }
    )


def _held_against_fresh_lungs(
    question: Question,
    group: Population | None,
    limits: LimitSet,
    stand_in: StandIn,
    how: Mapping[str, Any],
) -> tuple[Any, float, float]:
    """Return how windows fare on lungs that were not fitted, error of edges, share misjudged."""
    seed = seed_of(seed_stream(question.seed, OTHER_LUNGS_STREAM))
    values = draw_cases(replace(question, seed=seed).with_lungs(FRESH_LUNGS), group, {})
    true, foretold = (
        search_windows(question.lung, values, limits, solve=solve, **how)
        for solve in (None, stand_in.outcomes_at)
    )
    of_lungs = compared(foretold["best_margin"].values, true["best_margin"].values)
    edges = [_widest(one) for one in (true, foretold)]
    apart = np.abs(np.log(edges[1] / edges[0]))
    known = np.isfinite(apart)
    off = float(np.expm1(np.quantile(apart[known], 0.95))) if known.any() else np.nan
    return of_lungs, off, of_lungs.share


def _widest(found: xr.Dataset) -> np.ndarray:
    """Return the ends of the widest piece of each lung, shape (2, n); NaN without one."""
    piece = found["widest_piece"]
    at = found.isel(piece=piece.clip(0))
    return np.stack([at[side].where(piece >= 0).values for side in ("lower", "upper")])


def window_notes(result: xr.Dataset) -> str:
    """Return what the windows of fresh lungs say; empty where the lung was solved."""
    if not int(result.attrs.get("surrogate_runs", 0)):
        return ""
    wrong = float(result["surrogate_windows_misjudged"].max())
    off = float(result["surrogate_edge_error"].max())
    return (
        f"of {FRESH_LUNGS} fresh lungs, solved whole, it is wrong about whether there is a window "
        f"in {percent(wrong, 0)} % at most, and 95 % of edges are off by {percent(off, 1)} % at "
        "most"
    )
