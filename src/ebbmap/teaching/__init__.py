"""A page to play with: two lungs side by side, computed in the page by traced formulas."""

from ebbmap.teaching.page import Page, build_page

__all__ = ["Page", "build_page"]
