"""Names, units and provenance on datasets; everything comes from the registries."""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.evaluate import STATUS
from ebbmap.caution import CAUTION
from ebbmap.engines import engine_attrs, version_of
from ebbmap.kernels.judging import VERDICTS
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.signals import SIGNALS
from ebbmap.registry import active

#: What every result is, whatever lungs it was asked about.
MODEL_OUTPUT = "Model output."

#: Attribute of a result: kind, name, version and source hash of every own entry, as JSON.
OWN_ENTRIES = "own_entries"


def label(array: xr.DataArray, name: str) -> xr.DataArray:
    """Give an array the name, units and texts of a registry entry; the last step of any work."""
    array = array.rename(name)
    array.attrs = registry_attrs(name)
    return array


def registry_attrs(name: str) -> dict[str, Any]:
    """Return the units and texts of a registry entry, as attributes of a variable."""
    entry = OUTCOMES.get(name) or PARAMETERS[name]
    attrs = {"units": entry.units, "long_name": entry.long_name, "references": entry.source}
    comment = getattr(entry, "comment", "")
    if comment:
        attrs["comment"] = comment
    choices = getattr(entry, "choices", ())
    return attrs | (_flags(choices) if choices else {})


def describe(array: xr.DataArray, long_name: str, units: str = "1", **attrs: Any) -> xr.DataArray:
    """Give an array that no registry knows its texts."""
    array.attrs = {"units": units, "long_name": long_name, **attrs}
    return array


@dataclass(frozen=True)
class Variable:
    """A variable of a result that is neither an outcome nor a parameter.

    Parameters
    ----------
    long_name : str
        In words, without a full stop. Words in braces are filled in where it is labelled:
        "share of all {of} that ...".
    units : str, optional
        Unit string; None where a unit has no meaning, as for texts.
    attrs : mapping
        Further attributes.
    """

    long_name: str
    units: str | None = "1"
    attrs: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    def attributes(self, **words: Any) -> dict[str, Any]:
        """Return its attributes; `words` fill in those in braces."""
        units = {} if self.units is None else {"units": self.units.format(**words)}
        return {**units, "long_name": self.long_name.format(**words), **self.attrs}


def flags(long_name: str, meanings: tuple[str, ...], units: str | None = None) -> Variable:
    """Return a variable of small integers, each with a meaning."""
    return Variable(long_name, units, MappingProxyType(_flags(meanings)))


def signal_variables(names: Iterable[str]) -> dict[str, Variable]:
    """Return the signals of a waveform as variables of a result."""
    return {name: Variable(SIGNALS[name].long_name, SIGNALS[name].units) for name in names}


def label_variables(
    dataset: xr.Dataset,
    variables: Mapping[str, Variable],
    *,
    registry: Iterable[str] = (),
    axes: Iterable[str] = (),
    level: float | None = None,
    **words: Any,
) -> xr.Dataset:
    """Label a result in place, so that no variable is copied.

    Parameters
    ----------
    dataset : Dataset
        A finished result.
    variables : mapping of str to Variable
        Declared variables; those that the result lacks are passed over.
    registry : iterable of str
        Outcomes and parameters in it, which get all that the registry says of them.
    axes : iterable of str
        Parameters in it that are axes, which get their units and name.
    level : float, optional
        Level of the intervals, stated as `ci_level` wherever a variable has a `ci_method`.
    **words
        What stands in braces in the texts of `variables`.

    Returns
    -------
    Dataset
        The same.

    Examples
    --------
    >>> result = xr.Dataset({"share": 0.5, "t_low": 0.4})
    >>> shares = {"share": Variable("share of all {of}")}
    >>> labelled = label_variables(result, shares, axes=["t_low"], of="lungs")
    >>> labelled["share"].attrs["long_name"], labelled["t_low"].attrs["units"]
    ('share of all lungs', 's')
    """
    for name, variable in variables.items():
        if name in dataset.variables:
            attrs = variable.attributes(**words)
            known = {} if level is None or "ci_method" not in attrs else {"ci_level": level}
            dataset[name].attrs = attrs | known
    for name in registry:
        dataset[name].attrs = registry_attrs(name)
    for name in axes:
        entry = PARAMETERS[name]
        dataset[name].attrs = {"units": entry.units, "long_name": entry.long_name}
    return dataset


def label_status(array: xr.DataArray) -> xr.DataArray:
    """Describe a status array by its flags."""
    array.attrs = {"long_name": "status of the case", **_flags(STATUS)}
    return array


def label_verdict(array: xr.DataArray) -> xr.DataArray:
    """Describe a verdict array by its flags."""
    array.attrs = {"long_name": "verdict", **_flags(VERDICTS)}
    return array


def label_binding(array: xr.DataArray, limits: LimitSet) -> xr.DataArray:
    """Describe an array of binding bounds by its flags; -1 is none."""
    names = tuple(bound.name for bound in limits.hard)
    flags = _flags(names)
    array.attrs = {"long_name": "binding limit", **flags}
    array.attrs["comment"] = "-1: undetermined. " + "; ".join(
        f"{bound.name}: {bound.sentence} ({bound.why})" for bound in limits.hard
    )
    return array


def provenance(
    title: str, *, lung: str, comment: str = "", **attrs: str | int | float
) -> dict[str, str | int | float]:
    """Attributes of a result: what made it, when, on what, by which engine.

    Examples
    --------
    >>> provenance("a title", lung="linear")["lung"]
    'linear'
    """
    now = datetime.now(UTC).replace(microsecond=0).isoformat()
    return {
        "Conventions": "CF-1.11",
        "title": title,
        "source": f"ebbmap {version_of('ebbmap')}, code {code_fingerprint()}",
        "history": f"{now} made by ebbmap",
        "lung": lung,
        "caution": CAUTION,
        "comment": comment or f"{MODEL_OUTPUT} Values as given.",
        "versions": versions(),
        **engine_attrs(*lung.split(", ")),
        **own_provenance(),
        **attrs,
    }


def own_provenance() -> dict[str, str]:
    """Return which entries of the active catalogue are somebody's own; nothing if none is."""
    catalogue = active()
    return {OWN_ENTRIES: catalogue.provenance} if catalogue and catalogue.provenance else {}


@cache
def versions() -> str:
    """Versions of what the numbers depend on, as JSON text."""
    names = ("numpy", "scipy", "xarray", "SALib")
    known = {name: version_of(name) for name in names}
    return json.dumps({"python": platform.python_version(), **known})


@cache
def code_fingerprint(package: str = "ebbmap") -> str:
    """Short hash of a package's code, so that a result names exactly what made it."""
    root = files(package)
    digest = hashlib.sha256()
    folders = [("", root)]
    while folders:
        prefix, folder = folders.pop()
        for item in sorted(folder.iterdir(), key=lambda entry: entry.name):
            path = f"{prefix}/{item.name}"
            if item.is_dir():
                folders.append((path, item))
            elif item.name.endswith(".py"):
                digest.update(path.encode())
                digest.update(item.read_bytes())
    return digest.hexdigest()[:12]


def _flags(words: tuple[str, ...]) -> dict[str, Any]:
    return {
        "flag_values": np.arange(len(words), dtype=np.int8),
        "flag_meanings": " ".join(word.replace(" ", "_") for word in words),
    }
