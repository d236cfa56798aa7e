"""The exceptions, and the one sentence pattern that they all follow.

What must hold [unit]; got value (where). What to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

#: Most characters of a value, a name, or a list of known names in an error.
SHOWN, SHOWN_NAMES = 60, 2000

#: Decimal digits that Python's own limit lets an integer be shown with, in bits.
_SHOWN_BITS = 14_000


class EbbmapError(ValueError):
    """Base of the errors that a user can correct."""


class DesignMismatchError(EbbmapError):
    """A design and the results or the request do not belong together."""


class NonFiniteOutcomeError(EbbmapError):
    """An outcome holds values that are not finite where an analysis needs numbers."""


class StudyError(EbbmapError):
    """A study file with problems; `problems` lists every one of them.

    Parameters
    ----------
    where : str
        The file, as the user named it.
    problems : sequence of str
        One sentence for each problem.
    """

    def __init__(self, where: str, problems: Iterable[str]):
        self.where = where
        self.problems = tuple(problems)
        super().__init__("\n".join([f"{where}: {len(self.problems)} problem(s)", *self.problems]))


class TooLargeError(EbbmapError):
    """A request that would not fit in memory or on the disk."""


class UnfinishedError(EbbmapError):
    """A run that had to stop midway; what it finished is kept, and the same command resumes it."""


def unknown_name(kind: str, name: object, known: Iterable[str]) -> str:
    """Return that a name is unknown, which known one is nearest, and what is known.

    Examples
    --------
    >>> unknown_name("parameter", "p_hi", ["p_high", "p_low"])
    "unknown parameter 'p_hi'; did you mean 'p_high'? Known: p_high, p_low."
    """
    names, text = sorted(known), str(name)
    # the cost of a comparison grows with both lengths: a text of a page is no slip of a name
    nearest = get_close_matches(text, names, n=1) if len(text) <= SHOWN else []
    guess = f"; did you mean {nearest[0]!r}?" if nearest else "."
    listed = ", ".join(names)
    if len(listed) > SHOWN_NAMES:
        listed = f"{listed[:SHOWN_NAMES]}... ({len(names):,} names)"
    return f"unknown {kind} {shortened(text)}{guess} Known: {listed}."


def shortened(value: object) -> str:
    """Return a value as an error shows it, of bounded length whatever it is.

    Examples
    --------
    >>> shortened(16**5000)
    'an integer of more than 4,000 digits'
    """
    if isinstance(value, int) and value.bit_length() > 14_000:
        return "an integer of more than 4,000 digits"
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # an integer of as many digits within a list
        return f"a {type(value).__name__} that is too long to show"
    return text if len(text) <= 60 else text[:57] + "..."
