"""A draft of settings: ranges, fixed values, and rules that set one from the lung. Arrays only.

Sizes: n lungs, m settings of a range, d settings that have a range.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.optimize import elementwise

from ebbmap.cases.evaluate import evaluate
from ebbmap.errors import EbbmapError
from ebbmap.lungs.base import Lung
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS, parameter

Arrays = Mapping[str, np.ndarray]

#: The settings of a draft, in the order of every table.
SETTINGS = ("p_high", "p_low", "t_high", "t_low")

#: Range of T low in which the flow ratio is looked for [s]: the registry's hard bounds.
FLOW_SEARCH = (PARAMETERS["t_low"].low, PARAMETERS["t_low"].high)


@dataclass(frozen=True)
class Span:
    """A range of one parameter, or one value of it where low equals high.

    Parameters
    ----------
    low, high : float
        In registry units.
    """

    low: float
    high: float

    @property
    def fixed(self) -> bool:
        """Whether this is one value."""
        return self.low == self.high

    @property
    def middle(self) -> float:
        """The value half-way."""
        return (self.low + self.high) / 2.0

    def at(self, unit: np.ndarray) -> np.ndarray:
        """Return values at places from 0 to 1 of the range, any shape."""
        return self.low + (self.high - self.low) * unit

    def say(self) -> str:
        """Return the numbers for a reader.

        Examples
        --------
        >>> Span(4.0, 6.0).say(), Span(5.0, 5.0).say()
        ('4 to 6', '5')
        """
        return f"{self.low:g}" if self.fixed else f"{self.low:g} to {self.high:g}"


@dataclass(frozen=True)
class Rule:
    """What sets one setting from the lung.

    Parameters
    ----------
    kind : {"time_constant", "flow_ratio", "plateau"}
        T low as a multiple of the measured expiratory time constant; T low at which flow has
        fallen to a share of its peak; P high from the plateau pressure of a small tidal volume.
    target : float
        The flow ratio; the tidal volume [mL kg-1] of the plateau. A time constant's multiple is
        a parameter of its own, `t_low_in_time_constants`, and may have a range.
    error : float
        Standard deviation of the logarithm of what is measured (time constant, or the rise of
        the plateau above its end-expiratory pressure), about its relative error.
    offset, base : float
        For the plateau: what is added, and the end-expiratory pressure it is measured at [cmH2O].
    at_least, at_most : float
        Where the rule stops, in the setting's unit.
    """

    kind: Literal["time_constant", "flow_ratio", "plateau"]
    target: float = np.nan
    error: float = 0.0
    offset: float = 0.0
    base: float = 0.0
    at_least: float = -np.inf
    at_most: float = np.inf

    @property
    def sets(self) -> str:
        """The setting that the rule sets."""
        return "p_high" if self.kind == "plateau" else "t_low"


@dataclass(frozen=True)
class Draft:
    """Settings of a protocol.

    Parameters
    ----------
    spans : mapping of str to Span
        Every setting that is not set by a rule, and `t_low_in_time_constants` where T low comes
        from the time constant.
    rules : mapping of str to Rule
        By the setting they set.
    """

    spans: Mapping[str, Span]
    rules: Mapping[str, Rule] = field(default_factory=dict)

    @property
    def free(self) -> tuple[str, ...]:
        """Parameters that have a range, in order."""
        return tuple(name for name, span in self.spans.items() if not span.fixed)

    def places(self, unit: np.ndarray) -> dict[str, np.ndarray]:
        """Turn points of the unit cube into settings.

        Parameters
        ----------
        unit : ndarray, shape (m, d), or (n, m, d) where each lung has settings of its own
            Columns in the order of `free`.

        Returns
        -------
        dict of str to ndarray, shape (m,), (n, m) or ()
            Every span's parameter.

        Examples
        --------
        >>> draft = Draft({"p_high": Span(20.0, 30.0), "p_low": Span(0.0, 0.0)})
        >>> draft.places(np.array([[0.5]]))["p_high"].tolist()
        [25.0]
        """
        columns = {name: unit[..., i] for i, name in enumerate(self.free)}
        return {
            name: span.at(columns[name]) if name in columns else np.asarray(span.low)
            for name, span in self.spans.items()
        }

    def middle(self) -> dict[str, np.ndarray]:
        """Return the settings half-way through every range, shape ()."""
        return {name: np.asarray(span.middle) for name, span in self.spans.items()}

    def within(self, spans: Mapping[str, Span]) -> Draft:
        """Return the draft with other ranges for some parameters."""
        return Draft({**self.spans, **spans}, self.rules)

    def widened(self) -> Draft:
        """Return the draft with every range at the registry's usual one, never narrower."""
        wide = {}
        for name in self.free:
            entry, span = parameter(name), self.spans[name]
            wide[name] = Span(min(entry.usual_low, span.low), max(entry.usual_high, span.high))
        return self.within(wide)


@dataclass(frozen=True)
class Measured:
    """What the rules of a draft need to know of each lung.

    Parameters
    ----------
    time_constant, flow_time, plateau_rise : ndarray, shape (n,), or None
        Measured expiratory time constant [s]; T low of the flow-ratio rule [s]; measured rise of
        the plateau above its end-expiratory pressure [cmH2O]. None where no rule asks for it.
    """

    time_constant: np.ndarray | None = None
    flow_time: np.ndarray | None = None
    plateau_rise: np.ndarray | None = None


def measure(lung: Lung, draft: Draft, lungs: Arrays, scores: np.ndarray) -> Measured:
    """Measure what the rules need, with their error.

    Parameters
    ----------
    lung : Lung
        The model.
    draft : Draft
        The draft; where a measurement depends on settings it is made at its middle.
    lungs : mapping of str to ndarray, shape (n,)
        Lung properties.
    scores : ndarray, shape (n,)
        Standard normal scores of the errors: one for each lung, whatever the rule.

    Returns
    -------
    Measured

    Notes
    -----
    measured = true x exp(error x score). An error in the time constant carries over to the T low
    of a flow ratio as the same factor, since -tau ln(ratio) is proportional to tau.
    """
    found: dict[str, np.ndarray] = {}
    for rule in draft.rules.values():
        blur = np.exp(rule.error * scores)
        if rule.kind == "plateau":
            rise = rule.target * lungs["predicted_body_weight"] / lungs["compliance"]
            found["plateau_rise"] = rise * blur
        elif rule.kind == "time_constant":
            at = _true(lung, draft, lungs)
            found["time_constant"] = (
                evaluate(lung, at, ("time_constant_exp",)).outcomes["time_constant_exp"] * blur
            )
        else:
            found["flow_time"] = (
                flow_ratio_time(lung, _true(lung, draft, lungs), rule.target) * blur
            )
    return Measured(**found)


def _true(lung: Lung, draft: Draft, lungs: Arrays) -> dict[str, np.ndarray]:
    """Return lungs at the middle of the draft, with the settings that any rule gives left out."""
    middle = {n: v for n, v in draft.middle().items() if n != "t_low_in_time_constants"}
    rule = draft.rules.get("p_high")
    if rule is not None:
        rise = rule.target * lungs["predicted_body_weight"] / lungs["compliance"]
        middle["p_high"] = _plateau(rule, rise)
    shape = next(iter(lungs.values())).shape
    values = {**{n: np.asarray(v) for n, v in lungs.items()}, **middle}
    return {name: np.broadcast_to(value, shape) for name, value in values.items()}


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
    others = {name: value for name, value in values.items() if name != "t_low"}
    n = max(np.size(value) for value in others.values())
    full = {name: np.broadcast_to(value, (n,)) for name, value in others.items()}

    def excess(log_t, index):
        case = {name: value[index.astype(int)] for name, value in full.items()}
        solved = evaluate(lung, {**case, "t_low": np.exp(log_t)}, ("flow_ratio",))
        return solved.outcomes["flow_ratio"] - ratio

    low, high = (np.full(n, np.log(edge)) for edge in FLOW_SEARCH)
    found = elementwise.find_root(excess, (low, high), args=(np.arange(n, dtype=float),))
    return np.where(found.success, np.exp(found.x), np.nan)


def settings_of(draft: Draft, measured: Measured, places: Arrays) -> dict[str, np.ndarray]:
    """Work out the settings that the draft gives each lung.

    Parameters
    ----------
    draft : Draft
        The draft.
    measured : Measured
        Of n lungs.
    places : mapping of str to ndarray, shape (m,), (n, m) or ()
        As `Draft.places` gives them.

    Returns
    -------
    dict of str to ndarray
        P high, P low, T high and T low, shapes that broadcast to (n, m).
    """
    settings = {name: np.atleast_2d(places[name]) for name in SETTINGS if name in places}
    for name, rule in draft.rules.items():
        if rule.kind == "plateau":
            value = _plateau(rule, _column(measured.plateau_rise))
        elif rule.kind == "time_constant":
            multiple = np.atleast_2d(places["t_low_in_time_constants"])
            value = _column(measured.time_constant) * multiple
        else:
            value = _column(measured.flow_time)
        settings[name] = np.clip(value, rule.at_least, rule.at_most)
    return settings


def _plateau(rule: Rule, rise):
    return np.clip(rule.base + rise + rule.offset, rule.at_least, rule.at_most)


def _column(values: np.ndarray | None) -> np.ndarray:
    if values is None:
        raise EbbmapError("the draft's rules need lungs that were measured for them.")
    return values[:, None]


def needed_properties(lung: Lung, draft: Draft, outcomes: tuple[str, ...]) -> tuple[str, ...]:
    """Return the parameters other than settings that the outcomes and the rules need."""
    needed = dict.fromkeys(plan(lung, outcomes).parameters)
    if "p_high" in draft.rules:
        needed |= dict.fromkeys(("predicted_body_weight", "compliance"))
    return tuple(name for name in needed if name not in SETTINGS)
