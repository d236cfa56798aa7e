"""The settings that a strategy gives each lung at the start.

Sizes: n lungs.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from pydantic import Field

from ebbmap.analyses.common.windows import SEARCHED
from ebbmap.analyses.options import Number, Options, Positive
from ebbmap.cases.evaluate import evaluate, resolve
from ebbmap.cases.pieces import Progress
from ebbmap.kernels.choosing import t_low_reaching
from ebbmap.lungs import Lung
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.strategies import Start, Strategy
from ebbmap.units import S_PER_MIN

Arrays = Mapping[str, np.ndarray]


class Before(Options):
    """The conventional ventilation before a strategy takes over, where its source is silent."""

    volume_per_kg: Positive = Field(default=6.0, description="tidal volume [mL kg-1]")
    peep: Number = Field(default=10.0, ge=0, description="end-expiratory pressure [cmH2O]")
    rate: Positive = Field(default=20.0, description="breaths per minute")

    @property
    def sentence(self) -> str:
        """The breath in words, for captions."""
        return (
            f"Before: {self.volume_per_kg:g} mL/kg above {self.peep:g} cmH₂O, {self.rate:g} per "
            "minute, where a source does not say"
        )


def start_lungs(
    strategy: Strategy, lung: Lung, lungs: Arrays, before: Before, progress: Progress = None
) -> dict[str, np.ndarray]:
    """Return the settings that a strategy gives each lung at the start.

    Parameters
    ----------
    strategy : Strategy
        The strategy.
    lung : Lung
        The model.
    lungs : mapping of str to ndarray, shape (n,)
        Lung properties and all other values but the settings; a `p_high` of NaN bars a lung.
    before : Before
        The ventilation before, where the source does not say.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        P low, P high, T low and T high; NaN in all of them where the strategy gives a lung none
        that can be set.

    Notes
    -----
    The plateau is that of a lung with a straight recoil: end-expiratory pressure plus tidal volume
    over compliance.
    """
    others = {name: value for name, value in lungs.items() if name != "p_high"}
    shape = np.broadcast_shapes(*(np.shape(value) for value in others.values()), (1,))
    known = resolve(others, ("predicted_body_weight", "compliance", "fio2"))
    rise = known["predicted_body_weight"] / known["compliance"]
    p_low = _p_low(strategy.starts["p_low"], known["fio2"])
    settings = {"p_low": p_low, "p_high": _p_high(strategy, before, rise, p_low)}
    settings = {name: np.broadcast_to(value, shape) for name, value in settings.items()}
    t_low = _t_low(strategy, lung, {**others, **settings}, before, shape, progress)
    settings |= {"t_low": t_low, "t_high": _t_high(strategy, before, t_low)}
    barred = np.isnan(np.broadcast_to(lungs.get("p_high", np.zeros(())), shape))
    barred = barred | (settings["p_high"] <= settings["p_low"])
    for name, value in settings.items():
        entry = PARAMETERS[name]
        barred = barred | ~((value >= entry.low) & (value <= entry.high))
    return {name: np.where(barred, np.nan, value) for name, value in settings.items()}


def _p_low(start: Start, fio2: np.ndarray) -> np.ndarray:
    if start.way == "value":
        return np.asarray(start.value)
    shares, pressures = np.array(start.steps, float).T
    # written shares such as 0.6 must reach their own step
    place = np.searchsorted(shares, np.asarray(fio2) - 1e-9)
    return np.asarray(pressures[np.minimum(place, shares.size - 1)])


def _p_high(strategy: Strategy, before: Before, rise: np.ndarray, p_low: np.ndarray) -> np.ndarray:
    """Return P high [cmH2O] from body weight over compliance [kg cmH2O mL-1]."""
    start = strategy.starts["p_high"]
    if start.way == "volume":
        pressure = p_low + start.value * rise
    else:
        volume = strategy.volume_before or before.volume_per_kg
        pressure = start.value * (before.peep + volume * rise)
    return np.minimum(pressure, start.at_most)


def _t_low(
    strategy: Strategy,
    lung: Lung,
    cases: Arrays,
    before: Before,
    shape: tuple[int, ...],
    progress: Progress,
) -> np.ndarray:
    """Return T low [s], shape (n,); NaN where no T low gives the flow ratio."""
    start = strategy.starts["t_low"]
    if start.way == "value":
        return np.full(shape, start.value)
    if start.way == "rest_of_breath":
        share = strategy.starts["t_high"].value
        return np.full(shape, (1.0 - share) * S_PER_MIN / before.rate)
    full = {name: np.broadcast_to(value, shape) for name, value in cases.items()}
    shortest = PARAMETERS["t_high"].low

    def measure(t_low: np.ndarray, number: np.ndarray) -> np.ndarray:
        case = {name: value[number] for name, value in full.items()}
        # a T low longer than its cycle is searched too, and barred afterwards
        t_high = np.maximum(_t_high(strategy, before, t_low), shortest)
        timed = {**case, "t_low": t_low, "t_high": t_high}
        return evaluate(lung, timed, ("flow_ratio",), progress=progress).outcomes["flow_ratio"]

    low, high = SEARCHED
    found = t_low_reaching(measure, np.array([start.value]), shape[0], low=low, high=high)
    return found[:, 0]


def _t_high(strategy: Strategy, before: Before, t_low: np.ndarray) -> np.ndarray:
    """Return T high [s] beside a T low; not above 0 where the cycle is shorter than T low."""
    start = strategy.starts["t_high"]
    if start.way == "value":
        return np.full(np.shape(t_low), start.value)
    if start.way == "share_of_breath":
        return np.full(np.shape(t_low), start.value * S_PER_MIN / before.rate)
    rate = start.value if start.way == "releases" else before.rate
    return S_PER_MIN / rate - t_low
