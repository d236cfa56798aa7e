"""What every lung model offers.

A cycle is T high at P high, then T low at P low. Its state is what the lung remembers from one
cycle to the next, taken at the end of a release. Sizes: n cases, t time points.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from functools import cached_property
from types import MappingProxyType
from typing import Any, Self

import numpy as np

from ebbmap.array import broadcast_to, floats, where

Arrays = Mapping[str, np.ndarray]

#: What every model must solve for; the registry of outcomes builds on these.
SOLVED = (
    "release_volume",
    "trapped_volume",
    "end_high_pressure",
    "end_high_volume",
    "end_release_pressure",
    "peak_expiratory_flow",
    "end_release_flow",
    "mean_alveolar_pressure",
    "fill_fraction",
    "exhaled_fraction",
    "time_constant_exp",
)

#: The signals over time that every model must draw; declared in the registry of signals.
WAVES = ("airway_pressure", "alveolar_pressure", "flow", "volume")


@dataclass(frozen=True)
class Setting:
    """What is set, for n cases; a lung's own properties are added by inheriting from it.

    Parameters
    ----------
    p_high, p_low : array_like, shape (n,)
        Set pressures [cmH2O], p_high > p_low. All shapes broadcast.
    t_high, t_low : array_like, shape (n,)
        Set times [s], > 0.
    """

    p_high: Any
    p_low: Any
    t_high: Any
    t_low: Any

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the registry names of all that is held, in order."""
        return tuple(entry.name for entry in fields(cls))

    def columns(self) -> Self:
        """Return all values with an axis for time behind, shape (n, 1)."""
        values = (getattr(self, name) for name in self.names())
        return type(self)(*(floats(value)[..., None] for value in values))

    @cached_property
    def drop(self) -> Any:
        """P high less P low [cmH2O]."""
        return self.p_high - self.p_low

    def mean_pressure(self, airway_share: np.ndarray) -> Any:
        """Return the mean alveolar pressure of a cycle [cmH2O].

        Parameters
        ----------
        airway_share : array_like, shape (n,)
            Integral over the cycle of alveolar less set pressure [cmH2O s].
        """
        set_share = self.p_high * self.t_high + self.p_low * self.t_low
        return (set_share + airway_share) / (self.t_high + self.t_low)

    def signals(
        self, in_release: np.ndarray, alveolar: np.ndarray, flow: np.ndarray, volume: np.ndarray
    ) -> dict[str, np.ndarray]:
        """Return the signals in `WAVES`, shape (n, t), the set pressure being the airway's.

        Parameters
        ----------
        in_release : ndarray of bool, shape (n, t)
            Where the release has begun.
        alveolar, flow, volume : ndarray, shape (n, t)
            Alveolar pressure [cmH2O], flow [L s-1], volume [mL].
        """
        airway = where(in_release, self.p_low, self.p_high)
        return {
            "airway_pressure": broadcast_to(airway, alveolar.shape),
            "alveolar_pressure": alveolar,
            "flow": flow,
            "volume": volume,
        }


@dataclass(frozen=True)
class Followed:
    """How a lung is followed step by step, as a page does, in functions of any engine.

    Parameters
    ----------
    state : type of NamedTuple
        What it remembers, each part of shape (n,). `airway` is the airway pressure as the phase
        began [cmH2O]; `clock`, where there is one, the time since the first effort began [s].
    rest : callable
        ``rest(start_pressure, **parameters) -> state``: at rest at a pressure [cmH2O].
    begin : callable
        ``begin(**parameters) -> state``: from where cycles are run until they settle.
    slopes : callable
        ``slopes(state, since, target, **parameters) -> (state, {signal: ndarray (n,)})``: how fast
        each part moves at a time since a phase began [s] whose pressure goes to `target` [cmH2O],
        and the signals, those in `WAVES` among them.
    solved : tuple of str
        Outcomes of the settled lung that `slopes` takes beside the parameters.
    """

    state: Any
    rest: Callable[..., Any]
    begin: Callable[..., Any]
    slopes: Callable[..., tuple[Any, Arrays]]
    solved: tuple[str, ...] = ()


@dataclass(frozen=True)
class Lung:
    """A lung model: pure functions on arrays that broadcast.

    Parameters
    ----------
    name, long_name, source : str
        Name in files, name in words, where the equations come from.
    parameters : tuple of str
        Registry names of all that the functions take, by keyword.
    solves : tuple of str
        Registry names of the outcomes that `solve` and `cycle` return.
    signals : tuple of str
        Registry names of the signals that `waveform` returns.
    solve : callable
        ``solve(**parameters) -> {outcome: ndarray (n,)}``: the settled cycle. A case that did not
        settle is NaN throughout.
    settle : callable
        ``settle(**parameters) -> state``: the state of the settled cycle.
    rest : callable
        ``rest(start_pressure, **parameters) -> state``: the lung at rest at a pressure [cmH2O].
    cycle : callable
        ``cycle(state, **parameters) -> ({outcome: ndarray (n,)}, state)``: one cycle.
    waveform : callable
        ``waveform(state, times, **parameters) -> {signal: ndarray (n, t)}``: one cycle at `times`
        [s], shape (t,), from the start of T high. The release begins at t_high; what is asked for
        after the cycle's end shows a release that goes on.
    costly : bool
        Whether one core solves fewer than about a hundred thousand cases a second, so that a
        check takes fewer lungs and settings where it is not told how many.
    compiled : tuple of callable
        As `solve`, in functions of any engine and with fixed passes, so that an engine may compile
        them; each is for the cases that the one before left NaN. Empty where NumPy alone solves
        this lung, as where its steps are laid by looking at values.
    followed : Followed, optional
        How a page follows it where it has no formula of time; None where it has one.
    functions : mapping of str to callable
        Functions that stand in for those of the registry in this lung, by outcome: they too take
        parameters and outcomes by the names of their arguments.
    """

    name: str
    long_name: str
    source: str
    parameters: tuple[str, ...]
    solves: tuple[str, ...]
    signals: tuple[str, ...]
    solve: Callable[..., Arrays]
    settle: Callable[..., Any]
    rest: Callable[..., Any]
    cycle: Callable[..., tuple[Arrays, Any]]
    waveform: Callable[..., Arrays]
    costly: bool = False
    compiled: tuple[Callable[..., Arrays], ...] = ()
    followed: Followed | None = None
    functions: Mapping[str, Callable[..., np.ndarray]] = field(
        default_factory=lambda: MappingProxyType({})
    )
