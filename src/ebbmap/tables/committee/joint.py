"""The table and the sentence of groups that are set each in its own way, judged at once."""

from __future__ import annotations

import xarray as xr

from ebbmap.committee.draft import SETTINGS
from ebbmap.committee.joint import joint_holds, of_group
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.words import say_setting
from ebbmap.policies.exact import listed
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.committee.common import WHOLE, groups_of, text_of, with_interval
from ebbmap.tables.model import GRADE, SHARE, STATED_SHARE, Column, Table, table


def joint_table(protocol: Protocol, joint: xr.Dataset) -> Table:
    """Return how each group is set, and the verdict on it and on all at once."""
    columns = [
        "group",
        Column("verdict", GRADE),
        Column("safe", SHARE, interval=True),
        Column("wanted", STATED_SHARE),
        Column("weight", STATED_SHARE),
        Column("do not get the mode", SHARE),
        *(PARAMETERS[name].long_name for name in SETTINGS),
    ]
    drafts = {group.name: of_group(protocol, group).draft for group in protocol.groups}
    rows = []
    for name in groups_of(joint):
        one = joint.sel(group=name)
        draft = drafts.get(name)
        rows.append(
            (
                "all at once" if name == WHOLE else name,
                text_of(one, "grade"),
                with_interval(one, "safe_share"),
                float(one["wanted_share"]),
                float(one["weight"]),
                float(one["excluded_share"]),
                *("" if draft is None else say_setting(draft, setting) for setting in SETTINGS),
            )
        )
    notes = [
        "Safe: combinations of lung and setting within every hard limit of the group; intervals "
        "are of the lungs drawn (95 %). It holds if every group that gets the mode holds, and the "
        "whole, in which groups count by the patients that get the mode."
    ]
    return table(
        "All groups at once, each by its own settings", columns, rows, name="joint", notes=notes
    )


def joint_sentence(joint: xr.Dataset) -> str:
    """Return the joint verdict in words.

    Parameters
    ----------
    joint : Dataset
        As `join_verdicts` gives it.
    """
    if joint_holds(joint):
        return "The draft holds: every group with its own settings, and all of them at once."
    named: dict[str, list[str]] = {}
    for name in groups_of(joint):
        grade = text_of(joint.sel(group=name), "grade")
        named.setdefault(grade, []).append("all of them at once" if name == WHOLE else name)
    told = {"unsafe": "it fails for", "undetermined": "it is open for"}
    parts = [f"{words} {listed(named[grade])}" for grade, words in told.items() if grade in named]
    return f"The draft does not hold, each group with its own settings: {', and '.join(parts)}."
