"""Which properties of a lung a trace is asked for, on which scale, and what is known beforehand.

Sizes: n cases, d properties.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.lungs import Lung
from ebbmap.lungs.whole.network import Network, network
from ebbmap.registries.copula import Population
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import ML_PER_L

_ONE = ("compliance", "resistance_insp", "resistance_exp")
_WHOLE = (
    *_ONE,
    "slow_volume_share",
    "time_constant_slow",
    "own_resistance_share",
    "resistance_quadratic",
)

#: Properties of a lung with two parts, which are told apart by which is slower.
_TWO = _WHOLE[:-1]

#: Properties that a fit moves, by lung; all its own of another lung. Those of the paired lung hang
#: together too closely to be moved by themselves: they follow from those of the whole.
FITTED: Mapping[str, tuple[str, ...]] = {
    "linear": _ONE,
    "tube": (*_ONE, "resistance_quadratic"),
    "paired": _TWO,
    "whole": _WHOLE,
    "breathing": _WHOLE,
    "stepped": (*_ONE, "resistance_quadratic", "recoil_curvature", "recoil_inflection"),
}

#: What is told of a lung where it is not what a fit moves.
TOLD: Mapping[str, tuple[str, ...]] = {
    "paired": (
        "compliance_fast",
        "compliance_slow",
        "resistance_fast",
        "resistance_slow",
        "resistance_shared_insp",
        "resistance_shared_exp",
    ),
}

#: Properties that flow at the airway opening does not depend on, with the reason.
UNSEEN = {
    "slow_tissue_share": "gas in slow units and tissue that relaxes let out the same flow",
    "chest_wall_share": "flow shows lung and chest wall together; oesophageal pressure parts them",
}

#: Lungs that are compared with the one asked for, from the simplest.
RIVALS = ("linear", "tube", "paired", "whole")

#: Flat priors reach so far: assumption, the registry's bounds cut to what an adult's lung can be.
#: Properties with a lower end of 0 are flat in their value, others in its logarithm.
RANGES: Mapping[str, tuple[float, float]] = {
    "compliance": (3.0, 400.0),
    "resistance_insp": (0.3, 300.0),
    "resistance_exp": (0.3, 300.0),
    "resistance_quadratic": (0.0, 100.0),
    "slow_volume_share": (0.0, 0.9),
    "time_constant_slow": (0.5, 40.0),
    "own_resistance_share": (0.0, 1.0),
    "upstream_resistance": (0.0, 300.0),
    "recoil_curvature": (0.0, 0.4),
    "recoil_inflection": (0.0, 60.0),
}

#: Compliance of a slow part that counts as none [mL cmH2O-1]; draws that say what a prior leaves
#: open.
LEAST_SLOW, PRIOR_DRAWS = 1e-6, 4000

#: Normal scores of a population's properties lie within this.
FARTHEST = 5.0


@dataclass(frozen=True)
class Scale:
    """Coordinates of a lung's properties in which the fit moves.

    Parameters
    ----------
    names : tuple of str
        Properties.
    box : ndarray, shape (2, d)
        Ends of each coordinate.
    population : Population or None
        The prior; coordinates of its properties are normal scores. Others are flat.
    told : tuple of str
        Properties that are told, where they are not those that move.
    """

    names: tuple[str, ...]
    box: np.ndarray
    population: Population | None = None
    told: tuple[str, ...] = ()

    @property
    def properties(self) -> tuple[str, ...]:
        """Properties that are told."""
        return self.told or self.names

    def table(self, places: np.ndarray) -> np.ndarray:
        """Return the properties that are told, shape (n, p), at coordinates, shape (n, d)."""
        values = self.values(places)
        if self.told:
            values = in_pairs(values)
        return np.stack([values[name] for name in self.properties], axis=1)

    @property
    def held_by(self) -> tuple[str, ...]:
        """Properties with a prior from the population."""
        known = self.population.properties if self.population else ()
        return tuple(name for name in self.names if name in known)

    def values(self, places: np.ndarray) -> dict[str, np.ndarray]:
        """Return properties, shape (n,) each, at coordinates, shape (n, d)."""
        found = {}
        for column, name in enumerate(self.names):
            place = places[:, column]
            if self.population is not None and name in self.held_by:
                found[name] = np.asarray(self.population.marginals[name].at(place))
            else:
                found[name] = place if is_plain(name) else np.exp(place)
        return found

    def lung(self, place: np.ndarray) -> dict[str, float]:
        """Return the properties of one lung that move, at its coordinates, shape (d,)."""
        return {name: float(value[0]) for name, value in self.values(place[None]).items()}

    def place(self, values: Mapping[str, float]) -> np.ndarray:
        """Return the coordinates of one lung, shape (d,), within the box."""
        found = []
        for name in self.names:
            value = np.asarray(values[name], dtype=float)
            if self.population is not None and name in self.held_by:
                found.append(float(self.population.marginals[name].score(value)))
            else:
                found.append(float(value if is_plain(name) else np.log(np.maximum(value, 1e-9))))
        return np.clip(np.array(found), self.box[0], self.box[1])

    @property
    def two_parts(self) -> bool:
        """Whether all properties of two parts are sought, so that either could be called slow."""
        return set(_TWO) <= set(self.names)

    def within(self, places: np.ndarray) -> np.ndarray:
        """Return which lungs are possible, shape (n,): in the box, the slow part the slower."""
        inside = np.all((places >= self.box[0]) & (places <= self.box[1]), axis=1)
        if self.two_parts:
            inside &= _is_ordered(self.values(places))
        return np.asarray(inside)

    def in_order(self, place: np.ndarray) -> np.ndarray:
        """Return a lung, shape (d,), with its parts exchanged where the slow one is the faster.

        Flow is the same, unless the exchanged lung lies outside the box: then it ends at a wall.
        """
        if not self.two_parts:
            return place
        values = self.values(place[None])
        if _is_ordered(values)[0]:
            return place
        exchanged = {
            name: float(value[0]) for name, value in {**values, **_exchanged(values)}.items()
        }
        return self.place(exchanged)

    def prior_root(self) -> np.ndarray:
        """Return A, shape (d, d), so that the prior is -0.5 |A u|^2 at coordinates u."""
        root = np.zeros((len(self.names),) * 2)
        if self.population is None or not self.held_by:
            return root
        own = [self.population.properties.index(name) for name in self.held_by]
        matrix = self.population.correlation_matrix[np.ix_(own, own)]
        here = [self.names.index(name) for name in self.held_by]
        root[np.ix_(here, here)] = np.linalg.cholesky(np.linalg.inv(matrix)).T
        return root

    def drawn(self, rng: np.random.Generator, size: int) -> np.ndarray:
        """Return coordinates of possible lungs drawn from the prior, shape (n, d), n <= size."""
        places = rng.uniform(self.box[0], self.box[1], (size, len(self.names)))
        own = [self.names.index(name) for name in self.held_by]
        if own:
            root = self.prior_root()[np.ix_(own, own)]
            places[:, own] = rng.standard_normal((size, len(own))) @ np.linalg.inv(root).T
        return places[self.within(places)]

    def prior_density(self, places: np.ndarray) -> np.ndarray:
        """Return the logarithm of the prior density, shape (n,), up to a constant."""
        off = places @ self.prior_root().T
        density: np.ndarray = -0.5 * np.einsum("nd,nd->n", off, off)
        return density

    def spread(self) -> np.ndarray:
        """Return the prior's standard deviation of each coordinate, shape (d,)."""
        flat = (self.box[1] - self.box[0]) / np.sqrt(12.0)
        return np.array([1.0 if n in self.held_by else flat[i] for i, n in enumerate(self.names)])

    def prior_ends(self, level: float) -> np.ndarray:
        """Return what the prior alone says of each property, shape (2, d): its central ends."""
        rng = np.random.default_rng(0)
        places = rng.uniform(self.box[0], self.box[1], (PRIOR_DRAWS, len(self.names)))
        own = np.array([name in self.held_by for name in self.names])
        places[:, own] = rng.standard_normal((PRIOR_DRAWS, int(own.sum())))
        tails = 0.5 * (1.0 - level)
        return np.quantile(self.table(places), [tails, 1.0 - tails], axis=0)


def in_pairs(values: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Return the properties of the paired lung with those of the whole, its tube apart."""
    slow = values["compliance"] * values["slow_volume_share"]
    insp, out = values["resistance_insp"], values["resistance_exp"]
    own = values["own_resistance_share"] * np.minimum(insp, out)
    return {
        "compliance_fast": values["compliance"] - slow,
        "compliance_slow": slow,
        "resistance_fast": own,
        "resistance_slow": values["time_constant_slow"] * ML_PER_L / np.maximum(slow, LEAST_SLOW),
        "resistance_shared_insp": insp - own,
        "resistance_shared_exp": out - own,
    }


def _is_ordered(values: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return whether the fast part's own time constant is no longer than the slow one's.

    A circuit with two parts does not say which of them is called slow; without an order every
    lung would be found twice.
    """
    pairs = in_pairs(values)
    fast = pairs["resistance_fast"] * pairs["compliance_fast"] / ML_PER_L
    return np.asarray(fast <= values["time_constant_slow"])


def _exchanged(values: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Return the same circuit with its slow part called fast, and the fast one slow."""
    pairs = in_pairs(values)
    own = pairs["resistance_slow"]
    insp, out = (pairs[f"resistance_shared_{way}"] + own for way in ("insp", "exp"))
    return {
        "resistance_insp": insp,
        "resistance_exp": out,
        "slow_volume_share": 1.0 - values["slow_volume_share"],
        "time_constant_slow": pairs["resistance_fast"] * pairs["compliance_fast"] / ML_PER_L,
        "own_resistance_share": own / np.minimum(insp, out),
    }


def is_plain(name: str) -> bool:
    """Return whether a property is flat in its value, and not in its logarithm."""
    return ranged(name)[0] <= 0.0


def ranged(name: str) -> tuple[float, float]:
    """Return the ends of a property's flat prior."""
    entry = PARAMETERS[name]
    return RANGES.get(name, (entry.low, entry.high))


def fitted_of(
    lung: Lung, wanted: Sequence[str] | None, prior: Population | None
) -> tuple[str, ...]:
    """Return the properties that a trace is asked for.

    Raises
    ------
    EbbmapError
        If a wanted one is not a property of this lung that flow depends on.
    """
    own = tuple(n for n in lung.parameters if PARAMETERS[n].kind == "lung property")
    possible = tuple(name for name in own if name not in UNSEEN)
    if wanted is not None and lung.name in TOLD:
        raise EbbmapError(f"all properties of the lung {lung.name} are fitted together. Name none.")
    if wanted is not None:
        for name in wanted:
            if name in UNSEEN:
                raise EbbmapError(f"{name} cannot be fitted: {UNSEEN[name]}. Leave it out.")
            if name not in possible:
                raise EbbmapError(unknown_name(f"property of the lung {lung.name}", name, possible))
        return tuple(wanted)
    usual = FITTED.get(lung.name, possible)
    more = ("upstream_resistance",) if prior and "upstream_resistance" in prior.properties else ()
    return (*usual, *(name for name in more if name in possible))


def scale_of(names: tuple[str, ...], prior: Population | None, lung: str = "") -> Scale:
    """Return the coordinates of some properties under a prior, flat where it is None."""
    ends = []
    for name in names:
        if prior is not None and name in prior.properties:
            ends.append((-FARTHEST, FARTHEST))
        elif is_plain(name):
            ends.append(ranged(name))
        else:
            ends.append(tuple(np.log(ranged(name))))
    return Scale(names, np.array(ends).T, prior, TOLD.get(lung, ()))


def circuit_of(lung: str, values: Mapping[str, np.ndarray]) -> Network | None:
    """Return the circuit of lungs that are one, None for other lung models."""
    if lung == "whole":
        return network(
            **{name: values[name] for name in _WHOLE},
            slow_tissue_share=np.zeros_like(values["compliance"]),
            upstream_resistance=values["upstream_resistance"],
        )
    if lung in ("linear", "tube"):
        nothing = np.zeros_like(values["compliance"])
        return network(
            **{name: values[name] for name in _ONE},
            slow_volume_share=nothing,
            time_constant_slow=nothing + 1.0,
            own_resistance_share=nothing,
            resistance_quadratic=values.get("resistance_quadratic", nothing),
            slow_tissue_share=nothing,
        )
    if lung == "paired":
        return network(
            **{name: values[name] for name in _TWO},
            resistance_quadratic=np.zeros_like(values["compliance"]),
            slow_tissue_share=np.zeros_like(values["compliance"]),
        )
    return None
