"""The model beside published findings in words: numbers, verdicts, counts, and the whole page."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.caution import CAUTION
from ebbmap.units import display
from ebbmap.validation.finding import VERDICTS

#: What the interval of the model's numbers is, and what it is not.
INTERVAL = (
    "In brackets: 95 % interval of the lungs drawn, then that of knowledge, over what the numbers "
    "behind the populations may be; numbers without one hang on no draw."
)

#: The same without draws of what is not known.
INTERVAL_OF_LUNGS = (
    "In brackets: 95 % interval of the lungs drawn; numbers without one hang on no draw. How well "
    "the populations themselves are known was not asked."
)


def interval_text(result: xr.Dataset) -> str:
    """Return what the intervals of the model's numbers are."""
    return INTERVAL if np.isfinite(result["knowledge"]).any() else INTERVAL_OF_LUNGS


def digits(value: float, units: str = "") -> str:
    """Return a number to three digits, with its unit as the bedside writes it.

    Examples
    --------
    >>> digits(2191.3, "mL"), digits(0.77694, "s"), digits(0.5, "1")
    ('2190 mL', '0.777 s', '0.5')
    """
    return f"{float(f'{value:.3g}'):g} {display(units) if units else ''}".strip()


def published_text(found: xr.Dataset, units: str = "") -> str:
    """Return the published interval of one finding."""
    low, high = found["published"].values
    return f"{digits(low)} to {digits(high, units)}"


def verdict_of(found: xr.Dataset) -> str:
    """Return the verdict of one finding in words."""
    return VERDICTS[int(found["verdict"])]


def verdict_text(found: xr.Dataset) -> str:
    """Return the verdict of one finding, and whether a disagreement goes beyond the intervals."""
    verdict = verdict_of(found)
    within = verdict == "disagrees" and bool(found["within_reach"])
    return f"{verdict}, but no further than its intervals reach" if within else verdict


def findings_of(result: xr.Dataset) -> Iterator[tuple[str, xr.Dataset]]:
    """Yield the name of every finding with what was found for it."""
    for number, name in enumerate(result["finding"].values.astype(str)):
        yield name, result.isel(finding=number)


def by_subject(result: xr.Dataset) -> Iterator[tuple[str, xr.Dataset]]:
    """Yield every subject, in the order of the page, with its findings."""
    for subject in dict.fromkeys(result["subject"].values.astype(str)):
        yield subject, result.isel(finding=np.flatnonzero(result["subject"] == subject))


def counts(result: xr.Dataset) -> dict[str, int]:
    """Return how many findings have each verdict."""
    return {
        verdict.replace(" ", "_"): int((result["verdict"] == code).sum())
        for code, verdict in enumerate(VERDICTS)
    }


def counts_text(result: xr.Dataset) -> str:
    """Return how many findings agree, were set, disagree and cannot be compared, in a sentence."""
    found = counts(result)
    apart = found["not_comparable"]
    reach = sum(bool(one["within_reach"]) for _, one in findings_of(result) if _disagrees(one))
    return (
        f"Of {result.sizes['finding'] - apart} published findings "
        f"{found['agrees'] + found['set_by_it']} agree, {found['set_by_it']} of these because the "
        f"model was set by that very number, and {found['disagrees']} disagree, {reach} of these "
        f"no further than their intervals reach; {apart} more cannot be compared."
    )


def _disagrees(found: xr.Dataset) -> bool:
    return verdict_of(found) == "disagrees"


def value_text(found: xr.Dataset, units: str = "") -> str:
    """Return the model's number with both of its intervals; nothing if there is none."""
    value = float(found["value"])
    if not np.isfinite(value):
        return ""
    said = [
        f"{word}{digits(low)} to {digits(high)}"
        for word, (low, high) in (
            ("", found["lungs_drawn"].values),
            ("knowledge ", found["knowledge"].values),
        )
        if np.isfinite(low)
    ]
    return f"{digits(value, units)} ({'; '.join(said)})" if said else digits(value, units)


def page_text(result: xr.Dataset) -> str:
    """Return the page in words, one line for each finding, for those who cannot see it."""
    lines = [counts_text(result), interval_text(result)]
    for name, found in findings_of(result):
        units = str(found["unit"].values)
        here = value_text(found, units)
        why = str(found["why"].values)
        lines.append(
            f"{name}: published {published_text(found, units)}"
            + (f", here {here}" if here else "")
            + f": {verdict_text(found)}"
            + (f"; {why}." if why else ".")
        )
    return "\n".join([*lines, CAUTION])
