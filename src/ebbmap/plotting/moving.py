"""Animations for slides."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import xarray as xr
from matplotlib.animation import FuncAnimation, PillowWriter
from matplotlib.figure import Figure

from ebbmap.plotting.pages.caption import add_caption
from ebbmap.plotting.starting import plot_first_cycles, plot_first_waves

#: Name, animation, alternative text.
Moving = tuple[str, FuncAnimation, str]

#: Pictures in each cycle and each second; dots per inch.
FRAMES_PER_CYCLE = 4
FRAMES_PER_SECOND = 5
DPI = 64


def animations_of(kind: str, result: xr.Dataset) -> Iterator[Moving]:
    """Animate a result, where there is a way to.

    Parameters
    ----------
    kind : str
        Name of the analysis in a study file.
    result : xarray.Dataset
        What it gave.
    """
    if kind == "startup":
        yield _first_cycles(result)


def save_animation(animation: FuncAnimation, path: Path) -> None:
    """Save an animation as GIF."""
    animation.save(path, writer=PillowWriter(fps=FRAMES_PER_SECOND), dpi=DPI)


def _first_cycles(result: xr.Dataset) -> Moving:
    """Draw the trapping figure growing cycle by cycle."""
    fig = Figure(figsize=(11.0, 6.0), layout="constrained")
    axes = fig.subplots(1, 2, width_ratios=(3, 2))
    plot_first_waves(result, ax=axes[0])
    plot_first_cycles(result.isel(course=slice(0, 1)), outcome="trapped_volume", ax=axes[1])
    axes[0].set_title("grey: airway, in colour: alveolar pressure", loc="left", fontsize=13)
    axes[1].set_title("left when each release ends", loc="left", fontsize=13)
    add_caption(
        fig,
        f"The first cycles from {result.attrs['start_pressure']:g} cmH₂O. Dotted: where "
        "the settings lead to. N = 1 lung each.",
        result,
    )
    lines = [(line, line.get_xdata(), line.get_ydata()) for ax in axes for line in ax.lines]
    cycles = result.sizes["cycle"]
    period = float(result["time"].isel(course=0).max()) / cycles

    def draw(frame: int) -> list:
        done = (frame + 1) / FRAMES_PER_CYCLE
        for line, x, y in lines:
            if len(x) == cycles:
                keep = np.asarray(x) <= done + 1e-9
            elif line.get_linestyle() == ":":
                continue
            else:
                keep = np.asarray(x) <= done * period + 1e-6
            line.set_data(np.asarray(x)[keep], np.asarray(y)[keep])
        return [line for line, _, _ in lines]

    animation = FuncAnimation(fig, draw, frames=cycles * FRAMES_PER_CYCLE)
    names = ", ".join(result["population"].values.astype(str))
    last = ", ".join(
        f"{float(v):.0f} mL" for v in result["trapped_volume"].isel(course=0, cycle=-1).values
    )
    return (
        "first_cycles_moving",
        animation,
        f"The first {cycles} cycles drawn one after the other for {names} lungs: with each, more "
        f"gas stays behind, until as much leaves as came in. Trapped at the end: {last}.",
    )
