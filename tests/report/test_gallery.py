"""The gallery shows every picture once, with words for the bedside and for those who cannot see."""

import re
from pathlib import Path

import pytest

FIGURES = Path(__file__).parents[2] / "figures"
SHOWN = re.compile(r"^!\[(?P<alt>[^\]]+)\]\((?P<file>[^)]+)\)\n\n(?P<words>\S.*)$", re.MULTILINE)
ENTRIES = [found.groupdict() for found in SHOWN.finditer((FIGURES / "gallery.md").read_text())]


def test_every_picture_is_shown_once():
    pictures = sorted(path.name for path in FIGURES.iterdir() if path.suffix in (".png", ".gif"))
    assert sorted(entry["file"] for entry in ENTRIES) == pictures


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry["file"])
def test_every_picture_has_two_plain_sentences(entry):
    sentences = re.split(r"(?<=[.?!]) (?=[A-Z])", entry["words"])
    assert len(sentences) == 2, sentences
    assert len(entry["alt"]) > 15
    assert "_" not in entry["words"]
