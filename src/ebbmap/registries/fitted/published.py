"""What was published of each phenotype.

Every number has a value, a standard error and a grade: "read", in the paper or its abstract;
"transcription", in another text that copies the paper; "memory, uncertain"; "derived", our
arithmetic on numbers that were read; "assumption", ours, with a stated range as standard error.

Scales: medians, quartiles, breaths and spreads in logarithms, correlations as Fisher's z, centres
of normal marginals as they are. A standard error of 0.1 in logarithms is 10 %.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot, log, sqrt
from types import MappingProxyType
from typing import NamedTuple

from ebbmap.registries.distributions import Confirmed

#: Quartiles are this many standard deviations of a normal apart.
QUARTILES_APART = 1.34898

#: Standard errors of a normal sample, in SD over root n: of the median, of the log-SD read off
#: the quartiles, and of the mean of both quartiles given the median. From the covariance
#: p (1 - q) / (n f f) of order statistics; the three are independent of each other.
MEDIAN_ERROR, WIDTH_ERROR, ASYMMETRY_ERROR = 1.2533, 1.1664, 0.7868
QUARTILE_ERROR = 1.3626

#: How far the mean of both quartiles follows the median of a normal sample.
FOLLOWS = 0.62771

ARNAL = "Arnal et al., Respir Care 2018;63:158, as transcriptions give it"
LEATHERMAN = "Leatherman et al., Crit Care Med 2004;32:1542, n = 12"


class Target(NamedTuple):
    """A published number that lungs, measured as patients were, must have."""

    name: str
    statistic: str
    """How it is taken from a sample of readings: median, width, asymmetry, correlation, mean of
    logarithms, share (as a logit), or fall (mean of the first less that of the second)."""
    of: tuple[str, ...]
    """The readings it is of."""
    value: float
    error: float
    confirmed: Confirmed
    source: str


class Quartiles(NamedTuple):
    """A published median with its quartiles."""

    low: float
    median: float
    high: float
    n: int
    digit: float = 1.0
    """Step in which they are printed."""
    source: str = ARNAL
    confirmed: Confirmed = "transcription"

    @property
    def log_sd(self) -> float:
        """Log-SD of the lognormal with these quartiles."""
        return log(self.high / self.low) / QUARTILES_APART

    def rounding(self, value: float) -> float:
        """Return the standard deviation that printing in steps adds to the logarithm of a value."""
        return self.digit / sqrt(12.0) / value

    def error(self, value: float) -> float:
        """Return the standard error of the logarithm of a quartile or the median, as printed."""
        factor = MEDIAN_ERROR if value == self.median else QUARTILE_ERROR
        return hypot(factor * self.log_sd / sqrt(self.n), self.rounding(value))

    def targets(self, reading: str) -> tuple[Target, ...]:
        """Return median, log-SD and asymmetry, whose errors are independent."""
        scale = self.log_sd / sqrt(self.n)
        mean = 0.5 * (log(self.low) + log(self.high))
        low, middle, high = (self.rounding(one) for one in (self.low, self.median, self.high))
        both = hypot(low, high)
        numbers = {
            "median": (log(self.median), MEDIAN_ERROR, middle),
            "width": (self.log_sd, WIDTH_ERROR, both / QUARTILES_APART),
            "asymmetry": (
                mean - FOLLOWS * log(self.median),
                ASYMMETRY_ERROR,
                hypot(0.5 * both, FOLLOWS * middle),
            ),
        }
        return tuple(
            Target(
                f"{reading}: {statistic}",
                statistic,
                (reading,),
                value,
                hypot(error * scale, printed),
                self.confirmed,
                self.source,
            )
            for statistic, (value, error, printed) in numbers.items()
        )


#: Medians and quartiles of what was measured, by phenotype and reading.
QUARTILES: Mapping[str, Mapping[str, Quartiles]] = MappingProxyType(
    {
        "normal": {
            "static_compliance": Quartiles(44, 54, 64, 138),
            "resistance_insp": Quartiles(10, 13, 15, 138),
            "time_constant_exp": Quartiles(0.51, 0.60, 0.71, 138, 0.01),
        },
        "restrictive": {
            "static_compliance": Quartiles(32, 39, 50, 181),
            "resistance_insp": Quartiles(9, 12, 14, 181),
            "time_constant_exp": Quartiles(0.40, 0.46, 0.55, 181, 0.01),
        },
        "obstructive": {
            "static_compliance": Quartiles(43, 59, 75, 40),
            "resistance_insp": Quartiles(16, 22, 33, 40),
            "time_constant_exp": Quartiles(0.68, 1.07, 2.14, 40, 0.01),
        },
    }
)

#: Of 55 patients, no correlation of static compliance with inspiratory resistance.
_NEZAMI = Target(
    "static_compliance and resistance_insp: correlation",
    "correlation",
    ("static_compliance", "resistance_insp"),
    0.0,
    1.0 / sqrt(55 - 3),
    "read",
    "Nezami et al., Crit Care Explor 2022;4:e0669, n = 55: none; error of Fisher's z",
)

_PLATEAUS = (
    Target(
        "plateau at 12 a minute: mean",
        "mean",
        ("plateau_12",),
        23.3,
        1.5,
        "memory, uncertain",
        f"{LEATHERMAN}; its spread is not at hand: SD 5 assumed",
    ),
    Target(
        "plateau, 18 less 12 a minute: mean",
        "fall",
        ("plateau_18", "plateau_12"),
        2.1,
        0.5,
        "memory, uncertain",
        f"{LEATHERMAN}; SD of the change 1.7 assumed",
    ),
    Target(
        "plateau, 12 less 6 a minute: mean",
        "fall",
        ("plateau_12", "plateau_6"),
        2.0,
        0.5,
        "memory, uncertain",
        f"{LEATHERMAN}; SD of the change 1.7 assumed",
    ),
)


_SHARE = 12.0 / 32.0

#: Share of lungs whose flow is limited in a quiet breath.
_ARMAGANIDIS = Target(
    "flow_limited: share",
    "share",
    ("flow_limited",),
    log(_SHARE / (1.0 - _SHARE)),
    1.0 / sqrt(32.0 * _SHARE * (1.0 - _SHARE)),
    "assumption",
    "12 of 32 with failure of several kinds: Armaganidis et al. (read); of COPD alone, our reading",
)


def targets(phenotype: str) -> tuple[Target, ...]:
    """Return what the lungs of a phenotype must have when they are measured.

    Examples
    --------
    >>> len(targets("normal")), len(targets("severe_asthma"))
    (9, 3)
    """
    if phenotype == "severe_asthma":
        return _PLATEAUS
    quartiles = QUARTILES[phenotype]
    found = [target for name, one in quartiles.items() for target in one.targets(name)]
    also = {"restrictive": (_NEZAMI,), "obstructive": (_ARMAGANIDIS,)}
    return (*found, *also.get(phenotype, ()))
