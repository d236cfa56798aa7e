"""The collapse of injured lungs: the bundled lungs answer to pressure as was published."""

import tomllib

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs import lung_model
from ebbmap.registries.populations import POPULATIONS
from external.fit_collapse import (
    BASELINE,
    DATA,
    PRESSURE_SD,
    PRESSURES,
    WIDTH_LOG_SD,
    admixture,
    measured,
    residuals,
    response,
)

FIT = tomllib.loads(DATA.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def lungs():
    return POPULATIONS["restrictive"].sample(4000, seed=3)


def test_the_data_file_is_what_its_lungs_do():
    found = measured(FIT["fitted"])
    for name, value in FIT["measured"].items():
        assert found[name] == pytest.approx(value, abs=10.0 ** -(4 if value < 1 else 3)), name
    assert np.abs(residuals(found)).max() < 0.05


def test_the_bundled_population_is_the_fitted_one():
    marginals, fitted = POPULATIONS["restrictive"].marginals, FIT["fitted"]
    told = {
        "shunt_baseline": BASELINE,
        "collapsible_share": (fitted["collapsible_share"], fitted["collapsible_sd"]),
        "half_closed_pressure": (fitted["half_closed_pressure"], PRESSURE_SD),
        "closing_width": (fitted["closing_width"], WIDTH_LOG_SD),
    }
    for name, (centre, spread) in told.items():
        kept = (marginals[name].centre, marginals[name].spread)
        # six digits of a logarithm are kept
        assert kept == pytest.approx((centre, spread), rel=1e-5), name


def test_other_lungs_drawn_answer_to_pressure_as_published(lungs):
    low, high = (admixture(lungs, pressure) for pressure in PRESSURES)
    # Intensive Care Med 1983;9:307: 0.37 and 0.27 by one measure, 0.29 and 0.22 without what is no
    # shunt; means of 11 patients
    assert low.mean() == pytest.approx(0.37, abs=0.08) and high.mean() == pytest.approx(
        0.27, abs=0.07
    )
    assert 0.06 < low.mean() - high.mean() < 0.11
    # Ibarra-Estrada 2022: 26 (13 to 38) for 3.1 cmH2O
    assert 13.0 < np.nanmedian(response(lungs)) < 38.0


def test_shunt_without_the_baseline_was_not_fitted(lungs):
    # 0.29 (SD 0.16) and 0.22 (0.14) in 11 patients: two standard errors of a mean
    for pressure, shunt, sd in zip(PRESSURES, (0.29, 0.22), (0.16, 0.14), strict=True):
        found = (admixture(lungs, pressure) - lungs["shunt_baseline"]).mean()
        assert found == pytest.approx(shunt, abs=2.0 * sd / np.sqrt(11))


def test_a_shorter_release_raises_oxygen_where_the_patient_breathes(lungs):
    # as is done at the bedside; what remains against it is passive lungs that hold back CO2
    usual = {"p_high": 20.0, "p_low": 0.0, "t_high": 5.0}
    against = []
    for own in (0.0, 3.0):
        known = {n: np.asarray(v) for n, v in usual.items()}
        known["spontaneous_alveolar_ventilation"] = np.asarray(own)
        before, after = (
            evaluate(
                lung_model("whole"), lungs | known | {"t_low": np.asarray(t)}, ("pao2",)
            ).outcomes["pao2"]
            for t in (0.5, 0.45)
        )
        against.append(np.nanmean(after < before))
    # in a fit with own breathing 2 in 100 lungs went against practice, 84 to 94 before
    assert against[1] < 0.15 < against[0]
