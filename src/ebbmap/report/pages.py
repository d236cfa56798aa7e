"""Pages as files: each picture, and the words beside it."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path

from ebbmap.files.writing import write_text, write_whole
from ebbmap.plotting.pages import save_page
from ebbmap.plotting.pages.caption import Page


def save_pages(pages: Iterable[Page], folder: Path) -> list[Path]:
    """Write each page as NAME.png and NAME.txt; return what was written.

    Raises
    ------
    EbbmapError
        If a file cannot be written.
    """
    written = []
    for name, figure, text in pages:
        written.append(write_whole(folder / f"{name}.png", partial(save_page, figure)))
        written.append(write_text(folder / f"{name}.txt", text + "\n"))
    return written
