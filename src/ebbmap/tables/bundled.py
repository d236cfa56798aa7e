"""The bundled studies, protocols and policies, as a table and as plain data."""

from __future__ import annotations

from ebbmap.files.bundled import (
    bundled_policies,
    bundled_protocols,
    bundled_studies,
    files_in,
)
from ebbmap.files.common.reading import read_text, read_toml
from ebbmap.tables.model import Table, table


def bundled_data() -> list[dict[str, str]]:
    """Return the command, name, title and question of every bundled file."""
    found = []
    folders = {bundled_studies(): "run", bundled_protocols(): "check", bundled_policies(): "check"}
    for folder, command in folders.items():
        for path in files_in(folder):
            raw = read_toml(read_text(path), str(path))
            found.append(
                {
                    "command": command,
                    "name": path.stem,
                    "title": raw["title"],
                    "question": raw.get("question", ""),
                }
            )
    return found


def bundled_table() -> Table:
    """Return how each bundled file is run, its title and its question."""
    rows = [
        (f"ebbmap {one['command']} {one['name']}", one["title"], one["question"])
        for one in bundled_data()
    ]
    return table(
        "bundled studies, draft protocols and policies", ["command", "title", "question"], rows
    )
