"""A page as a notebook: its words as text cells, its Python as code cells."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

#: The page that a researcher follows in a notebook, and the notebook's name.
PAGE, NAME = "first_hour/researcher.md", "first_hour.ipynb"

#: Blocks of Python, which become cells; everything else of a page stays text.
_PYTHON = re.compile(r"^```python\n(.*?)^```$", re.MULTILINE | re.DOTALL)

#: Roles and directives of MyST that a notebook would print as they stand.
_ROLE = re.compile(r"\{\w+\}`([^`<]+?)(?: <[^>]*>)?`")


def notebook_of(page: Path) -> dict[str, Any]:
    """Return a page as a notebook of format 4.5.

    Parameters
    ----------
    page : Path
        A file in MyST's Markdown.

    Returns
    -------
    dict
        Ready for `json.dumps`; cells have ids that depend on their place alone, so the same page
        gives the same bytes.
    """
    parts = _PYTHON.split(page.read_text(encoding="utf-8"))
    cells = []
    for number, part in enumerate(parts):
        text = part.strip("\n")
        if not text:
            continue
        cell: dict[str, Any] = {"id": f"cell-{number}", "metadata": {}, "source": text}
        if number % 2:
            cell |= {"cell_type": "code", "execution_count": None, "outputs": []}
        else:
            cell |= {"cell_type": "markdown", "source": _ROLE.sub(r"\1", text)}
        cells.append(cell)
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    return {
        "cells": cells,
        "metadata": {"kernelspec": kernel, "language_info": {"name": "python"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }


def notebook_text(page: Path) -> str:
    """Return a page as the text of a notebook file."""
    return json.dumps(notebook_of(page), indent=1, ensure_ascii=False) + "\n"
