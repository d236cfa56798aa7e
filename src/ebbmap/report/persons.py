"""A verdict told by persons: of 100 patients, who is safe, who is not, and how to know them."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.committee.check import Check
from ebbmap.committee.verdict import ALL
from ebbmap.digits import share_text
from ebbmap.registries.limits import is_rule
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.committee.common import groups_of, text_of
from ebbmap.tables.committee.patients import order_of

#: Kinds in the order in which they are told.
_TOLD = ("always", "set_well", "never", "open")

#: Grades with which a draft holds for a group.
HELD = ("safe", "caution")

#: Sensitivity and specificity less one, from which on a criterion is named: our choice. Below it,
#: it points to fewer than 20 more of 100 who are meant than of 100 who are not.
LEAST_WORTH = 0.2


def of_hundred(shares: list[float]) -> list[int]:
    """Return shares that add up to one as whole numbers that add up to 100.

    Examples
    --------
    >>> of_hundred([0.333, 0.333, 0.334]), of_hundred([0.007, 0.993, 0.0])
    ([33, 33, 34], [1, 99, 0])
    """
    scaled = [100.0 * share for share in shares]
    whole = [int(np.floor(one)) for one in scaled]
    order = sorted(range(len(shares)), key=lambda i: (whole[i] - scaled[i], -scaled[i]))
    missing = 100 - sum(whole)
    return [one + (order.index(i) < missing) for i, one in enumerate(whole)]


def counts_of(ds: xr.Dataset, group: str) -> dict[str, str] | None:
    """Return how many of 100 patients of a group are of each kind; None where nobody is known."""
    shares = [float(ds[f"{kind}_share"].sel(group=group)) for kind in _TOLD]
    if not np.isfinite(shares).all():
        return None
    counts = of_hundred(shares)
    return {
        kind: "fewer than 1" if count == 0 and share > 0.0 else str(count)
        for kind, count, share in zip(_TOLD, counts, shares, strict=True)
    }


def person_sentence(ds: xr.Dataset, group: str) -> str:
    """Return what a draft does to 100 patients of a group, in one sentence."""
    counts = counts_of(ds, group)
    who = "patients like these" if group == ALL else f"{group} patients like these"
    if counts is None:
        return f"Too few {who} get the mode to say anything of them."
    text = (
        f"Of 100 {who}, {counts['always']} are safe whatever is picked inside the draft, "
        f"{counts['set_well']} more if set well, {counts['never']} never"
    )
    return f"{text}; {counts['open']} could not be judged." if counts["open"] != "0" else f"{text}."


def persons(check: Check) -> list[str]:
    """Return the sentence of everybody who gets the mode, then that of each group."""
    ds = check.results["patients"]
    return [person_sentence(ds, name) for name in (ALL, *groups_of(ds)[:-1])]


def left_out(check: Check) -> str:
    """Return who does not get the mode, and how many."""
    ds = check.results["patients"]
    parts = []
    for name in groups_of(ds)[:-1]:
        share = float(ds["excluded_share"].sel(group=name))
        if share > 0.0:
            number = f"{100.0 * share:.0f}" if share >= 0.005 else "fewer than 1"
            parts.append(f"{number} of 100 {name}")
    if not parts:
        return "nobody; every patient gets the mode."
    return f"{listed(parts)} patients do not get the mode and are counted nowhere else."


def recognise(check: Check) -> list[str]:
    """Return by which measurement the patients who are never safe are recognised, by group."""
    return [line for name, line in recognise_by_group(check).items() if name != ALL]


def recognise_by_group(check: Check) -> dict[str, str]:
    """Return the sentence of each group that has a criterion."""
    ds, found = check.results["patients"], {}
    for name in groups_of(ds):
        group = ds.sel(group=name)
        measured = text_of(group, "criterion_property")
        if not measured:
            continue
        if not tells_apart(group):
            found[name] = (
                f"{name}: no single measurement tells those who are never safe from others"
            )
            continue
        hit, spared = (round(100.0 * float(group[key])) for key in ("sensitivity", "specificity"))
        found[name] = (
            f"{name}: {criterion_words(group)} points to {hit} of 100 who are never safe, and "
            f"wrongly to {100 - spared} of 100 others"
        )
    return found


def tells_apart(group: xr.Dataset) -> bool:
    """Return whether a group has a criterion that is worth naming."""
    worth = float(group["sensitivity"]) + float(group["specificity"]) - 1.0
    return bool(text_of(group, "criterion_property")) and worth >= LEAST_WORTH


def criterion_words(group: xr.Dataset) -> str:
    """Return the criterion of a group in words."""
    measured = text_of(group, "criterion_property")
    entry = PARAMETERS.get(measured) or OUTCOMES[measured]
    side = "at most" if text_of(group, "criterion_side") == "below" else "at least"
    value = float(group["criterion_threshold"])
    return f"{entry.long_name} {side} {entry.amount(value)}"


def why_not(check: Check) -> list[str]:
    """Return for every group the limit on harm that it breaks most often, and such a rule."""
    ds, limits = check.results["broken"], check.protocol.limits
    lines = []
    for name in groups_of(ds)[:-1]:
        group = ds.sel(group=name)
        order = order_of(group, limits)
        harm = [place for place in order if not is_rule(limits.hard[place])]
        ruled = [place for place in order if is_rule(limits.hard[place])]
        told = [f"{limits.hard[p].sentence} ({_percent(group, p)})" for p in harm[:1]]
        told += [
            f"rule broken: {limits.hard[p].sentence} ({_percent(group, p)})" for p in ruled[:1]
        ]
        if told:
            lines.append(f"{name}: {'; '.join(told)}")
    return lines


def _percent(group: xr.Dataset, place: int) -> str:
    return share_text(float(group["any_share"].isel(bound=place)))


def rows_of_hundred(check: Check) -> list[tuple[str, ...]]:
    """Return of 100 patients of every group how many are of each kind, and who is left out."""
    ds, rows = check.results["patients"], []
    for name in groups_of(ds)[:-1]:
        counts = counts_of(ds, name) or dict.fromkeys(_TOLD, "–")
        share = float(ds["excluded_share"].sel(group=name))
        told = [counts[kind].replace("fewer than 1", "<1") for kind in _TOLD[:3]]
        rows.append((name, *told, "<1" if 0.0 < share < 0.005 else f"{100.0 * share:.0f}"))
    return rows


def grades_of(check: Check) -> dict[str, str]:
    """Return the grade of the draft for every group."""
    ds = check.results["verdict"]
    return {name: text_of(ds.sel(group=name), "grade") for name in groups_of(ds)[:-1]}


def for_whom(check: Check) -> str:
    """Return for which groups the draft holds and for which it does not."""
    grades = grades_of(check)
    kept = {
        "holds for": [name for name, grade in grades.items() if grade in HELD],
        "does not hold for": [name for name, grade in grades.items() if grade == "unsafe"],
        "is open for": [name for name, grade in grades.items() if grade == "undetermined"],
        "is not given to": [name for name, grade in grades.items() if grade == "excluded"],
    }
    parts = [f"{words} {listed(names)}" for words, names in kept.items() if names]
    return f"It {'; it '.join(parts)}."


def listed(names: list[str]) -> str:
    """Return names as a list in a sentence.

    Examples
    --------
    >>> listed(["normal"]), listed(["normal", "stiff", "soft"])
    ('normal', 'normal, stiff and soft')
    """
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def beside(check: Check) -> str:
    """Return how the draft does beside conventional ventilation; empty without."""
    if "beside" not in check.results:
        return ""
    ds = check.results["beside"].sel(group=ALL)
    shares = [float(ds[f"{kind}_share"]) for kind in ("better", "worse", "both", "neither")]
    if not np.isfinite(shares).all():
        return ""
    better, worse, both, neither = of_hundred(shares)
    return (
        "Beside conventional ventilation at 6 mL/kg with a published PEEP table: of 100 patients "
        f"{better} are better off with the draft, {worse} worse off and {both + neither} the same. "
        f"Of these {both} are unharmed by both, and {neither} harmed by both. Both are set well, "
        "and judged by the limits on harm alone."
    )
