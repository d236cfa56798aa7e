"""Every term that a reader of a report meets, explained once."""

from __future__ import annotations

from dataclasses import dataclass

from ebbmap.registry import Registry


@dataclass(frozen=True)
class Term:
    """A word with a meaning of its own.

    Parameters
    ----------
    name, long_name : str
        Key, and the word as it is written.
    text : str
        What it means, in one or two sentences.
    """

    name: str
    long_name: str
    text: str


_TERMS = (
    Term(
        "combination",
        "combination",
        "One lung at one choice of settings inside the draft. A share of combinations is not a "
        "share of patients.",
    ),
    Term(
        "safe",
        "safe",
        "No hard limit of this draft is broken. It says nothing of what the draft does not judge.",
    ),
    Term(
        "always",
        "safe whatever is picked",
        "The patient breaks no hard limit at any combination tried inside the draft, the corners "
        "of its ranges included.",
    ),
    Term(
        "set_well",
        "safe if set well",
        "The patient is safe at some combination inside the draft and unsafe at another: who sets "
        "has to find the right one.",
    ),
    Term(
        "never",
        "never safe",
        "The patient breaks a hard limit at every combination tried inside the draft.",
    ),
    Term("harm", "limit on harm", "What must not happen to lung, blood or circulation."),
    Term(
        "rule",
        "rule for T low",
        "A way to choose T low, such as a share of peak flow. A broken rule is not harm by itself.",
    ),
    Term(
        "broken",
        "broken at all, worst, alone",
        "At all: beyond this limit, whatever else is broken. Worst: further beyond it than beyond "
        "any other, by the limits' widths. Alone: beyond this limit and no other.",
    ),
    Term(
        "margin",
        "margin",
        "How far inside the nearest hard limit a combination lies, in widths of that limit; below "
        "0 it is broken.",
    ),
    Term(
        "width",
        "width of a limit",
        "The distance that counts as a margin of 1: from the lower to the upper bound, or as the "
        "limit states it.",
    ),
    Term(
        "box",
        "box",
        "A range for every setting at once. It serves a patient if every combination in it is "
        "safe.",
    ),
    Term(
        "certificate",
        "certificate",
        "What a box or a single combination does to fresh lungs, on which it was not searched: "
        "safe, if surely enough of them are served.",
    ),
    Term(
        "window",
        "release window",
        "All T low that are safe for one lung, the other settings given.",
    ),
    Term(
        "interval",
        "interval",
        "Where the number would lie 95 times in 100 if other lungs were drawn. Doubt about the "
        "populations themselves comes on top.",
    ),
    Term(
        "sensitivity",
        "sensitivity",
        "Of 100 patients who are never safe, how many the measurement points to.",
    ),
    Term(
        "specificity",
        "specificity",
        "Of 100 other patients, how many the measurement does not point to.",
    ),
    Term(
        "driver",
        "driver",
        "A property or setting whose differences account for much of the differences in margin.",
    ),
    Term(
        "caution",
        "caution",
        "A warning limit is broken, no hard one. Such a combination counts as safe.",
    ),
)

#: Terms by name: reports explain them where they are met, `ebbmap describe` prints them.
GLOSSARY: Registry[Term] = Registry("term", _TERMS)
