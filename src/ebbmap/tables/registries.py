"""Tables and plain data of the registries."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.lungs import LUNGS
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Marginal
from ebbmap.tables.model import PLAIN, Column, Table, table


def registry_tables(name: str | None) -> Iterator[Table]:
    """Yield a table for each registry, or for those that have an entry of this name.

    Raises
    ------
    EbbmapError
        If no registry has the name.
    """
    _check_known(name)
    for make in (_parameters, _outcomes, _limits, _populations, _lungs):
        found = make(name)
        if found.rows:
            yield found


def _check_known(name: str | None) -> None:
    registries = (PARAMETERS, OUTCOMES, LIMIT_SETS, POPULATIONS, LUNGS)
    if name is not None and not any(name in registry for registry in registries):
        known = [key for registry in registries for key in registry]
        raise EbbmapError(unknown_name("name", name, known))


def distribution_text(marginal: Marginal) -> str:
    """Return the family, centre and spread of a property's distribution."""
    return f"{marginal.family} {marginal.centre:.4g}, {marginal.spread:.3g}"


def _parameters(wanted: str | None) -> Table:
    heads = ["name", "unit", "bounds", "usual", Column("default", PLAIN), "kind", "source"]
    rows = [
        (
            name,
            entry.units,
            f"{entry.low:g} to {entry.high:g}",
            f"{entry.usual_low:g} to {entry.usual_high:g}",
            entry.default,
            entry.kind,
            entry.source,
        )
        for name, entry in PARAMETERS.items()
        if wanted in (None, name)
    ]
    return table("parameters", heads, rows)


def _outcomes(wanted: str | None) -> Table:
    rows = [
        (
            name,
            entry.units,
            f"{entry.long_name}. {entry.comment}" if entry.comment else entry.long_name,
            entry.source,
        )
        for name, entry in OUTCOMES.items()
        if wanted in (None, name)
    ]
    return table("outcomes", ["name", "unit", "in words", "source"], rows)


def _limits(wanted: str | None) -> Table:
    rows = [
        (name, f"not {bound.sentence}", bound.severity, bound.why)
        for name, limits in LIMIT_SETS.items()
        if wanted in (None, name)
        for limit in limits.limits
        for bound in limit.bounds
    ]
    title = "limit sets: starting points, not advice"
    return table(title, ["set", "limit", "severity", "source"], rows)


def _populations(wanted: str | None) -> Table:
    rows = [
        (name, key, distribution_text(marginal), marginal.confirmed, marginal.source)
        for name, group in POPULATIONS.items()
        if wanted in (None, name)
        for key, marginal in group.marginals.items()
    ]
    heads = ["population", "property", "distribution", "confirmed", "source"]
    return table("populations: invented lungs", heads, rows)


def _lungs(wanted: str | None) -> Table:
    rows = [
        (name, lung.long_name, ", ".join(lung.parameters), lung.source)
        for name, lung in LUNGS.items()
        if wanted in (None, name)
    ]
    return table("lung models", ["name", "in words", "parameters", "source"], rows)


def registry_document(name: str | None) -> dict[str, Any]:
    """Return the registries as plain data, or the entries of one name.

    Raises
    ------
    EbbmapError
        If no registry has the name.
    """
    _check_known(name)
    registries: dict[str, tuple[Any, Callable[[Any], dict[str, Any]]]] = {
        "parameters": (PARAMETERS, _parameter_data),
        "outcomes": (OUTCOMES, _outcome_data),
        "limits": (LIMIT_SETS, _limit_data),
        "populations": (POPULATIONS, _population_data),
        "lungs": (LUNGS, _lung_data),
    }
    return {
        word: {key: data(entry) for key, entry in registry.items() if name in (None, key)}
        for word, (registry, data) in registries.items()
    }


def _parameter_data(entry: Any) -> dict[str, Any]:
    names = ("long_name", "units", "kind", "low", "high", "usual_low", "usual_high", "default")
    return _fields(entry, *names, "choices", "source")


def _outcome_data(entry: Any) -> dict[str, Any]:
    return _fields(entry, "long_name", "units", "comment", "source")


def _limit_data(entry: Any) -> dict[str, Any]:
    bounds = [bound for limit in entry.limits for bound in limit.bounds]
    return {
        "long_name": entry.long_name,
        "limits": [
            _fields(bound, "outcome", "side", "value", "severity", "sentence", "why")
            for bound in bounds
        ],
    }


def _population_data(entry: Any) -> dict[str, Any]:
    return {
        "properties": {
            key: _fields(marginal, "family", "centre", "spread", "confirmed", "source")
            for key, marginal in entry.marginals.items()
        }
    }


def _lung_data(entry: Any) -> dict[str, Any]:
    return _fields(entry, "long_name", "parameters", "source")


def _fields(entry: Any, *names: str) -> dict[str, Any]:
    return {name: getattr(entry, name) for name in names}
