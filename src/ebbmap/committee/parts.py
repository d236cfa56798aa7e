"""The parts of a check, in the order in which they run; those without pieces come last."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from ebbmap.committee import (
    boxes,
    breathing,
    broken,
    comparison,
    drivers,
    each_limit,
    knowledge,
    maps,
    patients,
    verdict,
    windows,
)
from ebbmap.committee.base import Part

PARTS: Mapping[str, Part] = MappingProxyType(
    {
        part.name: part
        for part in (
            verdict.PART,
            breathing.PART,
            each_limit.PART,
            knowledge.PART,
            boxes.PART,
            comparison.PART,
            windows.PART,
            maps.PART,
            drivers.PART,
            patients.PART,
            broken.PART,
            verdict.PER_LUNG,
            drivers.PARTING,
        )
    }
)
