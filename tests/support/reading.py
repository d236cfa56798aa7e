"""How hard a text is to read: the grade of Flesch and Kincaid, with trade terms excused."""

import re

from ebbmap.registries.glossary import GLOSSARY
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

#: Trade terms: what the glossary explains, and the names of the registries. Each counts as one
#: word of one syllable, since the reader knows it or finds it explained where it is met.
TERMS = sorted(
    {
        *(entry.long_name.casefold() for entry in GLOSSARY.values()),
        *(entry.long_name.casefold() for book in (PARAMETERS, OUTCOMES) for entry in book.values()),
        *(name.casefold() for name in POPULATIONS),
        *(entry.long_name.casefold() for entry in POPULATIONS.values()),
    },
    key=len,
    reverse=True,
)
_TERM = re.compile(rf"\b({'|'.join(map(re.escape, TERMS))})s?\b")

#: What ends a sentence: a point before a space or the end, never one within a number.
_END = re.compile(r"[.?!](?=\s|$)|\n")

_VOWELS = re.compile(r"[aeiouy]+")


def syllables(word):
    """Count groups of vowels, less a silent e at the end; at least one.

    >>> [syllables(word) for word in ("safe", "patients", "combination", "the", "whole")]
    [1, 2, 4, 1, 1]
    """
    found = len(_VOWELS.findall(word))
    silent = word.endswith("e") and not word.endswith(("le", "ee")) and found > 1
    silent |= word.endswith("ole") or (word.endswith("ed") and not word.endswith(("ted", "ded")))
    return max(1, found - bool(silent))


def grade(texts):
    """Return the grade of Flesch and Kincaid of texts, each of whole sentences.

    0.39 words a sentence + 11.8 syllables a word - 15.59: Kincaid et al., Research Branch Report
    8-75, Naval Technical Training, 1975 (the formula from memory).
    """
    sentences, words, parts = 0, 0, 0
    for text in texts:
        plain = _TERM.sub("term", text.casefold())
        for sentence in filter(None, (s.strip() for s in _END.split(plain))):
            found = re.findall(r"[a-z]+|\d[\d.,]*", sentence)
            sentences += bool(found)
            words += len(found)
            parts += sum(syllables(word) if word.isalpha() else 1 for word in found)
    return 0.39 * words / sentences + 11.8 * parts / words - 15.59
