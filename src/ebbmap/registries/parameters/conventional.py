"""What the patient's conventional ventilation was, and what is compared with it."""

from __future__ import annotations

from ebbmap.registries.parameters.entry import Parameter

_KAPLAN = "Kaplan et al., Crit Care 2001 (cc1027)"
_BOONE = "Boone et al., Neurocrit Care 2017;26:174"

CONVENTIONAL = (
    Parameter(
        "conventional_mean_pressure",
        long_name="mean airway pressure of the patient's conventional ventilation",
        short_name="conventional mean pressure",
        units="cmH2O",
        bounds=(0.0, 60.0),
        usual=(8.0, 22.0),
        default=16.0,
        kind="patient",
        source=f"assumption: what the monitor showed before; 18 (inverse ratio) in {_KAPLAN}",
    ),
    Parameter(
        "intracranial_pressure_slope",
        long_name="intracranial pressure per airway pressure",
        short_name="intracranial pressure slope",
        units="mmHg cmH2O-1",
        bounds=(0.0, 2.0),
        usual=(0.07, 0.54),
        default=0.31,
        kind="patient",
        source=f"0.31 (0.07 to 0.54) per cmH2O of PEEP, in severe lung injury only: {_BOONE}",
    ),
)
