"""Tables and sentences of a policy: what it yields, and which of its rules fight."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.policies.findings import Finding
from ebbmap.policies.language import Policy
from ebbmap.policies.yields import HOURS
from ebbmap.tables.committee.common import WHOLE, groups_of, with_interval
from ebbmap.tables.model import SHARE, TENTHS, Column, Table, table

#: Findings that stop a rule or set it against another one: those that the answer names.
FIGHTING = ("contradiction", "gap", "never_fires")

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
        Column(f"after {hours[-1]} h with the start left alone", SHARE, interval=True),
        Column("never safe", SHARE),
        Column("left the mode", SHARE, interval=True),
        Column("a setting moved to and fro", SHARE),
        Column("changes a day", TENTHS),
    ]
    rows = []
    for name in groups_of(yields):
        group = yields.sel(group=name)
        rows.append(
            (
                name,
                float(group["wanted_share"]),
                *(with_interval(group.sel(hour=hour), "safe_share") for hour in hours),
                with_interval(group.isel(hour=-1), "alone_share"),
                1.0 - float(group["arrived_share"]),
                with_interval(group, "left_mode_share"),
                float(group["oscillating_share"]),
                float(group["changes"]),
            )
        )
    notes = [
        f"{int(yields['patients'].sel(group=WHOLE)):,} patients; intervals: patients drawn (95 %). "
        "What is not known of the populations is not in them."
    ]
    return table(
        "Safe: in the mode and within every hard limit", columns, rows, name="safe_at", notes=notes
    )


def outside_table(policy: Policy, yields: xr.Dataset) -> Table:
    """Return how long patients are outside each limit, and how far."""
    columns = [
        "group",
        "limit",
        Column("hours outside, mean", TENTHS),
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
                        float(here["hours_outside"]),
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
    by_group = {name: float(last["safe_share"].sel(group=name)) for name in groups_of(yields)}
    failed = [
        name
        for name, value in by_group.items()
        if name != WHOLE and value < float(last["wanted_share"].sel(group=name))
    ]
    names = "; ".join(f"{name} {by_group[name]:.0%}" for name in failed)
    fighting = [one for one in findings if one.kind in FIGHTING]
    pairs = dict.fromkeys(
        " and ".join(one.rules) for one in findings if one.kind == "contradiction"
    )
    return [
        f"In this model {share:.0%} of patients ({low:.0%} to {high:.0%}) are safe {hour} h after "
        f"the start, {float(whole['alone_share']):.0%} with the start left alone, and "
        f"{float(whole['left_mode_share']):.0%} have left the mode.",
        f"Fewer than wanted are safe among these: {names}."
        if failed
        else "In no group are fewer safe than wanted.",
        f"{len(fighting)} of {len(findings)} findings set rules against each other or leave "
        f"patients without one: {_listed(list(pairs))}."
        if fighting
        else "No rules were found to fight.",
    ]


def _listed(names: list[str], most: int = 4) -> str:
    more = f" and {len(names) - most} more pairs" if len(names) > most else ""
    return ", ".join(names[:most]) + more or "no pair is opposed"


_SAFE_KEYS = ("share", "interval", "knowledge_interval", "left_alone", "gained", "forgone")


def policy_document(policy: Policy, yields: xr.Dataset) -> dict[str, Any]:
    """Return what a policy yields in each group as plain data."""
    return {name: _group(policy, yields.sel(group=name)) for name in groups_of(yields)}


def _group(policy: Policy, group: xr.Dataset) -> dict[str, Any]:
    reasons = [one.words for one in policy.criteria]
    return {
        "patients": int(group["patients"]),
        "wanted": float(group["wanted_share"]),
        "safe_at": {str(hour): _safe_at(group, hour) for hour in HOURS},
        "never_safe": 1.0 - float(group["arrived_share"]),
        "first_safe": float(group["first_safe"]),
        "left_the_mode": float(group["left_mode_share"]),
        "left_interval": group["left_mode_share_interval"].values,
        "left_because": [
            {"criterion": words, "share": float(share)}
            for words, share in zip(reasons, group["left_share"].values, strict=True)
        ],
        "oscillating": float(group["oscillating_share"]),
        "changes_a_day": float(group["changes"]),
        "outside": [
            {
                "limit": str(bound),
                "hours": float(group["hours_outside"][i]),
                "worst": float(group["hours_outside_worst"][i]),
                "harm": float(group["harm"][i]),
            }
            for i, bound in enumerate(group["bound"].values)
        ],
    }


def _safe_at(group: xr.Dataset, hour: int) -> dict[str, Any]:
    if hour not in group["hour"].values:
        return {**dict.fromkeys(_SAFE_KEYS), "interval": [None, None]}
    here = group.sel(hour=hour)
    share, *ends = with_interval(here, "safe_share")
    others = [float(here[f"{name}_share"]) for name in ("alone", "gained", "forgone")]
    return dict(zip(_SAFE_KEYS, [share, ends, None, *others], strict=True))


def findings_document(policy: Policy, findings: Iterable[Finding]) -> list[dict[str, Any]]:
    """Return findings as plain data."""
    return [
        {
            "kind": one.kind,
            "where": f"{policy.file}:{one.line}",
            "sentence": one.sentence,
            "rules": list(one.rules),
            "region": None if one.region is None else one.region.written(),
        }
        for one in findings
    ]


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
        "followed. Sedation, the circulation and the course of the disease are held.",
    ]
