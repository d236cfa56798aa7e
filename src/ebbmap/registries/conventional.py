"""Entries of what conventional ventilation is compared with, buffers, opening and compressed gas.

Fields of `Parameter` and `Outcome`, by name, for the two registries that hold them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ebbmap.exchange import co2, compression, conventional

_KAPLAN = "Kaplan et al., Crit Care 2001 (cc1027)"
_BOONE = "Boone et al., Neurocrit Care 2017;26:174"
_BOYLE = "Boyle's law; textbook"

PARAMETERS: tuple[Mapping[str, Any], ...] = (
    dict(
        name="conventional_mean_pressure",
        symbol=r"\bar P_\mathrm{aw,conv}",
        long_name="mean airway pressure of the patient's conventional ventilation",
        units="cmH2O",
        low=0.0,
        high=60.0,
        usual_low=8.0,
        usual_high=22.0,
        default=16.0,
        kind="patient",
        source=f"assumption: what the monitor showed before; 18 (inverse ratio) in {_KAPLAN}",
        short_name="conventional mean pressure",
    ),
    dict(
        name="intracranial_pressure_slope",
        symbol=r"k_\mathrm{ICP}",
        long_name="intracranial pressure per airway pressure",
        units="mmHg cmH2O-1",
        low=0.0,
        high=2.0,
        usual_low=0.07,
        usual_high=0.54,
        default=0.31,
        kind="patient",
        source=f"0.31 (0.07 to 0.54) per cmH2O of PEEP, in severe lung injury only: {_BOONE}",
        short_name="intracranial pressure slope",
    ),
    dict(
        name="bicarbonate_buffering",
        symbol=r"\beta_\mathrm{HCO_3}",
        long_name="bicarbonate gained per CO₂ tension",
        units="mmol L-1 mmHg-1",
        low=0.0,
        high=1.0,
        usual_low=0.0,
        usual_high=0.4,
        default=0.1,
        kind="patient",
        source="textbook rules, from memory: 0.1 within minutes (buffers), 0.35 to 0.4 after days "
        "(kidneys), above 40 mmHg; 0: bicarbonate is held",
        short_name="bicarbonate buffering",
    ),
    dict(
        name="opening_speed",
        symbol=r"v_\mathrm{open}/v_\mathrm{close}",
        long_name="how many times faster units open than close",
        units="1",
        low=0.01,
        high=1000.0,
        usual_low=1.0,
        usual_high=20.0,
        default=10.0,
        kind="lung property",
        source="about 10 in mice with acute lung injury (a model of recruitment, read); sets "
        "opening_time_constant = closing_time_constant / this; patients: assumption",
        short_name="opening speed",
    ),
)

OUTCOMES: tuple[Mapping[str, Any], ...] = (
    dict(
        name="mean_pressure_change",
        symbol=r"\Delta\bar P_\mathrm{aw}",
        long_name="mean airway pressure less that of conventional ventilation",
        units="cmH2O",
        source="definition",
        compute=conventional.mean_pressure_change,
        comment="+3.1 (2.1 to 4.1) in Ibarra-Estrada et al., Crit Care Med 2022;50:586; from 18 "
        f"to 12 in {_KAPLAN}: what was compared with decides.",
    ),
    dict(
        name="venous_return_from_conventional",
        symbol=r"\Delta\dot Q_\mathrm{v,conv}/\dot Q_\mathrm{v}",
        long_name="relative change of venous return from conventional ventilation (index)",
        units="1",
        source="Guyton's equation: Beard and Feigl, Am J Physiol Heart Circ Physiol 2011;301:H629",
        compute=conventional.venous_return_from_conventional,
        comment="An index: what venous_return_change leaves over what the mean airway pressure of "
        "conventional ventilation leaves. -1: no gradient is left.",
    ),
    dict(
        name="intracranial_pressure_change",
        symbol=r"\Delta\mathrm{ICP}",
        long_name="change of intracranial pressure from conventional ventilation",
        units="mmHg",
        source=f"per cmH2O of PEEP: {_BOONE}",
        compute=conventional.intracranial_pressure_change,
        comment="Measured for PEEP and in severe lung injury only; that a mean pressure acts alike "
        "is an assumption. What CO2 does to the brain's vessels is not in it.",
    ),
    dict(
        name="ventilatory_ratio",
        symbol=r"\mathrm{VR}",
        long_name="ventilatory ratio",
        units="1",
        source="Sinha et al.: ventilation x PaCO2 / (weight x 100 mL/min/kg x 37.5 mmHg)",
        compute=conventional.ventilatory_ratio,
        comment="1 in health, 1.6 to 2.1 in lung injury (Grieco et al., Crit Care 2020;24:529). "
        "Own breathing counts by its alveolar part; efforts that a lung solves for are left out.",
    ),
    dict(
        name="arterial_bicarbonate",
        symbol=r"[\mathrm{HCO_3^-}]_\mathrm{a}",
        long_name="arterial bicarbonate",
        units="mmol L-1",
        source="textbook rule, from memory: linear in the CO2 tension above 40 mmHg",
        compute=co2.arterial_bicarbonate,
        comment="That at 40 mmHg, and what buffers and kidneys add per mmHg.",
    ),
    dict(
        name="expanded_volume",
        symbol=r"\Delta V_\mathrm{exp}",
        long_name="gas that expansion adds to the release at the airway opening",
        units="mL",
        source=_BOYLE,
        compute=compression.expanded_volume,
        comment="Left out of all volumes and flows: the lungs solve for the volume of the chest.",
    ),
    dict(
        name="expanded_share",
        symbol=r"\Delta V_\mathrm{exp}/V_\mathrm{rel}",
        long_name="gas that expansion adds, over the release volume",
        units="1",
        source=_BOYLE,
        compute=compression.expanded_share,
        comment="Left out of all volumes and flows: the lungs solve for the volume of the chest.",
    ),
)
