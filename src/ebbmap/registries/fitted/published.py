"""What was published of each phenotype, and what has to be assumed to fit lungs to it.

Every number has a value, a standard error and a grade: "read", in the paper or its abstract;
"transcription", in another text that copies the paper; "memory, uncertain"; "derived", our
arithmetic on numbers that were read; "assumption", ours, with a stated range as standard error.

Scales: medians, quartiles, breaths and spreads in logarithms, correlations as Fisher's z, centres
of normal marginals as they are. A standard error of 0.1 in logarithms is 10 %.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import atanh, hypot, log, sqrt
from types import MappingProxyType
from typing import NamedTuple

from ebbmap.registries.populations import Confirmed

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
CHELUCCI = "Chelucci et al., Eur Respir J 1993;6:785"
TUBES = "Futagawa et al., BMC Anesthesiology 2017: a 7.5 mm tube; half a size up and down"
PROVENT = "Simonis et al., Ann Intensive Care 2018 (PRoVENT)"
DIEPEN = "van Diepen, 2022, doi 10.1007/s10877-022-00822-4, as a transcription gives it"
LEATHERMAN = "Leatherman et al., Crit Care Med 2004;32:1542, n = 12"
WALL = "Anesthesiology 1999;91:1221, n = 9"
OURS = "our choice, no source"
CUSTOM = "common practice, no source"


class Target(NamedTuple):
    """A published number that lungs, measured as patients were, must have."""

    name: str
    statistic: str
    """How it is taken from a sample of readings: median, width, asymmetry, correlation, mean of
    logarithms, or fall (mean of the first less that of the second)."""
    of: tuple[str, ...]
    """The readings it is of."""
    value: float
    error: float
    confirmed: Confirmed
    source: str


class Assumed(NamedTuple):
    """An unknown of the fit with what is assumed of it; infinite error: nothing is."""

    value: float
    error: float
    confirmed: Confirmed
    source: str
    probed: bool = True
    """Whether a published number depends on it."""


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
    return (*found, *([_NEZAMI] if phenotype == "restrictive" else []))


def _free(value: float) -> Assumed:
    """Return an unknown of which nothing is assumed: where the fit starts."""
    return Assumed(log(value), float("inf"), "derived", "fitted; nothing assumed")


def _of_log(value: float, error: float, source: str, confirmed: Confirmed = "assumption"):
    return Assumed(log(value), error, confirmed, source)


def _pair(value: float, error: float, source: str = OURS, confirmed: Confirmed = "assumption"):
    return Assumed(atanh(value), error, confirmed, source)


_LI_BASSI = "women below men by 9.6 in Li Bassi et al., Crit Care 2021;25:199: 0.37 to 0.48"

#: Correlations, and the part of a tube, that are assumed alike in all phenotypes.
_ALIKE: Mapping[str, Assumed] = MappingProxyType(
    {
        "correlation: compliance, resistance_insp": _pair(0.0, 0.5),
        "correlation: compliance, resistance_exp": _pair(0.0, 0.5),
        "correlation: resistance_insp, resistance_exp": _pair(
            0.7, 0.4, "the same airways; size our choice"
        ),
        "correlation: compliance, predicted_body_weight": _pair(0.42, 0.12, _LI_BASSI, "derived"),
        "correlation: resistance_quadratic, predicted_body_weight": _pair(
            -0.5, 0.3, "larger people have larger tubes; size our choice"
        ),
        "correlation: slow_volume_share, resistance_exp": _pair(0.0, 0.3),
        "correlation: slow_volume_share, compliance": _pair(0.0, 0.3),
        "correlation: slow_volume_share, time_constant_slow": _pair(0.0, 0.3),
        "centre: resistance_quadratic": Assumed(8.21, 1.6, "derived", TUBES),
        "spread: resistance_quadratic": _of_log(2.05, 0.3, TUBES),
        "centre: predicted_body_weight": Assumed(
            64.0, 3.0, "derived", f"500 mL and 7.9 mL/kg, n = 935: {PROVENT}"
        ),
        "spread: predicted_body_weight": _of_log(10.3, 0.15, "women and men mixed; our choice"),
        "breath: flow": _of_log(0.8, 0.2, f"{CUSTOM}: 40 to 60 L/min"),
        "breath: valve_time": _of_log(0.05, 0.5, OURS),
    }
)


def _slow(share: float, sd: float, tau: float, log_sd: float, n: int | None) -> dict[str, Assumed]:
    """Return what is known of the slow part: from n patients, or nothing (None)."""
    grade: Confirmed = "read" if n else "assumption"
    source = f"{CHELUCCI}, n = {n}" if n else OURS
    return {
        "centre: slow_volume_share": Assumed(share, sd / sqrt(n) if n else 0.08, grade, source),
        "spread: slow_volume_share": _of_log(
            sd, 1.0 / sqrt(2.0 * (n - 1)) if n else 0.4, source, grade
        ),
        # other methods give 0.8 to 1.5 s: what is doubted is more than the error of a mean
        "centre: time_constant_slow": _of_log(
            tau, 0.5, f"{source}; other methods give 0.8 to 1.5 s, hence the wide range"
        ),
        "spread: time_constant_slow": _of_log(
            log_sd, 1.0 / sqrt(2.0 * (n - 1)) if n else 0.4, source, grade
        ),
    }


def _breath(volume: float, error: float, rate: float, source: str = CUSTOM) -> dict[str, Assumed]:
    return {
        "breath: volume_per_kg": _of_log(volume, error, source),
        "breath: rate": _of_log(rate, 0.15, CUSTOM),
    }


def _airways(
    compliance: Quartiles, resistance: tuple[float, float], out: float, spread: Assumed
) -> dict[str, Assumed]:
    """Return unknowns of the lung itself: starts, and what is known of the spread of R_exp."""
    return {
        "centre: compliance": _free(compliance.median),
        "spread: compliance": _free(compliance.log_sd),
        "centre: resistance_insp": _free(resistance[0]),
        "spread: resistance_insp": _free(resistance[1]),
        "centre: resistance_exp": _free(out),
        "spread: resistance_exp": spread,
    }


_LUNG_ALONE = f"lung alone, R_exp {{}}: {DIEPEN}; a range of 1.6 times up and down"
_WIDE = _LUNG_ALONE.replace("1.6 times", "2.7 times")

_OWN: Mapping[str, Mapping[str, Assumed]] = MappingProxyType(
    {
        "normal": {
            **_airways(
                QUARTILES["normal"]["static_compliance"],
                (5.0, 0.5),
                5.0,
                _of_log(0.33, 0.5, _LUNG_ALONE.format("3 +/- 1"), "transcription"),
            ),
            **_slow(0.16, 0.07, 3.3, 0.45, 11),
            **_breath(7.9, 0.05, 15.0, f"{PROVENT}, n = 935"),
        },
        "restrictive": {
            **_airways(
                QUARTILES["restrictive"]["static_compliance"],
                (4.5, 0.5),
                5.0,
                _of_log(
                    0.33, 0.5, "as in normal lungs; 6.3 +/- 1 for the lung alone would be less"
                ),
            ),
            **_slow(0.19, 0.06, 4.7, 0.45, 6),
            **_breath(7.0, 0.12, 20.0, f"{CUSTOM}: 6 to 8 mL/kg"),
        },
        "obstructive": {
            **_airways(
                QUARTILES["obstructive"]["static_compliance"],
                (13.0, 0.6),
                20.0,
                # neither patients nor their number are stated: a direction rather than a size
                _of_log(0.41, 1.0, _WIDE.format("14 +/- 6"), "transcription"),
            ),
            **_slow(0.25, 0.08, 4.0, 0.5, None),
            **_breath(7.9, 0.1, 14.0),
        },
        "severe_asthma": {
            "centre: compliance": _of_log(54.0, 0.25, "as in normal lungs; no source"),
            "spread: compliance": _of_log(0.28, 0.3, "as in normal lungs; no source"),
            "centre: resistance_insp": _of_log(13.0, 0.5, "as in COPD; no source"),
            "spread: resistance_insp": _of_log(0.6, 0.3, "as in COPD; no source"),
            "centre: resistance_exp": _of_log(30.0, 0.7, OURS),
            "spread: resistance_exp": _of_log(0.6, 0.3, OURS),
            "centre: slow_volume_share": Assumed(0.4, 0.15, "assumption", OURS),
            "spread: slow_volume_share": _of_log(0.08, 0.4, OURS),
            "centre: time_constant_slow": _of_log(10.0, 0.7, OURS),
            "spread: time_constant_slow": _of_log(0.5, 0.4, OURS),
            **_breath(8.0, 0.15, 12.0),
        },
    }
)

_RANGE = "range: our choice"
_SHUNT = "4 to 5 % in health (question book), others our choice; "
_CROTTI = "modes 20 and 5, in steps of 5: Crotti et al., Am J Respir Crit Care Med 2001;164:131"

#: Standard errors of what no published number of the fit depends on: of the centre (in the
#: property's unit; of a logarithm for a lognormal) and of the logarithm of the spread.
_REST_ERRORS: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "alveolar_dead_space_share": (0.06, 0.3, _RANGE),
        "shunt_baseline": (0.04, 0.4, f"{_SHUNT}{_RANGE}"),
        "opening_pressure": (3.0, 0.4, f"{_CROTTI}; {_RANGE}"),
        "closing_pressure": (2.0, 0.4, f"{_CROTTI}; {_RANGE}"),
        "closing_time_constant": (0.7, 0.4, "0.6 to 4 s: Neumann et al., J Appl Physiol 1998"),
        "co2_production": (20.0, 0.3, f"200 is usual (textbooks); {_RANGE}"),
    }
)

#: Mean and SD of the chest wall's share of elastance, with their errors.
_WALLS: Mapping[str, tuple[float, float, float, float, Confirmed, str]] = MappingProxyType(
    {
        "normal": (0.37, 0.10, 0.033, 0.25, "derived", WALL),
        "restrictive": (
            0.30,
            0.12,
            0.07,
            0.3,
            "derived",
            "0.20 and 0.47: Gattinoni et al., Am J Respir Crit Care Med 1998;158:3; between",
        ),
        "obstructive": (0.37, 0.10, 0.08, 0.3, "assumption", f"as in normal lungs, {WALL}"),
        "severe_asthma": (0.37, 0.10, 0.08, 0.3, "assumption", f"as in normal lungs, {WALL}"),
    }
)


def unprobed(phenotype: str, marginals) -> dict[str, Assumed]:
    """Return what is assumed of the properties that no published number here depends on.

    Parameters
    ----------
    phenotype : str
        Whose.
    marginals : mapping of str to Marginal
        Bundled distributions: their centres and spreads are kept, doubts are added.
    """
    mean, sd, of_mean, of_sd, grade, source = _WALLS[phenotype]
    found = {
        "centre: chest_wall_share": Assumed(mean, of_mean, grade, source, probed=False),
        "spread: chest_wall_share": Assumed(log(sd), of_sd, grade, source, probed=False),
        "correlation: compliance, chest_wall_share": _pair(0.2, 0.2)._replace(probed=False),
    }
    for name, (of_centre, of_spread, why) in _REST_ERRORS.items():
        one = marginals[name]
        centre = log(one.centre) if one.family == "lognormal" else one.centre
        found[f"centre: {name}"] = Assumed(centre, of_centre, one.confirmed, why, probed=False)
        found[f"spread: {name}"] = Assumed(
            log(one.spread), of_spread, "assumption", why, probed=False
        )
    return found


def assumed(phenotype: str) -> dict[str, Assumed]:
    """Return the unknowns on which published numbers depend, with what is assumed of each.

    Examples
    --------
    >>> round(assumed("restrictive")["centre: slow_volume_share"].error, 4)
    0.0245
    """
    return {**_OWN[phenotype], **_ALIKE}
