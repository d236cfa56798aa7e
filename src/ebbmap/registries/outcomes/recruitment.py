"""Opening and closing, settling, and the patient's own effort."""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.array import where
from ebbmap.registries.outcomes.entry import Outcome
from ebbmap.registries.outcomes.mechanics import SHARE
from ebbmap.units import ML_PER_L

#: Share of the lung by which two settled cycles must differ to be called two: the search that
#: tells them apart is good to half of it.
ANOTHER_CYCLE = 2e-3

RECRUITMENT = (
    "Crotti et al., Am J Respir Crit Care Med 2001;164:131 (pressures); Neumann et al., "
    "J Appl Physiol 1998;85:1533 (time scale)"
)


def other_settled_cycle(closed_start_gap: np.ndarray) -> Any:
    """Whether a lung that began closed has a settled cycle of its own: 1 or 0 [1]."""
    return where(closed_start_gap > ANOTHER_CYCLE, 1.0, 0.0)


def own_minute_volume(release_minute_volume: np.ndarray, effort_share: np.ndarray) -> Any:
    """Gas breathed besides the releases per minute [L min-1].

    Examples
    --------
    >>> own_minute_volume(6.0, 0.25)
    2.0
    """
    return release_minute_volume * effort_share / (1.0 - effort_share)


def own_tidal_volume(own_minute_volume: np.ndarray, effort_rate: np.ndarray) -> Any:
    """Gas breathed besides the releases per effort [mL]."""
    return own_minute_volume * ML_PER_L / effort_rate


RECRUITMENT_AND_EFFORT = (
    Outcome(
        "open_fraction_end_high",
        long_name="open fraction at end of T high",
        units="1",
        bounds=(0.0, 1.0),
        usual=(0.1, 1.0),
        source=RECRUITMENT,
        comment="Share of all lung units that are open.",
    ),
    Outcome(
        "open_fraction_end_release",
        long_name="open fraction at end of release",
        units="1",
        bounds=(0.0, 1.0),
        usual=(0.1, 1.0),
        source=RECRUITMENT,
        comment="Share of all lung units that are open.",
    ),
    Outcome(
        "closed_per_release",
        long_name="fraction of the lung that closes in one release",
        units="1",
        bounds=(0.0, 1.0),
        usual=(0.01, 0.9),
        source=RECRUITMENT,
        comment="Open fraction at end of T high less that at end of release.",
    ),
    Outcome(
        "closed_start_gap",
        long_name="open fraction less in the settled cycle of a lung that began closed",
        units="1",
        bounds=(-1.0, 1.0),
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
        bounds=(0.0, 1.0),
        source=RECRUITMENT,
        comment="1: a lung which began closed settles elsewhere, more than 0.002 of the lung away "
        "from the cycle taken, that of a lung which P high has opened. 0: none was found.",
        compute=other_settled_cycle,
    ),
    Outcome(
        "cycles_to_settle",
        long_name="cycles to settle",
        units="1",
        bounds=(0.0, 1000000.0),
        source="definition: ln 100 over the logarithmic decrement of the cycle map (derived)",
        comment="Cycles until a disturbance of the trapped gas has faded to one hundredth; may be "
        "a fraction. Of the passive lung, open fraction held.",
    ),
    Outcome(
        "effort_share",
        long_name="share of ventilation outside the releases",
        units="1",
        bounds=(-10.0, 1.0),
        usual=(0.02, 1.0),
        source="definition: expired gas less the net fall of volume in releases, over expired gas",
        comment="Zero in a passive patient with an immediate valve. With effort every outcome is "
        "a mean over its phase; shares are of all gas of these cycles.",
    ),
    Outcome(
        "transpulmonary_pressure_swing",
        long_name="swing of the transpulmonary pressure",
        units="cmH2O",
        bounds=(0.0, 200.0),
        usual=(3.0, 40.0),
        source="definition: highest less lowest transpulmonary pressure of a cycle",
        comment="With effort it exceeds what the settings alone would give.",
    ),
    Outcome(
        "flow_limited_share",
        long_name="share of the released gas that leaves at limited flow",
        units="1",
        bounds=(0.0, 1.0),
        usual=(0.02, 1.0),
        source="definition; limit: Mead et al., J Appl Physiol 1967;22:95 (from memory)",
        comment="Gas that leaves while a lower pressure downstream would let out no more.",
    ),
    Outcome(
        "own_minute_volume",
        long_name="minute volume of own breaths",
        units="L min-1",
        bounds=(-100.0, 2000.0),
        usual=(0.5, 20.0),
        source="definition: expired gas less the net fall of volume in releases",
        comment="What is breathed besides the releases, dead space included.",
        compute=own_minute_volume,
    ),
    Outcome(
        "own_tidal_volume",
        long_name="tidal volume of own breaths",
        units="mL",
        bounds=(-1000.0, 100000.0),
        usual=(20.0, 1500.0),
        source="definition: minute volume of own breaths over the rate of efforts",
        comment="Mean over all efforts, those in a release or while the lung fills included, whose "
        "gas counts as the release's.",
        compute=own_tidal_volume,
    ),
    Outcome(
        "peak_muscle_pressure",
        long_name="peak muscle pressure of the efforts",
        units="cmH2O",
        bounds=(0.0, 200.0),
        usual=(1.0, 40.0),
        source="effort_pressure and what CO2 adds, straight from set point to limit: assumption",
        comment="Solved together with the CO2 tension that it leads to.",
    ),
    Outcome(
        "mean_muscle_pressure",
        long_name="mean muscle pressure",
        units="cmH2O",
        bounds=(0.0, 200.0),
        usual=(0.3, 20.0),
        source="definition; half-sine efforts",
        comment="Over all times.",
    ),
    Outcome(
        "mean_transpulmonary_pressure",
        long_name="mean transpulmonary pressure",
        units="cmH2O",
        bounds=(-60.0, 200.0),
        usual=(2.0, 30.0),
        source=SHARE,
        comment="Muscle pressure included.",
    ),
    Outcome(
        "peak_transpulmonary_pressure",
        long_name="highest transpulmonary pressure",
        units="cmH2O",
        bounds=(-60.0, 300.0),
        usual=(5.0, 45.0),
        source=SHARE,
        comment="Muscle pressure included; at any phase of the efforts.",
    ),
    Outcome(
        "lowest_pleural_pressure",
        long_name="lowest pleural pressure",
        units="cmH2O",
        bounds=(-300.0, 80.0),
        source=SHARE,
        comment="Muscle pressure included; at any phase of the efforts.",
    ),
    Outcome(
        "lowest_alveolar_pressure",
        long_name="lowest alveolar pressure",
        units="cmH2O",
        bounds=(-300.0, 80.0),
        source="definition",
        comment="Muscle pressure included; at any phase of the efforts.",
    ),
    Outcome(
        "highest_auto_peep",
        long_name="highest auto-PEEP",
        units="cmH2O",
        bounds=(-40.0, 200.0),
        usual=(1.0, 25.0),
        source="definition: total less set end-expiratory pressure",
        comment="At any phase of the efforts; the muscles may be at work at that moment.",
    ),
)
