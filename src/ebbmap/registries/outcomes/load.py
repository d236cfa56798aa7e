"""Strain and mechanical power."""

from __future__ import annotations

from ebbmap.exchange import load
from ebbmap.registries.outcomes.entry import Outcome

LOAD = (
    Outcome(
        "dynamic_strain",
        long_name="dynamic strain",
        units="1",
        bounds=(0.0, 500.0),
        usual=(0.05, 3.0),
        source="Gattinoni et al., Curr Opin Crit Care 2012: volume over resting volume",
        compute=load.dynamic_strain,
    ),
    Outcome(
        "total_strain",
        long_name="total strain",
        units="1",
        bounds=(0.0, 500.0),
        usual=(0.1, 4.0),
        source="Gattinoni et al., Curr Opin Crit Care 2012: volume over resting volume",
        comment="Volume at the end of T high over the resting volume at atmospheric pressure: "
        "what P low holds and what is trapped count alike, as static strain.",
        compute=load.total_strain,
    ),
    Outcome(
        "mechanical_power",
        long_name="mechanical power",
        units="J min-1",
        bounds=(0.0, 10000.0),
        usual=(2.0, 60.0),
        source="area of the inflation limb from atmospheric pressure x release rate",
        comment="The part below P low is counted, as PEEP is in limits.",
        compute=load.mechanical_power,
    ),
    Outcome(
        "mechanical_power_above_p_low",
        long_name="mechanical power above P low",
        units="J min-1",
        bounds=(0.0, 10000.0),
        usual=(2.0, 60.0),
        source="area of the pressure-volume loop x release rate",
        compute=load.mechanical_power_above_p_low,
    ),
    Outcome(
        "elastic_power",
        long_name="elastic part of the mechanical power",
        units="J min-1",
        bounds=(0.0, 10000.0),
        usual=(1.0, 60.0),
        source="area under the recoil of a linear lung x release rate",
        compute=load.elastic_power,
    ),
    Outcome(
        "resistive_power",
        long_name="resistive part of the mechanical power",
        units="J min-1",
        bounds=(-1000.0, 10000.0),
        usual=(0.5, 60.0),
        source="mechanical power less its elastic part",
        compute=load.resistive_power,
    ),
    Outcome(
        "mechanical_power_simplified",
        long_name="mechanical power, published simplified form",
        units="J min-1",
        bounds=(0.0, 10000.0),
        usual=(2.0, 60.0),
        source="Becher et al., Intensive Care Med 2019;45:1321 (from memory)",
        compute=load.mechanical_power_simplified,
    ),
    Outcome(
        "mechanical_power_filling",
        long_name="mechanical power, published form with the filled fraction",
        units="J min-1",
        bounds=(0.0, 10000.0),
        usual=(2.0, 60.0),
        source="van der Meijden et al., 2019 (from memory)",
        compute=load.mechanical_power_filling,
    ),
)
