"""One self-contained HTML page: a template, styles, scripts and data, each from its own file."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from importlib.resources import files
from typing import Any, NamedTuple

from ebbmap.caution import CAUTION

#: What pages share lies here.
SHARED = "ebbmap.web"


class Part(NamedTuple):
    """A file of a package, within its folder `parts`."""

    package: str
    name: str

    def read(self) -> str:
        """Return its text."""
        return files(self.package).joinpath("parts").joinpath(self.name).read_text("utf-8")


#: What is around every page: its head, which lets nothing be fetched, its data and its script.
FRAME = Part(SHARED, "page.html")


def assemble(
    body: Part,
    *,
    title: str,
    styles: Iterable[Part],
    scripts: Iterable[Part | str],
    data: Mapping[str, Any],
) -> str:
    """Put a page together.

    Parameters
    ----------
    body : Part
        HTML of what is seen, with the place ``__CAUTION__``; the shared frame is put around it.
    title : str
        What the browser calls the page.
    styles : iterable of Part
        Style sheets, in order.
    scripts : iterable of Part or str
        Scripts, in order: files, or the text of generated ones.
    data : mapping
        What the scripts read, as JSON.

    Returns
    -------
    str
        HTML that fetches nothing.
    """
    script = "\n".join(one.read() if isinstance(one, Part) else one for one in scripts)
    numbers = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    frame = FRAME.read().replace("__BODY__", body.read().rstrip())
    places = {
        "__TITLE__": title,
        "__STYLE__": "\n".join(style.read() for style in styles),
        "__CAUTION__": CAUTION,
        # a closing tag inside a string would end the script
        "__DATA__": numbers.replace("</", "<\\/"),
        "__SCRIPT__": script.replace("</script", "<\\/script"),
    }
    # one pass, so that what is put in is not searched again
    return re.sub("|".join(places), lambda found: places[found.group()], frame)
