"""A population for a lung model that lacks some of what its lungs have.

Bundled populations are fitted for the lung `whole`: tube, slow part and airway apart. A lung
without one of these would empty too fast with the same resistances, so what it lacks is folded
into its compliance and resistances: it gives the readings that the whole lung gives when both are
measured as patients are. `tests/external/fit_populations.py` finds the changes.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from math import atanh, exp, tanh
from types import MappingProxyType

import numpy as np

from ebbmap.lungs import Lung
from ebbmap.registries.copula import Fold, Population
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.distributions import Marginal

#: Least eigenvalue that folded and drawn correlations keep: below it they are drawn towards none.
LEAST_EIGENVALUE = 1e-3

#: What tells lungs apart, and in words.
PARTS: Mapping[str, str] = MappingProxyType(
    {"resistance_quadratic": "tube", "slow_volume_share": "slow part"}
)

#: Changes that serve a lung, by the parts that it has; a lung with both needs none.
_KINDS: Mapping[tuple[bool, bool], str] = MappingProxyType(
    {(False, False): "linear", (True, False): "tube", (False, True): "paired"}
)


def parts_of(lung: Lung) -> tuple[bool, bool]:
    """Return which of `PARTS` a lung takes, directly or derived."""
    taken = all_inputs(lung.parameters)
    tube, slow = (name in taken for name in PARTS)
    return tube, slow


def folded(group: Population, lung: Lung) -> Population:
    """Return a population whose lungs, in some lung model, give the readings that they should.

    Parameters
    ----------
    group : Population
        Any; one that was folded for another lung is taken as it was before.
    lung : Lung
        The lung model.

    Returns
    -------
    Population
        The same where the lung lacks nothing, or the population was not fitted.

    Examples
    --------
    >>> from ebbmap.lungs import lung_model
    >>> from ebbmap.registries.populations import population
    >>> normal = population("normal")
    >>> [round(folded(normal, lung_model(name)).median["resistance_exp"]) for name in
    ...  ("whole", "tube", "linear")]
    [7, 6, 11]
    """
    parent = group.unfolded or group
    fold = parent.folds.get(_KINDS.get(parts_of(lung), ""))
    if fold is None:
        return parent
    marginals = {name: _changed(name, one, fold, lung) for name, one in parent.marginals.items()}
    pairs = dict(parent.correlations)
    for (one, other), change in fold.correlations.items():
        pair = (other, one) if (other, one) in pairs else (one, other)
        pairs[pair] = tanh(atanh(pairs.get(pair, 0.0)) + change)
    return replace(
        parent,
        marginals=MappingProxyType(marginals),
        correlations=MappingProxyType(possible(tuple(marginals), pairs)),
        folds=MappingProxyType({}),
        unfolded=parent,
    )


def _changed(name: str, one: Marginal, fold: Fold, lung: Lung) -> Marginal:
    """Return a marginal with its fold's change."""
    if name not in fold.centres:
        return one
    return replace(
        one,
        centre=min(max(one.centre * exp(fold.centres[name]), one.low), one.high),
        spread=one.spread * exp(fold.spreads[name]),
        source=f"{one.source}; changed for a lung without {_missing(lung)}",
    )


def _missing(lung: Lung) -> str:
    """Return in words what a lung lacks."""
    lacks = zip(PARTS.values(), parts_of(lung), strict=True)
    return " and ".join(f"a {words}" for words, has in lacks if not has)


def folded_text(groups: Sequence[Population], lung: Lung) -> str:
    """Return a sentence that says what was folded for a lung; empty where nothing was.

    Parameters
    ----------
    groups : sequence of Population
        Folded or not.
    lung : Lung
        The lung model.

    Examples
    --------
    >>> from ebbmap.lungs import lung_model
    >>> from ebbmap.registries.populations import population
    >>> folded_text([population("normal")], lung_model("paired"))
    'The lung paired has no tube: its compliance and resistances were changed to read alike.'
    """
    if not any(folded(group, lung).unfolded for group in groups):
        return ""
    lacks = zip(PARTS.values(), parts_of(lung), strict=True)
    words = " and no ".join(words for words, has in lacks if not has)
    return (
        f"The lung {lung.name} has no {words}: its compliance and resistances were changed to "
        "read alike."
    )


def possible(
    names: tuple[str, ...], pairs: Mapping[tuple[str, str], float]
) -> dict[tuple[str, str], float]:
    """Draw correlations towards none until they can hold together.

    Parameters
    ----------
    names : tuple of str
        Properties.
    pairs : mapping of (str, str) to float
        Correlations of their normal scores.

    Returns
    -------
    dict of (str, str) to float
        All times one number, 1 where they already can.
    """
    matrix = np.eye(len(names))
    for (one, other), value in pairs.items():
        i, j = names.index(one), names.index(other)
        matrix[i, j] = matrix[j, i] = value
    least = float(np.linalg.eigvalsh(matrix)[0])
    kept = min(1.0, (1.0 - LEAST_EIGENVALUE) / (1.0 - least)) if least < 1.0 else 1.0
    return {pair: kept * value for pair, value in pairs.items()}


def without(folds: Mapping[str, Fold], names: Collection[str]) -> dict[str, Fold]:
    """Return folds that leave some properties, and their correlations, as they were stated.

    Parameters
    ----------
    folds : mapping of str to Fold
        Of the population that lends the rest.
    names : collection of str
        Properties stated for the lung of the study.
    """
    return {
        kind: Fold(
            {name: x for name, x in fold.centres.items() if name not in names},
            {name: x for name, x in fold.spreads.items() if name not in names},
            {pair: x for pair, x in fold.correlations.items() if not set(pair) & set(names)},
        )
        for kind, fold in folds.items()
    }
