"""Page of the two rules."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.plotting.compare import kept_part
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.rules import plot_rules
from ebbmap.plotting.style import colour_of, words
from ebbmap.registries.limits import RULES


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a panel for each population."""
    along = next(str(d) for d in result["sum"].dims if d not in ("population", "model"))
    names = result["population"].values.astype(str)
    fig = Figure(figsize=(10.0, 5.6 * len(names)), layout="constrained")
    axes = fig.subplots(len(names), 1, squeeze=False, sharex=True)
    for number, (ax, name) in enumerate(zip(axes[:, 0], names, strict=True)):
        plot_rules(result.sel(population=name), along=along, ax=ax)
        if name != "all":
            ax.set_title(
                f"{words(name)} lung", loc="left", color=colour_of(name, number), fontsize=14
            )
    add_caption(
        fig,
        "Thick: where each rule is kept (50 to 75 %). A sum of one means that both are the same "
        "rule, read from its two ends. N = 1 lung in each model.",
        result,
    )
    details = "; ".join(
        f"in the {model} lung they add up to {float(part.min()):.2f}"
        + (f" to {float(part.max()):.2f}" if float(part.max() - part.min()) > 5e-3 else "")
        for model, part in ((str(m), result["sum"].sel(model=m)) for m in result["model"].values)
    )
    both = "; ".join(
        _both(result.sel(model=model), str(model), along) for model in result["model"].values
    )
    yield (
        f"{along}_together",
        fig,
        f"Flow ratio falls and exhaled fraction rises along {words(along)}; {details}. {both}.",
    )


def _both(own: xr.Dataset, model: str, along: str) -> str:
    """Return where a model keeps both rules at once."""
    kept = np.all([kept_part(own[rule].values, rule) for rule in RULES], axis=0).any(axis=0)
    if not kept.any():
        return f"No release keeps both rules in the {model} lung"
    place = own[along].values[kept]
    return f"Both rules are kept from {place[0]:.2g} to {place[-1]:.2g} in the {model} lung"
