"""Against conventional ventilation: no change at the same pressure, published slopes, Boyle."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.exchange import circulation, co2
from ebbmap.exchange.compression import expanded_volume
from ebbmap.exchange.conventional import (
    intracranial_pressure_change,
    mean_pressure_change,
    venous_return_from_conventional,
    ventilatory_ratio,
)
from ebbmap.lungs import lung_model
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

WANTED = (
    "mean_airway_pressure",
    "mean_alveolar_pressure",
    "venous_return_change",
    "venous_return_from_conventional",
    "intracranial_pressure_change",
    "expanded_share",
)


def test_the_same_mean_pressure_changes_nothing():
    # P low next to P high: alveolar and airway pressure have one mean
    same = {"p_high": np.array(16.005), "p_low": np.array(15.995)}
    held = {"conventional_mean_pressure": np.array(16.0), "t_high": np.array(2.5)}
    held |= {"t_low": np.array(2.5)}
    found = evaluate(lung_model("linear"), same | held, WANTED).outcomes
    # the resistances differ by direction, so the alveoli swing by some hundredths about the mean
    assert found["venous_return_from_conventional"] == pytest.approx(0.0, abs=1e-4)
    assert found["intracranial_pressure_change"] == pytest.approx(0.0, abs=1e-12)


def test_the_change_is_that_of_the_return_itself():
    now, before = (1.0 + circulation.venous_return_change(0.4 * p, 0.5, 7.0) for p in (22.0, 14.0))
    found = venous_return_from_conventional(now - 1.0, 14.0, 0.4, 0.5, 7.0)
    assert found == pytest.approx(now / before - 1.0, rel=1e-12)
    # pressure that takes all the return there was leaves something to divide by
    assert np.isfinite(venous_return_from_conventional(-1.0, 60.0, 1.0, 1.0, 2.0))


def test_a_fall_of_the_mean_pressure_gives_return_back():
    # Kaplan 2001: 18 to 12 cmH2O, cardiac index 3.2 to 4.6, and paralysis was stopped: direction
    found = venous_return_from_conventional(
        circulation.venous_return_change(12.0 * 0.3, 0.5, 7.0), 18.0, 0.3, 0.5, 7.0
    )
    assert 0.0 < found < 4.6 / 3.2 - 1.0


def test_intracranial_pressure_has_the_published_slope():
    # Boone 2017: 0.31 (0.07 to 0.54) mmHg per cmH2O; a second series, 109 patients in Med Intensiva
    # 2024;48:594: PEEP 6.2 to 9.1, pressure 10.4 to 11.4
    entry = PARAMETERS["intracranial_pressure_slope"]
    assert (entry.usual_low, entry.default, entry.usual_high) == (0.07, 0.31, 0.54)
    rise = intracranial_pressure_change(mean_pressure_change(9.1, 6.2), entry.default)
    assert rise == pytest.approx(1.0, abs=0.15)  # of differences of printed tenths


def test_the_ventilatory_ratio_of_injured_lungs():
    # what is expected in health is one
    assert ventilatory_ratio(6.5, 0.0, 37.5, 65.0) == pytest.approx(1.0)
    # production over what clears it: the ratio does not depend on how often a breath comes
    group = POPULATIONS["restrictive"].sample(2000, seed=0)
    found = [
        evaluate(
            lung_model("linear"),
            group | {"t_high": np.array(t_high), "t_low": np.array(0.8)},
            ("ventilatory_ratio",),
        ).outcomes["ventilatory_ratio"]
        for t_high in (4.0, 8.0)
    ]
    middle = [np.nanmedian(value) for value in found]
    assert middle[0] == pytest.approx(middle[1], rel=0.02)
    # 1.6 to 2.1: Grieco et al., Crit Care 2020;24:529
    assert 1.6 < middle[0] < 2.1


def test_buffers_raise_the_bicarbonate_by_the_textbook_rules():
    # from memory: 1 mmol/L per 10 mmHg within minutes, 3.5 to 4 after days
    assert co2.arterial_bicarbonate(40.0, 24.0, 0.1) == 24.0
    assert co2.arterial_bicarbonate(80.0, 24.0, 0.1) == pytest.approx(28.0)
    assert co2.arterial_bicarbonate(80.0, 24.0, 0.35) == pytest.approx(38.0)
    assert co2.arterial_bicarbonate(1.0, 3.0, 1.0) == pytest.approx(0.03)
    held, buffered = (co2.ph(64.0, co2.arterial_bicarbonate(64.0, 24.0, b)) for b in (0.0, 0.1))
    assert held == pytest.approx(7.20, abs=0.005) and buffered > held
    # the tension at which the pH is 7.20 moves from 64 to 72 (derived)
    assert co2.ph(72.0, co2.arterial_bicarbonate(72.0, 24.0, 0.1)) == pytest.approx(7.20, abs=0.01)


def test_compressed_gas_is_boyles_law():
    dry = (760.0 - 47.0) * 1.35951
    pressures, volumes = np.array([25.0, 8.0]), np.array([3000.0, 2400.0])
    # the same gas at the pressure of the surroundings
    at_ambient = volumes * (dry + pressures) / dry
    found = expanded_volume(1500.0, 25.0, 600.0, 8.0, 1500.0, 760.0)
    assert found == pytest.approx(at_ambient[0] - at_ambient[1] - 600.0, rel=1e-12)


def test_compressed_gas_is_five_to_ten_percent_of_a_release():
    # at usual settings: what the lungs leave out
    for name, resting in (("restrictive", 800.0), ("obstructive", 3000.0)):
        group = POPULATIONS[name].median | {"functional_residual_capacity": resting}
        case = {key: np.asarray(value) for key, value in group.items()}
        share = evaluate(lung_model("linear"), case, WANTED).outcomes["expanded_share"]
        assert 0.03 < float(share) < 0.15, (name, float(share))
