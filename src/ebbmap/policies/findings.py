"""What a checker finds in a policy, one sentence each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from ebbmap.policies.conditions import Box

Kind = Literal[
    "contradiction", "gap", "never_fires", "step_too_coarse", "cap_before_goal", "too_rare"
]

KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True)
class Finding:
    """One finding.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    line : int
        Line of the file that it is about.
    sentence : str
        What is wrong.
    rules : tuple of str
        The rules concerned.
    region : Box or None
        Measured values, or settings, where it holds; None where it has no region.
    shares : mapping of str to float
        By group, the share of patients concerned [1], where lungs were looked at.
    """

    kind: Kind
    line: int
    sentence: str
    rules: tuple[str, ...] = ()
    region: Box | None = None
    shares: Mapping[str, float] = field(default_factory=dict)

    def plain(self, file: str) -> dict[str, Any]:
        """Return the finding as plain data; `file` is where its line is."""
        return {
            "kind": self.kind,
            "where": f"{file}:{self.line}",
            "sentence": self.sentence,
            "rules": list(self.rules),
            "region": None if self.region is None else self.region.written(),
        }
