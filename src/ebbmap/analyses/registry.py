"""The registry of analyses: every entry, in the order in which a study runs them."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from types import MappingProxyType

from ebbmap.analyses import NAMES
from ebbmap.analyses.base import Analysis

#: Entries by the key that a study file has for them.
ANALYSES: Mapping[str, Analysis] = MappingProxyType(
    {name: import_module(f"ebbmap.analyses.{name}").ANALYSIS for name in NAMES}
)
