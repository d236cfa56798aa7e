"""What every page has: a caption built from what its result says of itself, and the caution."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import xarray as xr
from matplotlib.figure import Figure
from matplotlib.text import Text

from ebbmap.caution import CAUTION
from ebbmap.engines import unusual_engine
from ebbmap.plotting.pages.layout import LINE_HEIGHT, broken, legend_above, settle, text_size
from ebbmap.plotting.speaking import paragraph, speak, spoken
from ebbmap.plotting.style import FAINT, INK, judged_by, words
from ebbmap.registries.parameters import PARAMETERS

#: Name, figure, alternative text.
Page = tuple[str, Figure, str]

#: Inset of a caption as a share of the page's width, and room around it [inch].
INSET, AROUND = 0.01, 0.25

#: Most that a drawn line is wider than its outlines, whose glyphs are rounded to whole pixels:
#: 2.4 % was measured on a line of 150 narrow letters.
HINTED = 1.03

#: What is said of the lungs of a result that does not say it.
INVENTED = "Invented lungs."


def add_caption(
    fig: Figure,
    text: str,
    result: xr.Dataset,
    *,
    rule: str = "",
    legend: tuple[Sequence[Any], Sequence[str], str] | None = None,
) -> None:
    """Write caption, conditions and caution below the panels, and lay the page out by its texts.

    Parameters
    ----------
    fig : Figure
        The page; its height is that of the panels, and grows by what is written around them.
    text : str
        What is drawn.
    result : xarray.Dataset
        What it is drawn from; its attributes say under which conditions.
    rule : str
        Whose limits are written out where the page says what is safe; "*" for every rule's.
    legend : tuple of (handles, labels, title), optional
        Names of what is drawn, above the panels.
    """
    speak(fig)
    size = legible(fig)
    if legend:
        handles, labels, title = legend
        legend_above(fig, handles, [spoken(label) for label in labels], spoken(title))
    parts = [" ".join([text, *conditions(result), limits_text(result, rule)]).strip()]
    parts += [" ".join(made_from(result)), CAUTION]
    parts = [paragraph(part) for part in parts]
    width = (1.0 - 3 * INSET) * fig.get_figwidth() / HINTED
    lines = "\n".join(broken(part, size, width) for part in parts if part).split("\n")
    below = LINE_HEIGHT * size * len(lines) + AROUND
    height = fig.get_figheight() + below
    fig.set_figheight(height)
    engine = fig.get_layout_engine()
    if engine is not None:
        engine.set(rect=(0.0, below / height, 1.0, 1.0 - below / height))  # type: ignore[call-arg]
    fig.text(
        INSET,
        0.06 / height,
        "\n".join(lines),
        fontsize=size,
        color=INK,
        va="bottom",
        linespacing=1.3,
        gid="caption",
    )
    fig.patch.set_facecolor("white")
    fig.patch.set_edgecolor(FAINT)
    settle(fig)


def conditions(result: xr.Dataset) -> list[str]:
    """Return sentences on what a result holds, averages over, draws and conditions on.

    Examples
    --------
    >>> conditions(xr.Dataset(attrs={"fixed": "P high 24 cmH₂O", "averaged_over": "t_low"}))
    ['Held: P high 24 cmH₂O.', 'Averaged over T low.']
    """
    said = (
        ("fixed", "Held: {}."),
        ("averaged_over", "Averaged over {}."),
        ("sampled", "Drawn beside the lungs: {}."),
        ("conditioned_on", "Lungs drawn given {}."),
        ("left_bounds", "{}."),
        ("knowledge", "{}"),
        ("engine", "Solved by {}."),
    )
    texts = {name: str(result.attrs.get(name, "")) for name, _ in said}
    texts["fixed"] = str(result.attrs.get("held_shortly", texts["fixed"]))
    texts["engine"] = unusual_engine(texts["engine"])
    if texts["averaged_over"] == "nothing":
        texts["averaged_over"] = ""
    texts["averaged_over"] = ", ".join(
        words(name) if name in PARAMETERS else name for name in texts["averaged_over"].split(", ")
    )
    if texts["averaged_over"] and texts["sampled"] in texts["averaged_over"]:
        texts["sampled"] = ""
    return [_sentence(form.format(texts[name])) for name, form in said if texts[name]]


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def made_from(result: xr.Dataset) -> list[str]:
    """Return which lung model was solved, and where its lungs come from."""
    doubt = result.attrs.get("unconfirmed", "")
    said = [f"Lung model: {result.attrs['lung']}.", result.attrs.get("lungs_from", INVENTED)]
    return said + ([f"Assumed or from memory: {doubt}."] if doubt else [])


def limits_text(result: xr.Dataset, rule: str) -> str:
    """Write out the limits of a rule, or of every rule, that a result was judged by.

    Examples
    --------
    >>> judged = xr.Dataset(attrs={"rules": "flow_ratio: flow ratio 0.5 to 0.75"})
    >>> limits_text(judged, "flow_ratio")
    'Limits: flow ratio 0.5 to 0.75.'
    """
    texts = rules_of(result)
    if rule and rule != "*":
        return f"Limits: {texts[rule]}." if rule in texts else ""
    if not rule or not texts:
        return ""
    limits = {name: text.split(", ") for name, text in texts.items()}
    first, *others = limits.values()
    shared = [limit for limit in first if all(limit in other for other in others)]
    said = [", ".join(shared)] if shared else []
    for name, own in limits.items():
        left = ", ".join(limit for limit in own if limit not in shared)
        said += [f"{judged_by(name)}: {left}"] if left else []
    return f"Limits: {'; '.join(said)}."


def rules_of(result: xr.Dataset) -> dict[str, str]:
    """Return the limits of each rule in words, by the rule's name."""
    stated = str(result.attrs.get("rules", ""))
    pairs = (part.split(": ", 1) for part in stated.split("; ") if ": " in part)
    return {name: text for name, text in pairs}


def legible(fig: Figure) -> float:
    """Raise all text of a page to the least size for its width; return that size [pt]."""
    size = text_size(fig.get_figwidth())
    for text in fig.findobj(Text):
        text.set_fontsize(max(text.get_fontsize(), size))
    for ax in fig.axes:
        ax.tick_params(labelsize=size)
    return size
