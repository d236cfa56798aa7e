"""What a source in a registry says of the paper it names: read off its text, nothing added."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

_NAME = r"[A-Z][\w'’-]+"

#: Authors, journal, year, volume and first page, as far as a source has them.
_CITATION = re.compile(
    rf"(?:(?P<authors>{_NAME}(?: et al\.| and {_NAME})?), )?"
    r"(?P<journal>(?:[A-Z][A-Za-z]* )+)"
    r"(?P<year>(?:19|20)\d\d)"
    r"(?:;(?P<volume>\d+)(?P<issue>\([^)]*\))?:(?P<page>[A-Z]?\d+))?"
    r"(?:, doi (?P<doi>10\.\S+))?"
)


@dataclass(frozen=True)
class Citation:
    """A paper as a registry names it.

    Parameters
    ----------
    text : str
        The part of the source that names it.
    authors, journal, year, volume, page, doi : str
        As they stand there; empty where the source does not say.
    """

    text: str
    authors: str
    journal: str
    year: str
    volume: str
    page: str
    doi: str

    @property
    def key(self) -> str:
        """Key of its entry: the first author or the journal, the year and the page.

        Examples
        --------
        >>> next(citations("Chelucci et al., Eur Respir J 1993;6:785: 0.19")).key
        'chelucci1993_785'
        """
        first = (self.authors or self.journal).split()[0].lower()
        return re.sub(r"[^a-z0-9_]", "", f"{first}{self.year}_{self.page.lower()}".rstrip("_"))

    def bibtex(self, note: str) -> str:
        """Return an entry with what the registry says, and no field that it does not.

        Parameters
        ----------
        note : str
            What else a reader of the bibliography must know.
        """
        fields = {
            "author": self.authors.replace(" et al.", " and others"),
            "journal": self.journal,
            "year": self.year,
            "volume": self.volume,
            "pages": self.page,
            "doi": self.doi,
            "note": note,
        }
        lines = [f"  {name} = {{{_escaped(value)}}}," for name, value in fields.items() if value]
        return "\n".join([f"@article{{{self.key},", *lines, "}"])


def citations(source: str) -> Iterator[Citation]:
    """Yield the papers that a source names, in its order.

    A year alone names no paper: authors or a volume must stand beside it.

    Examples
    --------
    >>> [one.text for one in citations("Crotti et al., Am J Respir Crit Care Med 2001;164:131")]
    ['Crotti et al., Am J Respir Crit Care Med 2001;164:131']
    >>> list(citations("rule by body weight: Radford 1955 (from memory)"))
    []
    """
    for found in _CITATION.finditer(source):
        part = {name: (found[name] or "").strip() for name in found.groupdict() if name != "issue"}
        if part["authors"] or part["volume"]:
            yield Citation(text=found[0].strip(), **part)


def _escaped(text: str) -> str:
    """Return a text that BibTeX reads as it is."""
    return re.sub(r"([#%&_])", r"\\\1", text)
