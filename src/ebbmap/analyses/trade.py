"""The trade of a release: CO2 against what closes or is trapped, and the best compromises."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import prod

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.checks import check_outcomes
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, Options, OutcomeName, ParameterName, axes_of
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Progress, join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import add_verdict, simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.digits import share_text
from ebbmap.kernels.fronts import non_dominated
from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, UNSAFE
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import parameter

VARIABLES: Mapping[str, Variable] = {
    "front": Variable("best compromise of all settings"),
    "safe_front": Variable("best compromise of the safe settings"),
    "answer": Variable("whether a setting keeps all limits", None),
}


class Trade(Options):
    """Settings by their costs, and the front of best compromises."""

    axes: list[ParameterName] = Field(
        default=["t_low", "t_high"],
        min_length=1,
        description="settings that are laid out on their axes",
    )
    costs: list[OutcomeName] = Field(
        default=["paco2", "closed_fraction"],
        min_length=2,
        description="outcomes of which less is better",
    )


def find_trade(
    question: Question,
    options: Trade | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Lay out every setting of a grid by its costs, for each population's middle lung.

    Parameters
    ----------
    question : Question
        Model, populations, fixed values and rules.
    options : Trade, optional
        The settings that are laid out, and their costs.
    axes : mapping of str to ndarray, shape (m,)
        The values of these settings, by name.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, axes...): the costs, `verdict`, `margin`, `front` (1 where no
        setting beats this one on every cost) and `safe_front` (the same among safe settings).
        `answer` (population, rule) says in words whether any setting keeps all limits.

    Raises
    ------
    EbbmapError
        For values that cannot be, or a setting without values.

    Examples
    --------
    >>> axes = {"t_low": [0.3, 0.6], "t_high": [4.0]}
    >>> from ebbmap.registries.limits import limit_set
    >>> judged_by = {"pressure": limit_set("pressure")}
    >>> find_trade(Question(rules=judged_by), axes=axes)["front"].values.ravel().tolist()
    [1, 1]
    """
    question.require_rules()
    options = options or Trade()
    costs, axes = tuple(options.costs), axes_of(axes, *options.axes)
    names = tuple(dict.fromkeys((*costs, *question.outcomes)))
    groups = []
    for group in question.groups():
        values = middle_lung(question, group, axes)
        solved = simulate(question.lung, outcomes=names, progress=progress, **values)
        rules = [
            _under_rule(solved, limits, tuple(axes), costs) for limits in question.rules.values()
        ]
        groups.append(xr.concat(rules, dim=xr.Variable("rule", list(question.rules)), join="outer"))
    dataset = join_groups(groups, question.group_names)
    label_variables(dataset, VARIABLES, registry=(*costs, *axes))
    use = Use(tuple(axes), middle=True, outcomes=names)
    title = f"the trade of {' against '.join(costs)}"
    return add_provenance(dataset, question, title, use, costs=" ".join(costs))


def _under_rule(
    solved: xr.Dataset, limits: LimitSet, axes: tuple[str, ...], costs: tuple[str, ...]
) -> xr.Dataset:
    judged = add_verdict(solved, limits)
    safe = judged["verdict"].isin([SAFE, CAUTION]).values
    table = np.stack([solved[name].values.reshape(-1) for name in costs], axis=1)
    front = non_dominated(table).reshape(safe.shape)
    safe_front = non_dominated(np.where(safe.reshape(-1, 1), table, np.nan)).reshape(safe.shape)
    dims = judged["verdict"].dims
    kept = judged[[*costs, "verdict", "margin"]].drop_vars(
        [name for name in judged.coords if name not in axes]
    )
    return kept.assign(
        front=(dims, front.astype(np.int8)),
        safe_front=(dims, safe_front.astype(np.int8)),
        answer=((), _answer(judged, limits, axes)),
    )


def _answer(judged: xr.Dataset, limits: LimitSet, axes: tuple[str, ...]) -> str:
    """Return whether any setting of the grid keeps all limits, or what stands in the way."""
    safe = judged["verdict"].isin([SAFE, CAUTION])
    unclear = float((judged["verdict"] == UNDETERMINED).mean())
    margin = judged["margin"].where(safe if safe.any() else judged["verdict"] == UNSAFE)
    if not margin.notnull().any():
        return "undetermined: no setting could be judged"
    best = judged.isel(margin.fillna(-np.inf).argmax(...))
    place = ", ".join(parameter(name).say(float(best[name])) for name in axes)
    if safe.any():
        share = share_text(float(safe.mean()))
        return f"{share} of the settings keep all limits, with the widest margin at {place}"
    bound = limits.hard[int(best["binding"])]
    nearest = f"the nearest, {place}, still has {bound.sentence}"
    if unclear:
        return f"undetermined: {share_text(unclear)} of the settings could not be judged; {nearest}"
    return f"no setting keeps all limits: {nearest}"


def _check(asked: Asked) -> Iterator[str]:
    yield from asked.need_axis("axes")
    yield from check_outcomes(asked, "costs")


ANALYSIS = Analysis(
    name="trade",
    long_name="settings by their costs",
    options=Trade,
    pieces=whole(find_trade),
    size=middle_lungs(
        lambda question, options, axes: prod(len(axes[name]) for name in options.axes)
    ),
    variables=VARIABLES,
    lays_out=lambda asked: asked.words("axes"),
    check=_check,
    computes=lambda options: tuple(options.costs),
)
