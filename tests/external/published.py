"""What was measured in patients, animals and tubes, beside what the bundled lungs say.

Each check has a published interval, the model's own way to the same number, and a verdict that is
written down: "agrees" must lie in the interval, "disagrees" must lie outside it *and* where it was
when the verdict was written. So neither can change in silence, and no agreement is made up.

An interval is what the paper allows: a stated one, else two standard errors of a mean, or the
notch of a median (1.57 IQR / sqrt(n): McGill et al., Am Stat 1978;32:12, from memory).

Grades: "read", in the paper or its abstract; "transcription", in another text that copies the
paper; "memory", from memory; "derived", our arithmetic on numbers that were read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from external import measured

ARNAL = "Arnal et al., Respir Care 2018;63:158"
CHELUCCI = "Chelucci et al., Eur Respir J 1993;6:785"
CROTTI = "Crotti et al., Am J Respir Crit Care Med 2001;164:131"
HABASHI = "summary of Habashi, Crit Care Med 2005;33(3 Suppl):S228"
NEUMANN = "Neumann et al., J Appl Physiol 1998;85:1533 (pigs)"
ADMIXTURE = "Intensive Care Med 1983;9:307, n = 11, PEEP 5 below and 5 above the clinical one"
HYPERVENTILATION = "J Appl Physiol 1962;17:805, n = 14"

Interval = tuple[float, float]


def of_mean(mean: float, sd: float, n: int) -> Interval:
    """Two standard errors on either side of a mean.

    Examples
    --------
    >>> [round(float(x), 3) for x in of_mean(0.69, 0.218, 12)]
    [0.564, 0.816]
    """
    error = 2.0 * sd / np.sqrt(n)
    return mean - error, mean + error


def of_median(median: float, low: float, high: float, n: int) -> Interval:
    """Return the notch of a median with its quartiles."""
    notch = 1.57 * (high - low) / np.sqrt(n)
    return median - notch, median + notch


@dataclass(frozen=True)
class Check:
    """One published finding and what the model says of it.

    Parameters
    ----------
    name, source, grade : str
        What was measured, by whom, and how we know.
    interval : (float, float)
        What the paper allows.
    measure : callable
        ``measure() -> float``: the model's number, measured as the paper did.
    record : float, optional
        Only where the two disagree: the model's number when that was written down.
    fitted : bool
        Whether the model was set by this very number, so that agreement proves nothing.
    note : str
        What was assumed to compare the two, and why they differ.
    """

    name: str
    source: str
    grade: str
    interval: Interval
    measure: Callable[[], float]
    record: float | None = None
    fitted: bool = False
    note: str = ""

    @property
    def verdict(self) -> str:
        """The verdict that was written down."""
        return "agrees" if self.record is None else "disagrees"

    def holds(self, value: float) -> bool:
        """Whether a number bears out the verdict; a recorded one to two in a hundred."""
        low, high = self.interval
        if self.record is None:
            return low <= value <= high
        return not low <= value <= high and abs(value / self.record - 1.0) <= 0.02


MECHANICS = (
    Check(
        "normal: compliance",
        ARNAL,
        "transcription",
        of_median(54, 44, 64, 138),
        lambda: measured.middle("normal", "compliance"),
        fitted=True,
    ),
    Check(
        "normal: compliance, other patients",
        "Rev Bras Ter Intensiva 2020;32(3), n = 66",
        "read",
        of_mean(42.1, 13.7, 66),
        lambda: measured.mean("normal", "compliance"),
        56.0,
        note="the two series disagree with each other",
    ),
    Check(
        "restrictive: compliance",
        "Vandenbunder et al., Crit Care 2021, doi 10.1186/s13054-020-03433-0",
        "read",
        of_mean(37.6, 13, 372),
        lambda: measured.mean("restrictive", "compliance"),
        fitted=True,
    ),
    Check(
        "restrictive: compliance, other patients",
        "Beloncle et al., Crit Care 2021, COVID-19, day 1",
        "read",
        of_median(35, 28, 44, 112),
        lambda: measured.middle("restrictive", "compliance"),
    ),
    Check(
        "obstructive: compliance",
        ARNAL,
        "transcription",
        of_median(59, 43, 75, 40),
        lambda: measured.middle("obstructive", "compliance"),
        fitted=True,
    ),
    Check(
        "normal: inspiratory resistance",
        ARNAL,
        "transcription",
        of_median(13, 10, 15, 138),
        lambda: measured.middle("normal", "resistance_insp"),
        12.0,
    ),
    Check(
        "restrictive: inspiratory resistance",
        "Nezami et al., Crit Care Explor 2022;4:e0669",
        "read",
        of_median(12, 10, 16, 55),
        lambda: measured.middle("restrictive", "resistance_insp"),
    ),
    Check(
        "obstructive: inspiratory resistance",
        ARNAL,
        "transcription",
        of_median(22, 16, 33, 40),
        lambda: measured.middle("obstructive", "resistance_insp"),
    ),
    Check(
        "normal: expiratory time constant",
        ARNAL,
        "transcription",
        of_median(0.60, 0.51, 0.71, 138),
        lambda: measured.middle_tau("normal"),
        0.7769,
        note="compliance and resistance are drawn apart",
    ),
    Check(
        "normal: expiratory time constant after operations",
        "Intensive Care Med Exp 2024, s40635-024-00612-z, n = 30",
        "read",
        (0.57, 0.62),
        lambda: measured.mean_tau("normal"),
        0.8425,
    ),
    Check(
        "restrictive: expiratory time constant",
        "Guttmann et al., Eur Respir J 1995;8:114",
        "read",
        of_mean(0.690, 0.218, 12),
        lambda: measured.mean_tau("restrictive"),
        note="their circuit adds resistance; at the lower edge",
    ),
    Check(
        "restrictive: expiratory time constant, later patients",
        ARNAL,
        "transcription",
        of_median(0.46, 0.40, 0.55, 181),
        lambda: measured.middle_tau("restrictive"),
        0.5101,
        note="the two papers disagree with each other too",
    ),
    Check(
        "obstructive: expiratory time constant",
        ARNAL,
        "transcription",
        of_median(1.07, 0.68, 2.14, 40),
        lambda: measured.middle_tau("obstructive"),
        2.1893,
        note="twice as slow as measured",
    ),
    Check(
        "obstructive: expiratory time constant with flow limitation",
        ARNAL,
        "transcription",
        of_median(1.07, 0.68, 2.14, 40),
        measured.limited_time_constant,
        4.789,
        note="gas left over flow once 75 % of a breath of 8 mL/kg is out, stepped "
        "lung, middle lung: limitation comes on top of a resistance that has it already",
    ),
    Check(
        "normal: chest wall's share",
        "Anesthesiology 1999;91:1221, n = 9",
        "derived",
        of_mean(0.37, 0.10, 9),
        lambda: measured.mean("normal", "chest_wall_share"),
        0.5,
    ),
    Check(
        "obstructive: chest wall's share",
        "Anesthesiology 1999;91:1221, n = 9, normal lungs, for want of others",
        "derived",
        of_mean(0.37, 0.10, 9),
        lambda: measured.mean("obstructive", "chest_wall_share"),
        0.5,
    ),
    Check(
        "restrictive: chest wall's share",
        "acute respiratory failure, n = 15: Chest 1981;80:304",
        "read",
        (0.32, 0.36),
        lambda: measured.mean("restrictive", "chest_wall_share"),
        0.3123,
        note="34 +/- 2 %, not said whether SD or SE; Gattinoni 1998: 0.20 and 0.47",
    ),
    Check(
        "restrictive: slow share",
        CHELUCCI,
        "read",
        of_mean(0.19, 0.06, 6),
        lambda: measured.mean("restrictive", "slow_volume_share"),
        fitted=True,
    ),
    Check(
        "normal: slow share",
        CHELUCCI,
        "read",
        of_mean(0.16, 0.07, 11),
        lambda: measured.mean("normal", "slow_volume_share"),
        fitted=True,
    ),
    Check(
        "restrictive: slow time constant",
        CHELUCCI,
        "read",
        of_mean(4.67, 2.38, 6),
        lambda: measured.middle("restrictive", "time_constant_slow"),
        fitted=True,
    ),
    Check(
        "normal: slow time constant",
        CHELUCCI,
        "read",
        of_mean(3.27, 1.54, 11),
        lambda: measured.middle("normal", "time_constant_slow"),
        fitted=True,
    ),
    Check(
        "normal: slow time constant, by interruption",
        "Jonson et al., J Appl Physiol 1993;75:132",
        "read",
        (0.71, 0.93),
        lambda: measured.middle("normal", "time_constant_slow"),
        3.3,
        note="0.82 +/- 0.11 s, tissue and gas together",
    ),
    Check(
        "restrictive: slow time constant, by interruption",
        "Crit Care 2009;13:R199",
        "derived",
        (1.09, 1.50),
        lambda: measured.middle("restrictive", "time_constant_slow"),
        4.7,
    ),
    Check(
        "specific elastance of injured lungs",
        "Chiumello et al., Am J Respir Crit Care Med 2008;178:346",
        "memory",
        (9.4, 17.6),
        measured.specific_elastance,
        29.34,
        note="13.5 +/- 4.1: the default resting volume is not a small injured lung's",
    ),
)


RELEASE = (
    Check(
        "restrictive: release volume per kg",
        "Hirshberg et al., Crit Care Med 2018;46:1943",
        "read",
        (7.8, 9.6),
        measured.released_at_half_flow,
        6.953,
        note="their settings are not known: P high 25, P low 0, flow falls to half",
    ),
    Check(
        "restrictive: T low where flow is 75 % of its peak",
        HABASHI,
        "read",
        (0.25, 0.35),
        lambda: measured.t_low_at("restrictive", 0.75),
        0.1468,
        note="0.3 s by the clock",
    ),
    Check(
        "obstructive: T low where flow is 25 % of its peak",
        HABASHI,
        "read",
        (1.45, 1.55),
        lambda: measured.t_low_at("obstructive", 0.25),
        3.035,
        note="up to 1.5 s by the clock",
    ),
    Check(
        "share of the collapse that is over in 4 s",
        NEUMANN,
        "read",
        (0.5, 1.0),
        lambda: measured.closed_share(4.0),
        note="'mostly within 4 s'",
    ),
    Check(
        "share of the collapse within 0.5 s",
        NEUMANN,
        "read",
        (0.0, 0.1),
        lambda: measured.closed_share(0.5),
        0.3928,
        note="a release below 0.6 s avoids it; a tenth is our reading of that",
    ),
    Check(
        "opening pressures, mode",
        CROTTI,
        "read",
        (17.5, 22.5),
        lambda: measured.mean("restrictive", "opening_pressure"),
        fitted=True,
        note="to half a step of 5",
    ),
    Check(
        "closing pressures, mode",
        CROTTI,
        "read",
        (2.5, 7.5),
        lambda: measured.mean("restrictive", "closing_pressure"),
        fitted=True,
        note="to half a step of 5",
    ),
    Check(
        "weight by which tidal volumes are given",
        "PRoVENT, Simonis et al., Ann Intensive Care 2018: 500 mL and 7.9 mL/kg, n = 935",
        "derived",
        (60.0, 66.5),
        lambda: measured.mean("normal", "predicted_body_weight"),
        note="a ratio of two medians: to 5 %",
    ),
    Check(
        "a tube's loss foretold from four other sizes",
        "Futagawa et al., BMC Anesthesiology 2017",
        "read",
        (0.0, 0.1),
        measured.held_out_tube,
        note="largest relative error; our tolerance",
    ),
    Check(
        "tube and circuit multiply the time constant",
        "Guttmann et al., Eur Respir J 1995;8:114",
        "read",
        (2.5, 3.5),
        measured.tube_multiple,
        fitted=True,
        note="about 3 times; to half a unit",
    ),
    Check(
        "a smooth straight tube's share of the loss",
        "Lofaso et al., Am Rev Respir Dis 1992;146:974 (Blasius)",
        "derived",
        (0.0, 0.5),
        measured.laminar_share,
        note="turbulent flow in a smooth tube loses half of what was measured; laminar less",
    ),
)


EXCHANGE = (
    Check(
        "restrictive: dead space over tidal volume",
        "Nuckton et al., N Engl J Med 2002;346:1281, n = 179",
        "read",
        (0.52, 0.64),
        lambda: measured.dead_space("restrictive"),
        fitted=True,
        note="0.58 +/- 0.09; their tidal volume is assumed 8 mL/kg, 6 or 10 move it by 0.05",
    ),
    Check(
        "normal: dead space over tidal volume",
        "anaesthesia question book",
        "read",
        (0.25, 0.35),
        lambda: measured.dead_space("normal"),
        0.3604,
        note="about 0.3; 8 mL/kg assumed",
    ),
    Check(
        "usual production of CO2",
        "reference page and textbooks: usually 200 mL/min",
        "read",
        (180.0, 220.0),
        measured.usual_production,
        fitted=True,
        note="to a tenth",
    ),
    Check(
        "pH of usual bicarbonate at 40 mmHg",
        "lecture notes: 7.40",
        "read",
        (7.395, 7.405),
        measured.usual_ph,
        fitted=True,
    ),
    Check(
        "default: admixture of open lung",
        "anaesthesia question book",
        "read",
        (0.035, 0.055),
        lambda: measured.default("shunt_baseline"),
        fitted=True,
        note="4 to 5 % in health",
    ),
    Check(
        "restrictive: ventilatory ratio",
        "Sinha et al.; Grieco et al., Crit Care 2020;24:529",
        "read",
        (1.6, 2.1),
        measured.ventilatory_ratio,
    ),
    Check(
        "restrictive: admixture at the lower pressure",
        ADMIXTURE,
        "read",
        of_mean(0.37, 0.13, 11),
        lambda: measured.admixture(10.0),
        fitted=True,
        note="mean alveolar pressures of 10 and 20 are assumed",
    ),
    Check(
        "restrictive: admixture at the higher pressure",
        ADMIXTURE,
        "read",
        of_mean(0.27, 0.12, 11),
        lambda: measured.admixture(20.0),
        fitted=True,
    ),
    Check(
        "restrictive: fall of the admixture",
        ADMIXTURE,
        "read",
        (0.06, 0.11),
        lambda: measured.admixture(10.0) - measured.admixture(20.0),
        fitted=True,
        note="0.10 and 0.07 by two measures, each rounded",
    ),
    Check(
        "restrictive: admixture of open lung",
        ADMIXTURE,
        "read",
        of_mean(0.074, 0.045, 11),
        lambda: measured.mean("restrictive", "shunt_baseline"),
        fitted=True,
        note="closed lung comes on top, once",
    ),
    Check(
        "normal: admixture of open lung",
        "anaesthesia question book",
        "read",
        (0.035, 0.055),
        lambda: measured.mean("normal", "shunt_baseline"),
        fitted=True,
        note="4 to 5 %, to half of the printed digit",
    ),
    Check(
        "restrictive: P/F for 3.1 cmH2O more mean pressure",
        "Ibarra-Estrada et al., Crit Care Med 2022;50:586",
        "read",
        (13.0, 38.0),
        measured.oxygen_response,
        fitted=True,
        note="breathing 3 L/min, P high 20: both assumed",
    ),
    Check(
        "restrictive: PaO2 when T low is 0.05 s shorter",
        HABASHI,
        "read",
        (0.0, 100.0),
        measured.oxygen_of_a_shorter_release,
        note="done at the bedside to raise it; passive lungs hold back CO2 as well",
    ),
    Check(
        "venous return when mean pressure falls from 18 to 12",
        "Kaplan et al., Crit Care 2001, cc1027, n = 12",
        "read",
        (1.32, 1.56),
        measured.return_gained,
        1.1353,
        note="cardiac index 3.2 to 4.6; paralysis was stopped as well",
    ),
    Check(
        "CO2 washed out by 12 min of hyperventilation",
        HYPERVENTILATION,
        "read",
        (2400.0, 2600.0),
        measured.washed_out,
        2191.0,
        note="about 2.5 L",
    ),
    Check(
        "share of it back after 12 min",
        HYPERVENTILATION,
        "read",
        (0.28, 0.39),
        measured.taken_back,
        0.4281,
        note="a third",
    ),
    Check(
        "apnoea awake, after the jump",
        "Stock et al., J Clin Anesth 1988;1:96",
        "read",
        (5.5, 6.5),
        lambda: measured.rise(20.0, 80.0, 200.0),
        fitted=True,
        note="6 mmHg/min; production is not printed, 200 mL/min assumed",
    ),
    Check(
        "apnoea under anaesthesia",
        "Eger and Severinghaus, Anesthesiology 1961;22:419",
        "memory",
        (3.0, 4.0),
        lambda: measured.rise(60.0, 300.0, 170.0) / 4.0,
        fitted=True,
        note="about 3.5 mmHg/min; 170 mL/min assumed",
    ),
)


CHECKS = (*MECHANICS, *RELEASE, *EXCHANGE)
