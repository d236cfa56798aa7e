"""Pages of rare harm."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.digits import share_text
from ebbmap.plotting.intervals import without_interval
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.common import place_text
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.rare import plot_rare
from ebbmap.plotting.style import words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the share of lungs that break a limit along the axis, a panel for each rule."""
    along = str(result.attrs["along"])
    rules = result["rule"].values.astype(str)
    fig = Figure(figsize=(max(7.4, 1.0 + 4.4 * len(rules)), 4.8), layout="constrained")
    axes = fig.subplots(1, len(rules), squeeze=False, sharey=True)
    for ax, rule in zip(axes[0], rules, strict=True):
        plot_rare(result.sel(rule=rule), along=along, ax=ax)
        ax.set_title(words(rule), fontsize=11)
        ax.set_ylabel("" if ax is not axes[0, 0] else "share of lungs that break a limit")
    least = "; ".join(
        _least(result.sel(rule=rule, population=name), along)
        for rule in rules
        for name in result["population"].values.astype(str)
    )
    add_caption(
        fig,
        f"How often a hard limit is broken along {words(along)}, found by a descent in levels, "
        f"each ten times rarer; bands: {share_text(result.attrs['ci_level'])} intervals, "
        f"{result.attrs['replicates']} replicates of {result.attrs['level_cases']:,} cases a "
        f"level. {least}. A gap: no harm found.{without_interval(axes.flat)}",
        result,
        rule="*",
        legend=(*first_handles(axes.flat), ""),
    )
    yield f"{along}_rare", fig, f"How often a hard limit is broken along {words(along)}. {least}."


def _least(found: xr.Dataset, along: str) -> str:
    """Return where harm is rarest, and how rare."""
    least = found.isel({along: int(found["harm_share"].values.argmin())})
    low, high = (100 * float(end) for end in least["harm_share_interval"])
    share = 100 * float(least["harm_share"])
    if not share > 0:
        said = f"no harm found (at most {high:.2g} %)"
    elif np.isfinite(low) and np.isfinite(high):
        said = f"{share:.3g} % ({low:.3g} to {high:.3g} %)"
    else:
        said = f"{share:.3g} % (no interval: few replicates hold it)"
    place = place_text(along, float(least[along]))
    names = f"{least['population'].item()}, {words(str(least['rule'].item()))}"
    return f"{names}: least at {place}, {said}"
