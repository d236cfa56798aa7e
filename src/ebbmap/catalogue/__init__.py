"""Entries of one's own beside the bundled ones: a frozen value that travels with the work."""

from __future__ import annotations

from ebbmap.catalogue.findings import Finding, check_file
from ebbmap.catalogue.marks import analysis, lung, outcome
from ebbmap.catalogue.results import add_outcome
from ebbmap.catalogue.sources import Used, load_use
from ebbmap.catalogue.value import Catalogue, builtin

__all__ = [
    "Catalogue",
    "Finding",
    "Used",
    "add_outcome",
    "analysis",
    "builtin",
    "check_file",
    "load_use",
    "lung",
    "outcome",
]
