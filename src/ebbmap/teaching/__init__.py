"""A page to play with: computed beforehand on a grid, interpolated by the page."""

from ebbmap.teaching.grid import teaching_grid
from ebbmap.teaching.page import build_page

__all__ = ["build_page", "teaching_grid"]
