"""What counts as safe: the bundled sets of limits, each limit with its source."""

from __future__ import annotations

from ebbmap.registries.bounds import (
    ALKALAEMIA,
    ARDSNET,
    COMMON,
    STEADY_STATE,
    Bound,
    Limit,
    LimitSet,
    combine,
)
from ebbmap.registries.harm import HARM
from ebbmap.registry import Registry

__all__ = [
    "ARDSNET",
    "COMMON",
    "LIMIT_SETS",
    "RULES",
    "Bound",
    "Limit",
    "LimitSet",
    "combine",
    "is_rule",
]

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
        long_name="CO₂ clearance",
        limits=(
            Limit(
                "alveolar_ventilation",
                low=0.1,
                width=1.0,
                why="assumption: less clears no resting CO₂ production",
            ),
            Limit(
                "ph",
                low=7.20,
                high=7.60,
                why="below 7.20 as the trigger to act in permissive hypercapnia (guidance "
                f"pages); {ALKALAEMIA}",
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
        long_name="circulation, against conventional ventilation (an index, not an output)",
        limits=(
            Limit(
                "venous_return_from_conventional", low=-0.3, severity="caution", why="assumption"
            ),
        ),
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
LIMIT_SETS: Registry[LimitSet] = Registry("limit set", (*_BUNDLED, HARM, STEADY_STATE))

limit_set = LIMIT_SETS.named

#: The two rules for T low; a study never mixes them.
RULES = ("flow_ratio", "exhaled_fraction")

#: What a rule for T low bounds, wherever it is bounded.
_RULED = frozenset(
    (*(name for rule in RULES for name in LIMIT_SETS[rule].outcomes), "release_in_time_constants")
)


def is_rule(bound: Bound) -> bool:
    """Return whether a bound is a rule for choosing T low; every other one is a limit on harm.

    Examples
    --------
    >>> [is_rule(bound) for bound in LIMIT_SETS["flow_ratio"].hard]
    [True, True]
    >>> any(is_rule(bound) for bound in LIMIT_SETS["harm"].hard)
    False
    """
    return bound.outcome in _RULED
