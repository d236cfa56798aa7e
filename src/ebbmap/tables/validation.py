"""Tables, sentences and plain data of the page of validation."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.tables.model import COUNT, PRECISE, Column, Table, table, triple
from ebbmap.units import display
from ebbmap.validation.finding import VERDICTS

#: What the interval of the model's numbers is, and what it is not.
INTERVAL = (
    "In brackets: 95 % interval of the lungs drawn; numbers without one hang on no draw. How well "
    "the populations themselves are known is not in it."
)

#: Texts of a finding that its row carries.
TEXTS = ("why", "note", "how", "source", "grade")


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
    return (
        f"Of {result.sizes['finding'] - apart} published findings "
        f"{found['agrees'] + found['set_by_it']} agree, {found['set_by_it']} of these because the "
        f"model was set by that very number, and {found['disagrees']} disagree; {apart} more "
        "cannot be compared."
    )


def full_table(result: xr.Dataset) -> Table:
    """Return every finding with all that is known of it, for a file."""
    columns = [
        "finding",
        "subject",
        "unit",
        Column("published, lower", PRECISE),
        Column("published, upper", PRECISE),
        Column("ebbmap", PRECISE, interval=True),
        Column("lungs drawn", COUNT),
        "verdict",
        *TEXTS,
    ]
    rows = [
        (
            name,
            *(str(found[text].values) for text in ("subject", "unit")),
            *map(float, found["published"]),
            triple(float(found["value"]), found["lungs_drawn"].values),
            int(found["lungs"]),
            verdict_of(found),
            *(str(found[text].values) for text in TEXTS),
        )
        for name, found in findings_of(result)
    ]
    return table(str(result.attrs["title"]), columns, rows, name="validation")


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the findings subject by subject, then how many agree."""
    columns = ["finding", "published", "ebbmap", "verdict", "why"]
    for subject, found in by_subject(result):
        rows = [
            (
                name,
                published_text(one, str(one["unit"].values)),
                _value_text(one),
                verdict_of(one),
                str(one["why"].values),
            )
            for name, one in findings_of(found)
        ]
        yield table(subject, columns, rows)
    yield table("", (), (), notes=(INTERVAL, counts_text(result)))


def _value_text(found: xr.Dataset, units: str = "") -> str:
    """Return the model's number with the interval of the lungs drawn; nothing if there is none."""
    value = float(found["value"])
    if not np.isfinite(value):
        return ""
    low, high = found["lungs_drawn"].values
    drawn = f" ({digits(low)} to {digits(high)})" if np.isfinite(low) else ""
    return f"{digits(value, units)}{drawn}"


def page_text(result: xr.Dataset) -> str:
    """Return the page in words, one line for each finding, for those who cannot see it."""
    lines = [counts_text(result), INTERVAL]
    for name, found in findings_of(result):
        units = str(found["unit"].values)
        here = _value_text(found, units)
        why = str(found["why"].values)
        lines.append(
            f"{name}: published {published_text(found, units)}"
            + (f", here {here}" if here else "")
            + f": {verdict_of(found)}"
            + (f"; {why}." if why else ".")
        )
    return "\n".join(lines)


def validation_data(result: xr.Dataset) -> dict[str, Any]:
    """Return counts and findings as plain data."""
    rows = [
        {
            "name": name,
            "subject": str(found["subject"].values),
            "units": str(found["unit"].values),
            "published": found["published"].values,
            "value": float(found["value"]),
            "lungs_drawn": found["lungs_drawn"].values,
            "lungs": int(found["lungs"]),
            "verdict": verdict_of(found),
            **{text: str(found[text].values) for text in TEXTS},
        }
        for name, found in findings_of(result)
    ]
    return {"counts": counts(result), "findings": rows}
