"""What was measured in patients, animals and tubes, beside what the bundled lungs say."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from ebbmap.validation.carbon_dioxide import CO2
from ebbmap.validation.finding import Finding
from ebbmap.validation.mechanics import MECHANICS
from ebbmap.validation.oxygen import CIRCULATION, OXYGEN
from ebbmap.validation.release import RELEASE, TUBE
from ebbmap.validation.time_constants import TIME_CONSTANTS

#: Findings by subject, in the order of the page.
SUBJECTS: Mapping[str, tuple[Finding, ...]] = MappingProxyType(
    {
        "compliance, resistance, chest wall": MECHANICS,
        "time constants": TIME_CONSTANTS,
        "release and collapse": RELEASE,
        "tube": TUBE,
        "carbon dioxide": CO2,
        "oxygen": OXYGEN,
        "circulation and head": CIRCULATION,
    }
)

FINDINGS: tuple[Finding, ...] = tuple(one for found in SUBJECTS.values() for one in found)
