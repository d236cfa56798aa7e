"""Tables and results as plain data, as JSON holds them: a number that is not known is null."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from ebbmap.caution import CAUTION
from ebbmap.tables.model import Table


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it, whatever it lies in.

    Examples
    --------
    >>> import numpy as np
    >>> plain({"share": np.float64(0.5), "ends": (0.4, float("nan")), "lungs": np.arange(2)})
    {'share': 0.5, 'ends': [0.4, None], 'lungs': [0, 1]}
    """
    if isinstance(value, dict):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if isinstance(value, (np.ndarray, np.generic)) or hasattr(value, "values"):
        return plain(getattr(value, "values", value).tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def to_plain(table: Table) -> dict[str, Any]:
    """Return a table as plain data: heads and units, rows of values, notes."""
    return {
        "title": table.title,
        "columns": [{"title": column.title, "units": column.units} for column in table.columns],
        "rows": plain(table.rows),
        "notes": list(table.notes),
    }


def document(**content: Any) -> dict[str, Any]:
    """Return what a command prints as JSON: the caution first, then its own keys."""
    return {"caution": CAUTION, **plain(content)}


def tables_document(tables: Iterable[Table]) -> list[dict[str, Any]]:
    """Return tables as plain data, in their order."""
    return [to_plain(table) for table in tables]
