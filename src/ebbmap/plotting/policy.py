"""A policy's patients over time: how many are safe, and how many are in the mode."""

from __future__ import annotations

import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ebbmap.caution import CAUTION
from ebbmap.committee.verdict import ALL
from ebbmap.plotting.pages.layout import broken
from ebbmap.plotting.style import INK, LONG_DASHES, entries, own_axes, words

#: Size of the small print [pt], and the page [inch].
SMALL, PAGE = 9.0, (9.0, 5.6)


def plot_policy(yields: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the shares of patients who are safe, and who are in the mode, over time.

    Parameters
    ----------
    yields : xarray.Dataset
        As `find_yields` gives it.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A line for each group, a thin one for those in the mode, and a dashed one for what is
        wanted of everybody.
    """
    ax = own_axes(ax)
    hours = yields["minute"].values / 60.0
    for number, name, group, colour in entries(yields, "group"):
        thick = 2.8 if name == ALL else 1.9
        colour = INK if name == ALL else colour
        n = int(group["patients"])
        label = f"{words(name)} (N = {n:,})"
        ax.plot(hours, 100.0 * group["safe_course"], color=colour, lw=thick, label=label)
        mode = 100.0 * group["mode_course"]
        ax.plot(hours, mode, color=colour, lw=0.9, ls=":", zorder=1 + 0.01 * number)
    wanted = 100.0 * float(yields["wanted_share"].sel(group=ALL))
    ax.axhline(wanted, color=INK, lw=1.0, ls=LONG_DASHES)
    ax.set_xlabel("time since the mode began [h]")
    ax.set_ylabel("patients [%]")
    ax.set_ylim(0.0, 101.0)
    ax.set_xlim(0.0, float(hours[-1]))
    ax.legend(loc="lower right", frameon=False)
    return ax


def policy_figure(yields: xr.Dataset) -> Figure:
    """Return the page of a policy's patients over time, with its caption and the caution."""
    fig = Figure(figsize=PAGE, layout="constrained")
    ax = plot_policy(yields, ax=fig.subplots())
    last = yields.isel(hour=-1).sel(group=ALL)
    low, high = 100.0 * last["safe_share_interval"].values
    ax.set_title(
        f"{yields.attrs['title']}\n{100.0 * float(last['safe_share']):.0f} % ({low:.0f} to "
        f"{high:.0f}) of all patients are safe after {int(last['hour'])} h",
        loc="left",
        fontsize=12,
    )
    text = (
        "Solid: safe, in the mode and within every hard limit. Dotted: in the mode. Dashed: wanted "
        f"of all. Limits: {yields.attrs['limits']}. Lung: {yields.attrs['lung']}. Invented "
        "patients."
    )
    lines = broken(f"{text}\n{CAUTION}", SMALL, PAGE[0] - 0.6)
    fig.supxlabel(lines, fontsize=SMALL, x=0.03, ha="left")
    return fig
