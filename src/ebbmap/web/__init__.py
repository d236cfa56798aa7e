"""Pages that compute in the browser: what all of them share, put together into one file."""

from ebbmap.web.assemble import SHARED, Part, assemble
from ebbmap.web.quantities import entry_of, scripts_of, scripts_of_tabled
from ebbmap.web.tables import Table, make_table

__all__ = [
    "SHARED",
    "Part",
    "Table",
    "assemble",
    "entry_of",
    "make_table",
    "scripts_of",
    "scripts_of_tabled",
]
