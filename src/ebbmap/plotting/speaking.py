"""The language in which a page is drawn: its texts are translated before they are laid out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, NamedTuple

from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FuncFormatter

from ebbmap.plotting.languages import ENGLISH, catalogue
from ebbmap.plotting.sentences import AND, BUNDLED, Names, in_language, translated


class _Speech(NamedTuple):
    """A language, the names that stay as they are, and what is not translated again."""

    language: str
    names: Names
    said: set[str]


_SPOKEN: ContextVar[_Speech | None] = ContextVar("language of a page", default=None)


@contextmanager
def speaking(language: str, names: Names = BUNDLED) -> Iterator[None]:
    """Have `spoken`, `paragraph` and `speak` use a language meanwhile; else they use English."""
    before = _SPOKEN.set(_Speech(language, names, set()))
    try:
        yield
    finally:
        _SPOKEN.reset(before)


def spoken(text: str) -> str:
    """Return a text in the language of the page.

    Examples
    --------
    >>> with speaking("de"):
    ...     spoken("auto-PEEP 0.125 cmH₂O"), spoken(spoken("auto-PEEP 0.125 cmH₂O"))
    ('Auto-PEEP 0,125 cmH₂O', 'Auto-PEEP 0,125 cmH₂O')
    """
    speech = _SPOKEN.get()
    if speech is None or _flat(text) in speech.said:
        return text
    said = translated(text, speech.language, speech.names)
    speech.said.add(_flat(said))
    return said


def paragraph(text: str) -> str:
    """Return sentences in the language of the page, one after the other."""
    speech = _SPOKEN.get()
    return text if speech is None else " ".join(in_language([text], speech.language, speech.names))


def between() -> str:
    """Return what stands between the last two of several things in the language of the page."""
    speech = _SPOKEN.get()
    return catalogue(speech.language).get(AND, AND) if speech else AND


def speak(fig: Figure) -> None:
    """Write every text of a figure, and the numbers of its axes, in the language of the page."""
    speech = _SPOKEN.get()
    if speech is None or speech.language == ENGLISH:
        return
    for text in fig.findobj(Text):
        text.set_text(spoken(text.get_text()))
    for ax in fig.axes:
        for axis in (ax.xaxis, ax.yaxis):
            axis.set_major_formatter(_Formatter(axis, speech))


def _flat(text: str) -> str:
    return " ".join(text.split())


class _Formatter(FuncFormatter):
    """What an axis would have written at its ticks, in a language."""

    def __init__(self, axis: Axis, speech: _Speech) -> None:
        self._asked: Any = axis.get_major_formatter()
        language, names, _ = speech

        def written(value: float, place: int | None = None) -> str:
            return translated(str(self._asked(value, place)), language, names)

        super().__init__(written)

    def set_locs(self, locs: Any) -> None:
        """Pass on to the formatter that is asked where the ticks are."""
        self._asked.set_locs(locs)
