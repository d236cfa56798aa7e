"""Conventional ventilation, beside which drafts and policies stand."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from ebbmap.files.bundled import bundled_policies, named_file
from ebbmap.files.policy import load_policy
from ebbmap.policies.language import Policy

#: The bundled policy that every other one stands beside.
USUAL = "conventional_6"


@cache
def usual_policy() -> Policy:
    """Return the bundled policy of conventional ventilation."""
    return load_policy(named_file(Path(USUAL), bundled_policies()))
