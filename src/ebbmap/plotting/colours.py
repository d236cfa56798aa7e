"""What keeps its colour in every picture: phenotypes, rules, limits, properties, verdicts, parts.

Any two colours of a group are told apart by eyes with all cones, with deuteranopia and with
protanopia (`vision.py`; a test computes it). Red never stands against green.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from types import MappingProxyType

from matplotlib.colors import is_color_like

from ebbmap.errors import EbbmapError, shortened, unknown_name
from ebbmap.plotting.vision import APART, difference

INK = "#22303a"
FAINT = "#8d979e"
GRID = "#e4e1da"

#: In the order in which they are drawn.
PHENOTYPES = {
    "normal": "#5b6770",
    "restrictive": "#2a6fb0",
    "obstructive": "#c4572b",
    "severe_asthma": "#4a2545",
}

RULES = {"flow_ratio": "#15a6b2", "exhaled_fraction": "#e5a30d"}

#: By what is broken: the two sides of one outcome are a dark and a light tone.
LIMITS = {
    "release_volume_per_kg_high": "#123f6d",
    "release_volume_per_kg_low": "#7fa7de",
    "flow_ratio_low": "#15a6b2",
    "flow_ratio_high": "#a5d8d9",
    "exhaled_fraction_high": "#e5a30d",
    "exhaled_fraction_low": "#f1dc99",
    "auto_peep_high": "#b2498c",
    "end_release_pressure_low": "#d98324",
    "end_high_pressure_high": "#64572b",
    "driving_pressure_high": "#a9994b",
    "alveolar_ventilation_low": "#22303a",
    "ph_low": "#2f8f6b",
    "ph_high": "#a1d4a3",
    "end_high_transpulmonary_pressure_high": "#4c301a",
    "total_strain_high": "#c0a178",
    "spo2_low": "#4b3f8f",
    "pao2_low": "#8278b9",
}

#: Properties of the lung, wherever they are compared with each other.
PROPERTIES = {
    "compliance": "#2b619f",
    "resistance_exp": "#e47d2f",
    "resistance_insp": "#f5c96c",
    "predicted_body_weight": "#5c2a76",
    "chest_wall_share": "#3ba890",
    "slow_volume_share": "#db94c2",
    "time_constant_slow": "#9cc2ec",
    "resistance_quadratic": "#806d26",
    "co2_production": "#20323e",
    "alveolar_dead_space_share": "#b99e55",
    "shunt_baseline": "#af5068",
    "collapsible_share": "#53888f",
    "half_closed_pressure": "#9892cf",
    "closing_width": "#5e4026",
    "upstream_resistance": "#9fd5bf",
    "opening_pressure": "#536ac8",
    "closing_pressure": "#dfd9af",
    "closing_time_constant": "#557396",
}

VERDICTS = {
    "safe": "#2b7f9e",
    "caution": "#f0c66b",
    "unsafe": "#6b2f1f",
    "undetermined": "#ffffff",
}

#: Words of a verdict on white or tinted paper: the same hues, dark enough to be read.
VERDICT_WORDS = {
    "safe": "#24708c",
    "caution": "#7a5200",
    "unsafe": "#6b2f1f",
    "undetermined": "#4a4f55",
}

#: A patient's time: safe, not safe, and out of the mode.
TIMES = {"yes": VERDICTS["safe"], "no": VERDICTS["unsafe"], "gone": "#cfcbc2"}

#: Units that close and that open; the fast and the slow compartment; two ways of weaning.
CLOSING, OPENING = "#8a5a1f", "#3f8fbf"
FAST, SLOW = "#3f8fbf", "#8a5a1f"
USUAL_ROUTE, SAFEST_ROUTE = "#7a4fa0", "#123f6d"

#: Colours in order for all else; dark and light alternate so that grey print keeps them apart.
CYCLE = ("#123f6d", "#d98324", "#41a78a", "#954798", "#6aa1d9", "#786b2d", "#d588b8", "#24343f")

#: Every fixed colour by name; a rule has its own, its limits are tones of it.
COLOURS: Mapping[str, str] = {**PROPERTIES, **LIMITS, **PHENOTYPES, **RULES}

#: Groups whose members stand beside each other on one picture.
TOLD_APART = {
    "phenotypes and rules": (*PHENOTYPES.values(), *RULES.values()),
    "limits": tuple(LIMITS.values()),
    "properties": tuple(PROPERTIES.values()),
    "verdicts": tuple(VERDICTS.values()),
    "words of verdicts": tuple(VERDICT_WORDS.values()),
    "a patient's time": tuple(TIMES.values()),
    "closing and opening": (CLOSING, OPENING),
    "compartments": (FAST, SLOW),
    "ways of weaning": (USUAL_ROUTE, SAFEST_ROUTE),
    "cycle": CYCLE,
}

_OWN: ContextVar[Mapping[str, str]] = ContextVar("own colours", default=MappingProxyType({}))


def fixed_colour(name: str) -> str | None:
    """Return the colour of a named thing, the reader's own first; None where it has none."""
    return _OWN.get().get(name) or COLOURS.get(name)


@contextmanager
def own_colours(colours: Mapping[str, str]) -> Iterator[list[str]]:
    """Draw with other colours for named things; yield what cannot be told apart then.

    Parameters
    ----------
    colours : mapping of str to str
        Name of a phenotype, rule, limit or property, and a colour as matplotlib names it.

    Raises
    ------
    EbbmapError
        If a name has no colour of its own, or a colour is none.

    Examples
    --------
    >>> with own_colours({"normal": "#2a6fb0"}) as doubts:
    ...     fixed_colour("normal"), doubts
    ('#2a6fb0', ['normal and restrictive look alike (difference 0, at least 12 is needed)'])
    """
    for name, colour in colours.items():
        if name not in COLOURS:
            raise EbbmapError(unknown_name("name of a colour", name, COLOURS))
        if not is_color_like(colour):
            raise EbbmapError(
                f"{name} must be a colour such as '#2a6fb0' or 'navy'; got {shortened(colour)}."
            )
    token = _OWN.set({**_OWN.get(), **colours})
    try:
        yield list(_doubts(colours))
    finally:
        _OWN.reset(token)


def _doubts(colours: Mapping[str, str]) -> Iterator[str]:
    for group in (PHENOTYPES | RULES, LIMITS, PROPERTIES):
        for name in colours.keys() & group.keys():
            for other in group.keys() - {name}:
                if other in colours and other < name:
                    continue
                apart = difference(fixed_colour(name), fixed_colour(other))
                if apart < APART:
                    yield (
                        f"{name} and {other} look alike (difference {apart:.0f}, at least "
                        f"{APART:g} is needed)"
                    )
