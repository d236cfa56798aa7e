"""What a policy yields, and how two of them differ, as plain data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import xarray as xr

from ebbmap.analyses.common.knowledge import KNOWLEDGE
from ebbmap.policies.language import Policy
from ebbmap.policies.yields import HOURS
from ebbmap.tables.committee.common import groups_of


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
        "arrived": {"share": float(group["arrived_share"]), **_intervals(group, "arrived_share")},
        "first_safe": float(group["first_safe"]),
        "left_the_mode": float(group["left_mode_share"]),
        "left_interval": group["left_mode_share_interval"].values,
        "left_knowledge_interval": _intervals(group, "left_mode_share")["knowledge_interval"],
        "left_because": [
            {"criterion": words, "share": float(share)}
            for words, share in zip(reasons, group["left_share"].values, strict=True)
        ],
        "oscillating": {
            "share": float(group["oscillating_share"]),
            **_intervals(group, "oscillating_share"),
        },
        "changes_a_day": {"mean": float(group["changes"]), **_intervals(group, "changes")},
        "against": against_document(group),
        "outside": [
            {
                "limit": str(bound),
                "hours": float(group["hours_outside"][i]),
                "interval": group["hours_outside_interval"][i].values,
                "worst": float(group["hours_outside_worst"][i]),
                "harm": float(group["harm"][i]),
            }
            for i, bound in enumerate(group["bound"].values)
        ],
    }


def _safe_at(group: xr.Dataset, hour: int) -> dict[str, Any]:
    if hour not in group["hour"].values:
        nothing = [None, None]
        return {"share": None, "interval": nothing, "knowledge_interval": nothing}
    here = group.sel(hour=hour)
    return {"share": float(here["safe_share"]), **_intervals(here, "safe_share")}


def _intervals(here: xr.Dataset, name: str) -> dict[str, Any]:
    """Return both intervals of a share; that of knowledge has no ends where nobody asked."""
    known = here.get(f"{name}{KNOWLEDGE}")
    return {
        "interval": here[f"{name}_interval"].values,
        "knowledge_interval": [None, None] if known is None else known.values,
    }


def against_document(group: xr.Dataset) -> dict[str, Any]:
    """Return a group's comparisons as plain data, by the other and the hour."""
    return {
        str(other): {str(int(hour)): _paired(group.sel(other=other, hour=hour)) for hour in hours}
        for other in group["other"].values
        for hours in [group["hour"].values]
    }


def _paired(here: xr.Dataset) -> dict[str, Any]:
    return {
        "share": float(here["other_share"]),
        "gained": float(here["gained_share"]),
        "forgone": float(here["forgone_share"]),
        "difference": float(here["difference"]),
        "interval": here["difference_interval"].values,
    }


def difference_document(compared: xr.Dataset) -> dict[str, Any]:
    """Return the comparison of two policies as plain data, by group."""
    (other,) = compared["other"].values
    here = compared.sel(other=other)
    return {name: _group_moved(here.sel(group=name)) for name in groups_of(here)}


def _group_moved(group: xr.Dataset) -> dict[str, Any]:
    last = group.isel(hour=-1)
    paired = _paired(last)
    return {
        "before": {"safe": paired["share"]},
        "after": {"safe": float(last["safe_share"])},
        "change": paired["difference"],
        "interval": paired["interval"],
        "gain": paired["gained"],
        "lose": paired["forgone"],
        "more_changes": float(group["more_changes"]),
        "by_hour": {str(int(h)): _paired(group.sel(hour=h)) for h in group["hour"].values},
    }


def rule_changes(old: Policy, new: Policy) -> list[str]:
    """Return what differs between two policies, one sentence each."""
    before, after = ({rule.name: rule for rule in _bare(one.rules)} for one in (old, new))
    shared = [name for name in before if name in after]
    said = [f"rule dropped: {name}" for name in before if name not in after]
    said += [f"rule added: {name}" for name in after if name not in before]
    said += [f"rule changed: {name}" for name in shared if before[name] != after[name]]
    parts = {
        "order of the rules": (shared, [name for name in after if name in before]),
        "start": tuple((one.protocol.draft, one.protocol.fixed) for one in (old, new)),
        "readings": (_bare(old.readings), _bare(new.readings)),
        "when to leave the mode": (_bare(old.criteria), _bare(new.criteria)),
        "limits": (old.protocol.limits, new.protocol.limits),
    }
    said += [f"{part}: changed" for part, (one, other) in parts.items() if one != other]
    return said or ["nothing changed"]


def _bare(entries: Iterable[Any]) -> list[Any]:
    return [replace(one, line=0) for one in entries]
