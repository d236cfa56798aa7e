"""Tables and sentences of a policy: what it yields, and which of its rules fight."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from ebbmap.analyses.common.knowledge import KNOWLEDGE, NOT_ASKED
from ebbmap.digits import share_text
from ebbmap.policies.against import ALONE, CONVENTIONAL, FIXED
from ebbmap.policies.conditions import amount
from ebbmap.policies.findings import Finding
from ebbmap.policies.language import Policy
from ebbmap.policies.yields import policy_holds
from ebbmap.tables.committee.common import WHOLE, groups_of, with_interval
from ebbmap.tables.model import HUNDREDTHS, SHARE, SIGNED_SHARE, TENTHS, Column, Table, table

#: Hours outside a bound from which on it is listed.
LISTED_FROM = 0.05


def findings_table(policy: Policy, findings: list[Finding]) -> Table:
    """Return every finding with its kind and its line."""
    rows = [(one.kind, _where(policy, one), one.sentence) for one in findings]
    title = f"What the rules do to each other and to the lungs: {len(rows)} findings"
    return table(title, ["kind", "line", "finding"], rows, name="findings")


def _where(policy: Policy, finding: Finding) -> str:
    return f"{Path(policy.file).name}:{finding.line}"


def yields_table(yields: xr.Dataset) -> Table:
    """Return who is safe when, who left the mode, and how much work it was."""
    hours = [int(hour) for hour in yields["hour"].values]
    columns = [
        "group",
        Column("wanted", SHARE),
        *(Column(f"safe after {hour} h", SHARE, interval=True) for hour in hours),
        Column("never safe", SHARE),
        Column("left the mode", SHARE, interval=True),
        Column("a setting moved to and fro", SHARE, interval=True),
        Column("changes a day", TENTHS, interval=True),
    ]
    rows = []
    for name in groups_of(yields):
        group = yields.sel(group=name)
        rows.append(
            (
                name,
                float(group["wanted_share"]),
                *(with_interval(group.sel(hour=hour), "safe_share") for hour in hours),
                1.0 - float(group["arrived_share"]),
                with_interval(group, "left_mode_share"),
                with_interval(group, "oscillating_share"),
                with_interval(group, "changes"),
            )
        )
    notes = [
        f"{int(yields['patients'].sel(group=WHOLE)):,} patients; intervals: patients drawn (95 %). "
        f"{_knowledge_words(yields)}",
        *_settled_words(yields),
    ]
    return table(
        "Safe: in the mode and within every hard limit", columns, rows, name="safe_at", notes=notes
    )


def _knowledge_words(yields: xr.Dataset) -> str:
    """Describe what is not known of the populations and how far it moves the share at the end."""
    known = yields.get(f"safe_share{KNOWLEDGE}")
    if known is None:
        return NOT_ASKED
    low, high = known.sel(group=WHOLE).isel(hour=-1).values
    return (
        "What is not known of the populations moves the share of all patients after "
        f"{int(yields['hour'][-1])} h from {share_text(low)} to {share_text(high)} (95 %)."
    )


def _settled_words(yields: xr.Dataset) -> list[str]:
    """Return for how many patients the simulation may leave out start-up cycles."""
    if "settled_share" not in yields:
        return []
    share = float(yields["settled_share"].sel(group=WHOLE))
    return [
        f"Cycles are taken as settled in every minute: a minute after the start "
        f"{share_text(share)} of patients are within 1 % of their settled release volume."
    ]


def against_table(yields: xr.Dataset) -> Table:
    """Return the policy beside each of the others at the last hour, on the same patients."""
    last = yields.isel(hour=-1)
    columns = [
        "beside",
        "group",
        Column("safe by it", SHARE, interval=True),
        Column("gain by the policy", SHARE, interval=True),
        Column("lose by it", SHARE, interval=True),
        Column("change of the safe share", SIGNED_SHARE, interval=True),
        Column("more changes a day", TENTHS),
    ]
    rows = [
        (
            str(name),
            group,
            *(with_interval(here, key) for key in _PAIRED),
            float(here["more_changes"]),
        )
        for name in last["other"].values
        for group in groups_of(last)
        for here in [last.sel(other=name, group=group)]
    ]
    title = f"On the same patients, after {int(last['hour'])} h"
    return table(
        title, columns, rows, name="against", notes=[*_fixed_words(yields), *_left_out(last)]
    )


def _left_out(last: xr.Dataset) -> list[str]:
    """Return why the usual way is not among the others, where it is not."""
    if CONVENTIONAL in last["other"].values:
        return []
    return [
        "Conventional ventilation does not stand beside it: this is that policy, or these patients "
        "lack what it is set by, as their predicted body weight."
    ]


def _fixed_words(yields: xr.Dataset) -> list[str]:
    """Describe which fixed setting was taken for the best one."""
    if "fixed_setting" not in yields:
        return []
    said = [
        amount(str(name), float(value))
        for name, value in yields["fixed_setting"].to_series().items()
    ]
    return [f"Best fixed setting that was found, on other patients: {', '.join(said)}."]


def yields_tables(policy: Policy, yields: xr.Dataset) -> dict[str, Table]:
    """Return every table of what a policy yields, by name."""
    tables = (
        yields_table(yields),
        against_table(yields),
        acted_table(yields),
        outside_table(policy, yields),
    )
    return {one.name: one for one in tables}


def acted_table(yields: xr.Dataset) -> Table:
    """Return how often each rule acts."""
    columns = ["rule", *(Column(name, HUNDREDTHS) for name in groups_of(yields))]
    rows = [
        (str(name), *map(float, yields["acted"].sel(rule=name).values))
        for name in yields["rule"].values
    ]
    return table("How often each rule acts, per patient and day", columns, rows, name="acted")


def moved_sentences(compared: xr.Dataset) -> list[str]:
    """Return who gains and who loses by a policy beside another one, a sentence for each group."""
    (other,) = compared["other"].values
    last = compared.isel(hour=-1).sel(other=other)
    return [_moved(last.sel(group=name), name, str(other)) for name in groups_of(last)]


def _moved(here: xr.Dataset, name: str, other: str) -> str:
    change, low, high = (100.0 * value for value in with_interval(here, "difference"))
    surely = np.isfinite([low, high]).all() and low * high > 0.0
    known = f" ({low:+.1f} to {high:+.1f})" if np.isfinite([low, high]).all() else ""
    verdict = ("more" if change > 0 else "fewer") if surely else "not surely more or fewer"
    return (
        f"{name}: {share_text(float(here['gained_share']))} of patients gain and "
        f"{share_text(float(here['forgone_share']))} lose beside {other} after "
        f"{int(here['hour'])} h; the safe share changes by {change:+.1f} points{known}: {verdict} "
        "are safe."
    )


def outside_table(policy: Policy, yields: xr.Dataset) -> Table:
    """Return how long patients are outside each limit, and how far."""
    columns = [
        "group",
        "limit",
        Column("hours outside, mean", TENTHS, interval=True),
        Column("worst one in twenty", TENTHS),
        Column("distance x hours, mean", TENTHS),
    ]
    rows = []
    for name in groups_of(yields):
        group = yields.sel(group=name)
        for place in np.argsort(-group["hours_outside"].values, kind="stable"):
            here = group.isel(bound=int(place))
            if float(here["hours_outside"]) >= LISTED_FROM:
                rows.append(
                    (
                        name,
                        policy.protocol.limits.hard[int(place)].sentence,
                        with_interval(here, "hours_outside"),
                        float(here["hours_outside_worst"]),
                        float(here["harm"]),
                    )
                )
    return table(
        "Hours outside each hard limit; distance in widths of the limit",
        columns,
        rows,
        name="outside",
    )


def policy_answer(policy: Policy, yields: xr.Dataset, findings: list[Finding]) -> list[str]:
    """Return three sentences: who is brought to safety, whom it fails, which rules fight."""
    last = yields.isel(hour=-1)
    hour = int(last["hour"])
    whole = last.sel(group=WHOLE)
    share, low, high = with_interval(whole, "safe_share")
    verdict = "The policy holds" if policy_holds(yields) else "The policy does not hold"
    return [
        f"{verdict}: in this model {share_text(share)} of patients ({share_text(low)} to "
        f"{share_text(high)}) are safe {hour} h after the start, {_beside(whole)}, and "
        f"{share_text(float(whole['left_mode_share']))} have left the mode.",
        _failed_words(last),
        _fighting_words(findings),
    ]


def _fighting_words(findings: list[Finding]) -> str:
    """Return which pairs of rules fight, and whether patients are left without a rule."""
    opposed = [one for one in findings if one.kind == "contradiction"]
    pairs = list(dict.fromkeys(" and ".join(one.rules) for one in opposed))
    gaps = sum(one.kind == "gap" for one in findings)
    said = f"These rules fight: {_listed(pairs)}." if pairs else "No rules were found to fight."
    if not gaps:
        return said
    places = "one place" if gaps == 1 else f"{gaps} places"
    return f"{said} In {places} no rule answers to what is wrong; see the findings."


def _failed_words(last: xr.Dataset) -> str:
    """Return whom a policy fails: groups that are surely, or perhaps, too seldom safe."""
    surely: list[str] = []
    perhaps: list[str] = []
    for name in groups_of(last):
        share, low, high = with_interval(last.sel(group=name), "safe_share")
        wanted = float(last["wanted_share"].sel(group=name))
        if low < wanted and name != WHOLE:
            (surely if high < wanted else perhaps).append(
                f"{name} {share_text(share)}, where {share_text(wanted)} is wanted"
            )
    said = [f"Fewer than wanted are safe among these: {'; '.join(surely)}."] if surely else []
    said += [f"It is not sure that enough are safe among {'; '.join(perhaps)}."] if perhaps else []
    return " ".join(said) or "In every group surely as many are safe as wanted."


def _beside(whole: xr.Dataset) -> str:
    """Return the share by each of the others, in words."""
    return ", ".join(
        f"{share_text(float(whole['other_share'].sel(other=name)))} {_BESIDE[str(name)]}"
        for name in whole["other"].values
    )


def _listed(names: list[str], most: int = 4) -> str:
    more = f" and {len(names) - most} more pairs" if len(names) > most else ""
    return ", ".join(names[:most]) + more


_PAIRED = ("other_share", "gained_share", "forgone_share", "difference")

_BESIDE = {
    ALONE: "with the start left alone",
    FIXED: "at the best fixed setting",
    CONVENTIONAL: "on conventional ventilation",
}


def policy_notes(policy: Policy) -> list[str]:
    """Return what the source leaves out, what is ours, and how bodies answer in time."""
    body, own = policy.body, policy.body.breathing
    return [
        f"Source: {policy.source}.",
        f"The source leaves out: {'; '.join(policy.leaves_out) or 'nothing that is known'}.",
        f"The project's own: {'; '.join(policy.own) or 'nothing'}.",
        "Bodies, the project's own where the file does not say: CO₂ stores "
        f"{body.co2_store_fast:g} and {body.co2_store_slow:g} mL/mmHg, exchange "
        f"{body.co2_store_exchange:g} mL/min/mmHg, "
        f"PaCO₂ {body.paco2_start:g} mmHg at the start; oxygen up {body.oxygen_up:g} and down "
        f"{body.oxygen_down:g} /min; lung closes in {body.closing:g} and opens in {body.opening:g} "
        f"min; own breathing {own.slope:g} L/min/mmHg (log SD {own.spread:g}) above "
        f"{own.threshold:g} to {own.threshold + own.above:g} mmHg, at most {own.at_most:g} L/min.",
        "Simulated: the first rule that calls and can move something acts; every instruction is "
        f"followed. Sedation and the circulation are held. {_disease_words(policy)}",
    ]


def _disease_words(policy: Policy) -> str:
    """Describe how the disease of patients changes."""
    if not policy.disease:
        return "So is the disease."
    said = (
        f"{one.name} x {', '.join(f'{value:g}' for value in one.factors)} at "
        f"{', '.join(f'{hour:g}' for hour in one.hours)} h"
        for one in policy.disease
    )
    return f"The disease, as the file states it: {'; '.join(said)}; solved again every hour."
