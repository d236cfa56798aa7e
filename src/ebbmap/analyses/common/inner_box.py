"""The largest box of settings inside a safe region, and how it fares with other lungs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import product
from typing import Any

import numpy as np

from ebbmap.cases.labelling import Variable
from ebbmap.kernels.empty_boxes import largest_empty_box
from ebbmap.kernels.refining import INSIDE, Cells
from ebbmap.kernels.shares import wilson

#: Settings of a box that other lungs are tried at, besides its corners.
TRIED = 256

#: Cells of the region from which a box is grown before the search, at most.
SEEDS = 32

#: A box is good enough if none is larger by more than this share.
SLACK = 0.02

_INTERVAL = {"ci_method": "Wilson score"}

INNER_BOX: Mapping[str, Variable] = {
    "box": Variable("ends of the largest box inside the region", "see its name"),
    "box_volume": Variable("share of the settings' ranges in that box"),
    "box_most": Variable("share of the ranges that no box inside the region exceeds"),
    "box_served": Variable("share of settings tried in the box that serve enough other lungs"),
    "box_served_interval": Variable("interval of box_served", "1", _INTERVAL),
    "box_lungs": Variable("share of other lungs that no setting tried in the box harms"),
    "box_lungs_interval": Variable("interval of box_lungs", "1", _INTERVAL),
}


def settings_tried(dimensions: int) -> int:
    """Return how many settings of a box other lungs are tried at."""
    return int(TRIED + 2**dimensions)


def find_inner_box(
    cells: Cells,
    spans: Mapping[str, tuple[float, float]],
    margins: Callable[[np.ndarray], np.ndarray],
    *,
    wanted: float,
    level: float,
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Find the largest box of cells that surely lie in the region, and try it with other lungs.

    Parameters
    ----------
    cells : Cells
        The cube of d settings, cut into cells.
    spans : mapping of str to (float, float)
        Ends of each setting's range, by name.
    margins : callable
        ``margins(points) -> (m, n)``: least margin of n other lungs at points of the cube, shape
        (m, d): lungs that the cells have not seen.
    wanted : float
        Share of the lungs that a setting must serve.
    level : float
        Level of the intervals.
    rng : Generator
        Draws the settings that are tried, besides the corners.

    Returns
    -------
    dict
        `INNER_BOX`, the box by ``box_NAME`` of each setting (bound_side); NaN where no cell surely
        lies in the region.
    """
    out = cells.state != INSIDE
    others = cells.low[out], (cells.low + cells.size)[out]
    found = largest_empty_box(*others, seeds=_seeds(cells, rng), slack=SLACK)
    none = found.volume == 0.0
    data: dict[str, Any] = {"box_volume": found.volume, "box_most": found.most}
    for column, (name, (low, high)) in enumerate(spans.items()):
        ends = low + np.array([found.low[column], found.high[column]]) * (high - low)
        data[f"box_{name}"] = ("bound_side", np.full(2, np.nan) if none else ends)
    served = lungs = np.full(3, np.nan)
    if not none:
        d = len(spans)
        corners = np.array(list(product((0.0, 1.0), repeat=d)))
        unit = np.concatenate([corners, rng.random((TRIED, d))])
        safe = margins(found.low + unit * (found.high - found.low)) >= 0
        needed = np.ceil(wanted * safe.shape[1] - 1e-9)
        served = _share(safe.sum(axis=1) >= needed, level)
        lungs = _share(np.asarray(safe.all(axis=0)), level)
    for name, share in (("box_served", served), ("box_lungs", lungs)):
        data |= {name: share[0], f"{name}_interval": ("ci_bound", share[1:])}
    return data


def _seeds(cells: Cells, rng: np.random.Generator) -> np.ndarray:
    """Return middles of cells in the region, drawn by volume."""
    inside = np.flatnonzero(cells.state == INSIDE)
    if not inside.size:
        return np.empty((0, cells.low.shape[1]))
    chance = cells.volume[inside] / cells.volume[inside].sum()
    chosen = np.unique(rng.choice(inside, SEEDS, p=chance))
    return np.asarray(cells.low[chosen] + cells.size[chosen] / 2.0)


def _share(hits: np.ndarray, level: float) -> np.ndarray:
    """Return a share and its interval."""
    low, high = wilson(int(hits.sum()), hits.size, level)
    return np.array([hits.mean(), float(low), float(high)])
