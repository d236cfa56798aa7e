"""The keys of the answer of a check before it is done; nothing heavy is loaded for them."""

from __future__ import annotations

from typing import Any


def unanswered() -> dict[str, Any]:
    """Return every key that `answer_document` fills, with nothing known.

    Examples
    --------
    >>> unanswered()["holds"], unanswered()["needs"]
    (None, [])
    """
    verdict = ("holds", "answer", "for_whom", "left_out", "conventional", "unjudged")
    return {
        **dict.fromkeys((*verdict, "engine", "report")),
        **{key: [] for key in ("persons", "why_not", "recognise", "needs")},
        **{key: {} for key in ("groups", "beside")},
    }
