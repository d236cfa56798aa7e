"""The registry of outcomes: what a cycle means, each declared once with the function behind it.

A function takes other outcomes and parameters *by the names of its arguments*; the registry is
thereby a graph, and `plan` walks it. An outcome without a function is solved by the lung model.
All functions take and return arrays of shape (n,) that broadcast, in registry units.
"""

from __future__ import annotations

from ebbmap.registries.outcomes.bundled import OUTCOMES, outcome
from ebbmap.registries.outcomes.entry import Outcome
from ebbmap.registries.outcomes.graph import Plan, outcomes_of, plan

__all__ = ["OUTCOMES", "Outcome", "Plan", "outcome", "outcomes_of", "plan"]
