"""The parts of a lung of two compartments."""

from __future__ import annotations

from ebbmap.registries.outcomes.entry import Outcome

TWO_COMPARTMENTS = "two-compartment closed form"

COMPARTMENTS = (
    Outcome(
        "trapped_volume_fast",
        long_name="trapped volume in the fast compartment",
        units="mL",
        bounds=(0.0, 100000.0),
        usual=(20.0, 2000.0),
        source=TWO_COMPARTMENTS,
        comment="Gas above the volume at P low when the release ends.",
    ),
    Outcome(
        "trapped_volume_slow",
        long_name="trapped volume in the slow compartment",
        units="mL",
        bounds=(0.0, 100000.0),
        usual=(20.0, 2000.0),
        source=TWO_COMPARTMENTS,
        comment="Gas above the volume at P low when the release ends.",
    ),
    Outcome(
        "auto_peep_fast",
        long_name="auto-PEEP of the fast compartment",
        units="cmH2O",
        bounds=(-40.0, 80.0),
        usual=(1.0, 20.0),
        source=TWO_COMPARTMENTS,
        comment="The compartment's own pressure above P low when the release ends.",
    ),
    Outcome(
        "auto_peep_slow",
        long_name="auto-PEEP of the slow compartment",
        units="cmH2O",
        bounds=(-40.0, 80.0),
        usual=(1.0, 20.0),
        source=TWO_COMPARTMENTS,
        comment="The compartment's own pressure above P low when the release ends.",
    ),
    Outcome(
        "pendelluft_volume",
        long_name="pendelluft volume",
        units="mL",
        bounds=(0.0, 100000.0),
        usual=(5.0, 500.0),
        source=TWO_COMPARTMENTS,
        comment="Gas per cycle that one compartment takes in while the airway opening lets gas "
        "out, or gives off while it lets gas in: it moves between the compartments.",
    ),
    Outcome(
        "slow_exhaled_fraction",
        long_name="exhaled fraction of the slow compartment",
        units="1",
        bounds=(0.0, 1.0),
        usual=(0.02, 1.0),
        source=TWO_COMPARTMENTS,
        comment="Gas the slow compartment lets out over what it would in an endless release.",
    ),
)
