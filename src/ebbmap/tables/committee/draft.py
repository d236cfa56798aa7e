"""Tables of what a committee wrote: the draft, its limits, its lungs."""

from __future__ import annotations

from ebbmap.committee.draft import SETTINGS
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.words import say_eligible, say_setting
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.model import STATED_SHARE, Column, Table, table
from ebbmap.tables.registries import distribution_text
from ebbmap.units import display


def draft_table(protocol: Protocol) -> Table:
    """Return what the draft sets, who gets the mode, and what is held."""
    rows = [(PARAMETERS[name].long_name, say_setting(protocol.draft, name)) for name in SETTINGS]
    rows.append(("who gets the mode", say_eligible(protocol)))
    for name, value in protocol.fixed.items():
        rows.append((PARAMETERS[name].long_name, PARAMETERS[name].say(float(value))))
    rows.append(("lung model", protocol.lung.long_name))
    return table("The draft", ["setting", "draft"], rows, name="draft")


def limit_table(limits: LimitSet) -> Table:
    """Return every limit with its severity and source."""
    rows = []
    for bound in (*limits.hard, *limits.caution):
        outcome = OUTCOMES[bound.outcome]
        side = "below" if bound.side == "low" else "above"
        value = f"{side} {outcome.amount(bound.value)}"
        rows.append((outcome.long_name, value, bound.severity, bound.why))
    heads = ["outcome", "must not be", "severity", "source"]
    return table(f"Limits: {limits.long_name}", heads, rows, name="limits")


def population_table(protocol: Protocol) -> Table:
    """Return the distribution of every property that enters the check, with its source."""
    rows = [
        (
            group.name,
            group.weight,
            PARAMETERS[name].long_name,
            f"{distribution_text(marginal)} {display(PARAMETERS[name].units)}".rstrip(),
            marginal.confirmed,
            marginal.source,
        )
        for group in protocol.groups
        for name, marginal in group.population.marginals.items()
        if name in protocol.properties
    ]
    heads = [
        "group",
        Column("weight", STATED_SHARE),
        "property",
        "distribution",
        "confirmed",
        "source",
    ]
    title = "Invented lungs: distributions and their sources"
    return table(title, heads, rows, name="populations")
