"""Who gains and who loses between two drafts, and why: lungs by what they are, and limits.

Sizes: n lungs, g of them moved.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ebbmap.committee.counting import GroupCount
from ebbmap.committee.protocol import Protocol
from ebbmap.digits import share_text
from ebbmap.registries.bounds import Bound
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: Lungs that must have moved, and stayed, before their kind is named.
FEWEST = 5

#: How far the chance that a moved lung has more of a property than another must lie from one half.
TOLD_APART = 0.15

#: Share of combinations by which a limit must be broken more or less often to be named.
NAMED = 0.02


def moved_sentence(
    group: str,
    word: str,
    moved: np.ndarray,
    counts: tuple[GroupCount, GroupCount],
    protocols: tuple[Protocol, Protocol],
) -> str:
    """Return who of a group gains or loses, how many, and by which limit.

    Parameters
    ----------
    group : str
        Its name.
    word : {"gain", "lose"}
        What they do.
    moved : ndarray of bool, shape (n,)
        Which of all lungs that were drawn do it.
    counts : tuple of GroupCount
        Of the group under the first draft and under the second.
    protocols : tuple of Protocol
        By which these were counted.

    Returns
    -------
    str
        One sentence; that nobody does it where nobody does.
    """
    if not moved.any():
        return f"{group}: no lung {word}s."
    share = share_text(float(moved.mean()))
    share = "fewer than 1 %" if moved.mean() < 0.005 else share
    kind = _kind(moved, counts)
    return f"{group}: {share} of the lungs {word}{kind}; {_why(word, moved, counts, protocols)}."


def _kind(moved: np.ndarray, counts: tuple[GroupCount, GroupCount]) -> str:
    """Return which lungs they mostly are: the property that tells them apart best."""
    drawn = counts[0].drawn
    here = moved[drawn.number]
    if here.sum() < FEWEST or (~here).sum() < FEWEST:
        return ""
    best, chance = "", 0.5
    for name, values in drawn.values.items():
        more = _more(values[here], values[~here])
        if abs(more - 0.5) > abs(chance - 0.5):
            best, chance = name, more
    if abs(chance - 0.5) < TOLD_APART:
        return ", of no particular kind"
    entry, unit = PARAMETERS[best], display(PARAMETERS[best].units)
    middle = [float(np.median(drawn.values[best][one])) for one in (here, ~here)]
    size = "a high" if chance > 0.5 else "a low"
    return (
        f", mostly those with {size} {entry.long_name} ({middle[0]:.3g} against {middle[1]:.3g} "
        f"{unit}".rstrip()
        + " in the middle)"
    )


def _more(some: np.ndarray, others: np.ndarray) -> float:
    """Return the chance that one of some has more than one of others; ties count half."""
    ordered = np.sort(others)
    below = np.searchsorted(ordered, some, "left")
    upto = np.searchsorted(ordered, some, "right")
    return float(np.mean((below + upto) / 2.0) / others.size)


def _why(
    word: str,
    moved: np.ndarray,
    counts: tuple[GroupCount, GroupCount],
    protocols: tuple[Protocol, Protocol],
) -> str:
    """Return which limit they break more, or less, often than before."""
    before, after = (
        _broken(moved, count, protocol) for count, protocol in zip(counts, protocols, strict=True)
    )
    bounds: dict[str, Bound] = {b.name: b for p in protocols for b in p.limits.hard}
    sign = 1.0 if word == "lose" else -1.0
    changed = {name: sign * (after.get(name, 0.0) - before.get(name, 0.0)) for name in bounds}
    name = max(changed, key=lambda one: changed[one])
    if changed[name] < NAMED:
        return "no single limit says why"
    old, new = (share_text(one.get(name, 0.0)) for one in (before, after))
    more = "more" if word == "lose" else "less"
    return (
        f"what they break {more} often is {bounds[name].sentence} (in {new} of their combinations "
        f"instead of {old})"
    )


def _broken(moved: np.ndarray, count: GroupCount, protocol: Protocol) -> Mapping[str, float]:
    """Return the share of combinations of some lungs in which each hard bound is broken."""
    if count.inside is None or count.inside.each is None:
        return {}
    here = moved[count.drawn.number]
    settings = count.inside.by_setting.shape[1]
    broken = count.inside.each.broken[:, here]
    if not here.any():
        return {}
    shares = broken.sum(axis=1) / (settings * here.sum())
    return {bound.name: float(s) for bound, s in zip(protocol.limits.hard, shares, strict=True)}
