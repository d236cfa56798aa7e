"""Pages of the settings that serve most lungs, whatever is not known."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analyses.robust import end_words
from ebbmap.digits import share_text
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.robust import plot_robust, plot_robust_groups
from ebbmap.plotting.style import add_share_scale, words
from ebbmap.registries.parameters import PARAMETERS


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw what settings reach and what each group loses, a page for each rule."""
    for rule in result["rule"].values.astype(str):
        one = result.sel(rule=rule)
        height = max(3.8, 1.4 + 0.8 * one.sizes["population"])
        fig = Figure(figsize=(10.2, height), layout="constrained")
        left, right = fig.subplots(1, 2)
        plot_robust(one, ax=left)
        plot_robust_groups(one, ax=right)
        if one["attainable"].ndim > 1:
            add_share_scale(left, str(result.attrs["goal"]))
        handles, labels = left.get_legend_handles_labels()
        said = _said(one)
        add_caption(
            fig,
            f"Rule: {words(rule)}. Left: {result.attrs['goal']} that the best choice of all other "
            f"settings reaches{_draws(result)}; cross: the settings chosen for all "
            f"groups, other marks: for each group alone; among {result.attrs['over']}. Right: "
            f"what they serve of {result.attrs['lungs']:,} lungs that the search never met; thick "
            f"lines: {share_text(result.attrs['ci_level'])} intervals of lungs"
            f"{_thin(result)}. {said}. {end_words(result)}".rstrip(),
            result,
            rule=rule,
            legend=(handles[::-1], labels[::-1], ""),
        )
        yield f"robust_{rule}", fig, f"Settings that serve most lungs. {said}."


def _draws(result: xr.Dataset) -> str:
    draws, sure = result.attrs["draws"], float(result.attrs["sure"])
    if not draws:
        return ""
    if not sure:
        return f", on average over {draws:,} outer draws"
    return f" in {share_text(sure)} of {draws:,} outer draws"


def _thin(result: xr.Dataset) -> str:
    return "; thin ones: of knowledge" if "reached_share_knowledge" in result else ""


def _said(one: xr.Dataset) -> str:
    """Return what is chosen, and what each group has of it."""
    parts = [f"{_settings(one, 0)} for all groups"]
    several = one.sizes["choice"] > 1
    for name in one["population"].values.astype(str):
        own = one.sel(population=name)
        share = _share(own.isel(choice=0))
        if several:
            best = own.sel(choice=name)
            number = one["choice"].values.astype(str).tolist().index(name)
            share = f"{share}, {_share(best)} at best, {_settings(one, number)}"
        parts.append(f"{words(name)}: {share}")
    return "; ".join(parts)


def _share(own: xr.Dataset) -> str:
    names = ("reached_share_interval", "reached_share_knowledge")
    ends = (own[n].values.tolist() for n in names if n in own)
    return f"{share_text(float(own['reached_share']), *ends)} served"


def _settings(one: xr.Dataset, choice: int) -> str:
    """Return the settings of a choice in words."""
    said = []
    for name, ends in one.isel(choice=choice).data_vars.items():
        if str(name).startswith("chosen_"):
            entry = PARAMETERS[str(name).removeprefix("chosen_")]
            low, high = ends.values.tolist()
            said.append(f"{entry.long_name} {entry.range(low, high, 4)}")
    return ", ".join(said)
