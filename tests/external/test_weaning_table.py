"""The nine-row weaning table of a textbook, against the model's mean airway pressure.

Cairo JM, Pilbeam's Mechanical Ventilation: Physiological and Clinical Applications, chapter 23,
table 23.1, from Frawley PM, Habashi NM, AACN Clin Issues 2001;12:234-246. P low 0, T low 0.8 s.
"""

import numpy as np
import pytest

from ebbmap.analyses.wean import COMMON, Wean, find_wean
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.registries.limits import limit_set

P_HIGH = np.array([35.0, 33.0, 30.0, 28.0, 26.0, 23.0, 20.0, 18.0, 15.0])
T_HIGH = np.array([4.0, 4.5, 5.0, 5.5, 6.0, 7.0, 8.0, 10.0, 12.0])
PRINTED = np.array([29.2, 28.0, 25.9, 24.4, 22.9, 20.6, 18.2, 16.7, 14.1])
T_LOW = 0.8


@pytest.mark.parametrize("lung", ["linear", "tube", "paired"])
def test_all_nine_mean_airway_pressures(lung):
    rows = simulate(
        lung, outcomes="mean_airway_pressure", p_high=P_HIGH, p_low=0.0, t_high=T_HIGH, t_low=T_LOW
    )
    # printed to a tenth
    np.testing.assert_allclose(rows["mean_airway_pressure"], PRINTED, rtol=0, atol=0.0501)


@pytest.mark.parametrize("compliance, resistance", [(39.0, 12.0), (54.0, 11.0)])
def test_the_releases_of_the_last_row_move_a_sixth_of_the_first(compliance, resistance):
    rows = simulate(
        "linear",
        outcomes="release_minute_volume",
        p_high=P_HIGH,
        p_low=0.0,
        t_high=T_HIGH,
        t_low=T_LOW,
        compliance=compliance,
        resistance_exp=resistance,
        resistance_insp=resistance,
    )
    moved = rows["release_minute_volume"].values
    # in a filled lung the share is that of P high x rate, whatever compliance and resistance
    share = P_HIGH / (T_HIGH + T_LOW)
    np.testing.assert_allclose(moved / moved[0], share / share[0], rtol=2e-3)
    assert moved[-1] / moved[0] == pytest.approx(0.16, abs=0.005)


def test_the_patient_takes_over_what_the_table_takes_away():
    """From row to row of the table the route stays with the CO2 that it began with."""
    fixed = {"p_high": 30.0, "p_low": 0.0, "t_high": 5.0, "t_low": T_LOW, "compliance": 39.0}
    asked = Question(fixed=fixed, rules={"steady": limit_set("steady_state")})
    told = find_wean(asked, Wean(p_high_end=15.0, p_high_step=3.0, own_breathing_at_most=20.0))
    route = told.isel(population=0, rule=0).sel(route=COMMON).dropna("step", how="all")
    taken = np.isfinite(route["route_p_high"].values)
    np.testing.assert_allclose(route["paco2"].values[taken], float(route["paco2"][0]), rtol=1e-9)
    own = route["own_breathing"].values[taken]
    assert (np.diff(own) > 0).all()
    # the mean airway pressure is that of the two times, as in the table
    p_high, t_high = (route[f"route_{name}"].values[taken] for name in ("p_high", "t_high"))
    expected = p_high * t_high / (t_high + T_LOW)
    np.testing.assert_allclose(route["mean_airway_pressure"].values[taken], expected, rtol=1e-9)
