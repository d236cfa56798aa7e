"""Every page and slide in German: not a word of English but names, and room for every text."""

import re
from functools import cache

import pytest
from matplotlib.text import Text

from ebbmap.plotting.languages import catalogue
from ebbmap.plotting.pages import pages_of
from ebbmap.plotting.sentences import LEFT, own_names
from ebbmap.plotting.slides import slides_of
from plotting.drawn import layout_problems
from plotting.every_page import DRAWN, results, tasks

# every page is drawn again
pytestmark = pytest.mark.slow

#: The study that has almost every page, and single pages that others have.
STUDY = "linear, one"
MORE = {"inside": "paired, one", "collapse": "stepped, one", "rules": "tube, one"}

#: English words that no German sentence holds, whatever a catalogue says.
COMMON = frozenset(
    "a above and are as at below by each every for from given held is it least left lowest lung "
    "lungs most no none not of on one or out rule rules safe setting settings share than that the "
    "their them they this time to under what where which whole with without".split()
)

#: What a name without a language is a part of, and formulas.
_WORD = re.compile(r"[^\W\d_]+(?:[-'][^\W\d_]+)*")


@cache
def english_words():
    """Words of the catalogue's English texts that stand in none of its German ones."""
    texts = catalogue("de")
    english, german = (
        {word for text in side for word in words_of(re.sub(r"\{\w+\}", " ", text))}
        for side in (texts, texts.values())
    )
    assert len(english - german) > 200
    return frozenset(english - german) | COMMON - german


def words_of(text):
    return [word.lower() for word in _WORD.findall(text)]


def left_english(text, names):
    """English words and numbers of a text outside of names."""
    for name in sorted(names, key=len, reverse=True):
        text = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", " ", text) if name else text
    return [*(set(words_of(text)) & english_words()), *re.findall(r"\d\.\d", text)]


def texts_of(figure):
    texts = [text.get_text() for text in figure.findobj(Text)]
    for axis in (axis for ax in figure.axes for axis in (ax.xaxis, ax.yaxis)):
        texts += axis.get_major_formatter().format_ticks(axis.get_majorticklocs())
    return texts


def drawn(kind, result):
    """Look, page, figure and long text of everything that is drawn of a result in German."""
    for look, draw in (("paper", pages_of), ("slides", slides_of)):
        for name, figure, text in draw(kind, result, "de"):
            yield look, name, figure, text


@cache
def german():
    found = list(results(STUDY))
    for kind, study in MORE.items():
        task = next(task for task in tasks(study) if task.kind == kind)
        found.append((kind, task.run(lambda cases: None)))
    return [(kind, result, page) for kind, result in found for page in drawn(kind, result)]


def test_every_analysis_is_among_them():
    assert {kind for kind, _, _ in german()} == DRAWN


def test_nothing_but_names_is_english():
    problems = {}
    for kind, result, (look, name, figure, text) in german():
        for said in (text, *texts_of(figure)):
            flat = " ".join(said.split())
            if words := left_english(flat, own_names(result)):
                problems[kind, look, name, flat] = words
            assert catalogue("de")[LEFT] not in flat, (kind, look, name, flat)
    assert problems == {}


def test_english_is_found():
    assert left_english("Festgehalten: P high with 0.5 cmH₂O (the lung)", {"the lung"}) == [
        "with",
        "0.5",
    ]


def test_german_texts_have_room():
    problems = {
        (kind, look, name): found
        for kind, _, (look, name, figure, _) in german()
        if look == "paper" and (found := layout_problems(figure))
    }
    assert problems == {}
