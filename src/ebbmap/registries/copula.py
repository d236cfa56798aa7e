"""Joint distributions of lung properties: Gaussian copulas.

Correlated normal scores, each turned into a property by its own marginal. Sizes: n cases, d
properties, g values of what is held.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol

import numpy as np
from scipy.special import ndtri

from ebbmap.errors import EbbmapError
from ebbmap.registries.distributions import EDGE, Marginal


class Conditional(NamedTuple):
    """Normal scores of f properties, given others.

    `names` of the properties; `mean`, shape (g, f) or (f,); `covariance`, shape (f, f).
    """

    names: tuple[str, ...]
    mean: np.ndarray
    covariance: np.ndarray


class Known(Protocol):
    """What is known of a population, and how well."""

    @property
    def numbers(self) -> tuple[Any, ...]:
        """The k numbers that it rests on, each with a name, a grade and a source."""

    def population(self, scores: np.ndarray | None = None) -> Population:
        """Return the population where each number is off by so many standard errors."""


class Fold(NamedTuple):
    """What changes in a population for a lung that lacks some of what its lungs have.

    Relative to the population itself, so that it serves populations drawn around it too.
    """

    centres: Mapping[str, float]
    """Logarithm by which a centre is multiplied."""
    spreads: Mapping[str, float]
    """Logarithm by which a spread is multiplied."""
    correlations: Mapping[tuple[str, str], float]
    """What is added to Fisher's z."""


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
    folds : mapping of str to Fold
        What changes for lungs that lack a part; see `registries.folding`.
    unfolded : Population, optional
        The population that this one was folded from.
    known : Known, optional
        How well its numbers are known; None where nobody says.
    unsuitable : str
        Why the mode may not suit such patients at all: said beside whatever is safe in them.

    Raises
    ------
    EbbmapError
        If it has no property or the correlations cannot hold together. Whether there are such
        parameters is seen where the population is used: they may be one's own.
    """

    name: str
    long_name: str
    comment: str
    marginals: Mapping[str, Marginal]
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)
    source: str = ""
    folds: Mapping[str, Fold] = field(default_factory=dict, repr=False)
    unfolded: Population | None = field(default=None, repr=False)
    known: Known | None = field(default=None, repr=False, compare=False)
    unsuitable: str = ""

    def __post_init__(self) -> None:
        """Refuse impossible correlations."""
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
        """Properties whose centre and spread are assumed or from memory."""
        doubted = ("assumption", "memory, uncertain")
        return tuple(name for name, m in self.marginals.items() if m.confirmed in doubted)

    @property
    def unconfirmed_text(self) -> str:
        """How many properties these are, in words, for captions."""
        count, name = len(self.properties), self.name.replace("_", " ")
        doubted = len(self.unconfirmed)
        return f"{f'{doubted} of' if doubted < count else 'all'} {count} properties ({name})"

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
        >>> from ebbmap.registries.populations import POPULATIONS
        >>> obstructive = POPULATIONS["obstructive"]
        >>> [round(float(obstructive.middle({"resistance_exp": r})["resistance_insp"][0]), 1)
        ...  for r in (12.0, 25.0, 45.0)]
        [9.6, 15.8, 23.7]
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

    def sample(
        self, n: int, *, seed: int, given: Mapping[str, np.ndarray] | None = None
    ) -> dict[str, np.ndarray]:
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
        >>> from ebbmap.registries.populations import POPULATIONS
        >>> lungs = POPULATIONS["restrictive"].sample(4, seed=0)
        >>> sorted(lungs) == sorted(POPULATIONS["restrictive"].properties)
        True
        """
        return self._joint(self._drawn_scores(n, seed), given)

    def _drawn_scores(self, n: int, seed: int) -> np.ndarray:
        """Draw independent normal scores, shape (n, d)."""
        # one property after the other, so that a further property leaves these as they are
        return np.random.default_rng(seed).standard_normal((len(self.properties), n)).T

    @property
    def is_gaussian(self) -> bool:
        """Whether all that ties properties together is the correlation of their scores."""
        own = type(self)
        return own.sample is Population.sample and own._joint is Population._joint

    def sample_scores(
        self, n: int, *, seed: int, given: Mapping[str, np.ndarray] | None = None
    ) -> np.ndarray:
        """Draw the normal scores of the lungs that `sample` draws.

        Parameters
        ----------
        n, seed, given
            As in `sample`.

        Returns
        -------
        ndarray, shape (n, d) or (g, n, d)
            Of every property, in order.

        Raises
        ------
        EbbmapError
            If more than the correlation of scores ties the properties together.

        Examples
        --------
        >>> from ebbmap.registries.populations import POPULATIONS
        >>> normal = POPULATIONS["normal"]
        >>> scores = normal.sample_scores(3, seed=0)[:, normal.properties.index("compliance")]
        >>> own = normal.marginals["compliance"].at(scores)
        >>> bool(np.allclose(own, normal.sample(3, seed=0)["compliance"], rtol=1e-12))
        True
        """
        if not self.is_gaussian:
            raise EbbmapError(
                f"the lungs of {self.name} are not drawn as normal scores. Draw them with `sample`."
            )
        return self._moved_scores(self._drawn_scores(n, seed), given or {})

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

    def _joint(
        self, scores: np.ndarray, given: Mapping[str, np.ndarray] | None
    ) -> dict[str, np.ndarray]:
        fixed = {n: np.atleast_1d(np.asarray(v, float)) for n, v in (given or {}).items()}
        z = self._moved_scores(scores, fixed)
        drawn = {name: m.at(z[..., i]) for i, (name, m) in enumerate(self.marginals.items())}
        shape = z.shape[:-1]
        return {
            **drawn,
            **{name: np.broadcast_to(value[:, None], shape) for name, value in fixed.items()},
        }

    def _moved_scores(self, scores: np.ndarray, held: Mapping[str, np.ndarray]) -> np.ndarray:
        """Return correlated scores, moved with those of held properties."""
        z: np.ndarray = scores @ np.linalg.cholesky(self.correlation_matrix).T
        if not held:
            return z
        places = [self.properties.index(name) for name in held]
        c = self._scores_of(held)
        moved: np.ndarray = z[None] + (c[:, None, :] - z[None][..., places]) @ self._gain(places)
        return moved


def known_of(group: Population) -> Known:
    """Return what is known of a population.

    Raises
    ------
    EbbmapError
        If nobody says how well its numbers are known.
    """
    if group.known is None:
        raise EbbmapError(
            f"knowledge: how well the numbers of the population {group.name!r} are known is not "
            "stated. Set knowledge = 0, or take a fitted population."
        )
    return group.known
