"""The page to play with: traced formulas, lungs, sliders and axes, put into one HTML file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.trace import input_of, inputs_given, is_traceable
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import VERDICTS
from ebbmap.lungs import DEFAULT_LUNG, lung_model
from ebbmap.plotting.style import colour_of
from ebbmap.registries.copula import Population
from ebbmap.registries.derivations import DERIVATIONS
from ebbmap.registries.folding import PARTS, folded_text, parts_of
from ebbmap.registries.limits import RULES, limit_set
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.teaching.lungs import (
    Opening,
    Told,
    Values,
    find_opening,
    groups_with,
    lungs_to_guess,
    presets_of,
)
from ebbmap.teaching.sliders import OWN, moves_of, sliders_of
from ebbmap.teaching.tables import Tables
from ebbmap.web import SHARED, Part, assemble, entry_of, scripts_of, scripts_of_tabled

#: Read-outs, in order, with the digits behind the point; -1: in per cent.
SHOWN: Mapping[str, int] = {
    "paco2": 0,
    "ph": 2,
    "spo2": -1,
    "release_volume": 0,
    "release_volume_per_kg": 1,
    "trapped_volume": 0,
    "auto_peep": 1,
    "end_release_pressure": 1,
    "flow_ratio": -1,
    "exhaled_fraction": -1,
    "mean_airway_pressure": 1,
    "closed_fraction": -1,
}

#: What judges: harm. The rules for T low are shown beside it.
JUDGED_BY = "harm"

#: P high for which the axes leave room [cmH2O].
TALL = 30.0

#: How a page computes that needs no tables.
ITSELF = (
    "Every number and every point of a curve is computed here, while you move a slider, by the "
    "formulas that the program itself uses."
)

#: The scripts, in the order in which they stand in the page, with those of curves between.
SHARED_SCRIPTS = tuple(
    Part(SHARED, name)
    for name in ("page.js", "numbers.js", "drawing.js", "address.js", "tables.js", "model.js")
)
COURSE, FOLLOWED = Part(SHARED, "course.js"), Part(SHARED, "followed.js")
OWN_SCRIPTS = tuple(
    Part("ebbmap.teaching", name)
    for name in (
        "curves.js",
        "readings.js",
        "controls.js",
        "startup.js",
        "game.js",
        "quiz.js",
        "main.js",
    )
)

#: Numbers that curves and their words need, besides those that are shown.
OF_CURVES = ("peak_expiratory_flow", "end_high_pressure", "end_high_volume")


class Page(NamedTuple):
    """A page and what it opens with."""

    html: str
    lung: str
    opening: Opening


def build_page(
    lung: str = DEFAULT_LUNG,
    *,
    first: Population | None = None,
    told: Told = lambda sentence: None,
    **values: float,
) -> Page:
    """Build the page to play with.

    Parameters
    ----------
    lung : str
        Any lung model: linear, tube and paired are traced; others are solved once, into tables.
    first : Population, optional
        Whose middle lung the page is to open with, beside the bundled ones; one's own too.
    told : callable
        Called with a sentence on what is being done.
    **values : float
        Settings to open with, and properties held in every lung.

    Returns
    -------
    Page
        HTML with style, script and data inside; nothing is fetched.

    Raises
    ------
    EbbmapError
        If no table is near enough to the lung, T low is given, a population cannot stand beside
        the bundled ones, or nothing can be shown at these values.

    Examples
    --------
    >>> page = build_page("linear")
    >>> page.html.count("<!DOCTYPE html>"), page.opening.safe
    (1, 'restrictive')
    """
    _check(lung, values)
    limits = limit_set(JUDGED_BY)
    told(f"tracing the formulas of the lung {lung}")
    free = is_traceable(lung)
    shown = _shown(lung)
    moves = moves_of(lung, values)
    held = {name: value for name, value in moves.values.items() if name not in moves.shared}
    groups = groups_with(first)
    presets = presets_of(lung, held, limits, groups)
    presets = {name: {**own, **held} for name, own in presets.items()}
    given = _given(lung, presets)
    scripts = (
        scripts_of(lung, limits, given) if free else scripts_of_tabled(lung, limits, shown, given)
    )
    sliders = sliders_of(moves, presets)
    tables = None if free else Tables(lung, sliders, shown, limits, told)
    searched = sliders["t_low"]["low"], sliders["t_low"]["high"]
    opening, safe = find_opening(
        lung, presets, moves.values, limits, searched, told, first.name if first else ""
    )
    told("drawing lungs to guess")
    guessed = lungs_to_guess(lung, moves.values, limits, searched)
    for one in guessed:
        one["values"] |= held
    drawn: dict[str, dict[str, Any]] = {
        name: {
            "label": groups[name].long_name,
            "colour": colour_of(name, place),
            "values": own,
            "safe": safe[name],
        }
        for place, (name, own) in enumerate(presets.items())
    }
    moved = moves.own
    if tables is not None:
        moved = tables.add(list(drawn.values()), "the middle lungs", own=moved)
        if guessed:
            tables.add(guessed, "the lungs to guess")
    told("putting the page together")
    data = {
        **_words(lung, presets),
        **_invented(groups),
        "shared": moves.shared,
        "own": moved,
        "how": ITSELF if tables is None else tables.says(),
        "tables": [] if tables is None else tables.data(),
        "sliders": sliders,
        "presets": drawn,
        "opening": opening._asdict(),
        "frame": _frame(lung, presets, opening.settings),
        "guessed": guessed,
    }
    page = assemble(
        Part("ebbmap.teaching", "body.html"),
        title="One release, two lungs",
        styles=(Part(SHARED, "page.css"), Part("ebbmap.teaching", "teaching.css")),
        scripts=(
            *scripts.values(),
            *SHARED_SCRIPTS,
            COURSE if free else FOLLOWED,
            *OWN_SCRIPTS,
        ),
        data=data,
    )
    return Page(page, lung, opening)


def _shown(lung: str) -> tuple[str, ...]:
    """Return the outcomes that the page needs of a lung, what its curves take included."""
    followed = lung_model(lung).followed
    return (*SHOWN, *OF_CURVES, *(followed.solved if followed else ()))


def _words(lung: str, presets: Mapping[str, Values]) -> dict[str, Any]:
    """Return what the page knows from the registries alone."""
    limits = limit_set(JUDGED_BY)
    return {
        "lung": lung,
        "model": _model_text(lung, presets),
        "defaults": {name: entry.default for name, entry in PARAMETERS.items()},
        "readings": {name: {**entry_of(name), "digits": digits} for name, digits in SHOWN.items()},
        "bounds": [
            {"name": input_of(b), "value": b.value, "sentence": b.sentence, "why": b.why}
            for b in (*limits.hard, *limits.caution)
        ],
        "hard": len(limits.hard),
        "verdicts": VERDICTS,
        "rules": [
            {"name": limit.outcome, "low": limit.low, "high": limit.high}
            for rule in RULES
            for limit in limit_set(rule).limits
        ],
    }


def _given(lung: str, presets: Mapping[str, Values]) -> set[str]:
    """Return what is given of the lungs and stands for what is derived from it.

    Raises
    ------
    EbbmapError
        If one lung is given in another way than the others, which the page's formulas cannot take.
    """
    named = {name for own in presets.values() for name in own}
    given = {way.trigger for way in DERIVATIONS} & named
    taken = lung_model(lung).parameters
    used = set(inputs_given(taken, given))
    needed = {way.trigger for way in DERIVATIONS if way.target in taken} & given
    for group, own in presets.items():
        lost = sorted((set(own) & set(taken)) - used) + sorted(needed - set(own))
        if lost:
            raise EbbmapError(
                f"the lungs of {group!r} are not given as the bundled ones are ({lost[0]}), so one "
                f"page of the lung {lung!r} cannot hold both. Take the lung that they were "
                "fitted with."
            )
    return given


def _invented(groups: Mapping[str, Population]) -> dict[str, str]:
    """Return in few words and in more which lungs are invented, and where the others come from."""
    own = {group.long_name: group.source for group in groups.values() if group.source}
    if not own:
        return {
            "whose": "The lungs are invented.",
            "invented": "Each named lung is the middle lung of an invented population with all its "
            "properties.",
        }
    sources = "; ".join(f"{name}: {source}" for name, source in own.items())
    return {
        "whose": f"The lungs are invented, but for {' and '.join(own)}.",
        "invented": "Each named lung is the middle lung of a population with all its properties. "
        f"Populations are invented but for {sources}; what that lacks is at its default.",
    }


def _check(lung: str, values: Mapping[str, float]) -> None:
    """Refuse a lung or a value that the page cannot take."""
    lung_model(lung)
    drawn = {name for group in POPULATIONS.values() for name in group.properties}
    for way in DERIVATIONS:
        if way.trigger in values and way.trigger not in drawn:
            raise EbbmapError(
                f"the page takes no {way.trigger}, from which {way.target} would follow: each lung "
                f"would have another one. Give {way.target} itself."
            )
    for name in ("t_low", *OWN):
        if name in values:
            raise EbbmapError(
                f"{name} is what the page moves; it opens where lungs differ. Drop it."
            )


def _frame(lung: str, presets: Mapping[str, Values], settings: Values) -> dict[str, list[float]]:
    """Return the ends of the axes: they hold every middle lung up to a P high of `TALL`."""
    names = ("peak_expiratory_flow", "end_high_volume")
    model = lung_model(lung)
    every = [{**own, **settings, "p_high": TALL} for own in presets.values()]
    case = {
        name: np.array([one.get(name, PARAMETERS[name].default) for one in every])
        for name in {name for one in every for name in one}
    }
    solved = evaluate(model, case, names)
    flow, volume = (float(np.max(solved.outcomes[name])) for name in names)
    flow, volume = 0.5 * np.ceil(2.1 * flow), 500.0 * np.ceil(volume / 500.0)
    return {"pressure": [0.0, 36.0], "flow": [-float(flow), float(flow)], "volume": [0.0, volume]}


def _model_text(lung: str, presets: Mapping[str, Values]) -> str:
    """Return which lung model computes the page, what the default one has besides, what is off."""
    model = lung_model(lung)
    lacks = [words for words, has in zip(PARTS.values(), parts_of(model), strict=True) if not has]
    more = [f"a {' and a '.join(reversed(lacks))}"] if lacks else []
    if "upstream_resistance" not in model.parameters:
        more.append("in obstructive lungs, flow limitation")
    said = [f"Computed in this page by the lung model {lung}: {model.long_name}."]
    if lung != DEFAULT_LUNG and more:
        said.append(f"The usual model {DEFAULT_LUNG} adds {' and, '.join(more)}.")
    said.append(folded_text(tuple(POPULATIONS.values()), model))
    off = [
        PARAMETERS[name].long_name
        for name in model.parameters
        if PARAMETERS[name].default == 0.0
        and PARAMETERS[name].kind == "lung property"
        and not any(own.get(name, 0.0) for own in presets.values())
    ]
    if lung != DEFAULT_LUNG and off:
        said.append(f"None of these lungs has {_either(off)}.")
    return " ".join(filter(None, said))


def _either(words: list[str]) -> str:
    """Return words as a list of what is lacking.

    Examples
    --------
    >>> _either(["a", "b", "c"])
    'a, b or c'
    """
    return " or ".join(filter(None, [", ".join(words[:-1]), words[-1]]))
