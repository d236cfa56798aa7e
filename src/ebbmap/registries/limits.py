"""What counts as safe: limits, each with its source, and the bundled sets of them.

A bound is one side of a limit. Its margin is the signed distance to it, scaled by the limit's
width: positive inside. Sizes: n cases, k bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from importlib import import_module
from typing import Any, Literal

import numpy as np

from ebbmap.errors import EbbmapError
from ebbmap.registries.outcomes import outcome
from ebbmap.registry import Registry
from ebbmap.units import display

Severity = Literal["hard", "caution"]
Side = Literal["low", "high"]

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
        If the limit is empty, reversed, or without width or source. Whether there is such an
        outcome is seen where the limit is used: it may be one's own.
    """

    outcome: str
    why: str
    low: float | None = None
    high: float | None = None
    severity: Severity = "hard"
    width: float | None = None

    def __post_init__(self) -> None:
        """Refuse a limit that cannot be meant."""
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
        long_name="pressures",
        limits=(
            Limit(
                "end_high_pressure",
                high=30.0,
                why=f"{ARDSNET}: plateau held at 25 to 30; "
                "P high not above 30: Zhou et al., Intensive Care Med 2017;43:1648",
            ),
            Limit(
                "driving_pressure",
                high=18.0,
                why="18 or more linked to right-ventricular failure (guidance page)",
            ),
            Limit(
                "driving_pressure",
                high=15.0,
                severity="caution",
                why="at most 15: cohort definition, Med Intensiva 2023",
            ),
        ),
    ),
    LimitSet(
        "volume",
        long_name="release volume per kg",
        limits=(
            Limit(
                "release_volume_per_kg",
                low=4.0,
                high=8.0,
                why=f"{ARDSNET}: tidal volume 4 to 8 mL/kg",
            ),
        ),
    ),
    LimitSet(
        "auto_peep",
        long_name="auto-PEEP and total end-release pressure",
        limits=(
            Limit("auto_peep", high=15.0, why=COMMON),
            Limit(
                "end_release_pressure",
                low=5.0,
                why="closing pressures have their mode at 5: Crotti et al., "
                "Am J Respir Crit Care Med 2001;164:131",
            ),
            Limit("auto_peep", high=10.0, severity="caution", why=COMMON),
        ),
    ),
    LimitSet(
        "co2",
        long_name="CO2 clearance",
        limits=(
            Limit(
                "alveolar_ventilation",
                low=0.1,
                width=1.0,
                why="assumption: less clears no resting CO2 production",
            ),
            Limit(
                "ph",
                low=7.20,
                high=7.60,
                why="below 7.20 as the trigger to act in permissive hypercapnia (guidance "
                "pages); above 7.60: assumption",
            ),
            Limit(
                "ph",
                low=7.25,
                high=7.45,
                severity="caution",
                why="7.25 in the low-volume tradition, 7.45 upper goal of the NIH ARDS Network "
                "(both from memory)",
            ),
        ),
    ),
    LimitSet(
        "oxygen",
        long_name="oxygenation",
        limits=(
            Limit("spo2", low=0.88, width=0.07, why=f"{ARDSNET} (from memory)"),
            Limit("pao2", low=55.0, width=25.0, why=f"{ARDSNET} (from memory)"),
            Limit(
                "pao2",
                high=80.0,
                severity="caution",
                why=f"{ARDSNET}: 55 to 80 (from memory); above, less inspired oxygen will do",
            ),
        ),
    ),
    LimitSet(
        "load",
        long_name="load on the lung",
        limits=(
            Limit(
                "end_high_transpulmonary_pressure",
                high=25.0,
                why="at most 20 to 25: review PMC5537111",
            ),
            Limit(
                "end_high_transpulmonary_pressure",
                high=20.0,
                severity="caution",
                why="at most 20 to 25: review PMC5537111",
            ),
            Limit(
                "total_strain",
                high=2.0,
                why="injurious when the resting volume is raised 2 to 3 fold: "
                "Gattinoni et al., Curr Opin Crit Care 2012",
            ),
            Limit(
                "total_strain",
                high=1.0,
                severity="caution",
                why="injurious when the resting volume is raised 2 to 3 fold: "
                "Gattinoni et al., Curr Opin Crit Care 2012",
            ),
            Limit(
                "mechanical_power",
                high=17.0,
                severity="caution",
                why="risk rises above 17: Serpa Neto et al., Intensive Care Med "
                "2018;44:1914; not confirmed by Coppola et al., Crit Care 2020",
            ),
        ),
    ),
    LimitSet(
        "circulation",
        long_name="circulation (an index, not an output)",
        limits=(Limit("venous_return_change", low=-0.3, severity="caution", why="assumption"),),
    ),
    LimitSet(
        "flow_ratio",
        long_name="T low by share of peak expiratory flow, 50 to 75 %",
        limits=(
            Limit(
                "flow_ratio",
                low=0.50,
                high=0.75,
                why="50 %: Zhou et al., Intensive Care Med 2017;43:1648; 75 %: Jain et "
                "al., Intensive Care Med Exp 2016;4:11 (the figure from memory)",
            ),
        ),
    ),
    LimitSet(
        "exhaled_fraction",
        long_name="T low by share of a full exhalation, 50 to 75 %",
        limits=(Limit("exhaled_fraction", low=0.50, high=0.75, why=COMMON),),
    ),
)

#: The bundled sets: starting points with their sources, not advice.
LIMIT_SETS: Registry[LimitSet] = Registry("limit set", _BUNDLED)

limit_set = LIMIT_SETS.named

#: The two rules for T low; a study never mixes them.
RULES = ("flow_ratio", "exhaled_fraction")


#: What moved to the arithmetic of judging.
_MOVED = frozenset(
    "SAFE CAUTION UNSAFE UNDETERMINED VERDICTS NO_BOUND Judgement judge bound_margins "
    "least_margin".split()
)


def __getattr__(name: str) -> Any:
    if name in _MOVED:
        return getattr(import_module("ebbmap.kernels.judging"), name)
    raise AttributeError(name)
