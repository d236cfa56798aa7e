"""The model's numbers, measured as the papers measured theirs. Everything is read when asked."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from ebbmap.cases.calibration import LUNG, readings
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.uncertain import outer_scores
from ebbmap.exchange import co2
from ebbmap.lungs import lung_model, stepped, tracheal_tube
from ebbmap.lungs.stepped.cases import NAMES
from ebbmap.registries import derivations
from ebbmap.registries.fitted import fitted
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Population
from ebbmap.units import L_PER_ML, S_PER_MIN
from ebbmap.validation.reading import Reading, exact, mean_of, median_of

#: Lungs drawn, and those that are measured as patients were, which takes longer.
LUNGS, MEASURED_LUNGS = 4000, 1000

#: mL kg-1: the breath where a paper does not print its own.
BREATH = 8.0

#: T lows between which flow is looked for [s].
T_LOWS = np.geomspace(0.05, 10.0, 32)

#: Settings of a release of which only T low is known.
RELEASE = {"p_high": 25.0, "p_low": 0.0, "t_high": 5.0}

#: Lungs whose releases are followed at many T lows.
FOLLOWED_LUNGS = 400


@dataclass(frozen=True)
class Draw:
    """The populations as they may be, and how many lungs of each are read at most.

    Parameters
    ----------
    number : int or None
        Of the outer draw; None for the central numbers.
    lungs : int
        At most.
    """

    number: int | None = None
    lungs: int = LUNGS


#: What is read where nothing else is said.
CENTRAL = Draw()
_DRAW: ContextVar[Draw] = ContextVar("draw of the populations", default=CENTRAL)


@contextmanager
def read_as(draw: Draw) -> Iterator[None]:
    """Let everything that is measured read other populations, or fewer lungs."""
    token = _DRAW.set(draw)
    try:
        yield
    finally:
        _DRAW.reset(token)


def _scores(group: str) -> np.ndarray | None:
    """Return by how many standard errors the numbers behind a population are off now."""
    number = _DRAW.get().number
    if number is None:
        return None
    return outer_scores(POPULATIONS[group], number + 1, seed=0)[number]


def group_of(group: str) -> Population:
    """Return a population as it is read now."""
    scores = _scores(group)
    return POPULATIONS[group] if scores is None else fitted(group).population(scores)


def breath_of(group: str) -> dict[str, float]:
    """Return how the lungs of a population were ventilated, as it is read now."""
    return fitted(group).breath(_scores(group))


def lungs(group: str, n: int = LUNGS) -> dict[str, np.ndarray]:
    """Draw the same lungs each time."""
    return group_of(group).sample(min(n, _DRAW.get().lungs), seed=0)


def middle(group: str, name: str) -> Reading:
    """Return the median of a property as the population has it."""
    return exact(group_of(group).median[name])


def mean(group: str, name: str) -> Reading:
    """Return the mean of a property over lungs."""
    return mean_of(lungs(group)[name])


def default(name: str) -> float:
    """Return the value that is used where none is named."""
    return PARAMETERS[name].default


def used(name: str) -> Reading:
    """Return the value that is used where none is named."""
    return exact(default(name))


def solve(
    group: str, names: tuple[str, ...], **settings: float | np.ndarray
) -> dict[str, np.ndarray]:
    """Solve whole lungs of a population at some settings; outcomes of shape (n,) each."""
    given = {name: np.asarray(value, dtype=float) for name, value in settings.items()}
    return evaluate(lung_model("whole"), lungs(group) | given, names).outcomes


def conventional(group: str, **other: float) -> dict[str, np.ndarray]:
    """Return readings of a conventional breath, as in `readings`; those not known left out."""
    drawn = lungs(group, MEASURED_LUNGS)
    taken = [name for name in (*LUNG, "predicted_body_weight") if name in drawn]
    breath = {**breath_of(group), **other}
    return _read(
        tuple((name, drawn[name].tobytes()) for name in taken), tuple(sorted(breath.items()))
    )


@lru_cache(maxsize=8)
def _read(
    drawn: tuple[tuple[str, bytes], ...], breath: tuple[tuple[str, float], ...]
) -> dict[str, np.ndarray]:
    """Return readings of lungs that are given byte by byte: many findings ask for the same."""
    found = readings({name: np.frombuffer(held) for name, held in drawn}, dict(breath))
    known = np.isfinite(found["time_constant_exp"])
    return {name: value[known] for name, value in found.items()}


def read_median(group: str, reading: str) -> Reading:
    """Return the median of a reading of a conventional breath."""
    return median_of(conventional(group)[reading])


def read_mean(group: str, reading: str) -> Reading:
    """Return the mean of a reading of a conventional breath."""
    column = conventional(group)[reading]
    return mean_of(column[np.isfinite(column)])


def trapping_share(group: str) -> Reading:
    """Return the share of lungs with an auto-PEEP of 0.5 cmH2O or more, conventional breath."""
    return mean_of((conventional(group)["auto_peep"] >= 0.5).astype(float))


def slices(group: str) -> np.ndarray:
    """Return time constants over five slices of a breath out of 2.9 s, shape (n, 5).

    The valve is immediate: one that opens slowly rounds the peak, from which slices are cut.
    """
    breath = breath_of(group)
    weight = group_of(group).median["predicted_body_weight"]
    inspiration = weight * breath["volume_per_kg"] * L_PER_ML / breath["flow"]
    rate = S_PER_MIN / (inspiration + 2.9)
    return conventional(group, rate=rate, valve_time=0.0)["time_constant_slices"]


def slice_mean(group: str) -> Reading:
    """Return the mean time constant over five slices of a breath out."""
    return mean_of(slices(group).mean(axis=1))


def slice_ratio(group: str) -> Reading:
    """Return the mean time constant of the last fifth of a breath out over that of the first."""
    found = slices(group)
    return Reading(_ratio_of_means, (found[:, -1], found[:, 0]))


def _ratio_of_means(above: np.ndarray, below: np.ndarray) -> np.ndarray:
    return above.mean(axis=-1) / below.mean(axis=-1)


def _t_lows(group: str, ratio: float) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return lungs, and the T low at which their flow has fallen to a share of its peak [s]."""
    drawn = lungs(group, FOLLOWED_LUNGS)
    drawn["valve_time"] = np.full_like(drawn["compliance"], breath_of(group)["valve_time"])
    usual = {name: np.asarray(value) for name, value in RELEASE.items()}
    columns = {name: value[:, None] for name, value in drawn.items()}
    flow = evaluate(
        lung_model("whole"), columns | usual | {"t_low": T_LOWS}, ("flow_ratio",)
    ).outcomes["flow_ratio"]
    times = np.log(T_LOWS)
    found = [np.interp(-ratio, -one, times, np.nan, np.nan) for one in flow]
    return drawn, np.exp(found)


def t_low_at(group: str, ratio: float) -> Reading:
    """Return the median T low at which flow has fallen to a share of its peak."""
    return median_of(_t_lows(group, ratio)[1])


def released_at_half_flow() -> Reading:
    """Return the median release volume per kg of restrictive lungs, flow falling to half."""
    drawn, t_low = _t_lows("restrictive", 0.5)
    usual = {name: np.asarray(value) for name, value in RELEASE.items()}
    found = evaluate(
        lung_model("whole"), drawn | usual | {"t_low": t_low}, ("release_volume_per_kg",)
    )
    return median_of(found.outcomes["release_volume_per_kg"])


def specific_elastance() -> Reading:
    """Return the median transpulmonary pressure over total strain, restrictive lungs."""
    found = solve("restrictive", ("end_high_transpulmonary_pressure", "total_strain"))
    return median_of(found["end_high_transpulmonary_pressure"] / found["total_strain"])


def closed_share(t_low: float) -> Reading:
    """Return the share of what will close that has closed, in a lung that empties at once [s]."""
    group = group_of("restrictive").median
    lung: dict[str, Any] = {name: default(name) for name in NAMES} | {
        "resistance_exp": 0.01,
        "resistance_insp": 0.01,
        "recruitable_share": 1e-3,
        "t_high": 1.0,
        "p_high": 45.0,
        "t_low": np.array([t_low, 200.0]),
        "closing_time_constant": group["closing_time_constant"],
    }
    closed = stepped.cycle(stepped.rest(45.0, **lung), **lung)[0]["closed_per_release"]
    return exact(closed[0] / closed[1])


def held_out_tube() -> Reading:
    """Return the largest relative error of the loss in one tube, foretold from the four others."""
    diameters = np.array(tracheal_tube.MEASURED_DIAMETERS)
    losses = np.array(tracheal_tube.MEASURED_LOSSES)
    flow = tracheal_tube.MEASURED_FLOW
    laminar = tracheal_tube.laminar_resistance(diameters) * flow
    worst = 0.0
    for number in range(diameters.size):
        kept = np.arange(diameters.size) != number
        slope, level = np.polyfit(np.log(diameters[kept]), np.log((losses - laminar)[kept]), 1)
        foretold = laminar[number] + np.exp(level + slope * np.log(diameters[number]))
        worst = max(worst, abs(foretold / losses[number] - 1.0))
    return exact(worst)


def tube_multiple() -> Reading:
    """Return resistance with the shared airway, tube and circuit, over that without."""
    return exact(1.0 / (1.0 - derivations.SHARED_PART))


def laminar_share() -> Reading:
    """Return the largest share that the linear part has of a tube's measured loss."""
    diameters = np.array(tracheal_tube.MEASURED_DIAMETERS)
    linear = tracheal_tube.laminar_resistance(diameters) * tracheal_tube.MEASURED_FLOW
    return exact((linear / np.array(tracheal_tube.MEASURED_LOSSES)).max())


def dead_space(group: str) -> Reading:
    """Return the mean VD/VT of a conventional breath."""
    weight, share = lungs(group)["predicted_body_weight"], lungs(group)["alveolar_dead_space_share"]
    airway = co2.airway_dead_space(default("airway_dead_space_per_kg"), weight)
    apparatus = default("apparatus_dead_space")
    return mean_of(co2.dead_space_fraction(BREATH * weight, airway, apparatus, share))


def usual_production() -> Reading:
    """Return the mean of normal lungs, or the default where that is further off."""
    both = mean("normal", "co2_production"), used("co2_production")
    return max(both, key=lambda reading: abs(reading.value - 200.0))


def usual_ph() -> Reading:
    """Return the arterial pH at 40 mmHg."""
    return exact(float(co2.ph(40.0, default("bicarbonate"))))


def ventilatory_ratio() -> Reading:
    """Return the median of ventilation x PaCO2 / (weight x 100 x 37.5), restrictive lungs.

    Production over what of each breath clears it: the rate cancels, so twenty breaths will do.
    """
    group, rate = lungs("restrictive"), 20.0
    weight = group["predicted_body_weight"]
    airway = co2.airway_dead_space(default("airway_dead_space_per_kg"), weight)
    breath = BREATH * weight
    cleared = co2.alveolar_ventilation(
        rate,
        breath,
        airway,
        default("apparatus_dead_space"),
        group["alveolar_dead_space_share"],
        0.0,
    )
    tension = co2.paco2(group["co2_production"], cleared)
    return median_of(rate * breath * tension / (weight * 100.0 * 37.5))


def _admixtures(mean_alveolar_pressure: float) -> np.ndarray:
    """Return venous admixtures of restrictive lungs at a mean alveolar pressure, shape (n,)."""
    # P low next to P high: the mean pressure is the one that is set
    found = solve(
        "restrictive",
        ("venous_admixture",),
        p_high=mean_alveolar_pressure + 0.005,
        p_low=mean_alveolar_pressure - 0.005,
    )
    return found["venous_admixture"]


def admixture(mean_alveolar_pressure: float) -> Reading:
    """Return the mean venous admixture of restrictive lungs at a mean pressure [cmH2O]."""
    return mean_of(_admixtures(mean_alveolar_pressure))


def admixture_fall(lower: float, higher: float) -> Reading:
    """Return the mean fall of it between two mean pressures [cmH2O]."""
    return mean_of(_admixtures(lower) - _admixtures(higher))


def oxygen_response() -> Reading:
    """Return the median change of PaO2/FiO2, restrictive lungs, P high adding 3.1 to the mean."""
    usual: dict[str, Any] = dict(
        p_low=0.0, t_high=5.0, t_low=0.5, spontaneous_alveolar_ventilation=3.0
    )
    more = 3.1 * 5.5 / 5.0
    before, after = (
        solve("restrictive", ("pao2",), p_high=p_high, **usual)["pao2"] / default("fio2")
        for p_high in (20.0, 20.0 + more)
    )
    return median_of(after - before)


def return_gained() -> Reading:
    """Return venous return at a mean pressure of 12 over that at 18, restrictive lungs."""
    kept = [
        1.0
        + solve(
            "restrictive",
            ("venous_return_change",),
            p_high=mean_pressure + 0.005,
            p_low=mean_pressure - 0.005,
        )["venous_return_change"]
        for mean_pressure in (12.0, 18.0)
    ]
    return Reading(_ratio_of_medians, tuple(kept))


def _ratio_of_medians(above: np.ndarray, below: np.ndarray) -> np.ndarray:
    return np.median(above, axis=-1) / np.median(below, axis=-1)


def oxygen_of_a_shorter_release() -> Reading:
    """Return the median change of PaO2 of passive restrictive lungs, T low 0.05 s shorter."""
    usual: dict[str, Any] = dict(p_high=24.0, p_low=0.0, t_high=5.0)
    longer, shorter = (
        solve("restrictive", ("pao2",), t_low=t_low, **usual)["pao2"] for t_low in (0.5, 0.45)
    )
    return median_of(shorter - longer)
