"""Rules that set one setting from what is read of the lung: what each reads, and what it gives.

A setting that follows another one by arithmetic alone, such as a T high that leaves so many
releases per minute, needs no rule of this kind: it is derived (`registries.derivations`).
Sizes: n lungs, m settings of a range.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs.base import Lung
from ebbmap.registries.parameters import PARAMETERS

Arrays = Mapping[str, np.ndarray]

#: Range of T low in which the flow ratio is looked for [s]: the registry's hard bounds.
FLOW_SEARCH = (PARAMETERS["t_low"].low, PARAMETERS["t_low"].high)

#: The least step from P low to P high in the search for an auto-PEEP [cmH2O].
LEAST_STEP = 0.5

#: The parameter that says which of two rules sets T low: up to a half the first.
TAKEN = "t_low_rule_taken"


@dataclass(frozen=True)
class Rule:
    """What sets one setting from the lung.

    Parameters
    ----------
    kind : {"time_constant", "flow_ratio", "plateau", "auto_peep", "peep_table"}
        T low as a multiple of the measured expiratory time constant; T low at which flow has
        fallen to a share of its peak; P high from the plateau pressure of a small tidal volume;
        P low that leaves an auto-PEEP; P low by a table of FiO2.
    target : float
        The flow ratio; the tidal volume [mL kg-1] of the plateau; the auto-PEEP [cmH2O]. A time
        constant's multiple is a parameter of its own, `t_low_in_time_constants`, and may have a
        range.
    error : float
        Standard deviation of the logarithm of what is measured (time constant, auto-PEEP, or the
        rise of the plateau above its end-expiratory pressure), about its relative error.
    offset, base : float
        For the plateau: what is added, and the end-expiratory pressure it is measured at [cmH2O].
    at_least, at_most : float
        Where the rule stops, in the setting's unit.
    bias : float
        By how much the measurement is too high in everybody, relative to it; below 0, too low.
    step : float
        Step in which the setting can be set, in its unit; 0: every value.
    fails, otherwise : float
        Share of patients in whom the measurement fails, and the setting that they get instead.
    rows : tuple of (float, float)
        Of the table: FiO2 and P low [cmH2O], FiO2 rising.
    other : Rule, optional
        A second rule for the same setting.
    take : {"any", "shorter", "longer"}
        Which of the two: either, as `t_low_rule_taken` says; the smaller; the larger.
    """

    kind: Literal["time_constant", "flow_ratio", "plateau", "auto_peep", "peep_table"]
    target: float = np.nan
    error: float = 0.0
    offset: float = 0.0
    base: float = 0.0
    at_least: float = -np.inf
    at_most: float = np.inf
    bias: float = 0.0
    step: float = 0.0
    fails: float = 0.0
    otherwise: float = np.nan
    rows: tuple[tuple[float, float], ...] = ()
    other: Rule | None = None
    take: Literal["any", "shorter", "longer"] = "any"

    @property
    def sets(self) -> str:
        """The setting that the rule sets."""
        return READINGS[self.kind].sets

    @property
    def reads_at(self) -> tuple[str, ...]:
        """The settings at which it is read."""
        return tuple(dict.fromkeys(n for one in self.each for n in READINGS[one.kind].reads_at))

    @property
    def properties(self) -> tuple[str, ...]:
        """Parameters beside settings and those of the lung model that the reading needs."""
        return READINGS[self.kind].properties

    @property
    def each(self) -> tuple[Rule, ...]:
        """The rule, and the second one where there are two."""
        return (self,) if self.other is None else (self, self.other)

    def read(self, lung: Lung, at: Arrays, blur: np.ndarray) -> np.ndarray:
        """Return what is read of lungs at settings, shape (n,); `blur` is measured over true."""
        return READINGS[self.kind].read(self, lung, at, blur)

    def given(self, read: np.ndarray, places: Arrays, *, step: float) -> np.ndarray:
        """Return the setting that follows from what was read, shape (n, m).

        Parameters
        ----------
        read : ndarray, shape (n, 1)
            Infinite where the measurement failed.
        places : mapping of str to ndarray
            Parameters of the draft that have a range.
        step : float
            Step in which the setting is set; 0: every value.
        """
        value = read
        if self.kind == "plateau":
            value = self.base + read + self.offset
        elif self.kind == "time_constant":
            value = read * np.atleast_2d(places["t_low_in_time_constants"])
        kept = np.clip(_on_step(value, step), self.at_least, self.at_most)
        return np.asarray(np.where(np.isinf(read), self.otherwise, kept))

    def chosen(self, values: list[np.ndarray], places: Arrays) -> np.ndarray:
        """Return the setting that is taken of what each of the rules gives, shape (n, m)."""
        if self.other is None:
            return values[0]
        if self.take == "any":
            return np.asarray(np.where(np.atleast_2d(places[TAKEN]) > 0.5, values[1], values[0]))
        return np.asarray((np.minimum if self.take == "shorter" else np.maximum)(*values))


@dataclass(frozen=True)
class Reading:
    """What a kind of rule reads.

    Parameters
    ----------
    sets : str
        The setting that it sets.
    read : callable
        ``read(rule, lung, at, blur) -> ndarray``, shapes (n,).
    reads_at : tuple of str
        The settings at which it is read.
    properties : tuple of str
        Parameters that it needs beside them.
    """

    sets: str
    read: Callable[[Rule, Lung, Arrays, np.ndarray], np.ndarray]
    reads_at: tuple[str, ...] = ()
    properties: tuple[str, ...] = ()


def _plateau_rise(rule: Rule, lung: Lung, at: Arrays, blur: np.ndarray) -> np.ndarray:
    return np.asarray(rule.target * at["predicted_body_weight"] / at["compliance"] * blur)


def _time_constant(rule: Rule, lung: Lung, at: Arrays, blur: np.ndarray) -> np.ndarray:
    own = {name: value for name, value in at.items() if name != "t_low"}
    read = evaluate(lung, own, ("time_constant_exp",)).outcomes["time_constant_exp"]
    return np.asarray(read * blur)


def _flow_time(rule: Rule, lung: Lung, at: Arrays, blur: np.ndarray) -> np.ndarray:
    return np.asarray(flow_ratio_time(lung, at, rule.target) * blur)


def _p_low_of_auto_peep(rule: Rule, lung: Lung, at: Arrays, blur: np.ndarray) -> np.ndarray:
    ends = max(rule.at_least, 0.0), rule.at_most
    found = auto_peep_pressure(lung, at, rule.target / blur, ends)
    return np.asarray(np.where(np.isinf(blur), np.inf, found))


def _p_low_of_table(rule: Rule, lung: Lung, at: Arrays, blur: np.ndarray) -> np.ndarray:
    fio2, p_low = np.array(rule.rows).T
    # the row of this FiO2, else the next higher one; above the table its last row
    row = np.searchsorted(fio2, np.asarray(at["fio2"]) - 1e-9)
    shape = np.broadcast_shapes(row.shape, np.shape(at["compliance"]))
    return np.asarray(np.broadcast_to(p_low[np.minimum(row, p_low.size - 1)], shape))


READINGS: Mapping[str, Reading] = {
    "plateau": Reading("p_high", _plateau_rise, properties=("predicted_body_weight", "compliance")),
    "time_constant": Reading("t_low", _time_constant, ("p_high", "p_low", "t_high")),
    "flow_ratio": Reading("t_low", _flow_time, ("p_high", "p_low", "t_high")),
    "auto_peep": Reading("p_low", _p_low_of_auto_peep, ("p_high", "t_high", "t_low")),
    "peep_table": Reading("p_low", _p_low_of_table, properties=("fio2",)),
}


def flow_ratio_time(lung: Lung, values: Arrays, ratio: float) -> np.ndarray:
    """Find the T low at which the end-release flow is a share of its peak.

    Parameters
    ----------
    lung : Lung
        The model.
    values : mapping of str to ndarray, shape (n,)
        Lung properties and the other settings; a T low among them is not used.
    ratio : float
        End-release over peak expiratory flow, 0 to 1.

    Returns
    -------
    ndarray, shape (n,)
        T low [s]; NaN where no T low within the registry's bounds gives the ratio.

    Examples
    --------
    >>> from ebbmap.lungs import lung_model
    >>> one = {"compliance": np.array([50.0]), "resistance_exp": np.array([10.0])}
    >>> float(flow_ratio_time(lung_model("linear"), one, 0.5)[0].round(6))
    0.346574
    """
    n = max(np.size(value) for name, value in values.items() if name != "t_low")
    low, high = (np.full(n, np.log(edge)) for edge in FLOW_SEARCH)
    found = _root(lung, values, ("t_low", np.exp), "flow_ratio", np.full(n, ratio), low, high)
    return np.asarray(np.exp(found))


def auto_peep_pressure(
    lung: Lung, values: Arrays, wanted: np.ndarray | float, ends: tuple[float, float]
) -> np.ndarray:
    """Find the P low that leaves an auto-PEEP.

    Parameters
    ----------
    lung : Lung
        The model.
    values : mapping of str to ndarray, shape (n,)
        Lung properties and the other settings; a P low among them is not used.
    wanted : array_like, shape (n,) or ()
        The auto-PEEP [cmH2O].
    ends : tuple of float
        Between which P low is looked for [cmH2O]; it stays below P high.

    Returns
    -------
    ndarray, shape (n,)
        P low [cmH2O]; where no P low between the ends leaves so much, the one that comes nearest:
        the lower a P low, the more auto-PEEP it leaves.

    Examples
    --------
    25 cmH2O with half a time constant of release: 25 exp(-0.5) = 15.2 are left at P low 0.

    >>> from ebbmap.lungs import lung_model
    >>> one = {"compliance": [50.0], "resistance_exp": [10.0], "p_high": [25.0], "t_low": [0.25]}
    >>> one = {name: np.array(value) for name, value in one.items()}
    >>> lung = lung_model("linear")
    >>> auto_peep_pressure(lung, one, 8.0, (0.0, 20.0)).round(2).tolist()
    [11.81]
    >>> auto_peep_pressure(lung, one, 16.0, (0.0, 20.0)).tolist()
    [0.0]
    """
    n = max(np.size(value) for name, value in values.items() if name != "p_low")
    p_high = np.broadcast_to(values["p_high"], (n,))
    low = np.minimum(np.full(n, ends[0]), p_high - LEAST_STEP)
    high = np.maximum(np.minimum(p_high - LEAST_STEP, ends[1]), low)
    target = np.broadcast_to(np.asarray(wanted, float), (n,))
    found = _root(lung, values, ("p_low", lambda p_low: p_low), "auto_peep", target, low, high)
    at_low, at_high = (
        evaluate(lung, {**values, "p_low": end}, ("auto_peep",)).outcomes["auto_peep"]
        for end in (low, high)
    )
    found = np.where(at_low <= target, low, found)
    return np.asarray(np.where(at_high >= target, high, found))


def _root(
    lung: Lung,
    values: Arrays,
    setting: tuple[str, Callable[[np.ndarray], np.ndarray]],
    outcome: str,
    target: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
) -> np.ndarray:
    """Find where an outcome meets its target along one setting, shape (n,); NaN where nowhere.

    `setting` is its name and the function that makes it of what is searched, between `low` and
    `high`.
    """
    from scipy.optimize import elementwise  # slow to load, and reading a file needs none of it

    name, made = setting
    full = {k: np.broadcast_to(v, low.shape) for k, v in values.items() if k != name}

    def excess(x: np.ndarray, index: np.ndarray) -> np.ndarray:
        rows = index.astype(int)
        case = {k: v[rows] for k, v in full.items()}
        solved = evaluate(lung, {**case, name: made(x)}, (outcome,))
        return np.asarray(solved.outcomes[outcome] - target[rows])

    found = elementwise.find_root(excess, (low, high), args=(np.arange(low.size, dtype=float),))
    return np.asarray(np.where(found.success, found.x, np.nan))


def _on_step(value: np.ndarray, step: float) -> np.ndarray:
    """Return what can be set at the bedside: the nearest step, never less than one.

    Examples
    --------
    >>> _on_step(np.array([0.33, 0.02, 0.475]), 0.05).round(9).tolist()
    [0.35, 0.05, 0.5]
    """
    if not step:
        return value
    # a value half-way goes up, whatever its last bit
    return np.maximum(np.floor(value / step + (0.5 + 1e-9)), 1.0) * step
