"""The lungs of the page: middle lungs with all their properties, lungs to guess, and the opening.

Nothing of it is typed: middle lungs come from the populations, the opening from a search for
windows, the axes from what the lungs do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise, zip_longest
from typing import Any, NamedTuple

import numpy as np

from ebbmap.analyses.common.windows import search_windows
from ebbmap.cases.evaluate import resolve
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.cases.start import START, started
from ebbmap.errors import EbbmapError
from ebbmap.registries.copula import Population
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

#: The two lungs that the page opens with, where both can be had; others follow in their order.
FIRST_PAIR = ("restrictive", "obstructive")

#: Steps of the slider of T low [s]; the opening lies on one of them.
STEP = 0.01

#: Lungs to guess: how many of each population, of how many drawn, and how wide a window each must
#: have [s].
GUESSED, DRAWN, WIDE = 3, 24, 0.08

#: Lungs of each population whose windows are looked for at a time.
FEW = 4

Values = dict[str, float]
Pieces = list[tuple[float, float]]
Told = Callable[[str], None]


class Opening(NamedTuple):
    """Settings within a safe window of one lung and outside that of the other."""

    settings: Values
    safe: str
    fails: str


def groups_with(first: Population | None) -> dict[str, Population]:
    """Return the populations of the page by name: one's own, if there is one, and the bundled.

    Raises
    ------
    EbbmapError
        If one's own has the name of a bundled one.
    """
    groups = {group.name: group for group in POPULATIONS.values()}
    if first is None or groups.get(first.name) is first:
        return groups
    if first.name in groups:
        raise EbbmapError(
            f"a bundled population is called {first.name!r} too, and the page shows both. Give "
            "the table another name."
        )
    return {first.name: first, **groups}


def presets_of(
    lung: str, values: Mapping[str, float], limits: LimitSet, groups: Mapping[str, Population]
) -> dict[str, Values]:
    """Return the middle lung of every population in a lung model, by population.

    Parameters
    ----------
    lung : str
        Lung model.
    values : mapping of str to float
        What is held in every lung.
    limits : LimitSet
        What judges.
    groups : mapping of str to Population
        From `groups_with`.
    """
    asked = Question(lung, values, {}, tuple(groups.values()), {limits.name: limits})
    held = set(values)
    return {
        group.name: {
            name: float(value)
            for name, value in middle_lung(asked, group, {}).items()
            if name not in held
        }
        for group in asked.populations
    }


def safe_pieces(
    lung: str,
    lungs: Sequence[Mapping[str, float]],
    limits: LimitSet,
    searched: tuple[float, float],
) -> list[Pieces]:
    """Return, lung by lung, the T low between which all hard limits hold [s].

    Parameters
    ----------
    lung : str
        Lung model.
    lungs : sequence of mapping of str to float
        Everything else of each; what a lung has no value for is at its default. A dear lung costs
        by the call, so many are searched together.
    limits : LimitSet
        What judges.
    searched : pair of float
        Range of T low [s].
    """
    names = dict.fromkeys(name for one in lungs for name in one if name != "t_low")
    columns = {
        name: np.array([one[name] if name in one else PARAMETERS[name].default for one in lungs])
        for name in names
    }
    found = search_windows(lung, columns, limits, searched=searched)
    both = zip(found["lower"].values.tolist(), found["upper"].values.tolist(), strict=True)
    return [
        [(low, high) for low, high in zip(lows, highs, strict=True) if low == low]
        for lows, highs in both
    ]


def settings_for(values: Mapping[str, float], own: Mapping[str, float]) -> Values:
    """Return the settings to open with: P high from the plateau of one lung unless it is given."""
    full, _ = started(values)
    given = {name: np.asarray(value, dtype=float) for name, value in {**own, **full}.items()}
    everything = resolve(given, ("p_high",))
    high = round(float(everything["p_high"]))
    chosen = {"p_high": float(high), "p_low": 0.0, "t_high": PARAMETERS["t_high"].default}
    chosen |= {name: START[name] for name in START if name != "plateau_peep"}
    return chosen | {name: float(value) for name, value in values.items() if name in PARAMETERS}


def find_opening(
    lung: str,
    presets: Mapping[str, Values],
    values: Mapping[str, float],
    limits: LimitSet,
    searched: tuple[float, float],
    told: Told,
    first: str = "",
) -> tuple[Opening, dict[str, Pieces]]:
    """Find settings that are safe for one lung and fail for another.

    Parameters
    ----------
    lung : str
        Lung model.
    presets : mapping of str to dict
        Middle lungs by population.
    values : mapping of str to float
        What was given and stays as it is.
    limits : LimitSet
        What judges.
    searched : pair of float
        Ends of the slider of T low [s].
    told : callable
        Called with a sentence before each search.
    first : str
        The population whose lung the page is to open with, if that can be.

    Returns
    -------
    opening : Opening
        With T low on a step of its slider, in the middle of the longest stretch that serves one
        lung only.
    safe : dict of str to list of pairs
        Pieces of safe T low of every lung at these settings [s].

    Raises
    ------
    EbbmapError
        If no two lungs differ anywhere.
    """
    wanted = (first, *FIRST_PAIR)
    places = {name: place for place, name in enumerate(wanted)}
    names = sorted(presets, key=lambda name: places.get(name, len(wanted)))
    for safe in names:
        settings = settings_for(values, presets[safe])
        told(f"finding the windows of T low at P high {settings['p_high']:g} cmH₂O")
        found = safe_pieces(
            lung, [{**own, **settings} for own in presets.values()], limits, searched
        )
        pieces = dict(zip(presets, found, strict=True))
        for fails in names:
            stretch = _only_first(pieces[safe], pieces[fails])
            if fails != safe and stretch is not None:
                t_low = round(0.5 * (stretch[0] + stretch[1]) / STEP) * STEP
                return Opening({**settings, "t_low": round(t_low, 6)}, safe, fails), pieces
    raise EbbmapError(
        "at these values no T low is safe for one middle lung and unsafe for another, so the page "
        "would have nothing to show. Leave out some of what --set holds."
    )


def _only_first(one: Pieces, other: Pieces) -> tuple[float, float] | None:
    """Return the longest stretch within pieces of one list and outside those of the other [s]."""
    edges = sorted({edge for piece in (*one, *other) for edge in piece})

    def inside(pieces: Pieces, at: float) -> bool:
        return any(low <= at <= high for low, high in pieces)

    stretches = [
        (low, high)
        for low, high in pairwise(edges)
        if inside(one, 0.5 * (low + high)) and not inside(other, 0.5 * (low + high))
        # wide enough to stand in with a step on either side
        if high - low >= 4.0 * STEP
    ]
    return max(stretches, key=lambda pair: pair[1] - pair[0], default=None)


def lungs_to_guess(
    lung: str, values: Mapping[str, float], limits: LimitSet, searched: tuple[float, float]
) -> list[dict[str, Any]]:
    """Return drawn lungs that have a window to be found, each with a P high from its plateau.

    Each is a dict of `population`, `values` and `settings`; populations take turns.
    """
    groups = tuple(POPULATIONS.values())
    asked = Question(lung, dict(values), {}, groups, {limits.name: limits}, lungs=DRAWN)
    drawn = {group.name: _drawn_with_settings(asked, group) for group in asked.populations}
    turns: dict[str, list[dict[str, Any]]] = {name: [] for name in drawn}
    # a few of each at a time, for a dear lung's windows take long and the first ones do
    for first in range(0, DRAWN, FEW):
        some = [
            one
            for name, found in turns.items()
            if len(found) < GUESSED
            for one in drawn[name][first : first + FEW]
        ]
        if not some:
            break
        each = [{**one["values"], **one["settings"]} for one in some]
        for one, safe in zip(some, safe_pieces(lung, each, limits, searched), strict=True):
            if any(high - low >= WIDE for low, high in safe):
                turns[one["population"]].append(one)
    both = zip_longest(*(found[:GUESSED] for found in turns.values()))
    return [one for turn in both for one in turn if one is not None]


def _drawn_with_settings(asked: Question, group: Population) -> list[dict[str, Any]]:
    """Return drawn lungs of a population, each with the settings to open it with."""
    held = asked.fixed
    drawn = {n: a.values for n, a in draw_cases(asked, group, {}).items() if n not in held}
    each = [{name: float(a[number]) for name, a in drawn.items()} for number in range(asked.lungs)]
    return [
        {"population": group.name, "values": one, "settings": settings_for(held, one)}
        for one in each
    ]
