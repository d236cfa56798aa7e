"""The registry of analyses: every entry, in the order in which a study runs them."""

from __future__ import annotations

from importlib import import_module

from ebbmap.analyses import NAMES
from ebbmap.analyses.base import Analysis
from ebbmap.registry import Registry

#: Entries by the key that a study file has for them.
ANALYSES: Registry[Analysis] = Registry(
    "analysis", (import_module(f"ebbmap.analyses.{name}").ANALYSIS for name in NAMES)
)
