"""What a release can do to a patient, as one set of limits: no rule for T low is among them."""

from __future__ import annotations

from ebbmap.registries.bounds import ALKALAEMIA, ARDSNET, COMMON, Limit, LimitSet

_OVERDISTENDED = "at most 20 to 25: review PMC5537111"

#: Pressure, stretch, gas that stays, lung that closes, CO2, oxygen and circulation. Gas that stays
#: is judged once, as the pressure at the end of a release, not as auto-PEEP beside it.
HARM = LimitSet(
    "harm",
    long_name="harm to lung, blood and circulation, whatever the rule for T low",
    limits=(
        Limit(
            "end_high_pressure",
            high=30.0,
            why=f"{ARDSNET}: plateau held at 25 to 30; "
            "P high not above 30: Zhou et al., Intensive Care Med 2017;43:1648",
        ),
        Limit("end_high_transpulmonary_pressure", high=25.0, why=_OVERDISTENDED),
        Limit(
            "end_high_transpulmonary_pressure", high=20.0, severity="caution", why=_OVERDISTENDED
        ),
        Limit(
            "driving_pressure",
            high=18.0,
            severity="caution",
            why="18 or more linked to right-ventricular failure (guidance page)",
        ),
        Limit("release_volume_per_kg", high=8.0, why=f"{ARDSNET}: tidal volume 4 to 8 mL/kg"),
        Limit(
            "end_release_pressure",
            low=5.0,
            why="closing pressures have their mode at 5: Crotti et al., "
            "Am J Respir Crit Care Med 2001;164:131",
        ),
        Limit("end_release_pressure", high=15.0, severity="caution", why=COMMON),
        Limit(
            "alveolar_ventilation",
            low=0.1,
            width=1.0,
            why="assumption: less clears no resting CO₂ production",
        ),
        Limit(
            "ph",
            low=7.20,
            width=0.40,
            why="below 7.20 as the trigger to act in permissive hypercapnia (guidance pages)",
        ),
        # within the hard limits only own breathing that is stated and never yields leads here
        Limit("ph", high=7.60, width=0.40, severity="caution", why=ALKALAEMIA),
        Limit("spo2", low=0.88, width=0.07, why=f"{ARDSNET} (from memory)"),
        Limit("venous_return_change", low=-0.3, severity="caution", why="assumption"),
    ),
)
