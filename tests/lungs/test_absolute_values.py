"""What other tests of the lungs take as differences or in the settled cycle, taken as it is."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.lungs import lung_model

LINEAR = {
    "p_high": 24.0,
    "p_low": 6.0,
    "t_high": 4.0,
    "t_low": 0.5,
    "compliance": 50.0,
    "resistance_insp": 12.0,
    "resistance_exp": 18.0,
}
PAIRED = {
    "p_high": 25.0,
    "p_low": 2.0,
    "t_high": 1.2,
    "compliance_fast": 35.0,
    "compliance_slow": 15.0,
    "resistance_fast": 3.0,
    "resistance_slow": 60.0,
    "resistance_shared_insp": 9.0,
    "resistance_shared_exp": 12.0,
}


@pytest.mark.parametrize("name", ["linear", "tube"])
def test_volume_is_drawn_from_the_relaxation_volume(name):
    """Compliance times alveolar pressure, not times the part above P low."""
    lung = lung_model(name)
    case = {**LINEAR, **({"resistance_quadratic": 5.0} if name == "tube" else {})}
    times = np.linspace(0.0, 4.5, 40)
    state = lung.settle(**{k: np.array([v]) for k, v in case.items()})
    drawn = lung.waveform(np.asarray(state)[0], times, **case)
    # one product
    np.testing.assert_allclose(drawn["volume"], 50.0 * drawn["alveolar_pressure"], rtol=1e-12)
    assert drawn["volume"].min() > 50.0 * 6.0


def first_cycle(start, t_low):
    """Gas that moves between the compartments in one cycle from one pressure in both [mL].

    While the airway lets gas out, what flows into a compartment comes from the other; while it
    lets gas in, what flows out of one goes to the other.
    """
    c = np.array([PAIRED["compliance_fast"], PAIRED["compliance_slow"]]) / 1000.0
    own = np.array([PAIRED["resistance_fast"], PAIRED["resistance_slow"]])

    def flows(pressure, opening, shared):
        # pressure behind the shared airway, where the three flows meet
        meet = (opening / shared + (pressure / own).sum()) / (1 / shared + (1 / own).sum())
        return (meet - pressure) / own

    moved, pressure = 0.0, np.full(2, start)
    for opening, shared, length, sign in (
        (PAIRED["p_high"], PAIRED["resistance_shared_insp"], PAIRED["t_high"], -1.0),
        (PAIRED["p_low"], PAIRED["resistance_shared_exp"], t_low, 1.0),
    ):

        def slope(_, y, opening=opening, shared=shared, sign=sign):
            flow = flows(y[:2], opening, shared)
            return [*(flow / c), np.maximum(sign * flow, 0.0).sum()]

        ran = solve_ivp(
            slope, (0.0, length), [*pressure, 0.0], rtol=1e-9, atol=1e-10, max_step=length / 400
        )
        pressure, moved = ran.y[:2, -1], moved + ran.y[2, -1]
    return moved * 1000.0, pressure


@pytest.mark.parametrize("t_low", [0.02, 0.05, 0.1, 0.3, 1.5])
@pytest.mark.parametrize("start", [2.0, 8.0])
@pytest.mark.parametrize("t_high", [0.03, 1.2])
def test_pendelluft_of_a_first_cycle_is_the_gas_that_flows_back(t_low, start, t_high, monkeypatch):
    """Releases that end before and after the flow of the slow compartment turns."""
    monkeypatch.setitem(PAIRED, "t_high", t_high)
    case = {k: np.array([v]) for k, v in {**PAIRED, "t_low": t_low}.items()}
    state = np.array([start]), np.array([start])
    told, end = lung_model("paired").cycle(state, **case)
    moved, pressure = first_cycle(start, t_low)
    # what the integrator leaves, with steps that miss the turn by less than 1/400 of a phase
    np.testing.assert_allclose([float(e[0]) for e in end], pressure, rtol=1e-6)
    assert float(told["pendelluft_volume"][0]) == pytest.approx(moved, rel=1e-4, abs=1e-4)
