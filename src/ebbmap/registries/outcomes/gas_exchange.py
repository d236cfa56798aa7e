"""CO₂, oxygen and the return of blood."""

from __future__ import annotations

from ebbmap.exchange import circulation, co2, oxygen, steady
from ebbmap.registries.outcomes.entry import Outcome

GAS_EXCHANGE = (
    Outcome(
        "airway_dead_space",
        long_name="airway dead space",
        units="mL",
        source="rule by body weight: Radford 1955 (from memory)",
        compute=co2.airway_dead_space,
    ),
    Outcome(
        "dead_space_fraction",
        long_name="dead space over release volume",
        units="1",
        source="definition of Bohr and Enghoff (VD/VT)",
        comment="Airway, apparatus and alveolar dead space; 1 where no release clears the first "
        "two.",
        compute=co2.dead_space_fraction,
    ),
    Outcome(
        "gas_beyond_dead_space",
        long_name="gas from beyond the dead space in a cycle",
        units="mL",
        source="definition: volume moved less that of the airways; textbook",
        comment="Series dead space (airways, apparatus) taken off once for a passive release. With "
        "the patient's own efforts: of every breath, between and within releases, gas passing "
        "through the dead space unmixed. In first cycles the stepped lung knows what the dead "
        "space still holds; other lungs take it for fresh.",
        compute=co2.gas_beyond_dead_space,
    ),
    Outcome(
        "alveolar_ventilation",
        long_name="alveolar ventilation (BTPS)",
        units="L min-1",
        source="release rate x (release volume - dead space) + own breathing; textbook",
        comment="Own breathing is counted once: what the lung solves for where effort_pressure "
        "or effort_gain is above 0, spontaneous_alveolar_ventilation elsewhere.",
        compute=co2.alveolar_ventilation,
    ),
    Outcome(
        "co2_balance",
        long_name="alveolar ventilation over what a steady state needs, less 1",
        units="1",
        source=f"assumption: no steady state above {steady.HIGHEST_PACO2:g} mmHg of CO2",
        comment="Below 0 CO2 keeps rising: a status of its own, and the outcomes that rest on a "
        "steady state are missing. -1: nothing is ventilated.",
        compute=steady.co2_balance,
    ),
    Outcome(
        "paco2",
        long_name="arterial CO₂ tension",
        units="mmHg",
        source="0.863 VCO2 / VA; textbook",
        comment="Steady state; missing where there is none.",
        compute=steady.steady_paco2,
    ),
    Outcome(
        "arterial_bicarbonate",
        long_name="arterial bicarbonate",
        units="mmol L-1",
        source="textbook rule, from memory: linear in the CO2 tension above 40 mmHg",
        comment="That at 40 mmHg, and what buffers and kidneys add per mmHg.",
        compute=co2.arterial_bicarbonate,
    ),
    Outcome(
        "ph",
        long_name="arterial pH",
        units="1",
        source="Henderson-Hasselbalch; textbook",
        comment="With the arterial bicarbonate, which bicarbonate_buffering lets answer to CO2.",
        compute=co2.ph,
    ),
    Outcome(
        "alveolar_po2",
        long_name="alveolar oxygen tension",
        units="mmHg",
        source="full alveolar gas equation; textbook",
        compute=oxygen.alveolar_po2,
    ),
    Outcome(
        "closed_fraction",
        long_name="closed share of the lung",
        units="1",
        source="assumption: logistic in the mean alveolar pressure",
        comment="Assumed relation. Where units open and close (recruitable_share above 0) the "
        "stepped lung's own: the open fractions at both ends, weighted by time.",
        compute=oxygen.closed_fraction,
    ),
    Outcome(
        "venous_admixture",
        long_name="venous admixture",
        units="1",
        source="baseline plus blood through closed lung; assumption",
        compute=oxygen.venous_admixture,
    ),
    Outcome(
        "arteriovenous_difference",
        long_name="arteriovenous difference of oxygen content",
        units="mL dL-1",
        source="Fick; textbook",
        comment="Cardiac output is given; it does not answer to the pressure in the chest.",
        compute=oxygen.arteriovenous_difference,
    ),
    Outcome(
        "oxygen_balance",
        long_name="arterial oxygen content over what the body takes out, less 1",
        units="1",
        source="shunt equation and conservation of oxygen; textbook",
        comment="Below 0 oxygen runs out, for venous blood would hold less than none: a status of "
        "its own, and the outcomes that rest on a steady state are missing.",
        compute=steady.oxygen_balance,
    ),
    Outcome(
        "arterial_oxygen_content",
        long_name="arterial oxygen content",
        units="mL dL-1",
        source="shunt equation; textbook",
        comment="Steady state; missing where there is none.",
        compute=steady.steady_oxygen_content,
    ),
    Outcome(
        "pao2",
        long_name="arterial oxygen tension",
        units="mmHg",
        source="content curve with Severinghaus, J Appl Physiol 1979;46:599, equation 1, inverted",
        comment="Standard curve, not shifted by pH or CO2.",
        compute=oxygen.pao2,
    ),
    Outcome(
        "spo2",
        long_name="arterial oxygen saturation",
        units="1",
        source="Severinghaus, J Appl Physiol 1979;46:599, equation 1",
        comment="Standard curve, not shifted by pH or CO2; taken to be what an oximeter reads.",
        compute=oxygen.spo2,
    ),
    Outcome(
        "venous_return_change",
        long_name="relative change of the gradient for venous return (index)",
        units="1",
        source="Guyton's equation: Beard and Feigl, Am J Physiol Heart Circ Physiol 2011;301:H629",
        comment="An index: the gradient falls by a given share of the mean pleural pressure, the "
        "resistance stays. -1: no gradient is left.",
        compute=circulation.venous_return_change,
    ),
)
