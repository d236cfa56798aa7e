"""Tables, sentences and plain data of the page of validation."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import xarray as xr

from ebbmap.tables.model import COUNT, PRECISE, Column, Table, table, triple
from ebbmap.validation.words import (
    INTERVAL,
    by_subject,
    counts,
    counts_text,
    findings_of,
    published_text,
    value_text,
    verdict_of,
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
                value_text(one),
                verdict_of(one),
                str(one["why"].values),
            )
            for name, one in findings_of(found)
        ]
        yield table(subject, columns, rows)
    yield table("", (), (), notes=(INTERVAL, counts_text(result)))


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
