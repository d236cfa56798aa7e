"""The body's stores of CO2, measured as the papers measured theirs."""

from __future__ import annotations

import numpy as np
from scipy.linalg import expm

from ebbmap.exchange import co2, co2_stores
from ebbmap.units import S_PER_MIN
from ebbmap.validation.measured import default
from ebbmap.validation.reading import Reading, exact


def stores() -> dict[str, float]:
    """Return the CO2 stores and the exchange between them."""
    return {n: default(n) for n in ("co2_store_fast", "co2_store_slow", "co2_store_exchange")}


def rise(start: float, end: float, production: float) -> Reading:
    """Return the rise of the arterial tension between two times of an apnoea, per minute."""
    course = co2_stores.paco2_course(np.array([start, end]), 40.0, 0.0, production, **stores())
    return exact((course[1] - course[0]) / (end - start) * S_PER_MIN)


#: Breaths of 500 mL with 150 mL of dead space, three times as deep and 1.5 times as often.
DEEPER = 1.5 * (1500.0 - 150.0) / (500.0 - 150.0)


def hyperventilation() -> tuple[np.ndarray, np.ndarray]:
    """Return minutes (t,) and tension [mmHg] of twelve minutes of it."""
    minutes = np.linspace(0.0, 12.0, 2401)
    before = co2.STPD_TO_TENSION * 200.0 / 40.0
    course = co2_stores.paco2_course(minutes * 60.0, 40.0, before * DEEPER, 200.0, **stores())
    return minutes, course


def washed_out() -> Reading:
    """Return the CO2 that twelve minutes of hyperventilation remove beyond what is made."""
    minutes, tension = hyperventilation()
    cleared = 200.0 / 40.0 * DEEPER * tension
    return exact(np.trapezoid(cleared - 200.0, minutes))


def taken_back() -> Reading:
    """Return the share of the loss that is back after twelve minutes of usual ventilation.

    The stores are apart when that begins, so both are followed by their own equations.
    """
    fast, slow, exchange = stores().values()
    held = np.array([fast, slow])
    lost = [0.0]
    state = np.array([40.0, 40.0, 1.0])
    for ventilation in (DEEPER, 1.0):
        cleared = 200.0 * ventilation / 40.0
        # the third row carries what is made
        rates = np.array(
            [
                [-(exchange + cleared) / fast, exchange / fast, 200.0 / fast],
                [exchange / slow, -exchange / slow, 0.0],
                [0.0, 0.0, 0.0],
            ]
        )
        state = expm(12.0 * rates) @ state
        lost.append(float(held @ (40.0 - state[:2])))
    return exact(1.0 - lost[2] / lost[1])
