"""Opening and closing, settling, and the patient's own effort."""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.registries.outcomes.entry import Outcome

#: Share of the lung by which two settled cycles must differ to be called two: the search that
#: tells them apart is good to half of it.
ANOTHER_CYCLE = 2e-3

RECRUITMENT = (
    "Crotti et al., Am J Respir Crit Care Med 2001;164:131 (pressures); Neumann et al., "
    "J Appl Physiol 1998;85:1533 (time scale)"
)


def other_settled_cycle(closed_start_gap: np.ndarray) -> Any:
    """Whether a lung that began closed has a settled cycle of its own: 1 or 0 [1]."""
    return np.where(np.greater(closed_start_gap, ANOTHER_CYCLE), 1.0, 0.0)


RECRUITMENT_AND_EFFORT = (
    Outcome(
        "open_fraction_end_high",
        long_name="open fraction at end of T high",
        units="1",
        source=RECRUITMENT,
        comment="Share of all lung units that are open.",
    ),
    Outcome(
        "open_fraction_end_release",
        long_name="open fraction at end of release",
        units="1",
        source=RECRUITMENT,
        comment="Share of all lung units that are open.",
    ),
    Outcome(
        "closed_per_release",
        long_name="fraction of the lung that closes in one release",
        units="1",
        source=RECRUITMENT,
        comment="Open fraction at end of T high less that at end of release.",
    ),
    Outcome(
        "closed_start_gap",
        long_name="open fraction less in the settled cycle of a lung that began closed",
        units="1",
        source=RECRUITMENT,
        comment="At the end of a release, of the passive lung. Hysteresis may allow two settled "
        "cycles: the one taken is that of a lung which P high has opened, the other that of a "
        "lung which began with all its units closed. What a higher pressure than P high would "
        "hold open is not looked for.",
    ),
    Outcome(
        "other_settled_cycle",
        long_name="another settled cycle exists",
        units="1",
        source=RECRUITMENT,
        comment="1: a lung which began closed settles elsewhere, more than 0.002 of the lung away "
        "from the cycle taken, that of a lung which P high has opened. 0: none was found.",
        compute=other_settled_cycle,
    ),
    Outcome(
        "cycles_to_settle",
        long_name="cycles to settle",
        units="1",
        source="definition: ln 100 over the logarithmic decrement of the cycle map (derived)",
        comment="Cycles until a disturbance of the trapped gas has faded to one hundredth; may be "
        "a fraction. Of the passive lung, open fraction held.",
    ),
    Outcome(
        "effort_share",
        long_name="share of ventilation outside the releases",
        units="1",
        source="definition: expired gas less the net fall of volume in releases, over expired gas",
        comment="Zero in a passive patient with an immediate valve. With effort every outcome is "
        "a mean over its phase; shares are of all gas of these cycles.",
    ),
    Outcome(
        "transpulmonary_pressure_swing",
        long_name="swing of the transpulmonary pressure",
        units="cmH2O",
        source="definition: highest less lowest transpulmonary pressure of a cycle",
        comment="With effort it exceeds what the settings alone would give.",
    ),
)
