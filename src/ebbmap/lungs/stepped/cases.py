"""The cases of one call: every parameter as a flat array, with what follows from it once.

Sizes: n cases. Registry units, except elastances [cmH2O mL-1].
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from ebbmap.exchange import co2
from ebbmap.lungs.stepped.recoil import (
    LEAST_CURVATURE,
    elastances,
    lung_volume,
    position,
    transpulmonary_pressure,
)

#: What the lung takes, by registry name.
NAMES = (
    "p_high",
    "p_low",
    "t_high",
    "t_low",
    "valve_time",
    "compliance",
    "chest_wall_share",
    "recoil_curvature",
    "recoil_inflection",
    "resistance_insp",
    "resistance_exp",
    "resistance_quadratic",
    "flow_limitation",
    "recruitable_share",
    "opening_pressure",
    "opening_spread",
    "opening_time_constant",
    "closing_pressure",
    "closing_spread",
    "closing_time_constant",
    "effort_pressure",
    "effort_rate",
    "effort_duration",
    "airway_dead_space_per_kg",
    "predicted_body_weight",
    "apparatus_dead_space",
)


@dataclass(frozen=True)
class Cases:
    """Parameters of n cases, ndarray of shape (n,) each, and what follows from them.

    Parameters
    ----------
    p_high, ..., effort_duration : ndarray, shape (n,)
        The parameters in `NAMES`.
    dead_space : ndarray, shape (n,)
        Of airways and apparatus, from the last three of them [mL].
    lung_elastance, wall_elastance : ndarray, shape (n,)
        Elastance of the lung at its steepest point, and of the wall [cmH2O mL-1].
    rest : ndarray, shape (n,)
        Share of the lung's span that is filled at zero pressure.
    """

    p_high: np.ndarray
    p_low: np.ndarray
    t_high: np.ndarray
    t_low: np.ndarray
    valve_time: np.ndarray
    compliance: np.ndarray
    chest_wall_share: np.ndarray
    recoil_curvature: np.ndarray
    recoil_inflection: np.ndarray
    resistance_insp: np.ndarray
    resistance_exp: np.ndarray
    resistance_quadratic: np.ndarray
    flow_limitation: np.ndarray
    recruitable_share: np.ndarray
    opening_pressure: np.ndarray
    opening_spread: np.ndarray
    opening_time_constant: np.ndarray
    closing_pressure: np.ndarray
    closing_spread: np.ndarray
    closing_time_constant: np.ndarray
    effort_pressure: np.ndarray
    effort_rate: np.ndarray
    effort_duration: np.ndarray
    dead_space: np.ndarray
    lung_elastance: np.ndarray
    wall_elastance: np.ndarray
    rest: np.ndarray

    @property
    def size(self) -> int:
        """How many cases."""
        return self.p_high.size

    @property
    def recoil_shape(self) -> tuple[np.ndarray, np.ndarray]:
        """Curvature [cmH2O-1] and inflection [cmH2O] of the lung's recoil."""
        return self.recoil_curvature, self.recoil_inflection

    @property
    def airways(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Resistances in and out, their quadratic part, and flow limitation; for `flow`."""
        resistances = self.resistance_insp, self.resistance_exp, self.resistance_quadratic
        return *resistances, self.flow_limitation

    @property
    def unit_pressures(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Mode and spread of the opening, then of the closing pressure [cmH2O]."""
        opening = self.opening_pressure, self.opening_spread
        return *opening, self.closing_pressure, self.closing_spread

    def at(self, index) -> Cases:
        """Return the cases of an index or mask, or repeated by it."""
        return Cases(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    @classmethod
    def joined(cls, parts) -> Cases:
        """Put cases together."""
        return cls(
            **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)}
        )

    def static_volume(self, pressure, open_fraction):
        """Gas in the relaxed lung at a static pressure [mL] and its transpulmonary pressure."""
        elastances, shape = (self.lung_elastance, self.wall_elastance), self.recoil_shape
        recoil = transpulmonary_pressure(pressure, *elastances, *shape, open_fraction)
        return open_fraction * lung_volume(recoil, elastances[0], *shape), recoil


def gather(parameters) -> tuple[Cases, tuple[int, ...]]:
    """Align the parameters: return the flat cases and the shape that they came in."""
    arrays = [np.asarray(parameters[name], dtype=float) for name in NAMES]
    shape = np.broadcast_shapes(*(array.shape for array in arrays))
    flat = {
        name: np.broadcast_to(array, shape).ravel()
        for name, array in zip(NAMES, arrays, strict=True)
    }
    flat["recoil_curvature"] = np.maximum(flat["recoil_curvature"], LEAST_CURVATURE)
    per_kg, weight, apparatus = (flat.pop(name) for name in NAMES[-3:])
    flat["dead_space"] = co2.airway_dead_space(per_kg, weight) + apparatus
    lung, wall = elastances(flat["compliance"], flat["chest_wall_share"])
    rest = position(0.0, flat["recoil_curvature"], flat["recoil_inflection"])
    return Cases(**flat, lung_elastance=lung, wall_elastance=wall, rest=rest), shape
