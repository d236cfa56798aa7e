"""Volumes, pressures, flows and times of a cycle."""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.registries.outcomes.entry import CLOSED_FORM, Outcome
from ebbmap.units import L_PER_ML, S_PER_MIN


def release_volume_per_kg(release_volume: np.ndarray, predicted_body_weight: np.ndarray) -> Any:
    """Release volume per kg of predicted body weight [mL kg-1]."""
    return release_volume / predicted_body_weight


def auto_peep(end_release_pressure: np.ndarray, p_low: np.ndarray) -> Any:
    """Alveolar pressure still above P low when the release ends [cmH2O]."""
    return end_release_pressure - p_low


def flow_ratio(end_release_flow: np.ndarray, peak_expiratory_flow: np.ndarray) -> Any:
    """Flow at the end of the release over its peak [1]."""
    return end_release_flow / peak_expiratory_flow


def mean_airway_pressure(
    p_high: np.ndarray, p_low: np.ndarray, t_high: np.ndarray, t_low: np.ndarray
) -> Any:
    """Time-weighted mean of the set pressures [cmH2O].

    Examples
    --------
    >>> round(mean_airway_pressure(25.0, 0.0, 5.0, 0.5), 3)
    22.727
    """
    return (p_high * t_high + p_low * t_low) / (t_high + t_low)


def driving_pressure(end_high_pressure: np.ndarray, end_release_pressure: np.ndarray) -> Any:
    """Alveolar pressure at the end of T high less that at the end of the release [cmH2O]."""
    return end_high_pressure - end_release_pressure


def release_rate(t_high: np.ndarray, t_low: np.ndarray) -> Any:
    """Releases per minute [min-1]."""
    return S_PER_MIN / (t_high + t_low)


def release_minute_volume(release_volume: np.ndarray, release_rate: np.ndarray) -> Any:
    """Gas released per minute [L min-1]."""
    return release_volume * release_rate * L_PER_ML


def release_in_time_constants(t_low: np.ndarray, time_constant_exp: np.ndarray) -> Any:
    """T low over the expiratory time constant [1]."""
    return t_low / time_constant_exp


def end_high_transpulmonary_pressure(
    end_high_pressure: np.ndarray, chest_wall_share: np.ndarray
) -> Any:
    """Lung's part of the alveolar pressure at the end of T high [cmH2O]."""
    return end_high_pressure * (1.0 - chest_wall_share)


def mean_pleural_pressure(mean_alveolar_pressure: np.ndarray, chest_wall_share: np.ndarray) -> Any:
    """Chest wall's part of the mean alveolar pressure [cmH2O]."""
    return mean_alveolar_pressure * chest_wall_share


SHARE = (
    "Gattinoni et al., Crit Care 2004;8:350: pleural change = airway change x Ecw/Ers, "
    "passive chest"
)
RELAXATION = "Change from the relaxed, passive state at atmospheric pressure."

MECHANICS = (
    Outcome(
        "release_volume",
        long_name="release volume",
        units="mL",
        bounds=(0.0, 100000.0),
        usual=(100.0, 2000.0),
        source=CLOSED_FORM,
        comment="Gas that leaves the lung in one release of the settled cycle.",
    ),
    Outcome(
        "release_volume_per_kg",
        long_name="release volume per kg predicted body weight",
        units="mL kg-1",
        bounds=(0.0, 5000.0),
        usual=(2.0, 20.0),
        source="definition",
        compute=release_volume_per_kg,
    ),
    Outcome(
        "trapped_volume",
        long_name="trapped volume",
        units="mL",
        bounds=(0.0, 100000.0),
        usual=(20.0, 2000.0),
        source=CLOSED_FORM,
        comment="Gas above the volume at P low when the release ends.",
    ),
    Outcome(
        "end_high_pressure",
        long_name="alveolar pressure at end of T high",
        units="cmH2O",
        bounds=(-20.0, 80.0),
        usual=(10.0, 40.0),
        source=CLOSED_FORM,
    ),
    Outcome(
        "end_high_volume",
        long_name="volume at end of T high",
        units="mL",
        bounds=(0.0, 100000.0),
        usual=(300.0, 6000.0),
        source=CLOSED_FORM,
        comment="Above the relaxation volume at atmospheric pressure: P low counts, set or "
        "trapped.",
    ),
    Outcome(
        "end_release_pressure",
        long_name="alveolar pressure at end of release",
        units="cmH2O",
        bounds=(-40.0, 80.0),
        usual=(2.0, 25.0),
        source=CLOSED_FORM,
        comment="Total PEEP: P low plus auto-PEEP.",
    ),
    Outcome(
        "auto_peep",
        long_name="auto-PEEP",
        units="cmH2O",
        bounds=(-40.0, 80.0),
        usual=(1.0, 20.0),
        source="definition: total less set end-expiratory pressure",
        compute=auto_peep,
    ),
    Outcome(
        "fill_fraction",
        long_name="filled fraction",
        units="1",
        bounds=(0.0, 1.0),
        usual=(0.3, 1.0),
        source=CLOSED_FORM,
        comment="Gas taken in during T high over what an endless T high would take in.",
    ),
    Outcome(
        "exhaled_fraction",
        long_name="exhaled fraction",
        units="1",
        bounds=(0.0, 1.0),
        usual=(0.2, 1.0),
        source=CLOSED_FORM,
        comment="Gas released over what an endless release would let out.",
    ),
    Outcome(
        "peak_expiratory_flow",
        long_name="peak expiratory flow",
        units="L s-1",
        bounds=(0.0, 100.0),
        usual=(0.3, 4.0),
        source=CLOSED_FORM,
        comment="Outward flow, given as a positive number.",
    ),
    Outcome(
        "end_release_flow",
        long_name="end-release flow",
        units="L s-1",
        bounds=(-20.0, 100.0),
        usual=(0.05, 3.0),
        source=CLOSED_FORM,
        comment="Outward flow, given as a positive number.",
    ),
    Outcome(
        "flow_ratio",
        long_name="flow ratio",
        units="1",
        bounds=(0.0, 1.0),
        usual=(0.1, 1.0),
        source="definition",
        comment="End-release flow over peak expiratory flow.",
        compute=flow_ratio,
    ),
    Outcome(
        "mean_airway_pressure",
        long_name="mean airway pressure",
        units="cmH2O",
        bounds=(0.0, 80.0),
        usual=(8.0, 35.0),
        source="time-weighted mean",
        compute=mean_airway_pressure,
    ),
    Outcome(
        "mean_alveolar_pressure",
        long_name="mean alveolar pressure",
        units="cmH2O",
        bounds=(-20.0, 80.0),
        usual=(8.0, 35.0),
        source=CLOSED_FORM,
    ),
    Outcome(
        "driving_pressure",
        long_name="driving pressure",
        units="cmH2O",
        bounds=(-20.0, 80.0),
        usual=(4.0, 25.0),
        source="Respir Res 2022;23:101: from the pressure of T high to the trapped end-release "
        "pressure",
        comment="Fall of the alveolar pressure in a release: release volume over compliance in a "
        "linear lung. P high less the end-release pressure only where T high fills the lung.",
        compute=driving_pressure,
    ),
    Outcome(
        "release_rate",
        long_name="release rate",
        units="min-1",
        bounds=(0.3, 1000.0),
        usual=(5.0, 40.0),
        source="definition",
        compute=release_rate,
    ),
    Outcome(
        "release_minute_volume",
        long_name="release minute volume",
        units="L min-1",
        bounds=(0.0, 2000.0),
        usual=(1.0, 20.0),
        source="definition",
        compute=release_minute_volume,
    ),
    Outcome(
        "time_constant_exp",
        long_name="expiratory time constant",
        units="s",
        bounds=(0.0, 10000.0),
        usual=(0.1, 5.0),
        source=CLOSED_FORM,
        comment="Expiratory resistance times compliance, tube included. With a quadratic part: as "
        "the flow dies away. With two compartments: mean emptying time of the full lung.",
    ),
    Outcome(
        "release_in_time_constants",
        long_name="T low in expiratory time constants",
        units="1",
        bounds=(0.0, 10000.0),
        usual=(0.2, 4.0),
        source="definition",
        compute=release_in_time_constants,
    ),
    Outcome(
        "end_high_transpulmonary_pressure",
        long_name="transpulmonary pressure at end of T high",
        units="cmH2O",
        bounds=(-60.0, 120.0),
        usual=(5.0, 35.0),
        source=SHARE,
        comment=RELAXATION,
        compute=end_high_transpulmonary_pressure,
    ),
    Outcome(
        "mean_pleural_pressure",
        long_name="mean pleural pressure",
        units="cmH2O",
        bounds=(-60.0, 80.0),
        usual=(1.0, 25.0),
        source=SHARE,
        comment=RELAXATION,
        compute=mean_pleural_pressure,
    ),
)
