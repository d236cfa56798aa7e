"""What the page of a stored sweep's explorer reads: places, lungs, limits, and what is missing."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

from ebbmap.exploring.page import base_data
from ebbmap.exploring.stored import POPULATION, SAMPLE, Stored
from ebbmap.plotting.style import colour_of
from ebbmap.web import entry_of

#: Most decimals of a place.
DECIMALS = 4


def stored_data(stored: Stored) -> dict[str, Any]:
    """Return what the scripts of the page read."""
    cases = stored.cases
    labels = {group.name: group.long_name for group in stored.groups}
    names = [str(name) for name in cases[POPULATION].values]
    columns = _columns(stored)
    groups = {
        name: {
            "label": labels.get(name, name),
            "colour": colour_of(name, place),
            "columns": {
                key: _text(np.broadcast_to(values[place], cases.sizes.get(SAMPLE, 1)))
                for key, values in columns.items()
            },
        }
        for place, name in enumerate(names)
    }
    return {
        **base_data(stored, shown=stored.shown),
        "count": cases.sizes.get(SAMPLE, 1),
        "groups": groups,
        "sliders": {
            name: {
                **entry_of(name),
                "from": float(places[0]),
                "to": float(places[-1]),
                "step": 10.0 ** -_decimals(places),
            }
            for name, places in stored.places.items()
        },
        "through": {},
        "properties": {name: entry_of(name) for name in columns},
        "modes": {},
        "held": {},
        "curves": False,
        "served": True,
        "stored": {name: places.tolist() for name, places in stored.places.items()},
        "stored_says": stored.says,
    }


def _columns(stored: Stored) -> dict[str, np.ndarray]:
    """Return properties that were listed and hang on no axis, shape (populations, n or 1)."""
    found = {}
    for name, array in stored.cases.coords.items():
        drawn = set(array.dims) - {POPULATION} == {SAMPLE}
        if drawn and str(name) in stored.inputs:
            full = array.broadcast_like(stored.cases[POPULATION])
            found[str(name)] = full.transpose(POPULATION, SAMPLE).values
    return found


def _text(numbers: np.ndarray) -> str:
    return base64.b64encode(np.asarray(numbers, dtype="<f8").tobytes()).decode("ascii")


def _decimals(places: np.ndarray) -> int:
    """Return how many decimals tell the places as they are, at most `DECIMALS`."""
    exact = (n for n in range(DECIMALS) if np.allclose(places, places.round(n), rtol=0, atol=1e-9))
    return next(exact, DECIMALS)
