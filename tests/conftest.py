"""What several rooms of tests share: one small check, smaller searches, and a browser."""

from pathlib import Path

import pytest

import browser
from ebbmap.committee import boxes, certificates, comparison, maps, windows
from ebbmap.committee.check import check_protocol
from ebbmap.files.protocol import load_protocol

SMALL_DRAFT = Path(__file__).parent / "files" / "protocol" / "small_draft.toml"


@pytest.fixture(autouse=True)
def width_of_nobody(monkeypatch):
    """Keep tests from being as wide as the terminal of whoever runs them, which workers know."""
    monkeypatch.delenv("COLUMNS", raising=False)


@pytest.fixture(scope="session")
def small_check():
    """The small draft, checked once; nobody changes it."""
    return check_protocol(load_protocol(SMALL_DRAFT), date="2026-01-01")


@pytest.fixture
def smaller_searches(monkeypatch):
    """Let a check in this process look at fewer lungs where its numbers are not what is tested."""
    monkeypatch.setattr(boxes, "SEARCH_LUNGS", 128)
    monkeypatch.setattr(certificates, "CERTIFICATE_LUNGS", 256)
    monkeypatch.setattr(boxes, "PLACES", {1: 17, 2: 9, 3: 5, 4: 3})
    monkeypatch.setattr(comparison, "CHOICE_LUNGS", 128)
    monkeypatch.setattr(comparison, "TRIED_LUNGS", 256)
    monkeypatch.setattr(windows, "LUNGS", 128)
    monkeypatch.setattr(maps, "LUNGS", 64)


@pytest.fixture(scope="module")
def chromium():
    """Start the system's browser for a whole file of tests, and close it afterwards."""
    with browser.started() as one:
        yield one
