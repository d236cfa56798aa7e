"""The model's numbers, measured as the papers measured theirs. Everything is read when asked."""

from __future__ import annotations

import numpy as np
from scipy.linalg import expm

from ebbmap.cases.evaluate import evaluate
from ebbmap.exchange import co2
from ebbmap.lungs import lung_model, stepped, tracheal_tube
from ebbmap.lungs.stepped.cases import NAMES
from ebbmap.registries import derivations
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

LUNGS = 4000

#: mL kg-1: the breath where a paper does not print its own.
BREATH = 8.0


def lungs(group: str) -> dict[str, np.ndarray]:
    """Draw the same lungs each time."""
    return POPULATIONS[group].sample(LUNGS, seed=0)


def middle(group: str, name: str) -> float:
    """Median of a property."""
    return POPULATIONS[group].median[name]


def mean(group: str, name: str) -> float:
    """Mean of a property."""
    return float(lungs(group)[name].mean())


def default(name: str) -> float:
    """Value that is used where none is named."""
    return PARAMETERS[name].default


def solve(group: str, names: tuple[str, ...], lung: str = "linear", **settings):
    """Outcomes of the lungs of a population at some settings, shape (n,) each."""
    given = {name: np.asarray(value, dtype=float) for name, value in settings.items()}
    return evaluate(lung_model(lung), lungs(group) | given, names).outcomes


def time_constant(group: str) -> np.ndarray:
    """Expiratory time constants, tube included [s]."""
    return solve(group, ("time_constant_exp",))["time_constant_exp"]


def middle_tau(group: str) -> float:
    """Median expiratory time constant [s]."""
    return float(np.median(time_constant(group)))


def mean_tau(group: str) -> float:
    """Mean expiratory time constant [s]."""
    return float(time_constant(group).mean())


def limited_time_constant() -> float:
    """Gas left over flow when 75 % of a breath is out: obstructive middle lung, stepped [s]."""
    lung = {name: default(name) for name in NAMES}
    lung |= {k: v for k, v in POPULATIONS["obstructive"].median.items() if k in lung}
    # a breath of 8 mL/kg from rest at 5 cmH2O, then a release to 5 that goes on
    filled = 5.0 + BREATH * lung["predicted_body_weight"] / lung["compliance"]
    lung |= {"p_high": filled, "p_low": 5.0, "t_high": 0.05, "t_low": 60.0}
    times = 0.05 + np.geomspace(1e-3, 60.0, 400)
    seen = stepped.waveform(stepped.rest(filled, **lung), times, **lung)
    volume, flow = seen["volume"], -seen["flow"]
    left = (volume - volume[-1]) / (stepped.rest(filled, **lung).volume - volume[-1])
    at = np.flatnonzero(left <= 0.25)[0]
    return float((volume[at] - volume[-1]) / (1000.0 * flow[at]))


def t_low_at(group: str, ratio: float) -> float:
    """Median T low at which flow has fallen to a share of its peak, linear lung [s]."""
    return float(np.median(-np.log(ratio) * time_constant(group)))


def released_at_half_flow() -> float:
    """Median release volume per kg of restrictive lungs, flow falling to half [mL kg-1]."""
    t_low = -np.log(0.5) * time_constant("restrictive")
    found = solve(
        "restrictive", ("release_volume_per_kg",), p_high=25.0, p_low=0.0, t_high=5.0, t_low=t_low
    )
    return float(np.median(found["release_volume_per_kg"]))


def specific_elastance() -> float:
    """Transpulmonary pressure over total strain, restrictive lungs [cmH2O]."""
    found = solve("restrictive", ("end_high_transpulmonary_pressure", "total_strain"))
    return float(np.median(found["end_high_transpulmonary_pressure"] / found["total_strain"]))


def closed_share(t_low: float) -> float:
    """Share of what will close that has closed: a lung that empties at once, median constants."""
    group = POPULATIONS["restrictive"].median
    lung = {name: default(name) for name in NAMES} | {
        "resistance_exp": 0.01,
        "resistance_insp": 0.01,
        "recruitable_share": 1e-3,
        "t_high": 1.0,
        "p_high": 45.0,
        "t_low": np.array([t_low, 200.0]),
        "closing_time_constant": group["closing_time_constant"],
    }
    closed = stepped.cycle(stepped.rest(45.0, **lung), **lung)[0]["closed_per_release"]
    return float(closed[0] / closed[1])


def held_out_tube() -> float:
    """Largest relative error of the loss in one tube, foretold from the four others."""
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
    return float(worst)


def tube_multiple() -> float:
    """Resistance with the shared airway, tube and circuit, over that without."""
    return 1.0 / (1.0 - derivations.SHARED_PART)


def laminar_share() -> float:
    """Largest share that the linear part has of a tube's measured loss."""
    diameters = np.array(tracheal_tube.MEASURED_DIAMETERS)
    linear = tracheal_tube.laminar_resistance(diameters) * tracheal_tube.MEASURED_FLOW
    return float((linear / np.array(tracheal_tube.MEASURED_LOSSES)).max())


def dead_space(group: str) -> float:
    """Mean VD/VT of a conventional breath."""
    weight, share = lungs(group)["predicted_body_weight"], lungs(group)["alveolar_dead_space_share"]
    airway = co2.airway_dead_space(default("airway_dead_space_per_kg"), weight)
    apparatus = default("apparatus_dead_space")
    return float(co2.dead_space_fraction(BREATH * weight, airway, apparatus, share).mean())


def usual_production() -> float:
    """Mean of normal lungs; the default where that is further off [mL min-1]."""
    return max(
        mean("normal", "co2_production"),
        default("co2_production"),
        key=lambda value: abs(value - 200.0),
    )


def usual_ph() -> float:
    """Arterial pH at 40 mmHg."""
    return float(co2.ph(40.0, default("bicarbonate")))


def ventilatory_ratio() -> float:
    """Median of ventilation (mL/min) x PaCO2 / (weight x 100 x 37.5), restrictive lungs.

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
    return float(np.median(rate * breath * tension / (weight * 100.0 * 37.5)))


def admixture(mean_alveolar_pressure: float) -> float:
    """Mean venous admixture of restrictive lungs at a mean alveolar pressure [1]."""
    # P low next to P high: the mean pressure is the one that is set
    found = solve(
        "restrictive",
        ("venous_admixture",),
        p_high=mean_alveolar_pressure + 0.005,
        p_low=mean_alveolar_pressure - 0.005,
    )
    return float(found["venous_admixture"].mean())


def oxygen_response() -> float:
    """Median change of PaO2/FiO2 of restrictive lungs when P high adds 3.1 to the mean pressure."""
    usual = dict(p_low=0.0, t_high=5.0, t_low=0.5, spontaneous_alveolar_ventilation=3.0)
    more = 3.1 * 5.5 / 5.0
    before, after = (
        solve("restrictive", ("pao2",), p_high=p_high, **usual)["pao2"] / default("fio2")
        for p_high in (20.0, 20.0 + more)
    )
    return float(np.median(after - before))


def return_gained() -> float:
    """Venous return at a mean pressure of 12 over that at 18, restrictive lungs."""
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
    return float(np.median(kept[0]) / np.median(kept[1]))


def stores() -> dict[str, float]:
    """CO2 stores and the exchange between them."""
    return {n: default(n) for n in ("co2_store_fast", "co2_store_slow", "co2_store_exchange")}


def rise(start: float, end: float, production: float) -> float:
    """Rise of the arterial tension between two times of an apnoea [mmHg]."""
    course = co2.paco2_course([start, end], 40.0, 0.0, production, **stores())
    return float(course[1] - course[0])


#: Breaths of 500 mL with 150 mL of dead space, three times as deep and 1.5 times as often.
DEEPER = 1.5 * (1500.0 - 150.0) / (500.0 - 150.0)


def hyperventilation() -> tuple[np.ndarray, np.ndarray]:
    """Minutes (t,) and tension [mmHg] of twelve minutes of it."""
    minutes = np.linspace(0.0, 12.0, 2401)
    before = co2.STPD_TO_TENSION * 200.0 / 40.0
    return minutes, co2.paco2_course(minutes * 60.0, 40.0, before * DEEPER, 200.0, **stores())


def washed_out() -> float:
    """CO2 that twelve minutes of hyperventilation remove beyond what is made [mL]."""
    minutes, tension = hyperventilation()
    cleared = 200.0 / 40.0 * DEEPER * tension
    return float(np.trapezoid(cleared - 200.0, minutes))


def taken_back() -> float:
    """Share of what the body held less that is back after twelve minutes of usual ventilation.

    The stores are apart when that begins, so both are followed by their own equations.
    """
    fast, slow, exchange = stores().values()
    held = np.array([fast, slow])
    lost = [0.0]
    state = np.array([40.0, 40.0, 1.0])
    for ventilation in (DEEPER, 1.0):
        cleared = 200.0 * ventilation / 40.0
        # the third row carries what is made
        rates = np.array(
            [
                [-(exchange + cleared) / fast, exchange / fast, 200.0 / fast],
                [exchange / slow, -exchange / slow, 0.0],
                [0.0, 0.0, 0.0],
            ]
        )
        state = expm(12.0 * rates) @ state
        lost.append(float(held @ (40.0 - state[:2])))
    return 1.0 - lost[2] / lost[1]


def oxygen_of_a_shorter_release() -> float:
    """Median change of PaO2 of passive restrictive lungs when T low is 0.05 s shorter [mmHg]."""
    usual = dict(p_high=24.0, p_low=0.0, t_high=5.0)
    longer, shorter = (
        solve("restrictive", ("pao2",), t_low=t_low, **usual)["pao2"] for t_low in (0.5, 0.45)
    )
    return float(np.nanmedian(shorter - longer))
