"""A map that answers while one drags: safe regions of drawn lungs, by itself or served."""

from ebbmap.exploring.asked import Asked, of_study, usual
from ebbmap.exploring.page import Explorer, build_explorer, build_page
from ebbmap.exploring.server import serve
from ebbmap.exploring.stored import Stored, has_store, of_store

__all__ = [
    "Asked",
    "Explorer",
    "Stored",
    "build_explorer",
    "build_page",
    "has_store",
    "of_store",
    "of_study",
    "serve",
    "usual",
]
