"""Small steps against closed-form derivatives of the linear lung and central differences."""

import numpy as np
import pytest

from ebbmap.analyses.adjust import Adjust, find_adjust
from ebbmap.analyses.common.practice import PRACTICE
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.engines import use_engine
from ebbmap.registries.limits import Limit, LimitSet
from ebbmap.registries.populations import POPULATIONS
from ebbmap.registries.steady import BALANCES

AT = {
    "p_high": 24.0,
    "p_low": 3.0,
    "t_high": 5.0,  # off the 4 to 15 s where practice stops
    "t_low": 0.6,
    "compliance": 55.0,
    "resistance_insp": 14.0,
    "resistance_exp": 21.0,
}


def closed_form_slopes():
    """Derivatives of auto-PEEP and mean airway pressure, by hand.

    With a = exp(-T_high/tau_I), b = exp(-T_low/tau_E), D = P_high - P_low and N = 1 - ab:
    auto-PEEP = D b (1 - a) / N; d/db = D (1 - a) / N^2, d/da = -D b (1 - b) / N^2.
    Mean airway pressure = (P_high T_high + P_low T_low) / T.
    """
    tau_i = AT["compliance"] * AT["resistance_insp"] / 1000
    tau_e = AT["compliance"] * AT["resistance_exp"] / 1000
    a, b = np.exp(-AT["t_high"] / tau_i), np.exp(-AT["t_low"] / tau_e)
    drop, rest = AT["p_high"] - AT["p_low"], 1 - a * b
    period = AT["t_high"] + AT["t_low"]
    return {
        ("auto_peep", "p_high"): b * (1 - a) / rest,
        ("auto_peep", "p_low"): -b * (1 - a) / rest,
        ("auto_peep", "t_low"): drop * (1 - a) / rest**2 * (-b / tau_e),
        ("auto_peep", "t_high"): -drop * b * (1 - b) / rest**2 * (-a / tau_i),
        ("mean_airway_pressure", "p_high"): AT["t_high"] / period,
        ("mean_airway_pressure", "p_low"): AT["t_low"] / period,
        ("mean_airway_pressure", "t_high"): AT["t_low"] * drop / period**2,
        ("mean_airway_pressure", "t_low"): -AT["t_high"] * drop / period**2,
    }


@pytest.mark.parametrize(("outcome", "setting"), closed_form_slopes())
def test_a_small_step_up_less_one_down_is_the_derivative(outcome, setting):
    step = 1e-4
    told = find_adjust(Question(lung="linear", fixed=AT), Adjust(steps={setting: step})).isel(
        population=0
    )
    up, down = told[f"change_{outcome}"].values[1:3]
    slope = (up - down) / (2 * step)
    # central difference: error step^2 / 6 times the third derivative (below 100 here), and
    # rounding 1e-15 x 20 / step = 2e-10
    assert slope == pytest.approx(closed_form_slopes()[outcome, setting], rel=1e-6)


@pytest.mark.parametrize("setting", ["p_high", "p_low", "t_high", "t_low", "fio2"])
def test_bedside_steps_are_the_cycles_before_and_after(setting):
    """A step is the difference of two settled cycles, each solved by itself."""
    present = {**AT, "fio2": 0.5}
    told = find_adjust(Question(lung="linear", fixed=present)).isel(population=0)
    moves = [str(move) for move in told["move"].values]
    short = {
        "p_high": "P high",
        "p_low": "P low",
        "t_high": "T high",
        "t_low": "T low",
        "fio2": "FiO₂",
    }[setting]
    size = {"p_high": 2.0, "p_low": 2.0, "t_high": 0.5, "t_low": 0.05, "fio2": 0.1}[setting]
    here = simulate(lung="linear", **present)
    for sign in (1, -1):
        start = f"{short} {'+' if sign > 0 else '-'}"
        row = next(i for i, move in enumerate(moves) if move.startswith(start))
        there = simulate(lung="linear", **{**present, setting: present[setting] + sign * size})
        for outcome in ("paco2", "mean_airway_pressure", "auto_peep", "closed_fraction"):
            change = float(told[f"change_{outcome}"].values[row])
            # rounding of numbers up to 100
            assert change == pytest.approx(float(there[outcome] - here[outcome]), abs=1e-11)


def directions(**fixed):
    """Return what agrees with practice in each population's middle lung."""
    told = find_adjust(
        Question(lung="linear", fixed=fixed, populations=tuple(POPULATIONS.values()), lungs=2)
    )
    return {
        (str(name), str(practice)): float(told["agrees"].sel(population=name, practice=practice))
        for name in told["population"].values
        for practice in told["practice"].values
    }


@pytest.mark.parametrize("p_high", [16.0, 20.0, 24.0])
def test_co2_and_mean_airway_pressure_follow_common_practice(p_high):
    """Summary of Habashi, Crit Care Med 2005;33(3 Suppl):S228, for the three middle lungs."""
    found = directions(
        p_high=p_high, p_low=0.0, t_high=5.0, t_low=0.6, spontaneous_alveolar_ventilation=1.0
    )
    asked = [one.name for one in PRACTICE if one.outcome in ("paco2", "mean_airway_pressure")]
    assert len(asked) == 7
    assert {found[name, practice] for name in POPULATIONS for practice in asked} == {1.0}


def test_a_longer_release_of_an_empty_lung_raises_co2():
    """Against practice: a stiff lung that is empty after 4 time constants only loses rate."""
    told = find_adjust(
        Question(
            lung="linear",
            fixed={"compliance": 20.0, "resistance_exp": 10.0, "t_low": 0.8, "t_high": 5.0},
        )
    ).isel(population=0)
    practice = "T low longer: arterial CO₂ tension falls"
    assert float(told["agrees"].sel(practice=practice)) == -1.0
    why = str(told["why"].sel(practice=practice).values)
    assert "releases per minute -0.9 %" in why


LIMITS = LimitSet(
    "two",
    "two",
    (
        Limit("auto_peep", "invented", high=15.0, width=10.0),
        Limit("mean_airway_pressure", "invented", high=24.0, width=20.0),
    ),
)


def reached(**fixed):
    asked = Question(lung="linear", fixed={**AT, **fixed}, rules={"two": LIMITS})
    return find_adjust(asked, Adjust(steps={"p_high": 2.0, "t_low": 0.05})).isel(
        population=0, rule=0
    )


def test_the_first_limit_is_where_closed_forms_have_it():
    """Auto-PEEP is D b (1 - a) / (1 - ab), mean airway pressure (Ph Th + Pl Tl) / T: both roots.

    The nearer of the two is named, and the margin's slope is that of the nearest bound.
    """
    found = reached()
    tau_i = AT["compliance"] * AT["resistance_insp"] / 1000
    tau_e = AT["compliance"] * AT["resistance_exp"] / 1000
    a, b = np.exp(-AT["t_high"] / tau_i), np.exp(-AT["t_low"] / tau_e)
    per_drop = b * (1 - a) / (1 - a * b)
    by_peep = 15.0 / per_drop + AT["p_low"] - AT["p_high"]
    period = AT["t_high"] + AT["t_low"]
    by_mean = (24.0 * period - AT["p_low"] * AT["t_low"]) / AT["t_high"] - AT["p_high"]
    up = found.sel(setting="p_high", direction="up")
    assert float(up["reach"]) == pytest.approx(min(by_peep, by_mean), abs=2e-6)
    assert str(up["reached"].values).startswith(
        "auto-PEEP" if by_peep < by_mean else "mean airway pressure"
    )
    mean = (AT["p_high"] * AT["t_high"] + AT["p_low"] * AT["t_low"]) / period
    by_peep, by_mean = (15.0 - (AT["p_high"] - AT["p_low"]) * per_drop) / 10.0, (24.0 - mean) / 20.0
    nearest = ("auto_peep", 10.0) if by_peep < by_mean else ("mean_airway_pressure", 20.0)
    slope = -2.0 * closed_form_slopes()[nearest[0], "p_high"] / nearest[1]
    assert float(found["margin_slope"].sel(setting="p_high")) == pytest.approx(slope, rel=1e-6)
    down = found.sel(setting="p_high", direction="down")
    assert float(down["reach"]) < -2.0
    assert str(down["reached"].values) == BALANCES["co2_balance"]


def test_a_broken_limit_is_mended_where_closed_forms_have_it():
    found = reached(t_low=0.3)
    assert float(found["margin"].isel(move=0)) < 0.0
    tau_i = AT["compliance"] * AT["resistance_insp"] / 1000
    tau_e = AT["compliance"] * AT["resistance_exp"] / 1000
    a, drop = np.exp(-AT["t_high"] / tau_i), AT["p_high"] - AT["p_low"]
    # D b (1 - a) = 15 (1 - ab), solved for b
    b = 15.0 / (drop * (1 - a) + 15.0 * a)
    by_peep = -tau_e * np.log(b) - 0.3
    up = found.sel(setting="t_low", direction="up")
    assert float(up["reach"]) == pytest.approx(by_peep, abs=1e-7)
    assert "auto-PEEP above 15" in str(up["reached"].values)
    assert "mends" in str(found["first_limit"].values)


def test_slopes_are_the_same_by_either_engine():
    pytest.importorskip("jax")
    ours = reached()
    with use_engine("jax"):
        theirs = reached()
    assert ours.attrs["derivatives"].startswith("central")
    assert theirs.attrs["derivatives"].startswith("exact")
    for name in ("margin_slope", "reach"):
        # differences over a thousandth of a step: a millionth of the third derivative
        np.testing.assert_allclose(theirs[name], ours[name], rtol=1e-6, atol=1e-9)
    assert theirs["reached"].values.tolist() == ours["reached"].values.tolist()
