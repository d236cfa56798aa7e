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
from ebbmap.registries.copula import Fold, Population
from ebbmap.registries.distributions import Family, Marginal
from ebbmap.registries.fitted.assumed import assumed
from ebbmap.registries.fitted.bases import PHENOTYPES, REST, families
from ebbmap.registries.folding import possible
from ebbmap.registries.parameters import parameter

LONG_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "normal": "normal lungs",
        "restrictive": "restrictive lungs (ARDS)",
        "obstructive": "obstructive lungs (COPD)",
        "severe_asthma": "severe asthma (three plateaus fitted, the rest assumed)",
    }
)

#: What is said beside whatever is safe in obstruction; common practice, no source.
UNSUITABLE: Mapping[str, str] = MappingProxyType(
    dict.fromkeys(
        ("obstructive", "severe_asthma"),
        "Common practice holds this mode unsuitable in severe obstructive disease.",
    )
)

COMMENT = (
    "Invented lungs that have, measured as patients were, the published quartiles; body size, "
    "chest wall and exchange are assumptions. Not a description of patients."
)


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

    def breath(self, scores: np.ndarray | None = None) -> dict[str, float]:
        """Return how the lungs were ventilated while they were measured, in registry units.

        Scores are as in `population`.
        """
        return breath_of(self._unknowns(scores))

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
        return replace(population_of(self.name, self._unknowns(scores)), known=self)

    def _unknowns(self, scores: np.ndarray | None) -> dict[str, float]:
        """Return every unknown where each number is off by so many standard errors."""
        values = self.values if scores is None else self.values + self.response @ scores
        return dict(zip(self.unknowns, values.tolist(), strict=True))


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
    _check(phenotype)
    unknowns = {name: one.value for name, one in assumed(phenotype).items()} | dict(values)
    rest = REST[phenotype]
    marginals = {
        name: _fitted(name, form, unknowns[f"centre: {name}"], unknowns[f"spread: {name}"])
        for name, form in families(phenotype).items()
    } | {
        name: _moved(name, one, unknowns.get(f"centre: {name}"), unknowns.get(f"spread: {name}"))
        for name, one in rest.items()
    }
    pairs = {
        _pair(name.removeprefix("correlation: ")): tanh(value)
        for name, value in values.items()
        if name.startswith("correlation: ")
    }
    return Population(
        phenotype,
        LONG_NAMES[phenotype],
        COMMENT,
        MappingProxyType(marginals),
        MappingProxyType(possible(tuple(marginals), pairs)),
        folds=_folds(phenotype),
        unsuitable=UNSUITABLE.get(phenotype, ""),
    )


def _check(phenotype: str) -> None:
    """Refuse a phenotype that is not known."""
    if phenotype not in PHENOTYPES:
        raise EbbmapError(unknown_name("fitted phenotype", phenotype, PHENOTYPES))


def _pair(text: str) -> tuple[str, str]:
    """Return the two properties of a correlation's name."""
    one, other = text.split(", ")
    return one, other


def _fitted(name: str, form: tuple[Family, float, float], centre: float, spread: float) -> Marginal:
    """Return the marginal of a fitted property."""
    family, low, high = form
    middle = exp(centre) if family == "lognormal" else centre
    low, high = _ends(name, family, low, high)
    source = "fitted to published measurements; its standard error lies beside it"
    inside = min(max(middle, low), high)
    return Marginal(family, inside, exp(spread), source, "derived", low=low, high=high)


def _moved(name: str, one: Marginal, centre: float | None, spread: float | None) -> Marginal:
    """Return a marginal around a drawn centre, within its bounds, with a drawn spread."""
    low, high = _ends(name, one.family, one.low, one.high)
    if centre is None or spread is None:
        return replace(one, low=low, high=high)
    middle = exp(centre) if one.family == "lognormal" else centre
    inside = min(max(middle, low), high)
    return replace(one, centre=inside, spread=exp(spread), low=low, high=high)


def _ends(name: str, family: Family, low: float, high: float) -> tuple[float, float]:
    """Return the bounds of a marginal; a lognormal's are those of the parameter.

    A wide one that is drawn would leave these.
    """
    entry = parameter(name)
    return (entry.low, entry.high) if family == "lognormal" else (low, high)


@cache
def _file(phenotype: str) -> Mapping[str, Any]:
    """Return what the file of a phenotype holds."""
    _check(phenotype)
    text = files(__package__).joinpath(f"{phenotype}.json").read_text(encoding="utf-8")
    return MappingProxyType(json.loads(text))


def _folds(phenotype: str) -> Mapping[str, Fold]:
    """Return what changes for lungs that lack a part."""
    return MappingProxyType(
        {
            kind: Fold(
                held["centres"],
                held["spreads"],
                {_pair(name): change for name, change in held["correlations"].items()},
            )
            for kind, held in _file(phenotype).get("folds", {}).items()
        }
    )


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
    'restrictive'
    """
    held = _file(phenotype)
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
