"""Pages of limits that can hold together."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.digits import share_text
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.style import entries, words
from ebbmap.plotting.together import plot_together, share_of, shown_sets


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a page for each rule."""
    for rule in result["rule"].values.astype(str):
        one = result.sel(rule=rule)
        sets = shown_sets(one)
        fig = Figure(figsize=(9.5, 1.6 + 0.95 * (len(sets) + 1)), layout="constrained")
        ax = plot_together(one, ax=fig.subplots())
        said = str(one["identity"].values)
        add_caption(
            fig,
            "Above, the share of lungs with a setting that keeps all hard limits, with its "
            f"interval; below, that in which no setting keeps these together. {_sentence(said)}"
            f"N = {result.attrs['lungs']:,} lungs in each population.",
            result,
            rule=rule,
            legend=(*first_handles([ax]), ""),
        )
        yield f"{rule}_excluded", fig, _told(one, sets)


def _sentence(said: str) -> str:
    return f"{said[:1].upper()}{said[1:]}. " if said else ""


def _told(one: xr.Dataset, sets: list[str]) -> str:
    """Return how many lungs can keep all limits, and the set that excludes itself in most."""
    parts = []
    for _, name, found, _ in entries(one, "population"):
        text = f"{words(name)} {share_text(float(found['held_share']))}"
        shares = {text: share_of(found, text) for text in sets}
        worst = max(shares, key=lambda text: shares[text], default="")
        if worst and shares[worst] > 0:
            text += f" (most often excluded, in {share_text(shares[worst])}: {worst})"
        parts.append(text)
    return f"Share of lungs that can keep all limits at once: {'; '.join(parts)}."
