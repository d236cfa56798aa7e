"""Phenotypes as joint distributions of lung properties.

A population is a Gaussian copula: correlated normal scores, each turned into a property by its
own marginal. Sizes: n cases, d properties. Nothing here describes a patient: centre and spread
are starting points for sweeps, each with its source and how far that source was confirmed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import exp, log, sqrt
from types import MappingProxyType
from typing import Literal, NamedTuple, get_args

import numpy as np
from scipy.special import ndtr, ndtri

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.lungs.tracheal_tube import MEASURED_FLOW, tracheal_tube
from ebbmap.registries.parameters import parameter
from ebbmap.units import display

Confirmed = Literal["read", "transcription", "derived", "memory, uncertain", "assumption"]
Family = Literal["normal", "lognormal", "uniform"]

#: Unit-cube coordinates are kept this far from 0 and 1, where a normal score is infinite.
EDGE = 2.0**-40

#: What low and high must leave of a distribution: less is no cut, but another distribution.
LEAST_LEFT = 1e-6


@dataclass(frozen=True)
class Marginal:
    """Distribution of one property, as a function of a standard normal score.

    Parameters
    ----------
    family : {"normal", "lognormal", "uniform"}
        Shape.
    centre, spread : float
        Mean and SD of a normal; median and log-SD of a lognormal; low and high of a uniform.
    low, high : float
        Where a normal or a lognormal is cut off.
    confirmed : {"read", "transcription", "derived", "memory, uncertain", "assumption"}
        How far the source was confirmed.
    source : str
        Where centre and spread come from. Never empty.

    Raises
    ------
    EbbmapError
        If the numbers cannot be a distribution.
    """

    family: Family
    centre: float
    spread: float
    source: str
    confirmed: Confirmed = "assumption"
    low: float = -np.inf
    high: float = np.inf

    def __post_init__(self) -> None:
        """Refuse a family that is not known, and numbers that cannot be a distribution."""
        if self.family not in get_args(Family):
            raise EbbmapError(
                f"{unknown_name('family', self.family, get_args(Family))} A distribution that is "
                "cut off is a normal or a lognormal with low or high."
            )
        if not (np.isfinite(self.centre) and np.isfinite(self.spread) and self.source):
            raise EbbmapError("a distribution needs finite numbers and a source.")
        if self.confirmed not in get_args(Confirmed):
            raise EbbmapError(unknown_name("confirmed", self.confirmed, get_args(Confirmed)))
        if self.family == "uniform" and not self.centre < self.spread:
            raise EbbmapError(
                f"a uniform must have low < high; got {self.centre:g}, {self.spread:g}. Swap them."
            )
        if self.family != "uniform" and not self.spread > 0:
            raise EbbmapError(f"a spread must be > 0; got {self.spread:g}. Fix the value instead.")
        if self.family == "lognormal" and not self.centre > 0:
            raise EbbmapError(f"a lognormal's median must be > 0; got {self.centre:g}.")
        if not self.low < self.high:
            raise EbbmapError(f"must have low < high; got {self.low:g}, {self.high:g}. Swap them.")
        if self._is_cut and self.family == "uniform":
            raise EbbmapError("a uniform has its own ends. Drop low and high.")
        if self._is_cut and self._kept[1] - self._kept[0] < LEAST_LEFT:
            raise EbbmapError(
                f"low {self.low:g} and high {self.high:g} must leave some of the distribution; "
                f"they leave less than {LEAST_LEFT:g} of it. Move them, or its centre."
            )

    @property
    def _is_cut(self) -> bool:
        return not (np.isinf(self.low) and np.isinf(self.high))

    @property
    def _kept(self) -> np.ndarray:
        """Shares of the whole distribution below `low` and below `high`."""
        return ndtr(self._whole_score(np.array([self.low, self.high])))

    def _whole_score(self, value):
        """Return the score in the normal or lognormal before it is cut off."""
        if self.family == "lognormal":
            with np.errstate(divide="ignore"):
                return np.log(np.maximum(value, 0.0) / self.centre) / self.spread
        return (value - self.centre) / self.spread

    def at(self, score: np.ndarray) -> np.ndarray:
        """Return the property at standard normal scores, any shape.

        Examples
        --------
        >>> float(Marginal("lognormal", 36.0, 0.33, "invented").at(np.array(0.0)))
        36.0
        """
        if self.family == "uniform":
            return self.centre + (self.spread - self.centre) * ndtr(score)
        if self._is_cut:
            floor, roof = self._kept
            score = ndtri(floor + (roof - floor) * ndtr(score))
        if self.family == "lognormal":
            drawn = self.centre * np.exp(self.spread * score)
        else:
            drawn = self.centre + self.spread * score
        return np.clip(drawn, self.low, self.high) if self._is_cut else drawn

    def score(self, value: np.ndarray) -> np.ndarray:
        """Return the standard normal score of a property, the inverse of `at`.

        Examples
        --------
        >>> float(Marginal("normal", 0.5, 0.1, "invented").score(np.array(0.6)).round(6))
        1.0
        """
        if self.family == "uniform":
            share = (value - self.centre) / (self.spread - self.centre)
        elif self._is_cut:
            floor, roof = self._kept
            share = (ndtr(self._whole_score(value)) - floor) / (roof - floor)
        else:
            return self._whole_score(value)
        return ndtri(np.clip(share, EDGE, 1.0 - EDGE))

    def outside(self, low: float, high: float, *, mean=0.0, sd=1.0):
        """Return the probability of a value below `low` or above `high`.

        Parameters
        ----------
        low, high : float
            Ends, in the property's unit.
        mean, sd : array_like, shape (...)
            Of the normal score, where it is known in part.

        Returns
        -------
        float or ndarray, shape (...)

        Examples
        --------
        >>> round(float(Marginal("normal", 66.0, 11.0, "invented").outside(20.0, 150.0)), 7)
        1.45e-05
        """
        least, most = (
            (self.centre, self.spread) if self.family == "uniform" else (self.low, self.high)
        )
        below = -np.inf if low <= least else self.score(np.minimum(low, most))
        above = np.inf if high >= most else self.score(np.maximum(high, least))
        return ndtr((below - mean) / sd) + ndtr((mean - above) / sd)

    def say(self, name: str) -> str:
        """Say the distribution of a parameter in words, for captions.

        Examples
        --------
        >>> Marginal("uniform", 18.0, 28.0, "invented").say("p_high")
        'P high evenly between 18 and 28 cmH₂O'
        """
        entry = parameter(name)
        unit = display(entry.units)
        if self.family == "uniform":
            text = f"evenly between {self.centre:g} and {self.spread:g}"
        elif self.family == "lognormal":
            text = f"lognormal, median {self.centre:g} and log-SD {self.spread:g}"
        else:
            text = f"normal, {self.centre:g} +/- {self.spread:g}"
        ends = [f"from {self.low:g}"] if np.isfinite(self.low) else []
        ends += [f"up to {self.high:g}"] if np.isfinite(self.high) else []
        return " ".join([entry.long_name, text, *ends, unit]).rstrip()


class Conditional(NamedTuple):
    """Normal scores of f properties, given others.

    `names` of the properties; `mean`, shape (g, f) or (f,); `covariance`, shape (f, f).
    """

    names: tuple[str, ...]
    mean: np.ndarray
    covariance: np.ndarray


@dataclass(frozen=True)
class Population:
    """A phenotype: marginals and the correlation of their normal scores.

    Parameters
    ----------
    name, long_name, comment : str
        Name in files, name in words, and what it does not claim.
    marginals : mapping of str to Marginal
        By registry name.
    correlations : mapping of (str, str) to float
        Correlation of two properties' normal scores; zero where absent.
    source : str
        Where the whole population comes from, as whoever defined it says; empty where it is
        invented around the sources of its marginals, as the bundled ones are.

    Raises
    ------
    EbbmapError
        If a property is unknown or the correlations cannot hold together.
    """

    name: str
    long_name: str
    comment: str
    marginals: Mapping[str, Marginal]
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)
    source: str = ""

    def __post_init__(self) -> None:
        """Refuse unknown properties and impossible correlations."""
        for name in self.marginals:
            parameter(name)
        if not self.marginals:
            raise EbbmapError(f"{self.name}: needs at least one property. Add one, or a base.")
        for one, other in self.correlations:
            if one not in self.marginals or other not in self.marginals or one == other:
                raise EbbmapError(f"{self.name}: no pair ({one}, {other}) of its properties.")
        if np.linalg.eigvalsh(self.correlation_matrix).min() <= 0:
            raise EbbmapError(
                f"{self.name}: these correlations cannot hold together. Make them weaker."
            )

    @property
    def properties(self) -> tuple[str, ...]:
        """Registry names of the properties, in order."""
        return tuple(self.marginals)

    @property
    def correlation_matrix(self) -> np.ndarray:
        """Correlation of the normal scores, shape (d, d)."""
        names = self.properties
        matrix = np.eye(len(names))
        for (one, other), value in self.correlations.items():
            i, j = names.index(one), names.index(other)
            matrix[i, j] = matrix[j, i] = value
        return matrix

    @property
    def unconfirmed(self) -> tuple[str, ...]:
        """Properties whose centre and spread were not read in a source."""
        return tuple(name for name, m in self.marginals.items() if m.confirmed != "read")

    @property
    def unconfirmed_text(self) -> str:
        """Which properties these are, in words, for captions."""
        read = [n for n in self.properties if n not in self.unconfirmed]
        but = ", ".join(parameter(name).long_name for name in read)
        return f"{self.name}, all but {but}" if read else f"{self.name}, all"

    @property
    def median(self) -> dict[str, float]:
        """The property values at the middle of each marginal."""
        return {name: float(m.at(np.array(0.0))) for name, m in self.marginals.items()}

    def middle(self, given: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return the middle lung given held properties: the median of each of the others.

        Parameters
        ----------
        given : mapping of str to array_like, shape (g,)
            Properties held at stated values; may be empty.

        Returns
        -------
        dict of str to ndarray, shape (g,)
            Of every property that is not held; shape () where none is.

        Examples
        --------
        >>> obstructive = POPULATIONS["obstructive"]
        >>> [round(float(obstructive.middle({"resistance_exp": r})["resistance_insp"][0]), 1)
        ...  for r in (12.0, 25.0, 45.0)]
        [8.1, 14.7, 23.9]
        """
        scores = self.given(given)
        return {
            name: self.marginals[name].at(scores.mean[..., i])
            for i, name in enumerate(scores.names)
        }

    def given(self, held: Mapping[str, np.ndarray]) -> Conditional:
        """Return the distribution of the other normal scores, given held properties.

        Parameters
        ----------
        held : mapping of str to array_like, shape (g,)
            Properties held at stated values; may be empty.

        Returns
        -------
        Conditional
            Of the f properties that are not held, in order.

        Raises
        ------
        EbbmapError
            If a value has no place in its marginal.

        Notes
        -----
        With the scores c held: mean S_fc S_cc^-1 c, covariance S_ff - S_fc S_cc^-1 S_cf.
        """
        names = tuple(name for name in self.properties if name not in held)
        free, fixed = ([self.properties.index(n) for n in some] for some in (names, held))
        matrix = self.correlation_matrix
        inner = matrix[np.ix_(free, free)]
        if not fixed:
            return Conditional(names, np.zeros(len(names)), inner)
        gain = self._gain(fixed)[:, free]
        mean = self._scores_of(held) @ gain
        return Conditional(names, mean, inner - matrix[np.ix_(free, fixed)] @ gain)

    def _gain(self, held: list[int]) -> np.ndarray:
        """How far every score moves with each held one, shape (c, d)."""
        matrix = self.correlation_matrix
        return np.linalg.solve(matrix[np.ix_(held, held)], matrix[held])

    def _scores_of(self, given: Mapping[str, np.ndarray]) -> np.ndarray:
        """Scores of held properties, shape (g, c)."""
        scores = []
        for name, value in given.items():
            array = np.atleast_1d(np.asarray(value, float))
            if self.marginals[name].family == "lognormal" and not np.all(array > 0):
                raise EbbmapError(
                    f"{name} must be > 0 in {self.name}; got {array.min():g}. Hold another value."
                )
            scores.append(self.marginals[name].score(array))
        return np.stack(scores, axis=-1)

    def sample(self, n: int, *, seed: int, given: Mapping[str, np.ndarray] | None = None):
        """Draw lungs.

        Parameters
        ----------
        n : int
            How many, >= 1.
        seed : int
            Seed of the generator; 0 is a seed.
        given : mapping of str to array_like, shape (g,), optional
            Properties held at stated values: the others are drawn from their distribution given
            these, one row of n lungs per value.

        Returns
        -------
        dict of str to ndarray, shape (n,) or (g, n)
            Every property, in registry units.

        Notes
        -----
        Normal scores z are drawn once; holding the scores at c means z + S_ac S_cc^-1 (c - z_c).

        Examples
        --------
        >>> lungs = POPULATIONS["restrictive"].sample(4, seed=0)
        >>> sorted(lungs) == sorted(POPULATIONS["restrictive"].properties)
        True
        """
        # one property after the other, so that a further property leaves these as they are
        scores = np.random.default_rng(seed).standard_normal((len(self.properties), n)).T
        return self._joint(scores, given)

    def from_unit(self, unit: np.ndarray) -> dict[str, np.ndarray]:
        """Turn points of the unit cube into lungs with *independent* properties.

        Parameters
        ----------
        unit : ndarray, shape (n, d)
            Columns in the order of `properties`.

        Returns
        -------
        dict of str to ndarray, shape (n,)
            Variance-based indices need independent inputs: the marginals are this population's,
            the correlations are dropped on purpose.
        """
        scores = ndtri(np.clip(unit, EDGE, 1.0 - EDGE))
        return {name: m.at(scores[:, i]) for i, (name, m) in enumerate(self.marginals.items())}

    def _joint(self, scores: np.ndarray, given) -> dict[str, np.ndarray]:
        z = scores @ np.linalg.cholesky(self.correlation_matrix).T
        held = [self.properties.index(name) for name in given or {}]
        if not held:
            return {name: m.at(z[:, i]) for i, (name, m) in enumerate(self.marginals.items())}
        fixed = {name: np.atleast_1d(np.asarray(value, float)) for name, value in given.items()}
        c = self._scores_of(fixed)
        z = z[None] + (c[:, None, :] - z[None][..., held]) @ self._gain(held)
        drawn = {name: m.at(z[..., i]) for i, (name, m) in enumerate(self.marginals.items())}
        shape = z.shape[:-1]
        return {
            **drawn,
            **{name: np.broadcast_to(value[:, None], shape) for name, value in fixed.items()},
        }


def lognormal_of_moments(mean: float, sd: float) -> tuple[float, float]:
    """Median and log-SD of the lognormal with this mean and SD.

    Examples
    --------
    >>> [round(x, 3) for x in lognormal_of_moments(37.6, 13.0)]
    [35.536, 0.336]
    """
    variance = log(1.0 + (sd / mean) ** 2)
    return mean * exp(-variance / 2.0), sqrt(variance)


def expiratory_resistance(
    median: float, log_sd: float, ratio_low: float, ratio_high: float
) -> tuple[float, float, float]:
    """Lognormal of R_exp = R_insp x ratio, and its correlation with R_insp.

    Parameters
    ----------
    median, log_sd : float
        Lognormal of the inspiratory resistance [cmH2O s L-1].
    ratio_low, ratio_high : float
        Uniform range of the ratio R_exp / R_insp.

    Returns
    -------
    tuple of float
        Median [cmH2O s L-1], log-SD, and correlation of the logarithms, by the first two moments
        of the logarithm of the ratio.

    Examples
    --------
    >>> [round(x, 3) for x in expiratory_resistance(12.0, 0.28, 1.0, 1.4)]
    [14.333, 0.296, 0.945]
    """
    span = ratio_high - ratio_low

    def upto(x: float) -> tuple[float, float]:
        return x * (log(x) - 1.0), x * (log(x) ** 2 - 2.0 * log(x) + 2.0)

    first, second = ((upto(ratio_high)[i] - upto(ratio_low)[i]) / span for i in range(2))
    total = sqrt(log_sd**2 + second - first**2)
    return median * exp(first), total, log_sd / total


_ARNAL = "Arnal et al., Respir Care 2018;63:158 (from memory, uncertain)"
_CHELUCCI = "Chelucci et al., Eur Respir J 1993;6:785"
_RATIO = "ratio to the inspiratory one: direction from Jonson et al., J Appl Physiol 1993;75:132, "
_SIZE = "equal mixture of women (56 +/- 6) and men (72 +/- 7); assumption"


def _population(
    name: str,
    long_name: str,
    comment: str,
    *,
    compliance: Marginal,
    resistance: tuple[float, float],
    ratio: tuple[float, float],
    chest_wall: Marginal,
    dead_space: Marginal,
    shunt: tuple[float, float],
    co2: tuple[float, float],
    slow: tuple[float, float, float, float, str],
    closing: dict[str, Marginal],
) -> Population:
    median, log_sd, correlation = expiratory_resistance(*resistance, *ratio)
    return Population(
        name,
        long_name,
        comment,
        MappingProxyType(
            {
                "compliance": compliance,
                "resistance_insp": Marginal(
                    "lognormal",
                    *resistance,
                    f"{_ARNAL}; tracheal tube included",
                    "memory, uncertain",
                ),
                "resistance_exp": Marginal(
                    "lognormal",
                    median,
                    log_sd,
                    f"{_RATIO}size {ratio[0]:g} to {ratio[1]:g} our choice",
                    "assumption",
                ),
                "chest_wall_share": chest_wall,
                "slow_volume_share": Marginal(
                    "normal", slow[0], slow[1], f"{_CHELUCCI}; {slow[4]}", low=0.05, high=0.6
                ),
                "time_constant_slow": Marginal(
                    "lognormal", slow[2], slow[3], f"{_CHELUCCI}; {slow[4]}", "assumption"
                ),
                "predicted_body_weight": Marginal(
                    "normal", 64.0, 10.3, _SIZE, "assumption", low=40.0, high=90.0
                ),
                "alveolar_dead_space_share": dead_space,
                "shunt_baseline": Marginal(
                    "normal",
                    *shunt,
                    "4 to 5 % in health (question book), others our choice",
                    "assumption",
                    low=0.0,
                    high=0.6,
                ),
                **closing,
                "co2_production": Marginal(
                    "normal",
                    *co2,
                    "200 is usual (textbooks), rest our choice",
                    "assumption",
                    low=100.0,
                    high=400.0,
                ),
            }
        ),
        # compliance grows with body size; the other pairs follow from the ratio above
        MappingProxyType(
            {
                ("resistance_insp", "resistance_exp"): correlation,
                ("compliance", "predicted_body_weight"): 0.4,
                ("compliance", "chest_wall_share"): 0.2,
            }
        ),
    )


def _dead_space(mean: float, sd: float, ratio: str) -> Marginal:
    """Alveolar dead space share that gives a measured VD/VT with 30 % of the gas in series."""
    source = f"so that VD/VT is {ratio}, with 30 % of the gas in series (derived)"
    return Marginal("normal", mean, sd, source, "assumption", low=0.0, high=0.8)


def _closing(
    opening: tuple[float, float], closing: tuple[float, float], collapse: tuple[float, float]
) -> dict[str, Marginal]:
    """Return how lung units open and close; `recruitable_share` in a study switches it on."""
    modes = (
        "modes 20 and 5 in lung injury: Crotti et al., Am J Respir Crit Care Med 2001;164:131; "
        "spread, and other lungs, our choice"
    )
    times = "events at 0.6 to 4 s: Neumann et al., J Appl Physiol 1998;85:1533; spread our choice"
    return {
        "opening_pressure": Marginal("normal", *opening, modes, low=0.0, high=60.0),
        "closing_pressure": Marginal("normal", *closing, modes, low=0.0, high=25.0),
        "closing_time_constant": Marginal("lognormal", *collapse, times),
    }


_LIMITED = {
    "flow_limitation": Marginal(
        "normal",
        2.0,
        1.0,
        "direction after Barbini et al., Ann Biomed Eng 2003;31:908; size our choice",
        low=0.0,
        high=5.0,
    )
}
_ELASTANCE = "half of the elastance in health (from memory)"
_CLAIM = (
    "Invented lungs around published centres; correlations with body size and chest wall are "
    "assumptions of direction and size. Not a description of patients."
)

_ALL = (
    _population(
        "normal",
        "normal lungs",
        _CLAIM,
        compliance=Marginal("lognormal", 54.0, 0.28, _ARNAL, "memory, uncertain"),
        resistance=(12.0, 0.28),
        ratio=(1.0, 1.4),
        chest_wall=Marginal("normal", 0.5, 0.1, _ELASTANCE, "assumption", low=0.1, high=0.9),
        dead_space=_dead_space(0.03, 0.03, "0.3 in health"),
        shunt=(0.05, 0.02),
        co2=(200.0, 25.0),
        slow=(0.16, 0.07, 3.3, 0.45, "share 0.16 +/- 0.07 read, log-SD of 3.27 +/- 1.54 derived"),
        closing=_closing((10.0, 4.0), (3.0, 2.0), (3.0, 0.6)),
    ),
    _population(
        "restrictive",
        "restrictive lungs (ARDS)",
        _CLAIM,
        compliance=Marginal(
            "lognormal",
            *lognormal_of_moments(37.6, 13.0),
            "37.6 +/- 13, n = 372: Vandenbunder et al., Crit Care 2021, "
            "doi 10.1186/s13054-020-03433-0",
            "read",
        ),
        resistance=(12.0, 0.30),
        ratio=(1.0, 1.4),
        chest_wall=Marginal(
            "normal",
            0.30,
            0.12,
            "between 0.20 (pulmonary) and 0.47 (extrapulmonary): Gattinoni et al., Am J Respir "
            "Crit Care Med 1998;158:3 (derived); spread our choice",
            low=0.1,
            high=0.7,
        ),
        dead_space=_dead_space(
            0.40, 0.13, "0.58 +/- 0.09: Nuckton et al., N Engl J Med 2002;346:1281"
        ),
        shunt=(0.30, 0.10),
        co2=(230.0, 40.0),
        slow=(0.19, 0.06, 4.7, 0.45, "share 0.19 +/- 0.06 read, log-SD of 4.67 +/- 2.38 derived"),
        closing=_closing((20.0, 6.0), (5.0, 3.0), (1.0, 0.7)),
    ),
    _population(
        "obstructive",
        "obstructive lungs (COPD)",
        _CLAIM,
        compliance=Marginal("lognormal", 60.0, 0.40, _ARNAL, "memory, uncertain"),
        resistance=(20.0, 0.45),
        ratio=(1.2, 2.5),
        chest_wall=Marginal("normal", 0.5, 0.1, _ELASTANCE, "assumption", low=0.1, high=0.9),
        dead_space=_dead_space(0.28, 0.14, "0.5, our choice"),
        shunt=(0.12, 0.05),
        co2=(210.0, 35.0),
        slow=(0.25, 0.08, 4.0, 0.5, "obstructive: our choice"),
        closing=_closing((10.0, 4.0), (3.0, 2.0), (3.0, 0.6)) | _LIMITED,
    ),
)


def with_tube(group: Population, *, diameter: float = 7.5) -> Population:
    """Take the tracheal tube out of a population's resistances and put it back as a tube.

    Parameters
    ----------
    group : Population
        With resistances that include the tube.
    diameter : float
        Inner diameter of the tube [mm], 6 to 8.

    Returns
    -------
    Population
        For a lung with a quadratic resistance: K of tubes around this size, and resistances less
        what K gave at the flow at which resistance is usually measured, 0.5 L/s.

    Examples
    --------
    >>> with_tube(population("normal")).name
    'normal_with_tube'
    """
    quadratic = float(tracheal_tube(diameter)[1])
    turbulent = quadratic * MEASURED_FLOW
    marginals = dict(group.marginals)
    for name in ("resistance_insp", "resistance_exp"):
        whole = marginals[name]
        marginals[name] = replace(
            whole,
            centre=whole.centre - turbulent,
            source=f"{whole.source}; less the turbulent part of a {diameter:g} mm tube",
        )
    marginals["resistance_quadratic"] = Marginal(
        "normal",
        quadratic,
        0.25 * quadratic,
        "fit to Futagawa et al., BMC Anesthesiology 2017; spread: half a size up and down",
        low=0.4 * quadratic,
        high=2.0 * quadratic,
    )
    return Population(
        f"{group.name}_with_tube",
        f"{group.long_name}, tube apart",
        group.comment,
        MappingProxyType(marginals),
        group.correlations,
    )


POPULATIONS: Mapping[str, Population] = MappingProxyType(
    {p.name: p for p in (*_ALL, *(with_tube(p) for p in _ALL))}
)


def population(name: str) -> Population:
    """Return the bundled population of a name.

    Raises
    ------
    EbbmapError
        If no population has this name; the message gives the nearest one.
    """
    if name not in POPULATIONS:
        raise EbbmapError(unknown_name("population", name, POPULATIONS))
    return POPULATIONS[name]
