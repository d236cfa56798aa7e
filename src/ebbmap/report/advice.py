"""What would hold instead: from certificates, and from what the draft does already."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.committee import needs
from ebbmap.committee.boxes import SCOPES
from ebbmap.committee.check import Check
from ebbmap.committee.draft import SETTINGS, Draft
from ebbmap.committee.verdict import ALL
from ebbmap.digits import share_text
from ebbmap.registries.bedside import say_range, say_value
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.report.persons import HELD, criterion_words, grades_of, listed, tells_apart
from ebbmap.tables.committee.common import groups_of, text_of
from ebbmap.units import display

#: Settings that a rule can set from the lung.
RULED = ("p_high", "t_low")

#: A single combination is told where it is safe for so many more lungs than the draft.
BETTER = 0.05


def advice(check: Check) -> dict[str, str]:
    """Return for every group what would hold, and the best single combination where it helps."""
    return {
        name: f"{_advice(check, name)}{_single(check, name)}."
        for name in groups_of(check.results["boxes"])
    }


def short_advice(check: Check) -> list[str]:
    """Return what would hold, groups of the same advice together, single combinations left out."""
    same: dict[str, list[str]] = {}
    for name in groups_of(check.results["boxes"])[:-1]:
        same.setdefault(_advice(check, name), []).append(name)
    return [f"{listed(names).capitalize()}: {text}." for text, names in same.items()]


def _advice(check: Check, name: str) -> str:
    found = check.results["boxes"].sel(group=name)
    grade = text_of(check.results["verdict"].sel(group=name), "grade")
    needed = text_of(found, "needs")
    draft = check.protocol.draft
    if needed == needs.NOBODY or grade == "excluded":
        return "nobody gets the mode"
    if grade in HELD:
        failing = _failing(check) if name == ALL else []
        if failing:
            return (
                f"holds for all groups mixed, which hides for whom it does not: {listed(failing)}"
            )
        return "holds as it is" + _ranges(found, SCOPES[0], draft, ": ")
    if needed == needs.HOLDS:
        return "a narrower draft holds" + _ranges(found, SCOPES[0], draft, ": ")
    if needed == needs.OTHER:
        return "another range holds" + _ranges(found, SCOPES[1], draft, ": ")
    return _without_box(check, name, needed)


def _failing(check: Check) -> list[str]:
    """Return the groups who get the mode and for whom the draft does not hold."""
    grades = grades_of(check).items()
    return [name for name, grade in grades if grade not in (*HELD, "excluded")]


def _without_box(check: Check, name: str, needed: str) -> str:
    """Return what is left where no ranges hold, knowing what the draft has already."""
    draft = check.protocol.draft
    if needed == needs.EXCLUSION:
        group = check.results["patients"].sel(group=name)
        exclusion = "a further exclusion" if check.protocol.eligible else "an exclusion"
        if tells_apart(group):
            return (
                "too few have a safe setting at all. The mode is not for them, or not for those "
                f"whom {exclusion} finds (best single measurement: {criterion_words(group)})"
            )
        return f"too few have a safe setting at all: {exclusion}, or the mode is not for them"
    enough = "no range holds, though enough patients have a safe setting of their own"
    if needed == needs.UNSETTLED:
        enough = "no range holds, and it is open whether enough patients have a safe setting"
    has = [PARAMETERS[one].long_name for one in SETTINGS if one in draft.rules]
    could = [PARAMETERS[one].long_name for one in RULED if one not in draft.rules]
    ranges = [PARAMETERS[one].long_name for one in draft.free if one not in RULED]
    if not has:
        return f"{enough}. {' or '.join(could)} would have to follow the lung by a rule"
    left = f"; {' and '.join(could)} could too" if could else ""
    narrow = f". Left to narrow: {', '.join(ranges)}" if ranges else ""
    verb = "follows" if len(has) == 1 else "follow"
    return f"{enough}. {' and '.join(has)} {verb} the lung by a rule already{left}{narrow}"


def _ranges(found: xr.Dataset, scope: str, draft: Draft, before: str) -> str:
    """Return the certified ranges of what the draft leaves free, as they can be set."""
    here = found.sel(scope=scope)
    if text_of(here, "box_verdict") != "safe" or not np.isfinite(here["box"].values).all():
        return ""
    said = ", ".join(
        f"{PARAMETERS[name].long_name} {say_range(name, *here['box'].sel(parameter=name).values)} "
        f"{display(PARAMETERS[name].units)}".rstrip()
        for name in draft.free
    )
    if not said:
        return ""
    share = share_text(
        float(here["certified_share"]), here["certified_share_interval"].values.tolist()
    )
    return f"{before}{said} (every combination safe for {share} of fresh lungs)"


def _single(check: Check, name: str) -> str:
    """Return the best single combination found, where it does much better than the draft."""
    found = check.results["boxes"].sel(group=name)
    verdict = check.results["verdict"].sel(group=name)
    draft = check.protocol.draft
    best = max(SCOPES, key=lambda one: np.nan_to_num(float(found["default_share"].sel(scope=one))))
    here = found.sel(scope=best)
    share, own = float(here["default_share"]), float(verdict["safe_share"])
    grade = text_of(verdict, "grade")
    if not draft.free or not np.isfinite(share) or share < own + BETTER or grade in HELD:
        return ""
    said = ", ".join(
        f"{PARAMETERS[one].long_name} "
        f"{say_value(one, float(here['default'].sel(parameter=one)))} "
        f"{display(PARAMETERS[one].units)}".rstrip()
        for one in draft.free
    )
    where = "inside the draft" if best == SCOPES[0] else "outside the draft"
    told = share_text(share, here["default_share_interval"].values.tolist())
    return f". Best single combination found, {where}: {said}, safe for {told} of fresh lungs"


def advice_lines(check: Check) -> list[str]:
    """Return the advice for every group and the whole as lines."""
    found = advice(check)
    if len(check.protocol.groups) == 1:
        del found[ALL]
    return [f"{'all together' if n == ALL else n}: {text}" for n, text in found.items()]
