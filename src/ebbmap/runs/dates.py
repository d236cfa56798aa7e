"""Dates that reports and results state."""

from __future__ import annotations

import datetime

from ebbmap.errors import EbbmapError, shortened


def stated_date(date: str | datetime.date | None, *, name: str = "date") -> str:
    """Return a date as YYYY-MM-DD; today's (UTC) where none is given.

    Parameters
    ----------
    date : str, date or None
        What was given.
    name : str
        What an error calls it.

    Raises
    ------
    EbbmapError
        If a text is not a date.

    Examples
    --------
    >>> stated_date("2026-01-01")
    '2026-01-01'
    """
    if date is None:
        return datetime.datetime.now(datetime.UTC).date().isoformat()
    try:
        return datetime.date.fromisoformat(str(date)).isoformat()
    except ValueError:
        raise EbbmapError(f"{name} must be YYYY-MM-DD; got {shortened(date)}.") from None
