"""What counts as safe: limits with sources, margins, the binding limit, and graded verdicts.

A bound is one side of a limit. Its margin is the signed distance to it, scaled by the limit's
width: positive inside. Sizes: n cases, k bounds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Literal

import numpy as np

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.registries.outcomes import outcome
from ebbmap.units import display

Severity = Literal["hard", "caution"]
Side = Literal["low", "high"]

SAFE, CAUTION, UNSAFE, UNDETERMINED = 0, 1, 2, 3
VERDICTS = ("safe", "caution", "unsafe", "undetermined")

#: Where no bound is nearest, because the case is undetermined.
NO_BOUND = -1

COMMON = "common practice, no source"


@dataclass(frozen=True)
class Bound:
    """One side of a limit.

    Parameters
    ----------
    outcome : str
        Registry name.
    side : {"low", "high"}
        Whether the outcome must not fall below or not rise above `value`.
    value, width : float
        The bound, and the distance that counts as a margin of one, in the outcome's unit.
    severity : {"hard", "caution"}
        Broken hard bounds make a case unsafe.
    why : str
        Source, or "common practice, no source".
    """

    outcome: str
    side: Side
    value: float
    width: float
    severity: Severity
    why: str

    @property
    def name(self) -> str:
        """Name in datasets: the outcome and the side."""
        return f"{self.outcome}_{self.side}"

    @property
    def sentence(self) -> str:
        """What is wrong when this bound is broken, for a reader."""
        entry = outcome(self.outcome)
        unit = f" {display(entry.units)}".rstrip()
        word = "below" if self.side == "low" else "above"
        return f"{entry.long_name} {word} {self.value:g}{unit}"

    def margin(self, values: np.ndarray) -> np.ndarray:
        """Signed distance to the bound over its width, positive inside, shape (n,)."""
        distance = values - self.value if self.side == "low" else self.value - values
        return distance / self.width


@dataclass(frozen=True)
class Limit:
    """A range that an outcome must stay in.

    Parameters
    ----------
    outcome : str
        Registry name.
    why : str
        Source, or "common practice, no source". Never empty.
    low, high : float, optional
        Bounds in the outcome's unit; at least one.
    severity : {"hard", "caution"}
        `hard`: unsafe outside; `caution`: a warning.
    width : float, optional
        What counts as a margin of one; high - low, or the size of a single bound, if None.

    Raises
    ------
    EbbmapError
        If the limit is empty, reversed, without width or source, or on an unknown outcome.
    """

    outcome: str
    why: str
    low: float | None = None
    high: float | None = None
    severity: Severity = "hard"
    width: float | None = None

    def __post_init__(self) -> None:
        """Refuse a limit that cannot be meant."""
        outcome(self.outcome)
        given = [bound for bound in (self.low, self.high) if bound is not None]
        if not given:
            raise EbbmapError(f"a limit on {self.outcome} needs low or high; got neither. Add one.")
        if not all(np.isfinite(bound) for bound in given):
            raise EbbmapError(
                f"bounds of {self.outcome} must be finite; got {given}. Leave it out."
            )
        if len(given) == 2 and not given[0] < given[1]:
            raise EbbmapError(
                f"{self.outcome} must have low < high; got low {self.low:g}, high {self.high:g}. "
                "Swap them."
            )
        if not self.why:
            raise EbbmapError(f"the limit on {self.outcome} needs a source or 'common practice'.")
        if not self.scale > 0:
            raise EbbmapError(f"the limit on {self.outcome} needs a width > 0; give `width`.")

    @property
    def scale(self) -> float:
        """Distance that counts as a margin of one."""
        if self.width is not None:
            return self.width
        if self.low is not None and self.high is not None:
            return self.high - self.low
        return abs(self.low if self.low is not None else self.high or 0.0)

    @property
    def bounds(self) -> tuple[Bound, ...]:
        """The one or two sides of this limit."""
        sides: tuple[tuple[Side, float | None], ...] = (("low", self.low), ("high", self.high))
        return tuple(
            Bound(self.outcome, side, value, self.scale, self.severity, self.why)
            for side, value in sides
            if value is not None
        )

    @property
    def sentence(self) -> str:
        """The limit in words, for captions.

        Examples
        --------
        >>> Limit("auto_peep", "invented", high=15.0).sentence
        'auto-PEEP at most 15 cmH₂O'
        """
        entry = outcome(self.outcome)
        if self.low is not None and self.high is not None:
            said = f"{self.low:g} to {self.high:g}"
        else:
            said = f"at least {self.low:g}" if self.low is not None else f"at most {self.high:g}"
        mark = " (caution)" if self.severity == "caution" else ""
        return f"{entry.long_name} {said} {display(entry.units)}".rstrip() + mark


@dataclass(frozen=True)
class LimitSet:
    """Limits that are judged together."""

    name: str
    long_name: str
    limits: tuple[Limit, ...]

    @cached_property
    def hard(self) -> tuple[Bound, ...]:
        """Bounds that make a case unsafe when broken."""
        return self._bounds("hard")

    @cached_property
    def caution(self) -> tuple[Bound, ...]:
        """Bounds that ask for caution when broken."""
        return self._bounds("caution")

    @property
    def outcomes(self) -> tuple[str, ...]:
        """The outcomes that must be known to judge a case."""
        return tuple(dict.fromkeys(limit.outcome for limit in self.limits))

    @property
    def sentence(self) -> str:
        """Every limit in words, for captions."""
        return ", ".join(limit.sentence for limit in self.limits)

    def _bounds(self, severity: Severity) -> tuple[Bound, ...]:
        every = (bound for limit in self.limits for bound in limit.bounds)
        return tuple(bound for bound in every if bound.severity == severity)


@dataclass(frozen=True)
class Judgement:
    """Verdicts on n cases, the one that every analysis reads.

    Parameters
    ----------
    verdict : ndarray of int8, shape (n,)
        Index into `VERDICTS`.
    margin : ndarray, shape (n,)
        Least known margin over the hard bounds; NaN where none is broken and one is unknown.
    binding : ndarray of int8, shape (n,)
        Index of the hard bound with the least margin; `NO_BOUND` where the margin is NaN.
    hard : tuple of Bound
        The k hard bounds.
    outcomes : mapping of str to ndarray, shape (n,)
        What was judged.
    """

    verdict: np.ndarray
    margin: np.ndarray
    binding: np.ndarray
    hard: tuple[Bound, ...]
    outcomes: Mapping[str, np.ndarray]

    @cached_property
    def bound_margin(self) -> np.ndarray:
        """Margin of every hard bound, shape (k, n); NaN where it is not known."""
        return bound_margins(self.hard, self.outcomes)

    @property
    def bound_known(self) -> np.ndarray:
        """Whether each hard bound can be judged, shape (k, n)."""
        return ~np.isnan(self.bound_margin)

    @property
    def bound_broken(self) -> np.ndarray:
        """Whether each hard bound is surely broken, shape (k, n)."""
        return self.bound_margin < 0

    @property
    def safe(self) -> np.ndarray:
        """Whether a case surely breaks no hard bound, with caution or without, shape (n,)."""
        return (self.verdict == SAFE) | (self.verdict == CAUTION)

    @property
    def unsafe(self) -> np.ndarray:
        """Whether a case surely breaks a hard bound, shape (n,)."""
        return self.verdict == UNSAFE

    @property
    def determined(self) -> np.ndarray:
        """Whether a case is safe or unsafe, shape (n,)."""
        return self.verdict != UNDETERMINED


def judge(limits: LimitSet, outcomes: Mapping[str, np.ndarray]) -> Judgement:
    """Judge cases by a set of limits.

    Parameters
    ----------
    limits : LimitSet
        At least one hard bound.
    outcomes : mapping of str to ndarray, shape (n,)
        Every outcome that the set names.

    Returns
    -------
    Judgement
        A broken hard bound makes a case unsafe, whatever else is unknown of it; a case with no
        broken bound and an outcome that is NaN is undetermined, neither safe nor unsafe.

    Raises
    ------
    EbbmapError
        If the set has no hard bound.

    Examples
    --------
    >>> rule = LimitSet("rule", "rule", (Limit("flow_ratio", "invented", 0.5, 0.75),))
    >>> judged = judge(rule, {"flow_ratio": np.array([0.6, 0.9, np.nan])})
    >>> [VERDICTS[v] for v in judged.verdict], judged.margin.round(2).tolist()
    (['safe', 'unsafe', 'undetermined'], [0.4, -0.6, nan])
    """
    if not limits.hard:
        raise EbbmapError(f"limit set {limits.name!r} has no hard limit. Add one to judge safety.")
    margin, binding, unknown = _least(limits.hard, outcomes)
    broken = margin < 0
    lost = unknown & ~broken
    if lost.any():
        margin[lost] = np.nan
        binding[lost] = NO_BOUND
    verdict = broken * np.int8(UNSAFE)
    if limits.caution:
        warned, _, unclear = _least(limits.caution, outcomes)
        verdict = np.where(~broken & (warned < 0), np.int8(CAUTION), verdict)
        lost = lost | (unclear & (verdict == SAFE))
    verdict = np.where(lost, np.int8(UNDETERMINED), verdict)
    return Judgement(verdict, margin, binding, limits.hard, outcomes)


def bound_margins(bounds: Iterable[Bound], outcomes: Mapping[str, np.ndarray]) -> np.ndarray:
    """Margin of every bound, shape (k, n)."""
    return np.stack(np.broadcast_arrays(*(b.margin(outcomes[b.outcome]) for b in bounds)))


def least_margin(margins: np.ndarray) -> np.ndarray:
    """Least margin by the rule of `judge`: a broken bound decides whatever else is unknown.

    Parameters
    ----------
    margins : ndarray, shape (k, ...)
        Margin of every hard bound; NaN where it is not known.

    Returns
    -------
    ndarray, shape (...)
        Negative where a bound is broken; NaN where none is and one is unknown.

    Examples
    --------
    >>> least_margin(np.array([[0.3, -0.2, 0.3], [0.5, np.nan, np.nan]])).tolist()
    [0.3, -0.2, nan]
    """
    least = np.fmin.reduce(margins)
    return np.where(np.isnan(margins).any(axis=0) & ~(least < 0), np.nan, least)


def _least(bounds: tuple[Bound, ...], outcomes: Mapping[str, np.ndarray]):
    """Least known margin, the bound that has it, and whether any margin is unknown."""
    shape = np.broadcast_shapes(*(np.shape(outcomes[bound.outcome]) for bound in bounds))
    margin = np.full(shape, np.nan)
    nearest = np.zeros(shape, dtype=np.int8)
    unknown = np.zeros(shape, dtype=bool)
    for number, bound in enumerate(bounds, start=1):
        own = bound.margin(outcomes[bound.outcome])
        # unordered means closer, because a margin is NaN only while none before it was known
        closer = ~(own >= margin)
        missing = np.isnan(own)
        if missing.any():
            unknown |= missing
            closer &= ~missing
        # the numbers rise, so the largest is the last that came closer; no branch on random cases
        np.maximum(nearest, closer * np.int8(number), out=nearest)
        np.fmin(margin, own, out=margin)
    return margin, nearest + np.int8(NO_BOUND), unknown


def combine(name: str, *sets: LimitSet) -> LimitSet:
    """Join limit sets into one.

    Raises
    ------
    EbbmapError
        If two hard limits of the sets bound the same outcome: which one holds is then unclear.

    Examples
    --------
    >>> combine("both", LIMIT_SETS["pressure"], LIMIT_SETS["flow_ratio"]).outcomes[-1]
    'flow_ratio'
    """
    limits = tuple(limit for one in sets for limit in one.limits)
    names = [bound.name for limit in limits for bound in limit.bounds if bound.severity == "hard"]
    for twice in {bound for bound in names if names.count(bound) > 1}:
        raise EbbmapError(f"the hard bound {twice} is set twice in {name!r}. Keep one of them.")
    return LimitSet(name, " + ".join(one.long_name for one in sets), limits)


ARDSNET = "NIH ARDS Network strategy"

_BUNDLED = (
    LimitSet(
        "pressure",
        "pressures",
        (
            Limit(
                "end_high_pressure",
                f"{ARDSNET}: plateau held at 25 to 30; "
                "P high not above 30: Zhou et al., Intensive Care Med 2017;43:1648",
                high=30.0,
            ),
            Limit(
                "driving_pressure",
                "18 or more linked to right-ventricular failure (guidance page)",
                high=18.0,
            ),
            Limit(
                "driving_pressure",
                "at most 15: cohort definition, Med Intensiva 2023",
                high=15.0,
                severity="caution",
            ),
        ),
    ),
    LimitSet(
        "volume",
        "release volume per kg",
        (
            Limit(
                "release_volume_per_kg", f"{ARDSNET}: tidal volume 4 to 8 mL/kg", low=4.0, high=8.0
            ),
        ),
    ),
    LimitSet(
        "auto_peep",
        "auto-PEEP and total end-release pressure",
        (
            Limit("auto_peep", COMMON, high=15.0),
            Limit(
                "end_release_pressure",
                "closing pressures have their mode at 5: Crotti et al., "
                "Am J Respir Crit Care Med 2001;164:131",
                low=5.0,
            ),
            Limit("auto_peep", COMMON, high=10.0, severity="caution"),
        ),
    ),
    LimitSet(
        "co2",
        "CO2 clearance",
        (
            Limit(
                "alveolar_ventilation",
                "assumption: less clears no resting CO2 production",
                low=0.1,
                width=1.0,
            ),
            Limit(
                "ph",
                "below 7.20 as the trigger to act in permissive hypercapnia (guidance "
                "pages); above 7.60: assumption",
                low=7.20,
                high=7.60,
            ),
            Limit(
                "ph",
                "7.25 in the low-volume tradition, 7.45 upper goal of the NIH ARDS Network "
                "(both from memory)",
                low=7.25,
                high=7.45,
                severity="caution",
            ),
        ),
    ),
    LimitSet(
        "oxygen",
        "oxygenation",
        (
            Limit("spo2", f"{ARDSNET} (from memory)", low=0.88, width=0.07),
            Limit("pao2", f"{ARDSNET} (from memory)", low=55.0, width=25.0),
            Limit(
                "pao2",
                f"{ARDSNET}: 55 to 80 (from memory); above, less inspired oxygen will do",
                high=80.0,
                severity="caution",
            ),
        ),
    ),
    LimitSet(
        "load",
        "load on the lung",
        (
            Limit(
                "end_high_transpulmonary_pressure", "at most 20 to 25: review PMC5537111", high=25.0
            ),
            Limit(
                "end_high_transpulmonary_pressure",
                "at most 20 to 25: review PMC5537111",
                high=20.0,
                severity="caution",
            ),
            Limit(
                "total_strain",
                "injurious when the resting volume is raised 2 to 3 fold: "
                "Gattinoni et al., Curr Opin Crit Care 2012",
                high=2.0,
            ),
            Limit(
                "total_strain",
                "injurious when the resting volume is raised 2 to 3 fold: "
                "Gattinoni et al., Curr Opin Crit Care 2012",
                high=1.0,
                severity="caution",
            ),
            Limit(
                "mechanical_power",
                "risk rises above 17: Serpa Neto et al., Intensive Care Med "
                "2018;44:1914; not confirmed by Coppola et al., Crit Care 2020",
                high=17.0,
                severity="caution",
            ),
        ),
    ),
    LimitSet(
        "circulation",
        "circulation, against conventional ventilation (an index, not an output)",
        (Limit("venous_return_from_conventional", "assumption", low=-0.3, severity="caution"),),
    ),
    LimitSet(
        "flow_ratio",
        "T low by share of peak expiratory flow, 50 to 75 %",
        (
            Limit(
                "flow_ratio",
                "50 %: Zhou et al., Intensive Care Med 2017;43:1648; 75 %: Jain et "
                "al., Intensive Care Med Exp 2016;4:11 (the figure from memory)",
                low=0.50,
                high=0.75,
            ),
        ),
    ),
    LimitSet(
        "exhaled_fraction",
        "T low by share of a full exhalation, 50 to 75 %",
        (Limit("exhaled_fraction", COMMON, low=0.50, high=0.75),),
    ),
)

#: The bundled sets: starting points with their sources, not advice.
LIMIT_SETS: Mapping[str, LimitSet] = MappingProxyType({one.name: one for one in _BUNDLED})

#: The two rules for T low; a study never mixes them.
RULES = ("flow_ratio", "exhaled_fraction")


def limit_set(name: str) -> LimitSet:
    """Return the bundled limit set of a name.

    Raises
    ------
    EbbmapError
        If no set has this name; the message gives the nearest one.
    """
    if name not in LIMIT_SETS:
        raise EbbmapError(unknown_name("limit set", name, LIMIT_SETS))
    return LIMIT_SETS[name]
