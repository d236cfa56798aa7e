"""Captions fit their pages."""

from itertools import pairwise

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from ebbmap.plotting.pages.layout import broken, legend_above, line_width, settle
from ebbmap.plotting.style import END, name_ends


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


@pytest.mark.parametrize(("number", "columns"), [(1, 1), (4, 4), (9, 5), (40, 6)])
def test_a_legend_takes_the_width_of_its_page_and_no_more(number, columns):
    """Six names of an inch and a half, mark included, fit; the last row is not almost empty."""
    figure = Figure(figsize=(10.0, 4.0), layout="constrained")
    axes = figure.subplots()
    lines = [axes.plot([0, 1])[0] for _ in range(number)]
    height = figure.get_figheight()
    legend = legend_above(figure, lines, ["lung n"] * number)
    rows = -(-number // columns)
    assert legend._ncols == columns
    added = figure.get_figheight() - height
    size = legend.get_texts()[0].get_fontsize()
    # a line of text and a little room for each row
    assert rows * size / 72 < added < 2 * rows * size / 72
    figure.draw_without_rendering()
    box = legend.get_window_extent()
    assert figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1


@pytest.mark.parametrize("number", [2, 8, 30])
def test_names_beside_a_panel_keep_apart_and_begin_within_it(number):
    figure = Figure(figsize=(6.0, 2.0))
    left, right = (figure.add_axes((x, 0.3, 0.3, 0.6)) for x in (0.1, 0.5))
    left.plot([0, 1], [0, 1])
    name_ends(right, [(f"name {n}", "black", 0.5) for n in range(number)], 0.0)
    right.set_ylim(0.0, 1.0)
    settle(figure)
    figure.draw_without_rendering()
    names = [text for text in right.texts if text.get_gid() == END]
    boxes = sorted((Text.get_window_extent(name) for name in names), key=lambda box: box.y0)
    assert len(boxes) == number
    for below, above in pairwise(boxes):
        # a pixel for glyphs that are rounded to pixels
        assert above.y0 >= below.y1 - 1.0
    panel = right.get_window_extent()
    if boxes[-1].y1 - boxes[0].y0 < panel.height:
        assert panel.y0 - 1 <= boxes[0].y0 and boxes[-1].y1 <= panel.y1 + 1
    else:
        # a column that is taller than its panel begins at its foot
        assert boxes[0].y0 == pytest.approx(panel.y0, abs=boxes[0].height)
