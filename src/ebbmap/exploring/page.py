"""The explorer as a page: lungs, traced formulas, sliders and colours, put into one HTML file."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np

from ebbmap.cases.drawn_bounds import within_bounds
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.trace import input_of, is_traceable, trace
from ebbmap.engines.javascript import in_place
from ebbmap.engines.tracer import record
from ebbmap.exploring.asked import SETTINGS, SHOWN, THROUGH, Asked, ends_of, modes_of, usual
from ebbmap.exploring.draws import draws_data, marginal_scripts
from ebbmap.exploring.tables import tabled_of, with_tables
from ebbmap.kernels.judging import VERDICTS
from ebbmap.lungs import DEFAULT_LUNG, lung_model
from ebbmap.plotting.style import SHARE_MAP, colour_of
from ebbmap.registries.copula import Population
from ebbmap.registries.derivations import DERIVATIONS, Derivation
from ebbmap.registries.folding import folded_text
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.web import SHARED, Part, assemble, entry_of, scripts_of, scripts_of_tabled

#: By how much a property of all lungs may be multiplied.
FACTORS = (0.4, 2.5)

#: What every explorer has, and what computes: the page itself, or the server that it came from.
BEFORE = tuple(Part(SHARED, name) for name in ("page.js", "numbers.js", "drawing.js", "address.js"))
MODEL = tuple(Part(SHARED, name) for name in ("tables.js", "model.js"))
COURSE, FOLLOWED = Part(SHARED, "course.js"), Part(SHARED, "followed.js")
ITSELF = tuple(Part("ebbmap.exploring", name) for name in ("lungs.js", "counting.js", "itself.js"))
SERVED = (Part("ebbmap.exploring", "served.js"),)
AFTER = tuple(
    Part("ebbmap.exploring", name)
    for name in (
        "asking.js",
        "picture.js",
        "settings.js",
        "cell.js",
        "parallel.js",
        "saving.js",
        "main.js",
    )
)

#: A served page may talk to its own server, and to nobody else.
ALONE, CONNECTED = "default-src 'none';", "default-src 'none'; connect-src 'self';"

Told = Callable[[str], None]


class Explorer(NamedTuple):
    """A page, and what it was made of."""

    html: str
    lung: str
    data: Mapping[str, Any]


def build_explorer(
    lung: str = DEFAULT_LUNG,
    *,
    lungs: int | None = None,
    seed: int = 0,
    cells: int | None = None,
    told: Told = lambda sentence: None,
) -> Explorer:
    """Build an explorer of the bundled populations that needs no server.

    Parameters
    ----------
    lung : str
        Any lung model; one that cannot be traced is solved once, into tables.
    lungs, seed : int
        Lungs drawn of each bundled population; they are those of an analysis with this seed. As
        `lungs_of_page` has it if None.
    cells : int, optional
        Cells along each axis of the map; 100 if None.
    told : callable
        Called with a sentence on what is being done.

    Returns
    -------
    Explorer
        HTML with style, scripts and lungs inside; nothing is fetched.

    Raises
    ------
    EbbmapError
        If no table is near enough to the lung, or a number is too small.

    Examples
    --------
    >>> build_explorer("linear", lungs=2, cells=10).data["count"]
    2
    """
    return build_page(usual(lung, lungs=lungs, seed=seed, cells=cells), told=told)


def build_page(asked: Asked, *, told: Told = lambda sentence: None) -> Explorer:
    """Build an explorer that needs no server.

    Parameters
    ----------
    asked : Asked
        What is explored.
    told : callable
        Called with a sentence on what is being done.

    Raises
    ------
    EbbmapError
        As in `build_explorer`.
    """
    lung = asked.question.lung
    told(f"tracing the formulas of the lung {lung}")
    scripts = _scripts(asked)
    told(f"drawing {asked.question.lungs} lungs of each population")
    data = page_data(asked)
    for group in asked.groups:
        own = data["groups"][group.name]
        own["draws"] = draws_data(asked, group, list(own["columns"]))
    curves: tuple[Part, ...] = (COURSE,)
    if not is_traceable(lung):
        data = with_tables(asked, data, told)
        curves = (FOLLOWED,) if data["curves"] else ()
    parts: tuple[Part | str, ...] = (*scripts, *BEFORE, *MODEL, *curves, *ITSELF, *AFTER)
    return Explorer(_html(parts, data), lung, data)


def served_page(asked: Asked, data: Mapping[str, Any] | None = None) -> Explorer:
    """Return an explorer that asks the server that it came from; of any lung.

    Parameters
    ----------
    asked : Asked
        What is explored.
    data : mapping, optional
        What the scripts read; of drawn lungs, from `page_data`, if absent.
    """
    data = {**(page_data(asked) if data is None else data), "served": True}
    html = _html((*BEFORE, *SERVED, *AFTER), data)
    return Explorer(html.replace(ALONE, CONNECTED, 1), asked.question.lung, data)


def _html(scripts: tuple[Part | str, ...], data: Mapping[str, Any]) -> str:
    return assemble(
        Part("ebbmap.exploring", "body.html"),
        title="Where is it safe, and for which lungs?",
        styles=(Part(SHARED, "page.css"), Part("ebbmap.exploring", "exploring.css")),
        scripts=scripts,
        data=data,
    )


def page_data(asked: Asked) -> dict[str, Any]:
    """Return what the scripts read, of lungs that are drawn."""
    question = asked.question
    groups = {g.name: _group(question, g, place) for place, g in enumerate(asked.groups)}
    return {
        **base_data(asked),
        "count": question.lungs,
        "groups": groups,
        **_sliders(asked, groups),
        "held": {name: float(value) for name, value in question.fixed.items()},
        "modes": modes_of(asked),
    }


def base_data(asked: Asked, *, shown: Mapping[str, int] = SHOWN) -> dict[str, Any]:
    """Return what the scripts read, whether lungs are drawn or stored.

    Parameters
    ----------
    asked : Asked
        What is explored.
    shown : mapping of str to int
        Numbers of one lung, with their digits.
    """
    question = asked.question
    return {
        "lung": question.lung,
        "folded": folded_text(asked.groups, lung_model(question.lung)),
        "seed": question.seed,
        "cells": asked.cells,
        "inputs": sorted(asked.inputs),
        # properties that tables hold as they were drawn, and whether curves can be drawn
        "tabled": (),
        "curves": True,
        # stored places by axis, where the lungs and their cases are stored
        "stored": None,
        "factors": FACTORS,
        **_limits(asked),
        "defaults": {name: entry.default for name, entry in PARAMETERS.items()},
        "opening": dict(asked.opening),
        "axes": [{"name": axis.name, "from": axis.low, "to": axis.high} for axis in asked.axes],
        "shown": {name: {**entry_of(name), "digits": digits} for name, digits in shown.items()},
        "verdicts": VERDICTS,
        "share_colours": [_hex(SHARE_MAP(step / 20.0)) for step in range(21)],
    }


def _scripts(asked: Asked) -> list[str]:
    """Return the traced functions: all outcomes, verdicts alone, curves, and what is derived."""
    lung, limits = asked.question.lung, asked.limits
    free = is_traceable(lung)
    given = given_through(asked)
    scripts = (
        scripts_of(lung, limits, given)
        if free
        else scripts_of_tabled(lung, limits, tabled_of(lung), given)
    )
    graph = trace([], lung, limits, given=given, moving=True, solved=not free).graph
    alone = {name: graph.outputs[name] for name in ("verdict", "binding")}
    verdicts = in_place(type(graph)(graph.steps, graph.inputs, alone), "judged")
    return [*scripts.values(), verdicts, *map(_derive, _ways()), *marginal_scripts(asked)]


def given_through(asked: Asked) -> tuple[str, ...]:
    """Return what is given of the lungs and stands for what is derived from it."""
    drawn = {name for group in asked.groups for name in group.properties}
    triggers = dict.fromkeys(way.trigger for way in DERIVATIONS)
    return tuple(name for name in triggers if name in {*drawn, *asked.question.fixed})


def _ways() -> list[Derivation]:
    """Return the derivations of the settings that are set through others."""
    return [way for way in DERIVATIONS if way.trigger in THROUGH]


def _derive(way: Derivation) -> str:
    """Return a derivation as a script."""
    graph = record(lambda at: {way.target: way.function(**at)}, way.inputs)
    return in_place(graph, f"derive_{way.target}")


def _group(asked: Question, group: Population, place: int) -> dict[str, Any]:
    """Return the lungs of a population, each property as base64 of 64-bit numbers."""
    cases = draw_cases(asked, group, {})
    drawn = {name: array.values for name, array in cases.items() if name not in asked.fixed}
    kept, legal = within_bounds(drawn, drawn)
    fair = np.ones(asked.lungs, bool) if legal is None else np.broadcast_to(legal, asked.lungs)
    return {
        "label": group.long_name,
        "colour": colour_of(group.name, place),
        "columns": {name: _text(np.asarray(a, dtype="<f8")) for name, a in kept.items()},
        # a lung that left the registry's bounds is counted as undetermined
        "fair": _text(fair.astype("<f8")),
    }


def _text(numbers: np.ndarray) -> str:
    return base64.b64encode(numbers.tobytes()).decode("ascii")


def _hex(colour: tuple[float, ...]) -> str:
    """Return a colour of parts from 0 to 1 as scripts and styles write it."""
    return "#" + "".join(f"{round(255 * part):02x}" for part in colour[:3])


def _sliders(asked: Asked, groups: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Return sliders of settings, and the properties that lungs are drawn with."""
    names = dict.fromkeys(name for one in groups.values() for name in one["columns"])
    held = asked.opening
    return {
        "sliders": {
            name: {**entry_of(name), **_ends(name, held[name]), "step": step}
            for name, step in SETTINGS.items()
        },
        "through": {
            way.trigger: {
                "target": way.target,
                "inputs": way.inputs,
                "label": THROUGH[way.trigger],
            }
            for way in _ways()
        },
        "properties": {name: {**entry_of(name), **_ends(name)} for name in names},
    }


def _ends(name: str, *held: float) -> dict[str, float]:
    """Return the ends of a slider or an axis, widened to what is held."""
    ends = ends_of(name)
    return {"from": min(*ends, *held), "to": max(*ends, *held)}


def _limits(asked: Asked) -> dict[str, Any]:
    """Return every bound with its value, its colour, and the rule that it belongs to."""
    return {
        "bounds": [
            {
                "name": input_of(bound),
                "outcome": bound.outcome,
                "side": bound.side,
                "value": bound.value,
                "width": bound.width,
                "why": bound.why,
                "sentence": bound.sentence,
                "rule": bound.outcome if bound.outcome in asked.rules else "",
                "colour": colour_of(bound.name, place),
                **{key: entry_of(bound.outcome)[key] for key in ("label", "units")},
            }
            for place, bound in enumerate(asked.bounds)
        ],
        "hard": len(asked.limits.hard),
        "rules": asked.rules,
    }
