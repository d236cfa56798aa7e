"""Groups with settings of their own: each is checked by what holds for it, then all at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.committee.check import Check
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.committee.verdict import ALL, EXCLUDED, LEVEL, VARIABLES, grade, holds
from ebbmap.kernels.judging import SAFE, VERDICTS
from ebbmap.kernels.tally import clustered_interval

#: What a joint verdict holds of each group, as the groups' own verdicts do.
SHARED = ("grade", "wanted_share", "weight", "safe_share", "safe_share_interval", "excluded_share")

JOINT_VARIABLES: Mapping[str, Variable] = {
    **{name: VARIABLES[name] for name in ("group", *SHARED)},
    "of": Variable("protocol that the group was checked by", None),
}


#: What a protocol that is a part of another one states: the groups that it is of.
PART = "of"


def apart(protocol: Protocol) -> dict[str, Protocol]:
    """Return the protocols that a protocol is made of, one for each way of setting the mode.

    Parameters
    ----------
    protocol : Protocol
        Whose groups may have settings, limits and fixed values of their own.

    Returns
    -------
    dict of str to Protocol
        By the names of their groups; the protocol itself where no group has anything of its own.
        Each draws the lungs that the whole would draw.
    """
    if not protocol.differs:
        return {" and ".join(group.name for group in protocol.groups): protocol}
    alike: list[list[Group]] = []
    for group in protocol.groups:
        same = next((some for some in alike if some[0].own == group.own), None)
        if same is None:
            alike.append([group])
        else:
            same.append(group)
    return {" and ".join(g.name for g in groups): _part(protocol, groups) for groups in alike}


def _part(protocol: Protocol, groups: list[Group]) -> Protocol:
    """Return the protocol of groups that are set alike."""
    names = " and ".join(group.name for group in groups)
    total = sum(group.weight for group in groups)
    plain = tuple(replace(group, weight=group.weight / total, own=None) for group in groups)
    own = groups[0].own
    return replace(
        protocol,
        title=f"{protocol.title}: {names}",
        draft=protocol.draft if own is None else own.draft,
        limits=protocol.limits if own is None else own.limits,
        rules=protocol.rules if own is None else own.rules,
        fixed=protocol.fixed if own is None else own.fixed,
        groups=plain,
        wanted=min(group.wanted for group in groups),
        stated={**protocol.stated, PART: names},
    )


def of_group(protocol: Protocol, group: Group) -> Protocol:
    """Return the protocol by which one group is set and judged."""
    return _part(protocol, [group])


@dataclass(frozen=True)
class JointCheck:
    """What was found of groups that are set each in its own way.

    Parameters
    ----------
    protocol : Protocol
        The whole.
    parts : dict of str to Check
        By the names of the groups that are set alike.
    results : dict of str to Dataset
        `joint`, the verdict on all groups at once; see `join_verdicts`.
    """

    protocol: Protocol
    parts: dict[str, Check]
    results: dict[str, xr.Dataset]

    @property
    def holds(self) -> bool:
        """Whether every group holds by its own settings, and the whole with them."""
        return joint_holds(self.results["joint"])


def check_apart(
    protocol: Protocol, folder: Path, check: Callable[[Protocol, Path], Check]
) -> JointCheck:
    """Check groups that are set each in its own way, then all at once.

    Parameters
    ----------
    protocol : Protocol
        The whole.
    folder : Path
        Each part has a folder of its name in it.
    check : callable
        ``check(part, folder) -> Check``.

    Returns
    -------
    JointCheck
    """
    parts = {name: check(part, folder / folder_of(name)) for name, part in apart(protocol).items()}
    return JointCheck(protocol, parts, {"joint": join_verdicts(protocol, parts)})


def folder_of(name: str) -> str:
    """Return the folder of a part's results."""
    return name.replace(" ", "_")


def join_verdicts(protocol: Protocol, checks: Mapping[str, Check]) -> xr.Dataset:
    """Return the verdict on all groups at once.

    Parameters
    ----------
    protocol : Protocol
        The whole.
    checks : mapping of str to Check
        Of the protocols that `apart` gives, by the same names.

    Returns
    -------
    xarray.Dataset
        Dim `group`, in the order of the file, the whole last: grade, safe share with its interval,
        what is wanted, and `of`, the check of the group. The whole is graded by the groups'
        shares, weighted by the patients that get the mode; it is safe only where every group is.
    """
    rows: dict[str, dict[str, Any]] = {}
    lungs: dict[str, np.ndarray] = {}
    for name, check in checks.items():
        verdict = check.results["verdict"]
        for group in check.protocol.groups:
            one = verdict.sel(group=group.name)
            rows[group.name] = {key: one[key].values for key in SHARED} | {"of": name}
            shares = check.results["lungs"]["range_safe_share"].sel(group=group.name).values
            lungs[group.name] = shares[~np.isnan(shares)]
    for group in protocol.groups:
        rows[group.name]["weight"] = group.weight
    ordered = [rows[group.name] for group in protocol.groups]
    rows[ALL] = _whole(protocol, ordered, [lungs[group.name] for group in protocol.groups])
    named = [*ordered, rows[ALL]]
    data: dict[str, Any] = {
        key: ("group", [row[key] for row in named])
        for key in (*SHARED, "of")
        if key != "safe_share_interval"
    }
    data["grade"] = ("group", [str(row["grade"]) for row in named])
    data["safe_share_interval"] = (
        ("group", "ci_bound"),
        [np.asarray(row["safe_share_interval"], float) for row in named],
    )
    coords = {
        "group": [*(group.name for group in protocol.groups), ALL],
        "ci_bound": ["lower", "upper"],
    }
    return label_variables(xr.Dataset(data, coords), JOINT_VARIABLES)


def _whole(
    protocol: Protocol, rows: list[dict[str, Any]], lungs: list[np.ndarray]
) -> dict[str, Any]:
    """Return the row of all groups together."""
    kept = np.array([float(row["weight"]) * (1.0 - float(row["excluded_share"])) for row in rows])
    some = [i for i, one in enumerate(lungs) if one.size > 1 and kept[i] > 0.0]
    share = (np.nan, np.nan, np.nan)
    if some:
        weights = kept[some] / kept[some].sum()
        share = clustered_interval([lungs[i] for i in some], weights, LEVEL)
    grades = {str(row["grade"]) for row in rows} - {EXCLUDED}
    strict = share[1] if grades == {VERDICTS[SAFE]} else np.nan
    return {
        "grade": grade(share, strict, protocol.wanted),
        "wanted_share": protocol.wanted,
        "weight": 1.0,
        "safe_share": share[0],
        "safe_share_interval": share[1:],
        "excluded_share": 1.0 - kept.sum() / sum(float(row["weight"]) for row in rows),
        "of": "all groups at once",
    }


def joint_holds(joint: xr.Dataset) -> bool:
    """Return whether all groups hold at once, and the whole with them."""
    return holds(joint)
