"""Animations for slides."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
import xarray as xr
from matplotlib.animation import FuncAnimation, PillowWriter
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from ebbmap.plotting.pages.caption import add_caption
from ebbmap.plotting.startup import plot_startup, plot_startup_waves

#: Name, animation, alternative text.
Moving = tuple[str, FuncAnimation, str]

#: A line that grows, its whole data, how far x goes in a cycle, and room for rounding.
Growing = tuple[Line2D, np.ndarray, np.ndarray, tuple[float, float]]

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
    plot_startup_waves(result, ax=axes[0])
    plot_startup(result.isel(course=slice(0, 1)), outcome="trapped_volume", ax=axes[1])
    axes[0].set_title("grey: airway, in colour: alveolar pressure", loc="left", fontsize=13)
    axes[1].set_title("left when each release ends", loc="left", fontsize=13)
    add_caption(
        fig,
        f"The first cycles from {result.attrs['start_pressure']:g} cmH₂O. Dotted: where "
        "the settings lead to. N = 1 lung each.",
        result,
    )
    cycles = result.sizes["cycle"]
    period = float(result["time"].isel(course=0).max()) / cycles
    lines = list(_growing_lines(axes, cycles, period))

    def draw(frame: int) -> list[Artist]:
        done = (frame + 1) / FRAMES_PER_CYCLE
        for line, x, y, reached in lines:
            shown = x <= done * reached[0] + reached[1]
            line.set_data(x[shown], y[shown])
        return [line for line, *_ in lines]

    names = ", ".join(result["population"].values.astype(str))
    trapped = result["trapped_volume"].isel(course=0, cycle=-1).values
    return (
        "first_cycles_moving",
        FuncAnimation(fig, draw, frames=cycles * FRAMES_PER_CYCLE),
        f"The first {cycles} cycles drawn one after the other for {names} lungs: with each, more "
        "gas stays behind, until as much leaves as came in. Trapped at the end: "
        f"{', '.join(f'{volume:.0f} mL' for volume in trapped)}.",
    )


def _growing_lines(axes: Iterable[Axes], cycles: int, period: float) -> Iterator[Growing]:
    """Yield each line that grows over some cycles of a period [s]."""
    for ax in axes:
        for line in ax.lines:
            x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
            if len(x) == cycles:
                yield line, x, y, (1.0, 1e-9)
            elif line.get_linestyle() != ":":
                yield line, x, y, (period, 1e-6)
