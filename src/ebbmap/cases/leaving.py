"""How likely a drawn value is to leave the bounds of the registry; no labels, no drawing."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from ebbmap.lungs import lung_model
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import Population
from ebbmap.units import display

if TYPE_CHECKING:
    from ebbmap.cases.question import Question

#: A chance of leaving the bounds below this is none: one lung in a thousand million.
NO_CHANCE = 1e-9

#: A distribution that leaves the bounds in more than one draw of a hundred is a mistake.
TOO_OFTEN = 0.01


def chances_of_leaving(
    question: Question, group: Population | None, axes: Mapping[str, np.ndarray | None]
) -> dict[str, float]:
    """Return how likely a drawn value is to leave the bounds of the registry, where it can.

    Parameters
    ----------
    question : Question
        With fixed values and samples.
    group : Population or None
        The population that lungs are drawn from.
    axes : mapping of str to ndarray, shape (m,), or None
        What an analysis lays out. Chances are the largest at any corner of the axes that are
        properties of the population.

    Returns
    -------
    dict of str to float
        By parameter, where the chance is not below `NO_CHANCE`.

    Examples
    --------
    >>> from ebbmap.cases.question import Question
    >>> from ebbmap.registries.populations import Marginal
    >>> weight = {"predicted_body_weight": Marginal("normal", 66.0, 11.0, "invented")}
    >>> found = chances_of_leaving(Question(samples=weight), None, {})
    >>> {name: f"{chance:.1e}" for name, chance in found.items()}
    {'predicted_body_weight': '1.4e-05'}
    """
    chances = {
        name: float(marginal.outside(PARAMETERS[name].low, PARAMETERS[name].high))
        for name, marginal in question.samples.items()
        if name not in axes
    }
    if group is not None:
        chances |= chances_of_population(question.lung, group, question.fixed, axes)
    return {name: chance for name, chance in chances.items() if chance >= NO_CHANCE}


def chances_of_population(
    lung: str,
    group: Population,
    fixed: Mapping[str, float],
    axes: Mapping[str, np.ndarray | None],
) -> dict[str, float]:
    """Return the same for the properties of a population that a lung model uses.

    Parameters
    ----------
    lung : str
        Name of the lung model.
    group : Population
        Whose properties are drawn.
    fixed, axes : mapping
        As those of a question and of an analysis.
    """
    used = all_inputs(plan(lung_model(lung)).parameters)
    ends = {
        name: sorted({float(np.min(axis)), float(np.max(axis))})
        for name, axis in axes.items()
        if axis is not None and name in group.properties
    }
    held = {n: [v] for n, v in fixed.items() if n in group.properties} | ends
    corners = np.array(list(product(*held.values())), float).T
    scores = group.given(dict(zip(held, corners, strict=True)))
    chances = {}
    for i, name in enumerate(scores.names):
        if name in used and name not in axes:
            chance = group.marginals[name].outside(
                PARAMETERS[name].low,
                PARAMETERS[name].high,
                mean=scores.mean[..., i],
                sd=np.sqrt(scores.covariance[i, i]),
            )
            chances[name] = float(np.max(chance))
    return chances


def leaving_text(place: str, name: str, chance: float, where: str = "") -> str:
    """Return how likely a distribution leaves the bounds, and what to do, in words."""
    entry = PARAMETERS[name]
    return (
        f"{place}: leaves {entry.low:g} to {entry.high:g} {display(entry.units)} with probability "
        f"{chance:.2g}{where}. Add low or high to the distribution."
    )
