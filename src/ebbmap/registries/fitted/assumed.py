"""What has to be assumed to fit lungs of each phenotype to what was published.

Values, standard errors, grades and scales are those of `published.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import atanh, log, sqrt
from types import MappingProxyType
from typing import NamedTuple

from ebbmap.registries.distributions import Confirmed
from ebbmap.registries.fitted.bases import ADMIXTURE, REST
from ebbmap.registries.fitted.published import QUARTILES, Quartiles

CHELUCCI = "Chelucci et al., Eur Respir J 1993;6:785"
TUBES = "Futagawa et al., BMC Anesthesiology 2017: a 7.5 mm tube; half a size up and down"
PROVENT = "Simonis et al., Ann Intensive Care 2018 (PRoVENT)"
DIEPEN = "van Diepen, 2022, doi 10.1007/s10877-022-00822-4, as a transcription gives it"
OURS = "our choice, no source"
CUSTOM = "common practice, no source"


class Assumed(NamedTuple):
    """An unknown of the fit with what is assumed of it; infinite error: nothing is."""

    value: float
    error: float
    confirmed: Confirmed
    source: str
    probed: bool = True
    """Whether a published number depends on it."""


def _free(value: float) -> Assumed:
    """Return an unknown of which nothing is assumed: where the fit starts."""
    return Assumed(log(value), float("inf"), "derived", "fitted; nothing assumed")


def _of_log(
    value: float, error: float, source: str, confirmed: Confirmed = "assumption"
) -> Assumed:
    return Assumed(log(value), error, confirmed, source)


def _pair(
    value: float, error: float, source: str = OURS, confirmed: Confirmed = "assumption"
) -> Assumed:
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
            # without it the tube takes all of the resistance in some lungs, and they do not settle
            "spread: resistance_insp": _of_log(
                0.33, 0.5, "as of the expiratory one; 6.3 +/- 1 for the lung alone would be less"
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
            "centre: upstream_resistance": _free(15.0),
            "spread: upstream_resistance": _of_log(0.7, 0.4, OURS),
            "correlation: resistance_exp, upstream_resistance": _pair(
                0.5, 0.4, "the same airways; size our choice"
            ),
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

_COLLAPSE = "error of the fit to admixture and PaO2/FiO2 at assumed pressures; "

#: The same for the admixture and the collapse of injured lungs.
_INJURED_ERRORS: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "shunt_baseline": (0.045 / sqrt(11), 1.0 / sqrt(2.0 * (11 - 1)), ADMIXTURE),
        "collapsible_share": (0.05, 0.3, f"{_COLLAPSE}0.048, of the spread 0.32"),
        "half_closed_pressure": (3.0, 0.4, f"{_COLLAPSE}0.7, pressures off by 3: our choice"),
        "closing_width": (0.5, 0.4, f"{_COLLAPSE}0.54; of the spread our choice"),
    }
)

#: The same for the chest wall's share of elastance.
_WALL_ERRORS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "normal": (0.033, 0.25),
        "restrictive": (0.07, 0.3),
        "obstructive": (0.08, 0.3),
        "severe_asthma": (0.08, 0.3),
    }
)


def unprobed(phenotype: str) -> dict[str, Assumed]:
    """Return what is assumed of the properties that no published number here depends on."""
    wall = REST[phenotype]["chest_wall_share"]
    errors = {
        "chest_wall_share": (*_WALL_ERRORS[phenotype], wall.source),
        **_REST_ERRORS,
        **(_INJURED_ERRORS if phenotype == "restrictive" else {}),
    }
    found = {"correlation: compliance, chest_wall_share": _pair(0.2, 0.2)._replace(probed=False)}
    for name, (of_centre, of_spread, why) in errors.items():
        one = REST[phenotype][name]
        centre = log(one.centre) if one.family == "lognormal" else one.centre
        # of the chest wall the source gives the spread as well
        spread_grade = wall.confirmed if one is wall else "assumption"
        found[f"centre: {name}"] = Assumed(centre, of_centre, one.confirmed, why, probed=False)
        found[f"spread: {name}"] = Assumed(
            log(one.spread), of_spread, spread_grade, why, probed=False
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
