"""Circulation, head and ventilation against conventional ventilation; gas that expands."""

from __future__ import annotations

from ebbmap.exchange import compression, conventional
from ebbmap.registries.outcomes.entry import Outcome

_KAPLAN = "Kaplan et al., Crit Care 2001 (cc1027)"
_BOONE = "Boone et al., Neurocrit Care 2017;26:174"
_BOYLE = "Boyle's law; textbook"

CONVENTIONAL = (
    Outcome(
        "mean_pressure_change",
        long_name="mean airway pressure less that of conventional ventilation",
        units="cmH2O",
        bounds=(-80.0, 80.0),
        source="definition",
        comment="+3.1 (2.1 to 4.1) in Ibarra-Estrada et al., Crit Care Med 2022;50:586; from 18 "
        f"to 12 in {_KAPLAN}: what was compared with decides.",
        compute=conventional.mean_pressure_change,
    ),
    Outcome(
        "venous_return_from_conventional",
        long_name="relative change of venous return from conventional ventilation (index)",
        units="1",
        bounds=(-1.0, 100000.0),
        usual=(-1.0, 0.5),
        source="Guyton's equation: Beard and Feigl, Am J Physiol Heart Circ Physiol 2011;301:H629",
        comment="An index: what venous_return_change leaves over what the mean airway pressure of "
        "conventional ventilation leaves. -1: no gradient is left.",
        compute=conventional.venous_return_from_conventional,
    ),
    Outcome(
        "intracranial_pressure_change",
        long_name="change of intracranial pressure from conventional ventilation",
        units="mmHg",
        bounds=(-200.0, 200.0),
        source=f"per cmH2O of PEEP: {_BOONE}",
        comment="Measured for PEEP and in severe lung injury only; that a mean pressure acts alike "
        "is an assumption. What CO2 does to the brain's vessels is not in it.",
        compute=conventional.intracranial_pressure_change,
    ),
    Outcome(
        "ventilatory_ratio",
        long_name="ventilatory ratio",
        units="1",
        bounds=(0.0, 1000.0),
        usual=(0.5, 5.0),
        source="Sinha et al.: ventilation x PaCO2 / (weight x 100 mL/min/kg x 37.5 mmHg)",
        comment="1 in health, 1.6 to 2.1 in lung injury (Grieco et al., Crit Care 2020;24:529). "
        "Own breathing counts by its alveolar part; efforts that a lung solves for are left out.",
        compute=conventional.ventilatory_ratio,
    ),
    Outcome(
        "expanded_volume",
        long_name="gas that expansion adds to the release at the airway opening",
        units="mL",
        bounds=(0.0, 100000.0),
        usual=(1.0, 300.0),
        source=_BOYLE,
        comment="Left out of all volumes and flows: the lungs solve for the volume of the chest.",
        compute=compression.expanded_volume,
    ),
    Outcome(
        "expanded_share",
        long_name="gas that expansion adds, over the release volume",
        units="1",
        bounds=(0.0, 10.0),
        usual=(0.001, 0.5),
        source=_BOYLE,
        comment="Left out of all volumes and flows: the lungs solve for the volume of the chest.",
        compute=compression.expanded_share,
    ),
)
