"""The model's right-hand side with its derivatives: what flows and what opens in a given state.

Shapes broadcast: n cases on the last axis, moments of time before it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.lungs.stepped.airway import flow
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.recoil import recoil
from ebbmap.lungs.stepped.recruitment import density, margins, open_fraction
from ebbmap.units import ML_PER_L


class Balance(NamedTuple):
    """The lung at given moments, ndarray of shape (..., n) each.

    Parameters
    ----------
    filling, opening : ndarray
        Rates of the volume [mL s-1] and of the openness [s-1].
    filling_by_volume, filling_by_openness, opening_by_volume, opening_by_openness : ndarray
        Their derivatives.
    lung, alveolar, pleural : ndarray
        Transpulmonary, alveolar and pleural pressure [cmH2O].
    lung_by_volume, lung_by_openness : ndarray
        Derivatives of the transpulmonary pressure.
    filling_by_airway : ndarray
        Derivative of the filling by the airway pressure [mL s-1 cmH2O-1].
    drive, opens, closes : ndarray
        Airway less alveolar pressure [cmH2O], and the margins of `recruitment.margins`.
    """

    filling: np.ndarray
    opening: np.ndarray
    filling_by_volume: np.ndarray
    filling_by_openness: np.ndarray
    opening_by_volume: np.ndarray
    opening_by_openness: np.ndarray
    lung: np.ndarray
    alveolar: np.ndarray
    pleural: np.ndarray
    lung_by_volume: np.ndarray
    lung_by_openness: np.ndarray
    filling_by_airway: np.ndarray
    drive: np.ndarray
    opens: np.ndarray
    closes: np.ndarray


def balance(cases: Cases, volume, openness, airway, muscle, inward=None) -> Balance:
    """Look at the lung: volume [mL], openness, airway and muscle pressure [cmH2O].

    `inward` says which resistance holds; where the drive points if None.
    """
    fraction = open_fraction(openness, cases.recruitable_share)
    lung, by_volume = recoil(
        volume, fraction, cases.lung_elastance, cases.recoil_curvature, cases.rest
    )
    by_openness = -by_volume * volume * (cases.recruitable_share / fraction)
    wall = cases.wall_elastance * volume
    static = lung + wall
    pleural = wall - muscle
    alveolar = lung + pleural
    drive = airway - alveolar
    if inward is None:
        inward = drive >= 0.0
    speed, by_drive, by_recoil = flow(drive, inward, lung, *cases.airways)
    by_drive, by_recoil = ML_PER_L * by_drive, ML_PER_L * by_recoil
    static_by_volume = by_volume + cases.wall_elastance
    opens, closes, opening, by_static, by_own = _movement(cases, openness, static)
    return Balance(
        filling=ML_PER_L * speed,
        opening=opening,
        filling_by_volume=by_recoil * by_volume - by_drive * static_by_volume,
        filling_by_openness=(by_recoil - by_drive) * by_openness,
        opening_by_volume=by_static * static_by_volume,
        opening_by_openness=by_static * by_openness - by_own,
        lung=lung,
        alveolar=alveolar,
        pleural=pleural,
        lung_by_volume=by_volume,
        lung_by_openness=by_openness,
        filling_by_airway=by_drive,
        drive=drive,
        opens=opens,
        closes=closes,
    )


def _movement(cases: Cases, openness, static):
    """Return the margins, the rate of the openness, and its derivatives by pressure and itself."""
    moves = cases.recruitable_share > 0.0
    if not moves.any():
        still = np.zeros(np.shape(static))
        return (still,) * 5
    opens, closes = margins(openness, static, *cases.unit_pressures)
    # 1/s while units open or close
    opening_rate = (moves & (opens > 0.0)) / cases.opening_time_constant
    closing_rate = (moves & (closes > 0.0)) / cases.closing_time_constant
    by_opening = density(static, cases.opening_pressure, cases.opening_spread)
    by_closing = density(static, cases.closing_pressure, cases.closing_spread)
    by_static = opening_rate * by_opening + closing_rate * by_closing
    opening = opening_rate * opens - closing_rate * closes
    return opens, closes, opening, by_static, opening_rate + closing_rate
