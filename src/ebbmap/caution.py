"""The one line that every report, figure and first output carries."""

CAUTION = (
    "Research and teaching only, not for setting a ventilator: "
    "local protocols and licensed clinicians decide."
)

CONTRAINDICATIONS = (
    "severe obstructive disease",
    "raised intracranial pressure",
    "unstable circulation",
    "uncontrolled strong efforts",
    "CO₂ as the main problem",
)
