"""A draft of settings: ranges, fixed values, and rules that set one from the lung. Arrays only.

Sizes: n lungs, m settings of a range, d settings that have a range.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from types import MappingProxyType

import numpy as np

from ebbmap.committee.rules import TAKEN, Rule
from ebbmap.errors import EbbmapError
from ebbmap.lungs.base import Lung
from ebbmap.registries.derivations import Derivation, ways
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS, parameter

Arrays = Mapping[str, np.ndarray]

#: What brings the digits of a score beyond the sixth before the point.
_BEYOND = 2.0**20

#: The settings of a draft, in the order of every table.
SETTINGS = ("p_high", "p_low", "t_high", "t_low")

#: Parameters by which a draft sets T low.
T_LOW = ("t_low", "t_low_in_time_constants", TAKEN)


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
class Draft:
    """Settings of a protocol.

    Parameters
    ----------
    spans : mapping of str to Span
        Every setting that is not set by a rule, or else the parameter that it is derived from,
        such as `release_frequency`; `t_low_in_time_constants` where T low comes from the time
        constant, and `t_low_rule_taken` where either of two rules may set it.
    rules : mapping of str to Rule
        By the setting they set.
    starts : mapping of str to float
        Settings at which what the rules read is read, in the place of what the draft gives.
    """

    spans: Mapping[str, Span]
    rules: Mapping[str, Rule] = field(default_factory=dict)
    starts: Mapping[str, float] = field(default_factory=dict)

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
        return replace(self, spans={**self.spans, **spans})

    @property
    def derived(self) -> tuple[Derivation, ...]:
        """The derivations of settings that are neither ranges nor set by a rule, in order."""
        left = (n for n in SETTINGS if n not in self.spans and n not in self.rules)
        return tuple(way for name in left for way in ways(name, self.spans))

    def without_t_low(self) -> Draft:
        """Return the draft without what sets T low; its own rules may still read at one."""
        spans = {name: span for name, span in self.spans.items() if name not in T_LOW}
        rules = {name: rule for name, rule in self.rules.items() if name != "t_low"}
        return replace(self, spans=spans, rules=rules)

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
    reads : mapping of str to tuple of ndarray, shape (n,)
        By setting, what each of its rules reads: time constant [s], T low of a flow ratio [s],
        rise of the plateau above its end-expiratory pressure [cmH2O], P low [cmH2O].
    """

    reads: Mapping[str, tuple[np.ndarray, ...]] = field(default_factory=dict)

    def part(self, cut: slice | np.ndarray) -> Measured:
        """Return what is known of some of the lungs."""
        return Measured({name: tuple(r[cut] for r in reads) for name, reads in self.reads.items()})


def solving_order(draft: Draft) -> tuple[str, ...]:
    """Return the settings that rules give and those derived from others, each after all it needs.

    Raises
    ------
    EbbmapError
        Where some wait for each other, by name.

    Notes
    -----
    What a rule reads is read at the settings before it; one that has a start is taken there, as
    at the bedside, where T low is read at some T high before T high follows T low.

    Examples
    --------
    >>> spans = {"p_high": Span(24.0, 24.0), "t_high": Span(5.0, 5.0)}
    >>> spans["p_low_share"] = Span(0.2, 0.2)
    >>> solving_order(Draft(spans, {"t_low": Rule("flow_ratio", 0.75)}))
    ('p_low', 't_low')
    """
    waits = {name: set(rule.reads_at) - set(draft.starts) for name, rule in draft.rules.items()}
    waits |= {way.target: set(way.inputs) & set(SETTINGS) for way in draft.derived}
    order: list[str] = []
    while len(order) < len(waits):
        left = [name for name in SETTINGS if name in waits and name not in order]
        ready = [name for name in left if waits[name].isdisjoint(left)]
        if not ready:
            raise EbbmapError(_circle([n for n in left if any(n in waits[m] for m in left)]))
        order += ready
    return tuple(order)


def _circle(names: list[str]) -> str:
    """Return what is said of settings that wait for each other."""
    said = [PARAMETERS[name].long_name for name in names]
    last = next((name for name in ("t_high", "p_low") if name in names), names[-1])
    first = next(name for name in names if name != last)
    return (
        f"settings.{last}: {', '.join(said[:-1])} and {said[-1]} wait for each other. Add a start "
        f"to the rule of {PARAMETERS[last].long_name}: the value at which "
        f"{PARAMETERS[first].long_name} is read."
    )


def measure(lung: Lung, draft: Draft, lungs: Arrays, scores: np.ndarray) -> Measured:
    """Measure what the rules need, with their error.

    Parameters
    ----------
    lung : Lung
        The model.
    draft : Draft
        The draft. A measurement that depends on settings is made at the draft's middle, at what
        other rules give where they measure without error, or at the start of a setting.
    lungs : mapping of str to ndarray, shape (n,)
        Lung properties.
    scores : ndarray, shape (n,)
        Standard normal scores of the errors: one for each lung, whatever the rule.

    Returns
    -------
    Measured

    Notes
    -----
    measured = true x (1 + bias) x exp(error x score). An error in the time constant carries over
    to the T low of a flow ratio as the same factor, since -tau ln(ratio) is proportional to tau.
    A measurement that fails is infinite; in whom is decided by the digits of the score beyond the
    sixth, which say nothing of its size.
    """
    derived = {way.target: way for way in draft.derived}
    asked = _asked(draft, derived)
    middle = draft.middle()
    triggers = {TAKEN, "t_low_in_time_constants", *(way.trigger for way in derived.values())}
    spread = partial(np.broadcast_to, shape=next(iter(lungs.values())).shape)
    at = {name: np.asarray(value) for name, value in lungs.items()}
    at |= {name: value for name, value in middle.items() if name not in triggers}
    at |= {name: np.asarray(start) for name, start in draft.starts.items()}
    at = {name: spread(value) for name, value in at.items()}
    reads = {}
    for name in solving_order(draft):
        rule, exact = draft.rules.get(name), spread(1.0)
        if rule is not None:
            reads[name] = tuple(one.read(lung, at, _blur(one, scores)) for one in rule.each)
        if name not in asked:
            continue
        if rule is None:
            at[name] = spread(_derive(derived[name], {**middle, **at}))
        else:
            true = [one.read(lung, at, exact)[:, None] for one in rule.each]
            values = [
                one.given(r, middle, step=0.0) for one, r in zip(rule.each, true, strict=True)
            ]
            at[name] = rule.chosen(values, middle)[:, 0]
    return Measured(reads)


def _asked(draft: Draft, derived: Mapping[str, Derivation]) -> set[str]:
    """Return the settings at which rules read, and those that these are derived from."""
    asked = {name for rule in draft.rules.values() for name in rule.reads_at}
    asked |= {n for name in asked & set(derived) for n in derived[name].inputs}
    return asked - set(draft.starts)


def _derive(way: Derivation, values: Arrays) -> np.ndarray:
    """Return a setting that follows from others."""
    return np.asarray(way.function(**{name: values[name] for name in way.inputs}))


def _blur(rule: Rule, scores: np.ndarray) -> np.ndarray:
    """Return what is measured over what is true, shape (n,)."""
    blur = (1.0 + rule.bias) * np.exp(rule.error * scores)
    return np.where((scores * _BEYOND) % 1.0 < rule.fails, np.inf, blur)


def settings_of(
    draft: Draft, measured: Measured, places: Arrays, lungs: Arrays = MappingProxyType({})
) -> dict[str, np.ndarray]:
    """Work out the settings that the draft gives each lung.

    Parameters
    ----------
    draft : Draft
        The draft.
    measured : Measured
        Of n lungs.
    places : mapping of str to ndarray, shape (m,), (n, m) or ()
        As `Draft.places` gives them.
    lungs : mapping of str to ndarray, shape (n,)
        Lung properties, where a setting is derived from them.

    Returns
    -------
    dict of str to ndarray
        P high, P low, T high and T low, shapes that broadcast to (n, m).
    """
    settings = {name: np.atleast_2d(places[name]) for name in SETTINGS if name in places}
    for name, rule in draft.rules.items():
        if name not in measured.reads:
            raise EbbmapError("the draft's rules need lungs that were measured for them.")
        read = [one[:, None] for one in measured.reads[name]]
        values = [
            one.given(r, places, step=one.step) for one, r in zip(rule.each, read, strict=True)
        ]
        settings[name] = rule.chosen(values, places)
    given = {name: np.atleast_2d(value) for name, value in places.items()}
    given |= {name: np.reshape(value, (-1, 1)) for name, value in lungs.items()}
    for way in draft.derived:
        settings[way.target] = _derive(way, {**given, **settings})
    return settings


def beside_t_low(
    lung: Lung, draft: Draft, lungs: Arrays, scores: np.ndarray, unit: np.ndarray
) -> dict[str, np.ndarray]:
    """Work out what a draft sets beside T low, for a search along T low.

    Parameters
    ----------
    lung, draft, lungs, scores
        As for `measure`.
    unit : ndarray, shape (n, d)
        One setting for each lung, in the order of `free` of the draft without T low.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The other settings; in the place of one that follows T low, what it is derived from. What
        is read at a T low is read at that of the draft, half-way through.
    """
    places = {**draft.middle(), **draft.without_t_low().places(unit[:, None, :])}
    found = settings_of(draft, measure(lung, draft, lungs, scores), places, lungs)
    for way in draft.derived:
        if "t_low" in way.inputs:
            del found[way.target]
            found[way.trigger] = np.asarray(places[way.trigger])
    n = scores.size
    return {
        name: np.broadcast_to(np.reshape(value, -1), (n,))
        for name, value in found.items()
        if name != "t_low"
    }


def needed_properties(lung: Lung, draft: Draft, outcomes: tuple[str, ...]) -> tuple[str, ...]:
    """Return the parameters other than settings that the outcomes and the rules need."""
    needed = dict.fromkeys(plan(lung, outcomes).parameters)
    for rule in draft.rules.values():
        needed |= dict.fromkeys(name for one in rule.each for name in one.properties)
    for way in draft.derived:
        needed |= dict.fromkeys(name for name in way.inputs if name not in draft.spans)
    return tuple(name for name in needed if name not in SETTINGS)
