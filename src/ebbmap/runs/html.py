"""Results as a notebook shows them: what each one is, its sizes, and its variables with units."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

import xarray as xr

from ebbmap.caution import CAUTION
from ebbmap.units import UNITS, display


def results_html(title: str, results: Mapping[str, xr.Dataset]) -> str:
    """Return results as HTML without a script, every text of a file escaped.

    Parameters
    ----------
    title : str
        What leads them in.
    results : mapping of str to Dataset
        By name.
    """
    parts = [f"<p><b>{escape(title.strip('<>'))}</b><br><small>{escape(CAUTION)}</small></p>"]
    parts += [_one(name, dataset) for name, dataset in results.items()]
    return "\n".join(parts)


def _one(name: str, dataset: xr.Dataset) -> str:
    sizes = " × ".join(f"{escape(str(dim))} {size:,}" for dim, size in dataset.sizes.items())
    rows = "".join(
        f"<tr><td><code>{escape(str(key))}</code></td>"
        f"<td>{escape(str(array.attrs.get('long_name', '')))}</td>"
        f"<td>{escape(_unit(str(array.attrs.get('units', ''))))}</td>"
        f"<td>{escape(', '.join(map(str, array.dims)))}</td></tr>"
        for key, array in dataset.data_vars.items()
    )
    said = escape(str(dataset.attrs.get("title", "")))
    return (
        f"<details><summary><code>{escape(name)}</code> {said} ({sizes or 'one value each'})"
        "</summary><table><tr><th>variable</th><th>in words</th><th>unit</th><th>along</th></tr>"
        f"{rows}</table></details>"
    )


def _unit(units: str) -> str:
    return display(units) if units in UNITS else units
