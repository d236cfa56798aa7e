"""The trade of a release: CO2 against what closes or is trapped, and the best compromises."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import describe, label
from ebbmap.cases.pieces import join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import add_verdict, simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.errors import EbbmapError
from ebbmap.kernels.fronts import non_dominated
from ebbmap.registries.limits import CAUTION, SAFE, UNDETERMINED, UNSAFE
from ebbmap.registries.parameters import parameter


def map_trade(
    question: Question, axes: Mapping[str, np.ndarray], costs: tuple[str, ...]
) -> xr.Dataset:
    """Lay out every setting of a grid by its costs, for each population's middle lung.

    Parameters
    ----------
    question : Question
        Model, populations, fixed values and rules.
    axes : mapping of str to ndarray
        Settings on a grid, such as T low and T high.
    costs : tuple of str
        Outcomes of which less is better, at least two, such as paco2 and closed_fraction.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, axes...): the costs, `verdict`, `margin`, `front` (1 where no
        setting beats this one on every cost) and `safe_front` (the same among safe settings).
        `answer` (population, rule) says in words whether any setting keeps all limits.

    Raises
    ------
    EbbmapError
        For fewer than two costs, or values that cannot be.
    """
    if len(costs) < 2:
        raise EbbmapError(f"a trade needs at least two costs; got {len(costs)}. Name another.")
    names = tuple(dict.fromkeys((*costs, *question.outcomes)))
    groups = []
    for group in question.groups():
        values = middle_lung(question, group, axes)
        solved = simulate(question.lung, outcomes=names, **values)
        rules = [_one(solved, limits, tuple(axes), costs) for limits in question.rules.values()]
        groups.append(xr.concat(rules, dim=xr.Variable("rule", list(question.rules)), join="outer"))
    labels = question.group_names
    dataset = join_groups(groups, labels)
    for name in (*costs, *axes):
        dataset[name] = label(dataset[name], name)
    dataset["front"] = describe(dataset["front"], "best compromise of all settings")
    dataset["safe_front"] = describe(dataset["safe_front"], "best compromise of the safe settings")
    dataset["answer"].attrs = {"long_name": "whether a setting keeps all limits"}
    use = Use(tuple(axes), middle=True, outcomes=names)
    title = f"the trade of {' against '.join(costs)}"
    return add_provenance(dataset, question, title, use, costs=" ".join(costs))


def _one(solved: xr.Dataset, limits, axes: tuple[str, ...], costs: tuple[str, ...]) -> xr.Dataset:
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


def _answer(judged: xr.Dataset, limits, axes: tuple[str, ...]) -> str:
    """Say whether any setting of the grid keeps all limits, and if not, what stands in the way."""
    safe = judged["verdict"].isin([SAFE, CAUTION])
    unclear = float((judged["verdict"] == UNDETERMINED).mean())
    margin = judged["margin"].where(safe if safe.any() else judged["verdict"] == UNSAFE)
    if not margin.notnull().any():
        return "undetermined: no setting could be judged"
    best = judged.isel(margin.fillna(-np.inf).argmax(...))
    place = ", ".join(parameter(name).say(float(best[name])) for name in axes)
    if safe.any():
        return f"yes: {float(safe.mean()):.0%} of the settings, widest margin at {place}"
    bound = limits.hard[int(best["binding"])]
    nearest = f"the nearest, {place}, still has {bound.sentence}"
    if unclear:
        return f"undetermined: {unclear:.0%} of the settings could not be judged; {nearest}"
    return f"no: {nearest}"
