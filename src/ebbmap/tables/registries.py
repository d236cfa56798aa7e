"""Tables and plain data of the registries."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.lungs import LUNGS
from ebbmap.registries.glossary import GLOSSARY
from ebbmap.registries.identities import algebra_sentences
from ebbmap.registries.limits import LIMIT_SETS, LimitSet
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Marginal, Population
from ebbmap.tables.model import PLAIN, Column, Table, table

#: What algebra knows of settings where nobody gives any.
_AT_P_LOW = {"p_low": PARAMETERS["p_low"].default}


def registry_tables(name: str | None) -> Iterator[Table]:
    """Yield a table for each registry, or for those that have an entry of this name.

    Raises
    ------
    EbbmapError
        If no registry has the name.
    """
    _check_known(name)
    for make in (_parameters, _outcomes, _limits, _populations, _lungs, _terms):
        found = make(name)
        if found.rows:
            yield found


def is_known(name: str) -> bool:
    """Return whether a registry has an entry of this name."""
    return any(name in registry for registry in _registries())


def _registries() -> tuple[Mapping[str, Any], ...]:
    return (PARAMETERS, OUTCOMES, LIMIT_SETS, POPULATIONS, LUNGS, GLOSSARY)


def _check_known(name: str | None) -> None:
    if name is not None and not is_known(name):
        known = [key for registry in _registries() for key in registry]
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
    notes = [
        f"{name}: {said}"
        for name, limits in LIMIT_SETS.items()
        if wanted in (None, name)
        for said in algebra_sentences(limits, _AT_P_LOW)
    ]
    return table(title, ["set", "limit", "severity", "source"], rows, notes=notes)


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


def _terms(wanted: str | None) -> Table:
    rows = [
        (name, term.long_name, term.text)
        for name, term in GLOSSARY.items()
        if wanted in (None, name)
    ]
    return table("terms of the reports", ["name", "term", "what it means"], rows)


def registry_document(name: str | None) -> dict[str, Any]:
    """Return the registries as plain data, or the entries of one name.

    Raises
    ------
    EbbmapError
        If no registry has the name.
    """
    _check_known(name)
    made: dict[str, tuple[Mapping[str, Any], Callable[[Any], dict[str, Any]]]] = {
        "parameters": (PARAMETERS, _fields(*_PARAMETER_FIELDS)),
        "outcomes": (OUTCOMES, _fields("long_name", "units", "comment", "source")),
        "limits": (LIMIT_SETS, _limit_data),
        "populations": (POPULATIONS, _population_data),
        "lungs": (LUNGS, _fields("long_name", "parameters", "source")),
        "terms": (GLOSSARY, _fields("long_name", "text")),
    }
    return {
        word: {key: data(entry) for key, entry in registry.items() if name in (None, key)}
        for word, (registry, data) in made.items()
    }


_PARAMETER_FIELDS = (
    "long_name units kind low high usual_low usual_high default choices source".split()
)


def _fields(*names: str) -> Callable[[Any], dict[str, Any]]:
    """Return a function that reads these attributes of an entry."""
    return lambda entry: {name: getattr(entry, name) for name in names}


def _limit_data(limits: LimitSet) -> dict[str, Any]:
    read = _fields("outcome", "side", "value", "severity", "sentence", "why")
    bounds = [read(bound) for limit in limits.limits for bound in limit.bounds]
    together = list(algebra_sentences(limits, _AT_P_LOW))
    return {"long_name": limits.long_name, "limits": bounds, "together": together}


def _population_data(group: Population) -> dict[str, Any]:
    read = _fields("family", "centre", "spread", "confirmed", "source")
    return {"properties": {key: read(marginal) for key, marginal in group.marginals.items()}}
