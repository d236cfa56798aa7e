"""Keys of --json that several commands print."""

from __future__ import annotations

#: What every document has.
CAUTION_KEYS = {"caution": "research and teaching only"}

#: Costs of a run or a check.
COSTS_KEYS = {
    "costs[].name": "analysis, or part of a check",
    "costs[].cases": "cases to solve, at most",
    "costs[].disk_bytes": "bytes kept, before compression",
    "costs[].memory_bytes": "bytes of memory, all workers together",
    "costs[].seconds": "expected time with all workers",
    "costs[].blocks": "blocks left to do, where a sweep streams; else 0",
    "costs[].kept": "finished pieces of an earlier run in the folder that stay",
    "costs[].new": "pieces known to be needed besides, where an earlier run is gone on with",
    "costs[].why": "why pieces of an earlier, smaller study do not stay; empty where all do",
    "costs[].adds": "what is added to those that stay without solving a case again",
}

#: How a file was understood.
EXPLAINED_KEYS = {
    "explained[].title": "a part of the file, as what is set",
    "explained[].sentences[]": "how it was understood",
}

#: What an answer holds.
HELD_KEYS = {
    "lung": "lung model",
    "held": "what was held, defaults marked",
}

#: A table of a result.
TABLES_KEYS = {
    "title": "what the table shows",
    "columns[].title": "name of a column",
    "columns[].units": "its unit (UDUNITS); 1 for texts and pure numbers",
    "rows[][]": "cells: text, number, null, or [value, lower, upper], and two more for knowledge",
    "notes[]": "sentences under the table",
}
