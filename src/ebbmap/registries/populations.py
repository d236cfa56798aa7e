"""Phenotypes as joint distributions of lung properties.

Fitted so that their lungs, measured as patients were, have the published quartiles. Nothing here
describes a patient: centre and spread are starting points for sweeps, each with its source and how
far that source was confirmed. They are populations of the lung `whole`; `folded` makes of each the
population of a lung that lacks a tube or a slow part.
"""

from __future__ import annotations

from typing import Literal

from ebbmap.registries.copula import Conditional, Fold, Population
from ebbmap.registries.distributions import EDGE, Confirmed, Marginal
from ebbmap.registries.fitted import fitted
from ebbmap.registries.fitted.bases import PHENOTYPES
from ebbmap.registries.folding import folded
from ebbmap.registry import Registry

__all__ = [
    "EDGE",
    "POPULATIONS",
    "Conditional",
    "Confirmed",
    "Fold",
    "How",
    "Marginal",
    "Missing",
    "Population",
    "folded",
    "population",
]

#: What becomes of the rows of an own table, and of gaps in it.
How = Literal["bootstrap", "smoothed"]
Missing = Literal["drop", "draw"]

POPULATIONS: Registry[Population] = Registry(
    "population", tuple(fitted(name).population() for name in PHENOTYPES)
)

population = POPULATIONS.named
