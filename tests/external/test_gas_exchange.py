"""Gas exchange against published tables and worked examples; each names its source.

Tolerances are half of the last printed digit, unless a reason stands beside them.
"""

import pytest

from ebbmap.exchange import co2, oxygen

# Standard dissociation curve, 37 degrees, pH 7.4 [mmHg: per cent]. 50 to 100 mmHg: read, an
# exercise page quoting Severinghaus JW, J Appl Physiol 1979;46:599; the others from memory.
STANDARD_CURVE = {
    10: 9.58,
    20: 32.12,
    26: 48.27,
    28: 53.16,
    30: 57.54,
    40: 74.69,
    50: 85.08,
    60: 90.85,
    70: 94.06,
    80: 95.84,
    90: 96.88,
    100: 97.49,
    150: 98.77,
    200: 99.20,
    300: 99.53,
    500: 99.72,
}


@pytest.mark.parametrize(("po2", "per_cent"), STANDARD_CURVE.items())
def test_dissociation_curve(po2, per_cent):
    # Severinghaus 1979 states +-0.0055 for equation 1; the table adds half of its last digit
    assert oxygen.saturation(float(po2)) == pytest.approx(per_cent / 100.0, abs=0.0055 + 0.00005)


@pytest.mark.parametrize(
    ("po2", "kelman"),
    [(26.6, 49.5), (40.0, 74.1), (60.0, 91.1), (100.0, 97.49)],
)
def test_dissociation_curve_of_kelman(po2, kelman):
    # Kelman GR, J Appl Physiol 1966;21:1375 (coefficients from memory): another fit to the same
    # standard curve. Two fits each within 0.0055 of one curve differ by no more than twice that.
    assert oxygen.saturation(po2) == pytest.approx(kelman / 100.0, abs=0.011)


def test_alveolar_oxygen_full_form():
    # room air, sea level, PaCO2 40, R 0.8: the full form is "about 2" above the short one, 99.73
    # (Egan's respiratory-care workbook, chapter 12, and a college handout)
    full = oxygen.alveolar_po2(0.21, 40.0, 760.0, 0.8)
    assert full - 99.73 == pytest.approx(2.0, abs=0.5)
    # the correction itself is FiO2 PaCO2 (1 - R) / R = 2.10
    assert full == pytest.approx(99.73 + 0.21 * 40.0 * 0.25, abs=0.005)


def test_alveolar_oxygen_where_short_and_full_form_agree():
    # R = 1 (same workbook): FiO2 0.6, PaCO2 40 -> "about 388", from 387.8
    assert oxygen.alveolar_po2(0.6, 40.0, 760.0, 1.0) == pytest.approx(387.8, abs=0.05)


@pytest.mark.parametrize(
    ("fio2", "paco2", "printed"),
    [(0.21, 40.0, 99.73), (0.4, 50.0, 222.7)],
)
def test_alveolar_oxygen_short_form(fio2, paco2, printed):
    # college handout, R 0.8: the short form leaves out FiO2 PaCO2 (1 / R - 1)
    full = oxygen.alveolar_po2(fio2, paco2, 760.0, 0.8)
    assert full - fio2 * paco2 * 0.25 == pytest.approx(printed, abs=0.05)


def test_alveolar_oxygen_at_altitude():
    # calculation handout: PB 667, FiO2 0.21, PaCO2 40, factor 1.2 -> PIO2 130.2, PAO2 82.2.
    # The full form has the factor F + (1 - F) / R: it is 1.2 at R = 0.79 / 0.99.
    assert oxygen.alveolar_po2(0.21, 40.0, 667.0, 0.79 / 0.99) == pytest.approx(82.2, abs=0.05)


# College handout: content of end-capillary, arterial and venous blood and the shunt.
SHUNT = [
    # Hb, PAO2, (PaO2, SaO2), (PvO2, SvO2), Cc, Ca, Cv, Qs/Qt
    (15.0, 99.73, (90.0, 0.95), (40.0, 0.70), 20.40, 19.36, 14.19, 0.166),
    (13.0, 222.7, (86.0, 0.90), (65.0, 0.70), 18.08, 15.936, 12.389, 0.376),
]


@pytest.mark.parametrize(
    ("hemoglobin", "alveolar", "arterial", "venous", "cc", "ca", "cv", "shunt"), SHUNT
)
def test_content_and_shunt(hemoglobin, alveolar, arterial, venous, cc, ca, cv, shunt):
    # the handout takes end-capillary blood as fully saturated and cuts to two decimals
    assert oxygen.oxygen_content(1.0, alveolar, hemoglobin) == pytest.approx(cc, abs=0.01)
    assert oxygen.oxygen_content(arterial[1], arterial[0], hemoglobin) == pytest.approx(
        ca, abs=0.01
    )
    assert oxygen.oxygen_content(venous[1], venous[0], hemoglobin) == pytest.approx(cv, abs=0.01)
    # The handout cuts, not rounds (example 1: 1.034 / 6.209 = 0.1666 is printed 0.166). A last
    # digit of Cc is 0.01 of arterial content, one of the shunt 0.001 (Cc - Cv) / (1 - shunt),
    # which is below 0.01.
    assert oxygen.mixed_content(cc, shunt, ca - cv) == pytest.approx(ca, abs=0.02)


def test_alveolar_ventilation_of_the_classroom():
    # calculation handout: 14 breaths of 500 mL, dead space 150 mL -> VA 4.9 of VE 7 L/min, and
    # R = 200/250 = 0.8
    assert co2.alveolar_ventilation(14.0, 500.0, 150.0, 0.0, 0.0, 0.0) == pytest.approx(4.9)
    assert oxygen.arteriovenous_difference(200.0, 0.8, 5.0) == pytest.approx(250.0 / 50.0)


def test_dead_space_of_enghoff():
    # same handout: PaCO2 40, mixed expired 27 -> VD/VT 0.325, 162.5 mL of 500. Forward: with that
    # dead space and a PaCO2 of 40, the mixture of all released gas must come to 27 mmHg.
    fraction = co2.dead_space_fraction(500.0, 162.5, 0.0, 0.0)
    assert fraction == pytest.approx(0.325)
    ventilation = co2.alveolar_ventilation(14.0, 500.0, 162.5, 0.0, 0.0, 0.0)
    production = 40.0 * ventilation / 0.863
    assert co2.paco2(production, ventilation) == pytest.approx(40.0)
    assert 0.863 * production / (14.0 * 0.5) == pytest.approx(27.0)


@pytest.mark.parametrize(
    ("production", "ventilation", "printed"),
    [(200.0, 4.315, 40.0), (200.0, 2.157, 80.0), (250.0, 4.2, 51.4)],
)
def test_arterial_co2(production, ventilation, printed):
    # textbook equation, 0.863 VCO2 / VA, at round points
    assert co2.paco2(production, ventilation) == pytest.approx(printed, abs=0.05)


@pytest.mark.parametrize(
    ("bicarbonate", "paco2", "printed"),
    [(24.0, 40.0, 7.40), (26.0, 60.0, 7.26), (22.0, 20.0, 7.66), (24.0, 46.0, 7.34)],
)
def test_henderson_hasselbalch(bicarbonate, paco2, printed):
    # lecture notes (first three) and a physiology textbook problem (fourth)
    assert co2.ph(paco2, bicarbonate) == pytest.approx(printed, abs=0.005)
