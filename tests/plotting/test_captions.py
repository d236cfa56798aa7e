"""Captions fit their pages."""

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ebbmap.plotting.pages.layout import broken, line_width


def test_the_width_of_a_line_is_what_is_drawn():
    figure = Figure(figsize=(9.0, 2.0))
    text = figure.text(0.01, 0.5, "P high 24 cmH₂O, wide words", fontsize=14.0)
    drawn = FigureCanvasAgg(figure).get_renderer()
    # the renderer rounds glyphs to pixels: 27 of them to half a pixel of 1/100 inch each
    assert line_width(text.get_text(), 14.0) == pytest.approx(
        text.get_window_extent(drawn).width / figure.dpi, abs=27 * 0.005
    )


def test_a_caption_of_wide_letters_is_broken_earlier():
    lines = broken("W" * 10 + (" " + "W" * 10) * 9, 12.0, 5.0).split("\n")
    assert all(line_width(line, 12.0) <= 5.0 for line in lines)
    assert sum(line.count("W") for line in lines) == 100
