"""Tables and plain data of runs: what they will cost, and how far they have come."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from ebbmap.errors import EbbmapError
from ebbmap.runs import status_of
from ebbmap.runs.forecast import Cost
from ebbmap.runs.status import PartStatus, Status
from ebbmap.tables.model import COUNT, Column, Form, Table, table

GIGABYTES = Form(",.2f", 1e-9, " GB")
_RATE = Form(",.0f", suffix=" per s")


def cost_table(costs: Sequence[Cost], workers: int) -> Table:
    """Return what the analyses of a study or the parts of a check would cost, and the whole."""
    columns = [
        "analysis",
        Column("cases", COUNT),
        Column("disk", GIGABYTES),
        Column("memory", GIGABYTES),
        "time",
    ]
    whole = Cost(
        "the whole",
        sum(cost.cases for cost in costs),
        sum(cost.disk for cost in costs),
        max(cost.memory for cost in costs),
        sum(cost.seconds for cost in costs),
    )
    rows = [
        (
            f"{cost.name}, {cost.blocks:,} blocks to do" if cost.blocks else cost.name,
            cost.cases,
            cost.disk,
            cost.memory,
            time_text(cost.seconds),
        )
        for cost in (*costs, *([whole] if len(costs) > 1 else []))
    ]
    title = f"expected costs, {workers} workers: at most so many cases; pictures not counted"
    return table(title, columns, rows)


def kept_lines(costs: Sequence[Cost]) -> Iterator[str]:
    """Yield what a run keeps of an earlier one in its folder, and what is new, part by part.

    Examples
    --------
    >>> whole = Cost("window", 0, 0.0, 0.0, 0.0, kept=2)
    >>> more = Cost("map_t_low_p_high", 4000, 0.0, 0.0, 90.0, kept=1, new=3)
    >>> for line in kept_lines([whole, more]):
    ...     print(line)
    window: all 2 finished pieces stay
    map_t_low_p_high: 1 finished piece stays; 3 are new, about 4,000 cases and 90.0 s
    """
    if not any(cost.kept or cost.why for cost in costs):
        return
    for cost in costs:
        stay = "1 finished piece stays" if cost.kept == 1 else f"{cost.kept:,} finished pieces stay"
        stay += f" ({cost.adds})" if cost.adds else ""
        new = f"about {cost.cases:,} cases and {time_text(cost.seconds)}"
        because = f", for {cost.why}" if cost.why else ""
        if not cost.kept:
            yield f"{cost.name}: {'solved anew' if cost.why else 'new'}{because}, {new}"
        elif not cost.new:
            yield f"{cost.name}: {'' if cost.kept == 1 else 'all '}{stay}"
        else:
            verb = "is" if cost.new == 1 else "are"
            yield f"{cost.name}: {stay}; {cost.new:,} {verb} new{because}, {new}"


def cost_data(costs: Sequence[Cost]) -> list[dict[str, Any]]:
    """Return expected costs as plain data."""
    return [
        {
            "name": cost.name,
            "cases": cost.cases,
            "disk_bytes": cost.disk,
            "memory_bytes": cost.memory,
            "seconds": cost.seconds,
            "blocks": cost.blocks,
            "kept": cost.kept,
            "new": cost.new,
            "why": cost.why,
            "adds": cost.adds,
        }
        for cost in costs
    ]


def run_status(folder: Path) -> Status:
    """Return how far the run in a folder has come.

    Raises
    ------
    EbbmapError
        If there is none.
    """
    status = status_of(folder)
    if status is None:
        raise EbbmapError(
            f"{str(folder)!r} must hold a run that can be resumed; it holds none. Name the "
            "folder that was given with --out."
        )
    return status


def status_table(status: Status) -> Table:
    """Return how far each part of a run has come."""
    columns = [
        "part",
        Column("done", COUNT),
        Column("left", COUNT),
        Column("cases", COUNT),
        Column("cases left", COUNT),
        Column("rate of one worker", _RATE),
        f"time left, {status.workers} workers",
    ]
    rows = [
        (
            part.name,
            part.done,
            part.pieces - part.done,
            part.cases or None,
            part.all_cases - part.cases if part.all_cases else None,
            part.rate if part.cases and part.seconds else None,
            _time_left(part, status.workers),
        )
        for part in status.parts
    ]
    at_work = "running" if status.running else "not running"
    return table(f"started {status.started}, {at_work}", columns, rows)


def _time_left(part: PartStatus, workers: int) -> str:
    left = part.done and part.pieces > part.done
    return time_text(part.seconds_left / max(workers, 1)) if left else ""


def status_data(status: Status) -> dict[str, Any]:
    """Return how far a run has come as plain data."""
    return {
        "started": status.started,
        "running": status.running,
        "workers": status.workers,
        "parts": [
            {
                "name": part.name,
                "pieces": part.pieces,
                "done": part.done,
                "cases": part.cases,
                "all_cases": part.all_cases,
                "rate": part.rate,
                "seconds_left": part.seconds_left,
            }
            for part in status.parts
        ],
    }


def time_text(seconds: float) -> str:
    """Return a time in the unit that suits it.

    Examples
    --------
    >>> time_text(90.0), time_text(7200.0)
    ('90.0 s', '2.0 h')
    """
    for size, unit in ((86400.0, "days"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:,.1f} {unit}"
    return f"{seconds:.1f} s"
