"""Tables of persons: who is safe, how to know who is not, and what happens to the worst tenth."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from ebbmap.registries.limits import LimitSet, is_rule
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.committee.common import groups_of, text_of, with_interval
from ebbmap.tables.model import NUMBER, PRECISE, SHARE, Column, Table, table
from ebbmap.units import display

#: A limit that is broken in fewer combinations than this is not listed.
LISTED_FROM = 0.001

#: Kinds of patients, and what they are called.
KINDS = {
    "always": "safe whatever is picked",
    "set_well": "safe if set well",
    "never": "never safe",
    "open": "not known",
}


def patient_table(ds: xr.Dataset) -> Table:
    """Return how many patients of each group are safe whatever is picked, if set well, never."""
    columns = [
        "group",
        *(Column(words, SHARE, interval=True) for words in KINDS.values()),
        Column("not given the mode", SHARE),
    ]
    rows = [
        (
            name,
            *(with_interval(ds.sel(group=name), f"{kind}_share") for kind in KINDS),
            float(ds["excluded_share"].sel(group=name)),
        )
        for name in groups_of(ds)
    ]
    title = "Patients who get the mode, of 100, with 95 % intervals"
    return table(title, columns, rows, name="patients")


def recognise_table(ds: xr.Dataset) -> Table:
    """Return by which measurement the patients who are never safe can be recognised."""
    columns = [
        "group",
        "measurement",
        Column("threshold", PRECISE),
        "unit",
        Column("sensitivity", SHARE, interval=True),
        Column("specificity", SHARE, interval=True),
        Column("never safe among those it points to", SHARE, interval=True),
        Column("patients it points to", SHARE),
    ]
    rows = []
    for name in groups_of(ds):
        group = ds.sel(group=name)
        measured = text_of(group, "criterion_property")
        if measured:
            entry = PARAMETERS.get(measured) or OUTCOMES[measured]
            side = "at most" if text_of(group, "criterion_side") == "below" else "at least"
            rows.append(
                (
                    name,
                    f"{entry.long_name} {side}",
                    float(group["criterion_threshold"]),
                    display(entry.units),
                    with_interval(group, "sensitivity"),
                    with_interval(group, "specificity"),
                    with_interval(group, "pointed_never_share"),
                    float(group["pointed_share"]),
                )
            )
    title = (
        "How to recognise patients who are never safe: the one measurement that separates best, "
        "chosen on half of the lungs, judged on the other half"
    )
    return table(title, columns, rows, name="recognise")


def worst_table(ds: xr.Dataset, limits: LimitSet) -> Table:
    """Return what each limit's outcome comes to in the worst tenth of the lungs."""
    columns = ["group", "limit on", Column("limit", PRECISE), "worst tenth", "unit"]
    rows = []
    for name in groups_of(ds):
        for bound in limits.hard:
            value = float(ds["worst_tenth"].sel(group=name, bound=bound.name))
            entry = OUTCOMES[bound.outcome]
            if not is_rule(bound) and not np.isnan(value):
                rows.append(
                    (
                        name,
                        entry.long_name,
                        bound.value,
                        reached(bound, value),
                        display(entry.units),
                    )
                )
    title = (
        "What happens to the worst tenth of the patients at the combination that is worst for them"
    )
    return table(title, columns, rows, name="worst_tenth")


def reached(bound: object, value: float) -> str:
    """Return what an outcome comes to on the side of a bound, in words."""
    if np.isinf(value):
        return "no steady state"
    side = "or less" if getattr(bound, "side", "") == "low" else "or more"
    return f"{value:.3g} {side}"


def failing_table(ds: xr.Dataset, limits: LimitSet) -> Table:
    """Return the limits that are broken in each group: harm first, the most frequent first."""
    columns = [
        "group",
        "limit",
        "kind",
        Column("broken at all", SHARE, interval=True),
        Column("broken worst", SHARE),
        Column("broken alone", SHARE),
        Column("middle excess", NUMBER),
        Column("worst tenth's excess, at least", NUMBER),
        "unit",
    ]
    rows = []
    for name in groups_of(ds):
        group = ds.sel(group=name)
        for place in order_of(group, limits):
            bound, one = limits.hard[place], group.isel(bound=place)
            rows.append(
                (
                    name,
                    bound.sentence,
                    "rule" if is_rule(bound) else "harm",
                    with_interval(one, "any_share"),
                    float(one["worst_share"]),
                    float(one["alone_share"]),
                    float(one["excess_middle"]),
                    float(one["excess_tenth"]),
                    display(OUTCOMES[bound.outcome].units),
                )
            )
    title = (
        "Which limits are broken: shares of combinations, and how far those are beyond the limit"
    )
    return table(title, columns, rows, name="failing")


def order_of(group: xr.Dataset, limits: LimitSet) -> list[int]:
    """Return the numbers of the limits that a group breaks: harm first, most often first."""
    shares = np.nan_to_num(group["any_share"].values)
    ruled = [is_rule(bound) for bound in limits.hard]
    places = sorted(range(len(ruled)), key=lambda place: (ruled[place], -shares[place]))
    return [place for place in places if shares[place] >= LISTED_FROM]


def patients_document(ds: xr.Dataset, name: str) -> dict[str, Any]:
    """Return what a draft does to the persons of a group as plain data."""
    group = ds.sel(group=name)
    measured = text_of(group, "criterion_property")
    return {
        "patients": {
            kind: {"share": share, "interval": [low, high]}
            for kind in KINDS
            for share, low, high in [with_interval(group, f"{kind}_share")]
        },
        "excluded_share": float(group["excluded_share"]),
        "recognised_by": {
            "property": measured,
            "side": text_of(group, "criterion_side"),
            "threshold": float(group["criterion_threshold"]),
            "sensitivity": list(with_interval(group, "sensitivity")),
            "specificity": list(with_interval(group, "specificity")),
        }
        if measured
        else None,
    }


def broken_data(ds: xr.Dataset, name: str, limits: LimitSet) -> list[dict[str, Any]]:
    """Return which limits a group breaks as plain data, in the order of the table."""
    group = ds.sel(group=name)
    return [
        {
            "limit": limits.hard[place].sentence,
            "rule": is_rule(limits.hard[place]),
            "at_all": float(one["any_share"]),
            "worst": float(one["worst_share"]),
            "alone": float(one["alone_share"]),
            "middle_excess": float(one["excess_middle"]),
            "worst_tenth_excess": float(one["excess_tenth"]),
            "units": OUTCOMES[limits.hard[place].outcome].units,
        }
        for place in order_of(group, limits)
        for one in [group.isel(bound=place)]
    ]
