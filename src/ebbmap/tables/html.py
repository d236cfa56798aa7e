"""Tables as HTML; every text is escaped."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from ebbmap.tables.model import Table


def to_html(table: Table) -> str:
    """Return a table as a region of a page that scrolls by itself.

    Examples
    --------
    >>> from ebbmap.tables.model import table
    >>> '<th scope="row">a &lt;b&gt;</th>' in to_html(table("title", ["head"], [("a <b>",)]))
    True
    """
    return _template().render(t=table, grade_class=_grade_class)


@cache
def _template() -> Template:
    return Environment(
        loader=PackageLoader("ebbmap.tables", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    ).get_template("table.jinja")


def _grade_class(cell: str) -> str:
    """Return the style of a grade; the class "caution" is the page's line of caution."""
    word = cell.split()[-1]
    return "caution-grade" if word == "caution" else word
