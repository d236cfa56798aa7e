"""The page of validation: every published finding, subject by subject."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import LINE_HEIGHT, broken, text_size
from ebbmap.plotting.style import INK, Look
from ebbmap.plotting.validation import legend_of_verdicts, plot_validation, reach
from ebbmap.validation.words import by_subject, counts_text, page_text

#: Width of the page and of its names [inch].
WIDTH, NAMES = 12.0, 5.0

#: Lines of text that a panel's title takes.
TITLE = 1.9


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the published intervals and the model's numbers, a panel for each subject."""
    size = text_size(WIDTH)
    subjects = list(by_subject(result))
    labels = [
        [broken(name, size, NAMES) for name in found["finding"].values.astype(str)]
        for _, found in subjects
    ]
    lines = [sum(label.count("\n") + 1 for label in names) for names in labels]
    height = LINE_HEIGHT * size * (sum(lines) + TITLE * (len(lines) + 1))
    fig = Figure(figsize=(WIDTH, height), layout="constrained")
    axes = fig.subplots(len(lines), 1, sharex=True, squeeze=False, height_ratios=lines)[:, 0]
    for ax, (subject, found), names in zip(axes, subjects, labels, strict=True):
        plot_validation(found, labels=names, ax=ax)
        ax.set_title(subject, loc="left", fontsize=size, fontweight="bold")
        ax.set_xlabel("")
    # one axis for all panels
    axes[0].set_xlim(-reach(result), reach(result))
    place: Look = {"xytext": (6, 5), "textcoords": "offset points", "xycoords": "axes fraction"}
    axes[0].annotate("ebbmap | published", (1.0, 1.0), annotation_clip=False, color=INK, **place)
    axes[-1].set_xlabel("distance from the middle of the published interval [half its width]")
    text = (
        f"{counts_text(result)} Thick lines: 95 % interval of the lungs drawn; thin ones: that of "
        "knowledge, over what the numbers behind the populations may be; numbers without one hang "
        "on no draw. The axis is logarithmic beyond the published interval."
    )
    add_caption(fig, text, result, legend=(*legend_of_verdicts(), ""))
    yield "validation", fig, page_text(result)
