"""A page to explore: computed beforehand on a grid, interpolated by the page itself."""

from ebbmap.teaching.grid import teaching_grid
from ebbmap.teaching.page import build_page

__all__ = ["build_page", "teaching_grid"]
