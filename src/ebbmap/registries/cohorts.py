"""Populations of rows: lungs that were measured, or drawn from a posterior, drawn again.

And Gaussian copulas' relatives whose tails hang together. Sizes: n cases, d properties, r rows, g
values of what is held.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from ebbmap.errors import EbbmapError
from ebbmap.registries.copula import Population
from ebbmap.registries.distributions import EDGE

#: Width of the kernel of scores by which rows are taken where a property is held, times the
#: number of rows to the power -1/5; and rows that must count at least.
WIDTH, FEWEST = 1.0, 5.0


@dataclass(frozen=True)
class Rows(Population):
    """A population whose lungs are rows of a table, drawn with replacement.

    The marginals and correlations describe the same rows smoothly, for whatever needs a middle
    lung or independent properties. Where a property is held, rows near its value are drawn and
    their other properties are taken as they are.

    Parameters
    ----------
    rows : ndarray, shape (r, d)
        Columns in the order of `properties`.
    weights : ndarray, shape (r,)
        How often each row is drawn, relative to the others.
    """

    rows: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)), compare=False, repr=False)
    weights: np.ndarray = field(default_factory=lambda: np.zeros(0), compare=False, repr=False)

    def sample(
        self, n: int, *, seed: int, given: Mapping[str, np.ndarray] | None = None
    ) -> dict[str, np.ndarray]:
        """Draw lungs; parameters and shapes are those of `Population.sample`."""
        place = np.random.default_rng(seed).random(n)
        if not given:
            return dict(
                zip(self.properties, self.rows[self._drawn(self.weights, place)].T, strict=True)
            )
        fixed = {name: np.atleast_1d(np.asarray(v, float)) for name, v in given.items()}
        held = [self.properties.index(name) for name in fixed]
        seen = np.stack(
            [
                self.marginals[name].score(self.rows[:, i])
                for i, name in zip(held, fixed, strict=True)
            ],
            axis=1,
        )
        width = WIDTH * len(self.rows) ** (-1.0 / (4.0 + len(held)))
        index = np.array(
            [self._near(seen, one, width, place) for one in self._scores_of(fixed)], dtype=int
        )
        drawn = {name: self.rows[index, i] for i, name in enumerate(self.properties)}
        return drawn | {
            name: np.broadcast_to(value[:, None], index.shape) for name, value in fixed.items()
        }

    def _near(
        self, seen: np.ndarray, score: np.ndarray, width: float, place: np.ndarray
    ) -> np.ndarray:
        """Return rows near a score, shape (n,); the kernel widens until enough of them count."""
        distance = np.sum((seen - score) ** 2, axis=1)
        for wider in (1.0, 2.0, 4.0, 8.0, 16.0, 1e3):
            weight = self.weights * np.exp(
                -0.5 * (distance - distance.min()) / (width * wider) ** 2
            )
            if weight.sum() ** 2 > FEWEST * np.sum(weight**2):
                break
        return self._drawn(weight, place)

    @staticmethod
    def _drawn(weight: np.ndarray, place: np.ndarray) -> np.ndarray:
        ladder = np.cumsum(weight) / np.sum(weight)
        return np.minimum(np.searchsorted(ladder, place), weight.size - 1)


@dataclass(frozen=True)
class StudentPopulation(Population):
    """A population with the copula of Student's t: extremes of properties come together.

    Parameters
    ----------
    freedom : float
        Degrees of freedom, > 0; the fewer, the more extremes hang together.
    """

    freedom: float = 5.0

    def _joint(
        self, scores: np.ndarray, given: Mapping[str, np.ndarray] | None
    ) -> dict[str, np.ndarray]:
        """Turn scores into lungs; where properties are held, the others follow their law."""
        rng = np.random.default_rng(_seed_from(scores))
        fixed = {n: np.atleast_1d(np.asarray(v, float)) for n, v in (given or {}).items()}
        held = [self.properties.index(name) for name in fixed]
        matrix = self.correlation_matrix
        if not held:
            heavy = np.sqrt(self.freedom / rng.chisquare(self.freedom, len(scores)))
            z = scores @ np.linalg.cholesky(matrix).T * heavy[:, None]
            return self._named(z, {}, self.freedom)
        free = [i for i in range(len(matrix)) if i not in held]
        c = stdtrit(self.freedom, ndtr(self._scores_of(fixed)))
        inverse = np.linalg.inv(matrix[np.ix_(held, held)])
        gain = inverse @ matrix[np.ix_(held, free)]
        inner = matrix[np.ix_(free, free)] - matrix[np.ix_(free, held)] @ gain
        more = self.freedom + len(held)
        wider = (self.freedom + np.einsum("gi,ij,gj->g", c, inverse, c)) / more
        heavy = np.sqrt(more / rng.chisquare(more, len(scores)))[:, None]
        off = scores[:, free] @ np.linalg.cholesky(inner).T * heavy
        z = np.empty((len(c), *scores.shape))
        z[..., free] = (c @ gain)[:, None] + np.sqrt(wider)[:, None, None] * off
        z[..., held] = c[:, None]
        return self._named(z, fixed, self.freedom)

    def _named(
        self, z: np.ndarray, fixed: Mapping[str, np.ndarray], freedom: float
    ) -> dict[str, np.ndarray]:
        """Return properties at Student's scores."""
        normal = ndtri(np.clip(stdtr(freedom, z), EDGE, 1.0 - EDGE))
        drawn = {name: m.at(normal[..., i]) for i, (name, m) in enumerate(self.marginals.items())}
        return drawn | {n: np.broadcast_to(v[:, None], z.shape[:-1]) for n, v in fixed.items()}


@dataclass(frozen=True)
class ClaytonPopulation(Population):
    """A population with Clayton's copula: low values of all properties come together.

    Parameters
    ----------
    strength : float
        Theta, > 0; Kendall's tau of every pair is theta / (theta + 2). Correlations are not used.
    """

    strength: float = 1.0

    def __post_init__(self) -> None:
        """Refuse a strength that is not positive."""
        if not self.strength > 0.0:
            raise EbbmapError(f"Clayton's strength must be > 0; got {self.strength:g}.")
        super().__post_init__()

    def _joint(
        self, scores: np.ndarray, given: Mapping[str, np.ndarray] | None
    ) -> dict[str, np.ndarray]:
        """Turn scores into lungs: a shared frailty, drawn given what is held."""
        rng = np.random.default_rng(_seed_from(scores))
        fixed = {n: np.atleast_1d(np.asarray(v, float)) for n, v in (given or {}).items()}
        theta, n = self.strength, len(scores)
        waits = -np.log(np.clip(ndtr(-scores), EDGE, 1.0))
        if not fixed:
            frailty = rng.gamma(1.0 / theta, size=n)[:, None]
            shares = (1.0 + waits / frailty) ** (-1.0 / theta)
        else:
            seen = np.clip(ndtr(self._scores_of(fixed)), EDGE, 1.0 - EDGE)
            rate = 1.0 + np.sum(seen**-theta - 1.0, axis=1)
            frailty = rng.gamma(1.0 / theta + len(fixed), size=n)[None] / rate[:, None]
            shares = (1.0 + waits[None] / frailty[..., None]) ** (-1.0 / theta)
        normal = ndtri(np.clip(shares, EDGE, 1.0 - EDGE))
        drawn = {name: m.at(normal[..., i]) for i, (name, m) in enumerate(self.marginals.items())}
        shape = normal.shape[:-1]
        return drawn | {n: np.broadcast_to(v[:, None], shape) for n, v in fixed.items()}


def _seed_from(scores: np.ndarray) -> list[int]:
    """Return a seed that hangs on the scores, so that the same draw has the same tails."""
    return [int(word) for word in np.frombuffer(scores[:4].tobytes(), dtype=np.uint32)]
