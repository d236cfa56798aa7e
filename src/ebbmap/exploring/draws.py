"""What a page needs to draw its lungs given a property on an axis, as the map of a study does.

Lungs are drawn as correlated normal scores, so holding one property moves the scores of the others
by a share of how far it was moved; what they come to are the marginals, traced into the page.
Sizes: n lungs, d properties.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

from ebbmap.cases.question import draw_scores
from ebbmap.engines.javascript import in_place
from ebbmap.engines.tracer import Graph, record
from ebbmap.exploring.asked import Asked, Axis, ends_of
from ebbmap.registries.copula import Population
from ebbmap.registries.distributions import Marginal


def draws_data(asked: Asked, group: Population, names: list[str]) -> dict[str, Any] | None:
    """Return scores, how they hang together, and the scores of all places of an axis.

    None of a population that more than correlations of scores tie together: what is drawn given
    such a property follows no formula that a page could hold.

    Parameters
    ----------
    asked : Asked
        What is explored.
    group : Population
        A population of it.
    names : list of str
        Its properties that were drawn, d of them.
    """
    if not group.is_gaussian:
        return None
    places = [group.properties.index(name) for name in names]
    held = {name: np.array([v]) for name, v in asked.question.fixed.items()}
    free = group.given({name: v for name, v in held.items() if name in group.properties})
    inner = [free.names.index(name) for name in names]
    return {
        "names": names,
        "scores": _text(draw_scores(asked.question, group)[:, places]),
        "covariance": _text(np.asarray(free.covariance)[np.ix_(inner, inner)]),
        "places": {
            name: _text(_scores(group.marginals[name], axis_of(asked, name).places(asked.cells)))
            for name in names
        },
        "marginals": [marginal_name(group.name, name) for name in names],
    }


def marginal_scripts(asked: Asked) -> list[str]:
    """Return every marginal of the populations as a script: a score in, the property out."""
    scripts, names = [], []
    for group in filter(lambda one: one.is_gaussian, asked.groups):
        for name, marginal in group.marginals.items():
            names.append(marginal_name(group.name, name))
            scripts.append(in_place(_graph(marginal), names[-1]))
    return [*scripts, f"const MARGINALS = {{ {', '.join(names)} }};"]


def marginal_name(group: str, name: str) -> str:
    """Return the name of a marginal's function in the page.

    Examples
    --------
    >>> marginal_name("my lungs", "compliance")
    'drawn_my_lungs_compliance'
    """
    plain = "".join(letter if letter.isalnum() else "_" for letter in group)
    return f"drawn_{plain}_{name}"


def axis_of(asked: Asked, name: str) -> Axis:
    """Return the axis of a property: as the map opens with, or over its usual range."""
    own = {axis.name: axis for axis in asked.axes}
    return own.get(name, Axis(name, *ends_of(name)))


def _graph(marginal: Marginal) -> Graph:
    """Return a marginal as a graph from `score` to `value`."""
    return record(lambda at: {"value": marginal.at(at["score"])}, ("score",))


def _scores(marginal: Marginal, values: np.ndarray) -> np.ndarray:
    """Return the scores of values, NaN of those that no lung can have."""
    possible = values > 0.0 if marginal.family == "lognormal" else np.ones(values.shape, bool)
    return np.where(possible, marginal.score(np.where(possible, values, marginal.centre)), np.nan)


def _text(numbers: np.ndarray) -> str:
    return base64.b64encode(np.asarray(numbers, dtype="<f8").tobytes()).decode("ascii")
