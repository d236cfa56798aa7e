"""Pages of the edge of the safe region."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.digits import percent, share_text
from ebbmap.plotting.edge import plot_edge, room_words, shown_settings
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import in_rows
from ebbmap.plotting.style import add_share_scale, colour_of, words
from ebbmap.registries.parameters import PARAMETERS


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the safe region over the first one or two settings, a page for each rule."""
    rows = in_rows(result["population"].values.astype(str).tolist())
    for rule in result["rule"].values.astype(str):
        one = result.sel(rule=rule)
        across = max(len(row) for row in rows)
        fig = Figure(figsize=(max(7.4, 1.0 + 3.8 * across), 3.8 * len(rows)), layout="constrained")
        axes = fig.subplots(len(rows), across, squeeze=False)
        names = [name for row in rows for name in row]
        for number, (name, ax) in enumerate(zip(names, axes.flat, strict=False)):
            plot_edge(one.sel(population=name), ax=ax)
            ax.set_title(words(name), color=colour_of(name, number), fontsize=11)
        for ax in axes.flat[len(names) :]:
            ax.set_axis_off()
        if len(shown_settings(result)) > 1:
            add_share_scale(axes, room_words(result))
        said = "; ".join(_volume(one.sel(population=name)) for name in names)
        add_caption(
            fig,
            f"Rule: {words(rule)}. Drawn: the {room_words(result)} that serves "
            f"{share_text(result.attrs['wanted'])} of {result.attrs['lungs']:,} lungs; ranges: "
            f"{result.attrs['over']}; cross: the setting with the largest margin. Share of the "
            f"ranges, {share_text(result.attrs['ci_level'])} interval from "
            f"{result.attrs['points']:,} "
            f"fresh settings a stratum: {said}.",
            result,
            rule=rule,
        )
        yield f"edge_{rule}", fig, f"Share of the ranges that serves enough lungs. {said}."


def _volume(found: xr.Dataset) -> str:
    """Return the volume of one population, and its safest setting."""
    low, high = found["volume_interval"].values
    text = (
        f"{found['population'].item()}: {percent(float(found['volume']), 1)} % "
        f"({percent(low, 1)} % to {percent(high, 1)} %)"
    )
    names = [str(n).removeprefix("safest_") for n in found.data_vars if "safest_" in str(n)]
    values = {name: float(found[f"safest_{name}"]) for name in names}
    if not np.isfinite(list(values.values())).all():
        return f"{text}, no setting"
    said = (PARAMETERS[name].say(float(f"{value:.3g}")) for name, value in values.items())
    return f"{text}, safest at {', '.join(said)}"
