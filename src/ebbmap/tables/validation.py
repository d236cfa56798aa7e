"""Tables, sentences and plain data of the page of validation."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import xarray as xr

from ebbmap.tables.model import COUNT, PRECISE, Column, Table, table
from ebbmap.validation.words import (
    by_subject,
    counts,
    counts_text,
    findings_of,
    interval_text,
    published_text,
    value_text,
    verdict_of,
    verdict_text,
)

#: Texts of a finding that its row carries.
TEXTS = ("why", "note", "how", "source", "grade")


def full_table(result: xr.Dataset) -> Table:
    """Return every finding with all that is known of it, for a file."""
    columns = [
        "finding",
        "subject",
        "unit",
        Column("published, lower", PRECISE),
        Column("published, upper", PRECISE),
        Column("ebbmap", PRECISE, interval=True, knowledge=True),
        Column("lungs drawn", COUNT),
        "verdict",
        *TEXTS,
    ]
    rows = [
        (
            name,
            *(str(found[text].values) for text in ("subject", "unit")),
            *map(float, found["published"]),
            (
                float(found["value"]),
                *map(float, found["lungs_drawn"]),
                *map(float, found["knowledge"]),
            ),
            int(found["lungs"]),
            verdict_text(found),
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
                value_text(one),
                verdict_text(one),
                str(one["why"].values),
            )
            for name, one in findings_of(found)
        ]
        yield table(subject, columns, rows)
    yield table("", (), (), notes=(interval_text(result), counts_text(result)))


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
            "knowledge": found["knowledge"].values,
            "lungs": int(found["lungs"]),
            "within_reach": bool(found["within_reach"]),
            "verdict": verdict_of(found),
            **{text: str(found[text].values) for text in TEXTS},
        }
        for name, found in findings_of(result)
    ]
    return {"counts": counts(result), "findings": rows}
