"""The exceptions, and the one sentence pattern that they all follow.

What must hold [unit]; got value (where). What to do.
"""

from __future__ import annotations

from collections.abc import Iterable

from rapidfuzz import fuzz, process


class EbbmapError(ValueError):
    """Base of the errors that a user can put right."""


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
    """A run that had to stop midway; what it finished is kept, and the same command goes on."""


def unknown_name(kind: str, name: object, known: Iterable[str]) -> str:
    """Say that a name is unknown, which known one is nearest, and what is known.

    Examples
    --------
    >>> unknown_name("parameter", "p_hi", ["p_high", "p_low"])
    "unknown parameter 'p_hi'; did you mean 'p_high'? Known: p_high, p_low."
    """
    names = sorted(known)
    nearest = process.extractOne(str(name), names, scorer=fuzz.ratio, score_cutoff=60)
    guess = f"; did you mean {nearest[0]!r}?" if nearest else "."
    return f"unknown {kind} {str(name)!r}{guess} Known: {', '.join(names)}."
