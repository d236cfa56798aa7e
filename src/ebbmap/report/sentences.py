"""The sentences of a report: every number in them is read from a result."""

from __future__ import annotations

from math import isfinite

import xarray as xr

from ebbmap.committee.boxes import EXTRA, SEARCH_LUNGS
from ebbmap.committee.certificates import lungs_of, settings_of
from ebbmap.committee.check import Check
from ebbmap.committee.sizes import size_words
from ebbmap.committee.verdict import ALL
from ebbmap.committee.words import not_judged, too_fine
from ebbmap.digits import share_text
from ebbmap.engines import unusual_engine
from ebbmap.registries.limits import LIMIT_SETS, RULES
from ebbmap.report.persons import person_sentence

GRADES = (
    "Grades: safe, the combinations that break no limit and draw no warning reach the wanted "
    "share with their whole interval; caution, they do so only together with combinations that "
    "draw a warning; unsafe, the whole interval lies below the wanted share; undetermined, the "
    "wanted share lies inside the interval, so more lungs are needed. A combination that could not "
    "be computed is undetermined and counts as not safe. The draft holds if every group that gets "
    "the mode, and the whole, is safe or caution."
)


def box_method(check: Check) -> str:
    """Return how boxes were searched and certified, with the sizes of this check."""
    protocol = check.protocol
    searched = protocol.size("search_lungs", SEARCH_LUNGS)
    fresh, settings = lungs_of(protocol), settings_of(protocol)
    return (
        "A box serves a lung if every setting in it is safe for that lung. All boxes of a grid "
        f"are compared on {searched:,} lungs, the best is refined, and the certificate comes from "
        f"up to {fresh:,} fresh lungs at {settings} fresh settings and all corners; at most "
        f"{len(EXTRA)} boxes are tried and share the error probability of 5 %. Settings that the "
        "draft fixes or sets by a rule stay as they are; the usual ranges are the registry's."
    )


def lead(check: Check) -> str:
    """Return the verdict, and what it means for 100 patients."""
    answer = "The draft holds." if check.holds else "The draft does not hold."
    return f"{answer} {person_sentence(check.results['patients'], ALL)}"


def shares_text(check: Check) -> str:
    """Return the grade of every group, and the shares of combinations that it rests on."""
    ds = check.results["verdict"]
    texts = []
    for name in ds["group"].values.astype(str):
        group = ds.sel(group=name)
        grade = str(group["grade"].values)
        safe, wanted = (float(group[f"{key}_share"]) for key in ("safe", "wanted"))
        if grade == "excluded":
            texts.append(f"{name} does not get the mode")
        elif not isfinite(safe):
            texts.append(f"{name} {grade}, too few lungs get the mode")
        else:
            texts.append(f"{name} {grade}, {share_text(safe)} safe of {share_text(wanted)} wanted")
    return f"{'; '.join(texts)}."


def unjudged(check: Check) -> str:
    """Return what the hard limits leave out, so that safe is not read as more than it is."""
    left_out = not_judged(check.protocol.limits)
    if not left_out:
        return "Safe means within this draft's own hard limits."
    return f"Safe means within this draft's own hard limits. Not judged: {'; '.join(left_out)}."


def ways_text(check: Check) -> str:
    """Return how a single T low compares with a rule from the time constant."""
    ds = check.results["ways"]
    groups = ds["group"].values.astype(str)
    known = [name for name in groups if ds["served_share"].sel(group=name).notnull().any()]
    compared = "; ".join(_way_text(ds.sel(group=name), name) for name in known)
    return (
        f"{compared}. Every lung meets one setting of the draft's other "
        "ranges; ends of the draft's own rules for T low are not applied. In a lung with one time "
        "constant a flow ratio is a multiple of the time constant (-ln of the ratio), so the two "
        "rules differ only in their targets."
    )


def _way_text(group: xr.Dataset, name: str) -> str:
    """Return what the first way of choosing T low serves in a group, and what the second does."""
    fixed_way, rule_way = group["way"].values.astype(str)[:2]
    errors = group["error"].values
    fixed = group["served_share"].sel(way=fixed_way)
    ruled = group["served_share"].sel(way=rule_way)
    upper = float(group["served_share_interval"].sel(way=fixed_way)[0, 1])
    better = [f"{share_text(error)}" for error in errors if float(ruled.sel(error=error)) > upper]
    gain = f"clearly better up to an error of {better[-1]}" if better else "no gain"
    return (
        f"{name}: one T low serves {share_text(float(fixed[0]))}, the time constant "
        f"{share_text(float(ruled[0]))} without error and {share_text(float(ruled[-1]))} with "
        f"{share_text(float(errors[-1]))} ({gain})"
    )


def drivers_text(check: Check) -> str:
    """Return how the tables of what drives the margin are to be read."""
    text = (
        "The first table compares the lungs that the draft serves with the others: the further "
        "apart a property lies in the two, the more it decides."
    )
    if "drivers" in check.results:
        return text + (
            " Then the total Sobol indices: shares of the variance of the safety margin over "
            "lungs and the draft's ranges, properties drawn independently."
        )
    return text + (
        " Sobol indices need independent factors with a number each; this draft gives none, since "
        "P high comes from a rule or margins could not be judged."
    )


def rule_text(check: Check) -> str:
    """Return the rule for T low that is among the limits."""
    named = check.protocol.rules
    if not named:
        return "No rule for T low is among the limits."
    rule = named[0]
    known = f": {LIMIT_SETS[rule].long_name}" if rule in RULES else " (the committee's own)"
    return (
        f"Rule for T low among the limits: {rule}{known}. Share of peak flow and share of a full "
        "exhalation are two different rules; they are never mixed."
    )


def methods_text(check: Check) -> str:
    """Return how the check was done."""
    protocol = check.protocol
    drawn = protocol.settings_drawn if protocol.draft.free else 1
    return (
        f"Each group is {protocol.lungs:,} invented lungs, drawn from joint distributions of "
        f"their properties. Each lung meets {drawn:,} setting{'s' if drawn > 1 else ''}, spread "
        "over the draft's ranges by a scrambled Sobol sequence, and every corner. For every "
        "combination the settled cycle of "
        f"the lung model is solved ({protocol.lung.long_name}), and judged by every limit. The "
        "margin is the signed distance to the nearest hard limit over that limit's width. "
        "Intervals take the lung as the sampling unit, since the combinations of one lung are "
        "not independent. They are Wilson's at the number of trials that has the variance of the "
        "lungs' shares, with Student's quantile for the number of lungs. What a rule measures is "
        "blurred by a lognormal error. What is searched for on some lungs is certified on others."
        f"{' '.join(('', *too_fine(protocol.draft)))} A model of this kind leaves out much that "
        f"matters in a patient.{_sizes_text(check)}"
    )


def _sizes_text(check: Check) -> str:
    """Return which sizes a costly lung or the protocol set, to explain wide intervals."""
    sizes = check.protocol.sizes
    if not sizes:
        return ""
    return (
        " Sizes that the protocol states, or that were cut because this lung takes long to solve; "
        f"fewer lungs make wider intervals: {size_words(sizes)}."
    )


def provenance_items(check: Check) -> list[tuple[str, str]]:
    """Return what made the results, from what, and when."""
    attrs = check.results["verdict"].attrs
    return [
        ("made by", attrs["source"]),
        ("seed", str(attrs["seed"])),
        ("protocol file, hash", attrs["protocol_hash"]),
        ("versions", attrs["versions"]),
        *([("solved by", said)] if (said := unusual_engine(attrs["engine"])) else []),
        ("date", attrs["history"].split(" ")[0]),
    ]
