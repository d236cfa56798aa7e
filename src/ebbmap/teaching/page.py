"""One self-contained HTML page: a template, and the grid as numbers within it."""

from __future__ import annotations

import base64
import json
from importlib.resources import files
from math import prod
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.caution import CAUTION
from ebbmap.exchange.steady import HIGHEST_PACO2
from ebbmap.registries.limits import RULES, limit_set
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.teaching.grid import AXES, CURVES, SHOWN, middle_lungs
from ebbmap.units import display

#: Places in the template.
DATA, LINE = "__PAGE_DATA__", "__CAUTION__"

#: What is interpolated in another form than its own, because it is straighter in it. The
#: reciprocal of PaCO2 goes to 0 where nothing is ventilated; above its ceiling, where there is no
#: steady state, it goes on, so that the page finds the edge between points of the grid.
FORMS = MappingProxyType(
    {
        "paco2": "reciprocal",
        "time_constant_exp": "logarithm",
        "release_in_time_constants": "logarithm",
        "release_volume": "logarithm",
    }
)


def build_page(grid: xr.Dataset) -> str:
    """Return the page that shows a grid.

    Parameters
    ----------
    grid : xarray.Dataset
        Result of `teaching_grid`.

    Returns
    -------
    str
        HTML with style, script and data inside; nothing is fetched.
    """
    template = files("ebbmap.teaching").joinpath("page.html").read_text(encoding="utf-8")
    data = json.dumps(page_data(grid), ensure_ascii=False, separators=(",", ":"))
    # a closing tag inside a string would end the script
    return template.replace(LINE, CAUTION).replace(DATA, data.replace("</", "<\\/"))


def page_data(grid: xr.Dataset) -> dict[str, Any]:
    """Return what the script reads: axes, texts, and arrays as base64 of 32-bit numbers."""
    arrays, parts, start = {}, [], 0
    for name in (*SHOWN, "p_high", *CURVES, "margin"):
        last = [str(dim) for dim in grid[name].dims if dim not in AXES]
        values = grid[name].transpose(*AXES, *last).values.astype("<f4")
        form = FORMS.get(name, "itself")
        if form == "logarithm":
            values = np.log(values)
        elif form == "reciprocal":
            # what is ventilated, over what holds PaCO2 at its ceiling
            share = grid["co2_balance"].transpose(*AXES, *last).values + 1.0
            values = (share / HIGHEST_PACO2).astype("<f4")
        arrays[name] = {
            "start": start,
            "size": prod(grid.sizes[dim] for dim in last),
            "form": form,
            **({"ceiling": HIGHEST_PACO2} if form == "reciprocal" else {}),
            "text": str(grid[name].attrs["long_name"]),
            "units": display(str(grid[name].attrs["units"])),
        }
        parts.append(values.reshape(-1))
        start += values.size
    return {
        "axes": {name: grid[name].values.tolist() for name in AXES},
        "arrays": arrays,
        "place": grid["place"].values.tolist(),
        "bounds": grid["bound_sentence"].values.astype(str).tolist(),
        "rules": [
            {"name": bound.outcome, "low": bound.low, "high": bound.high, "text": bound.sentence}
            for name in RULES
            for bound in limit_set(name).limits
        ],
        "levels": [f"{level:g}" for level in grid[SPONTANEOUS].values],
        "set": {name: grid.attrs[name] for name in ("t_high", "p_low")},
        "fixed": grid.attrs["fixed"],
        "lung": grid.attrs["lung"],
        "source": grid.attrs["source"],
        "lungs": middle_lungs(),
        "numbers": base64.b64encode(np.concatenate(parts).tobytes()).decode("ascii"),
    }
