"""Pages of how well rules for T low foretell harm."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.digits import share_text
from ebbmap.plotting.foretell import plot_foretell
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.style import words
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS
from ebbmap.units import bracketed, display


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a page for each lung model and limit set."""
    for model in result["model"].values.astype(str):
        for rule in result["rule"].values.astype(str):
            one = result.sel(model=model, rule=rule)
            fig = _figure(one)
            add_caption(
                fig,
                f"Lung model {model}. {_limits_words(result, rule)}Columns: ways of choosing T "
                "low, each lung with the T low that its rule gives it; rows: own breathing. Large "
                "marks: the threshold that leaves most lungs unharmed. Bands: Wilson intervals. "
                "Dotted: published ends of the rule. "
                f"N = {result.attrs['lungs']:,} lungs in each population.",
                result,
                rule=rule,
                legend=(*first_handles(fig.axes), ""),
            )
            yield f"{model}_{rule}_unharmed", fig, _told(one, model)


def _limits_words(result: xr.Dataset, rule: str) -> str:
    return f"Harm: the limits of {words(rule)}. " if result.sizes["rule"] > 1 else ""


def _figure(one: xr.Dataset) -> Figure:
    ways, levels = one["way"].values.astype(str), one[SPONTANEOUS].values
    fig = Figure(figsize=(1.2 + 3.1 * len(ways), 0.6 + 2.9 * len(levels)), layout="constrained")
    axes = fig.subplots(len(levels), len(ways), squeeze=False, sharey=True, sharex="col")
    for line, level in zip(axes, levels, strict=True):
        for ax, way in zip(line, ways, strict=True):
            plot_foretell(one.sel({SPONTANEOUS: level}), way=way, ax=ax)
            if ax is not line[0]:
                ax.set_ylabel("")
            if line is not axes[-1]:
                ax.set_xlabel("")
        line[0].set_ylabel(f"{_breathing(level)}\n{line[0].get_ylabel()}")
    for ax, way in zip(axes[-1], ways, strict=True):
        ax.set_xlabel(_way_text(way))
    return fig


def _way_text(way: str) -> str:
    return bracketed(words(way), PARAMETERS[way].units) if way in PARAMETERS else words(way)


def _breathing(level: float) -> str:
    entry = PARAMETERS[SPONTANEOUS]
    return f"{entry.short_name} {level:g} {display(entry.units)}"


def _told(one: xr.Dataset, model: str) -> str:
    """Say for every population which rule and threshold leave most lungs unharmed."""
    parts = []
    for level in one[SPONTANEOUS].values:
        said = []
        for name in one["population"].values.astype(str):
            part = one.sel({SPONTANEOUS: level, "population": name}).transpose("way", "step", ...)
            share = part["unharmed_share"].values
            way, step = np.unravel_index(np.nanargmax(share), share.shape)
            place = float(part["threshold"].values[way, step])
            rule = words(str(part["way"].values[way]))
            said.append(f"{words(name)} {share_text(share[way, step])} by {rule} {place:.2g}")
        parts.append(f"{_breathing(level)}: {', '.join(said)}")
    return (
        f"Share of lungs left unharmed by every threshold of each way of choosing T low, {model} "
        f"lung. Most are unharmed with {'; '.join(parts)}."
    )
