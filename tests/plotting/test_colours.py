"""Colours that must be told apart are, by measured difference, for three kinds of eyes."""

import colorsys

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from ebbmap.errors import EbbmapError
from ebbmap.plotting.colours import (
    COLOURS,
    LIMITS,
    PHENOTYPES,
    PROPERTIES,
    RULES,
    TOLD_APART,
    VERDICT_WORDS,
    own_colours,
)
from ebbmap.plotting.style import colour_of
from ebbmap.plotting.vision import APART, EYES, difference, least_difference, on_white
from ebbmap.registries.bounds import Bound
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS


@pytest.mark.parametrize("group", TOLD_APART)
def test_any_two_of_a_group_are_told_apart(group):
    found, pair, eyes = least_difference(TOLD_APART[group])
    assert found >= APART, f"{pair} by {eyes}"


@pytest.mark.parametrize("opacity", [0.45, 0.3, 0.16])
def test_bands_of_the_rules_are_told_apart_as_they_are_drawn(opacity):
    bands = [on_white(colour, opacity) for colour in RULES.values()]
    found, _, eyes = least_difference(bands)
    assert found >= APART, eyes


def test_differences_are_those_of_the_reference():
    # the two rule colours of an earlier palette, which fell from 33 to 4.6 as bands
    teal, purple = (on_white(colour, 0.45) for colour in ("#12737a", "#8a3f8f"))
    assert difference(teal, purple, "deuteranopia") == pytest.approx(4.6, abs=0.1)
    # grey looks the same to everybody: rows of the simulation add up to one
    for eyes in EYES:
        assert difference("#808080", "#808080", eyes) == 0.0
        assert difference("white", "black", eyes) == pytest.approx(100.0, abs=0.1)


def hue(colour):
    return 360.0 * colorsys.rgb_to_hls(*to_rgb(colour))[0]


@pytest.mark.parametrize("group", TOLD_APART)
def test_no_red_stands_against_green(group):
    strong = [c for c in TOLD_APART[group] if colorsys.rgb_to_hls(*to_rgb(c))[2] > 0.3]
    reds = [c for c in strong if hue(c) < 12.0 or hue(c) > 345.0]
    greens = [c for c in strong if 80.0 < hue(c) < 160.0]
    assert not (reds and greens)


def test_every_phenotype_property_and_judged_limit_has_a_colour():
    assert set(POPULATIONS) == set(PHENOTYPES)
    assert {name for group in POPULATIONS.values() for name in group.marginals} <= set(PROPERTIES)
    bounds: list[Bound] = [
        bound
        for name in ("harm", "flow_ratio", "exhaled_fraction")
        for bound in LIMIT_SETS[name].hard
    ]
    assert {bound.name for bound in bounds} - set(LIMITS) == {
        "co2_balance_low",
        "oxygen_balance_low",
    } & {bound.name for bound in bounds}
    assert list(PHENOTYPES) == list(POPULATIONS)


def test_a_property_keeps_its_colour_wherever_it_stands():
    for name in PROPERTIES:
        assert {colour_of(name, number) for number in range(12)} == {PROPERTIES[name]}


def test_own_colours_hold_while_asked_for_and_doubts_are_told():
    before = colour_of("normal", 0)
    with own_colours({"normal": "navy"}) as doubts:
        assert colour_of("normal", 0) == "navy"
        assert doubts == []
    assert colour_of("normal", 0) == before
    with own_colours({"flow_ratio": COLOURS["exhaled_fraction"]}) as doubts:
        assert doubts == [
            "flow_ratio and exhaled_fraction look alike (difference 0, at least 12 is needed)"
        ]
    with pytest.raises(
        EbbmapError, match="unknown name of a colour 'norml'; did you mean 'normal'"
    ):
        own_colours({"norml": "navy"}).__enter__()
    with pytest.raises(EbbmapError, match="normal must be a colour"):
        own_colours({"normal": "nayv"}).__enter__()


def test_the_simulation_keeps_white_white():
    assert np.allclose(on_white("black", 0.0), 1.0)


def luminance(colour):
    """Return the relative luminance of WCAG 2, by its definition."""
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("paper", ["#ffffff", "#f5f3ee"])
@pytest.mark.parametrize("verdict", VERDICT_WORDS)
def test_words_of_a_verdict_can_be_read_on_paper(verdict, paper):
    # 4.5: least contrast of text, WCAG 2.1, level AA
    assert (luminance(paper) + 0.05) / (luminance(VERDICT_WORDS[verdict]) + 0.05) >= 4.5
