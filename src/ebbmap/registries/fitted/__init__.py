"""Phenotypes fitted to what was published, as it was measured, and what is not known of them.

The lung is `whole`: tube, slow part, valve. Centres, spreads and correlations were fitted by
`tests/external/fit_populations.py` so that lungs measured as patients were have the published
quartiles; the results lie beside this module, one file for each phenotype, with what the fit
leaves over. Every published and every assumed number has a standard error, and the files say how
each moves all unknowns. So populations can be drawn from what is not known.

Sizes: p unknowns, k numbers (published or assumed), m outer draws. Nothing here describes a
patient. Research and teaching only.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from math import exp, tanh
from types import MappingProxyType
from typing import Any

import numpy as np

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.registries.parameters import parameter
from ebbmap.registries.populations import Marginal, Population, population

#: Phenotypes by name, with the bundled population that lends families, bounds and the rest.
BASES: Mapping[str, str] = MappingProxyType(
    {
        "normal": "normal_with_tube",
        "restrictive": "restrictive_with_tube",
        "obstructive": "obstructive_with_tube",
        "severe_asthma": "obstructive_with_tube",
    }
)

LONG_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "normal": "normal lungs, fitted",
        "restrictive": "restrictive lungs (ARDS), fitted",
        "obstructive": "obstructive lungs (COPD), fitted",
        "severe_asthma": "severe asthma, three plateaus fitted, the rest assumed",
    }
)

COMMENT = (
    "Invented lungs that have, measured as patients were, the published quartiles; body size, "
    "chest wall and exchange are assumptions. For the lung `whole`. Not a description of patients."
)

#: What is not of the whole lung: it limits no flow, and the fitted resistance holds all of it.
LEFT_OUT = ("flow_limitation",)

#: Least eigenvalue that drawn correlations keep: below it they are drawn towards none.
LEAST_EIGENVALUE = 1e-3


@dataclass(frozen=True)
class Number:
    """A published or assumed number that the answer rests on.

    Parameters
    ----------
    name : str
        What it is of.
    value, error : float
        In its scale: logarithms of medians and spreads, Fisher's z of correlations.
    confirmed, source : str
        Grade, and where it comes from.
    """

    name: str
    value: float
    error: float
    confirmed: str
    source: str


@dataclass(frozen=True)
class Fitted:
    """A fitted phenotype and what is not known of it.

    Parameters
    ----------
    name : str
        Of the phenotype.
    unknowns : tuple of str
        Such as "centre: compliance", "spread: compliance", "correlation: compliance,
        resistance_exp", "breath: flow".
    values : ndarray, shape (p,)
        Fitted, each in its own scale.
    numbers : tuple of Number
        What was published or assumed.
    response : ndarray, shape (p, k)
        Change of each unknown when a number is one standard error higher.
    residuals : tuple of dict
        For each published number: published, fitted, and their difference in standard errors.
    """

    name: str
    unknowns: tuple[str, ...]
    values: np.ndarray
    numbers: tuple[Number, ...]
    response: np.ndarray
    residuals: tuple[Mapping[str, Any], ...]

    @property
    def standard_errors(self) -> dict[str, float]:
        """Standard error of every centre, spread and correlation, in its own scale."""
        errors = np.sqrt((self.response**2).sum(axis=1))
        return dict(zip(self.unknowns, errors.tolist(), strict=True))

    def breath(self) -> dict[str, float]:
        """Return how the lungs were ventilated while they were measured, in registry units."""
        return breath_of(dict(zip(self.unknowns, self.values.tolist(), strict=True)))

    def population(self, scores: np.ndarray | None = None) -> Population:
        """Return the population at the central numbers, or at drawn ones.

        Parameters
        ----------
        scores : array_like, shape (k,), optional
            By how many standard errors each number is off; none if None.

        Returns
        -------
        Population
            Correlations that cannot hold together are drawn towards none until they can.
        """
        values = self.values if scores is None else self.values + self.response @ scores
        made = population_of(self.name, dict(zip(self.unknowns, values.tolist(), strict=True)))
        return replace(made, known=self)


def breath_of(values: Mapping[str, float]) -> dict[str, float]:
    """Return the breath among some unknowns, in registry units."""
    return {
        name.removeprefix("breath: "): exp(value)
        for name, value in values.items()
        if name.startswith("breath: ")
    }


def population_of(phenotype: str, values: Mapping[str, float]) -> Population:
    """Return the population that some unknowns make.

    Parameters
    ----------
    phenotype : str
        Whose families and bounds.
    values : mapping of str to float
        By unknown, each in its own scale. What it does not name stays as it is bundled.

    Returns
    -------
    Population
    """
    base = _base(phenotype)
    marginals = {
        name: _moved(one, values.get(f"centre: {name}"), values.get(f"spread: {name}"))
        for name, one in base.items()
    }
    pairs = {
        tuple(name.removeprefix("correlation: ").split(", ")): tanh(value)
        for name, value in values.items()
        if name.startswith("correlation: ")
    }
    return Population(
        f"{phenotype}_fitted",
        LONG_NAMES[phenotype],
        COMMENT,
        MappingProxyType(marginals),
        MappingProxyType(_possible(tuple(marginals), pairs)),
    )


def _base(phenotype: str) -> dict[str, Marginal]:
    """Distributions that a fitted phenotype starts from."""
    if phenotype not in BASES:
        raise EbbmapError(unknown_name("fitted phenotype", phenotype, BASES))
    bundled = population(BASES[phenotype]).marginals
    return {name: _bounded(name, one) for name, one in bundled.items() if name not in LEFT_OUT}


def _bounded(name: str, one: Marginal) -> Marginal:
    """Cut a lognormal off at the parameter's bounds: a wide one that is drawn would leave them."""
    entry = parameter(name)
    return replace(one, low=entry.low, high=entry.high) if one.family == "lognormal" else one


def _moved(one: Marginal, centre: float | None, spread: float | None) -> Marginal:
    """Return a marginal with the centre and spread of a fit, where it has them.

    A drawn centre beyond the bounds is brought to the nearer one.
    """
    if centre is None or spread is None:
        return one
    plain = exp(centre) if one.family == "lognormal" else centre
    return replace(
        one,
        centre=min(max(plain, one.low), one.high),
        spread=exp(spread),
        source="fitted to published measurements; its standard error lies beside it",
        confirmed="derived",
    )


def _possible(
    names: tuple[str, ...], pairs: Mapping[tuple[str, ...], float]
) -> dict[tuple[str, str], float]:
    """Draw correlations towards none until they can hold together."""
    matrix = np.eye(len(names))
    for (one, other), value in pairs.items():
        i, j = names.index(one), names.index(other)
        matrix[i, j] = matrix[j, i] = value
    least = float(np.linalg.eigvalsh(matrix)[0])
    kept = min(1.0, (1.0 - LEAST_EIGENVALUE) / (1.0 - least)) if least < 1.0 else 1.0
    return {(first, second): kept * value for (first, second), value in pairs.items()}


@cache
def fitted(phenotype: str) -> Fitted:
    """Return a fitted phenotype.

    Raises
    ------
    EbbmapError
        If no phenotype has this name; the message gives the nearest one.

    Examples
    --------
    >>> fitted("restrictive").population().name
    'restrictive_fitted'
    """
    _base(phenotype)
    text = files(__package__).joinpath(f"{phenotype}.json").read_text(encoding="utf-8")
    held = json.loads(text)
    unknowns = tuple(held["unknowns"])
    numbers = tuple(
        Number(*(one[field] for field in ("name", "value", "error", "confirmed", "source")))
        for one in held["numbers"]
    )
    response = np.zeros((len(unknowns), len(numbers)))
    for column, one in enumerate(held["numbers"]):
        for name, value in one["moves"].items():
            response[unknowns.index(name), column] = value
    values = np.array([one["value"] for one in held["unknowns"].values()])
    return Fitted(phenotype, unknowns, values, numbers, response, tuple(held["residuals"]))
