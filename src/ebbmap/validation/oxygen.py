"""Published admixture, oxygen and circulation."""

from __future__ import annotations

from functools import partial

from ebbmap.validation import measured
from ebbmap.validation.finding import Finding, of_mean
from ebbmap.validation.sources import ADMIXTURE, HABASHI, IBARRA_ESTRADA

OXYGEN = (
    Finding(
        "default: admixture of open lung",
        "anaesthesia question book",
        "read",
        (0.035, 0.055),
        partial(measured.used, "shunt_baseline"),
        fitted=True,
        note="4 to 5 % in health",
    ),
    Finding(
        "restrictive: admixture at the lower pressure",
        ADMIXTURE,
        "read",
        of_mean(0.37, 0.13, 11),
        partial(measured.admixture, 10.0),
        fitted=True,
        note="mean alveolar pressures of 10 and 20 are assumed",
    ),
    Finding(
        "restrictive: admixture at the higher pressure",
        ADMIXTURE,
        "read",
        of_mean(0.27, 0.12, 11),
        partial(measured.admixture, 20.0),
        fitted=True,
    ),
    Finding(
        "restrictive: fall of the admixture",
        ADMIXTURE,
        "read",
        (0.06, 0.11),
        partial(measured.admixture_fall, 10.0, 20.0),
        fitted=True,
        note="0.10 and 0.07 by two measures, each rounded",
    ),
    Finding(
        "restrictive: admixture of open lung",
        ADMIXTURE,
        "read",
        of_mean(0.074, 0.045, 11),
        partial(measured.mean, "restrictive", "shunt_baseline"),
        fitted=True,
        note="closed lung comes on top, once",
    ),
    Finding(
        "normal: admixture of open lung",
        "anaesthesia question book",
        "read",
        (0.035, 0.055),
        partial(measured.mean, "normal", "shunt_baseline"),
        fitted=True,
        note="4 to 5 %, to half of the printed digit",
    ),
    Finding(
        "restrictive: P/F for 3.1 cmH2O more mean pressure",
        IBARRA_ESTRADA,
        "read",
        (13.0, 38.0),
        measured.oxygen_response,
        units="mmHg",
        fitted=True,
        note="breathing 3 L/min, P high 20: both assumed",
    ),
    Finding(
        "restrictive: PaO2 when T low is 0.05 s shorter",
        HABASHI,
        "read",
        (0.0, 100.0),
        measured.oxygen_of_a_shorter_release,
        units="mmHg",
        note="done at the bedside to raise it; passive lungs hold back CO2 as well",
    ),
)


CIRCULATION = (
    Finding(
        "venous return when mean pressure falls from 18 to 12",
        "Kaplan et al., Crit Care 2001, cc1027, n = 12",
        "read",
        (1.32, 1.56),
        measured.return_gained,
        note="cardiac index 3.2 to 4.6",
        why="paralysis was stopped as well; the lung's pressure alone is modelled",
    ),
    Finding(
        "severe injury: intracranial pressure per cmH2O of PEEP",
        "Boone et al., Neurocrit Care 2017;26:174, n = 341",
        "read",
        (0.07, 0.54),
        None,
        units="mmHg cmH2O-1",
        why="not modelled but taken from here as a slope",
    ),
)
