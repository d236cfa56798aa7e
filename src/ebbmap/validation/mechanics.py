"""Published compliances, resistances and shares of the chest wall."""

from __future__ import annotations

from functools import partial

from ebbmap.validation import measured
from ebbmap.validation.finding import Finding, of_mean, of_median
from ebbmap.validation.sources import ANAESTHETISED, ARNAL, IBARRA_ESTRADA

MECHANICS = (
    Finding(
        "normal: compliance",
        ARNAL,
        "transcription",
        of_median(54, 44, 64, 138),
        partial(measured.middle, "normal", "compliance"),
        units="mL cmH2O-1",
        fitted=True,
    ),
    Finding(
        "normal: compliance, other patients",
        "Rev Bras Ter Intensiva 2020;32(3), n = 66",
        "read",
        of_mean(42.1, 13.7, 66),
        partial(measured.mean, "normal", "compliance"),
        units="mL cmH2O-1",
        why="set by the other series; the two disagree with each other",
    ),
    Finding(
        "restrictive: compliance",
        "Vandenbunder et al., Crit Care 2021, doi 10.1186/s13054-020-03433-0",
        "read",
        of_mean(37.6, 13, 372),
        partial(measured.mean, "restrictive", "compliance"),
        units="mL cmH2O-1",
        fitted=True,
    ),
    Finding(
        "restrictive: compliance, other patients",
        "Beloncle et al., Crit Care 2021, COVID-19, day 1",
        "read",
        of_median(35, 28, 44, 112),
        partial(measured.middle, "restrictive", "compliance"),
        units="mL cmH2O-1",
    ),
    Finding(
        "compliance gained by treated patients",
        IBARRA_ESTRADA,
        "read",
        (0.2, 7.2),
        None,
        units="mL cmH2O-1",
        why="lungs here do not change over days",
    ),
    Finding(
        "obstructive: compliance",
        ARNAL,
        "transcription",
        of_median(59, 43, 75, 40),
        partial(measured.middle, "obstructive", "compliance"),
        units="mL cmH2O-1",
        fitted=True,
    ),
    Finding(
        "normal: inspiratory resistance",
        ARNAL,
        "transcription",
        of_median(13, 10, 15, 138),
        partial(measured.middle, "normal", "resistance_insp"),
        units="cmH2O s L-1",
        why="set to 12, where the table says 13",
    ),
    Finding(
        "restrictive: inspiratory resistance",
        "Nezami et al., Crit Care Explor 2022;4:e0669",
        "read",
        of_median(12, 10, 16, 55),
        partial(measured.middle, "restrictive", "resistance_insp"),
        units="cmH2O s L-1",
    ),
    Finding(
        "obstructive: inspiratory resistance",
        ARNAL,
        "transcription",
        of_median(22, 16, 33, 40),
        partial(measured.middle, "obstructive", "resistance_insp"),
        units="cmH2O s L-1",
    ),
    Finding(
        "normal: chest wall's share",
        ANAESTHETISED,
        "derived",
        of_mean(0.37, 0.10, 9),
        partial(measured.mean, "normal", "chest_wall_share"),
        why="one half was assumed",
    ),
    Finding(
        "obstructive: chest wall's share",
        "Anesthesiology 1999;91:1221, n = 9, normal lungs, for want of others",
        "derived",
        of_mean(0.37, 0.10, 9),
        partial(measured.mean, "obstructive", "chest_wall_share"),
        why="one half was assumed",
    ),
    Finding(
        "restrictive: chest wall's share",
        "acute respiratory failure, n = 15: Chest 1981;80:304",
        "read",
        (0.32, 0.36),
        partial(measured.mean, "restrictive", "chest_wall_share"),
        note="34 +/- 2 %, not said whether SD or SE",
        why="set between 0.20 and 0.47 of another series (Gattinoni 1998)",
    ),
    Finding(
        "specific elastance of injured lungs",
        "Chiumello et al., Am J Respir Crit Care Med 2008;178:346",
        "memory",
        (9.4, 17.6),
        measured.specific_elastance,
        units="cmH2O",
        note="13.5 +/- 4.1",
        why="the default resting volume is not a small injured lung's",
    ),
    Finding(
        "weight by which tidal volumes are given",
        "PRoVENT, Simonis et al., Ann Intensive Care 2018: 500 mL and 7.9 mL/kg, n = 935",
        "derived",
        (60.0, 66.5),
        partial(measured.mean, "normal", "predicted_body_weight"),
        units="kg",
        note="a ratio of two medians: to 5 %",
    ),
)
