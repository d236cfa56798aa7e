"""Reference pages made from the registries: nothing on them is typed twice."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from ebbmap.analyses.registry import ANALYSES
from ebbmap.lungs import LUNGS
from ebbmap.registries.glossary import GLOSSARY
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.registries import distribution_text
from ebbmap.units import UNITS, display
from ebbmap.validation import SUBJECTS

_TEXT = re.compile(r"([\\`*_{}\[\]<>|#$~])")


def plain(text: object) -> str:
    r"""Return a text that Markdown prints as it is, in one line.

    Examples
    --------
    >>> print(plain("p_high * 2"))
    p\_high \* 2
    """
    return _TEXT.sub(r"\\\1", " ".join(str(text).split()))


def code(text: object) -> str:
    """Return a name as code."""
    return f"`{text}`"


def table(heads: Sequence[str], rows: Iterable[Iterable[object]]) -> str:
    """Return a table in Markdown; cells are Markdown already."""
    lines = ["| " + " | ".join(heads) + " |", "|" + " --- |" * len(heads)]
    lines += ["| " + " | ".join(str(cell) or " " for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def reference_pages() -> Iterator[tuple[str, str]]:
    """Yield the name and the Markdown of every page that the registries make."""
    yield "parameters", _parameters()
    yield "outcomes", _outcomes()
    yield "limits", _limits()
    yield "populations", _populations()
    yield "lungs", _lungs()
    yield "analyses", _analyses()
    yield "findings", _findings()


def _unit(units: str) -> str:
    """Return a unit as it is read; what depends on the study, such as that of an axis, stays."""
    return (plain(display(units)) if units in UNITS else plain(units)) or "–"


def _parameters() -> str:
    parts = [
        "# Parameters",
        "What can be set (`setting`), what the lung gives (`mechanics`) and what gas exchange "
        "needs. A study takes these names in `[fixed]`, `[axes]` and `[samples]`, a command in "
        "`--set NAME=VALUE`, Python as keywords.",
    ]
    for kind in dict.fromkeys(entry.kind for entry in PARAMETERS.values()):
        rows = [
            (
                code(name),
                plain(entry.long_name),
                _unit(entry.units),
                f"{entry.low:g} to {entry.high:g}",
                f"{entry.default:g}",
                plain(entry.source),
            )
            for name, entry in PARAMETERS.items()
            if entry.kind == kind
        ]
        parts += [
            f"## {kind.replace('_', ' ').capitalize()}",
            table(["name", "in words", "unit", "bounds", "default", "source"], rows),
        ]
    return "\n\n".join(parts)


def _outcomes() -> str:
    rows = [
        (
            code(name),
            plain(f"{entry.long_name}. {entry.comment}" if entry.comment else entry.long_name),
            _unit(entry.units),
            plain(entry.source),
        )
        for name, entry in OUTCOMES.items()
    ]
    return "\n\n".join(
        [
            "# Outcomes",
            "What a settled cycle gives. Not every lung model has every outcome; `simulate` "
            "returns those that it has.",
            table(["name", "in words", "unit", "source"], rows),
        ]
    )


def _limits() -> str:
    parts = [
        "# Limits",
        "Sets of limits are starting points with their sources, not advice. A broken hard limit "
        "makes a case unsafe; a broken `caution` limit asks for a second look.",
    ]
    for name, limits in LIMIT_SETS.items():
        rows = [
            (plain(bound.sentence), bound.severity, plain(bound.why))
            for limit in limits.limits
            for bound in limit.bounds
        ]
        parts += [
            f"## {code(name)}",
            f"{plain(limits.long_name.capitalize())}.",
            table(["broken by", "kind", "source"], rows),
        ]
    return "\n\n".join(parts)


def _populations() -> str:
    parts = [
        "# Populations",
        "Invented lungs around published centres. The grade says how each number is known: "
        "`read` in the paper, `transcription`, `derived` by arithmetic on what was read, "
        "`memory`, or `assumption`.",
    ]
    for name, group in POPULATIONS.items():
        rows = [
            (
                code(key),
                plain(distribution_text(marginal)),
                _unit(PARAMETERS[key].units),
                plain(marginal.confirmed),
                plain(marginal.source),
            )
            for key, marginal in group.marginals.items()
        ]
        parts += [
            f"## {code(name)}",
            plain(group.long_name),
            plain(group.comment),
            table(["property", "distribution", "unit", "grade", "source"], rows),
        ]
        if group.known is not None:
            behind = [
                (plain(number.name), plain(number.confirmed), plain(number.source))
                for number in group.known.numbers
            ]
            parts += [
                "Fitted to these numbers, weighed by their standard errors:",
                table(["number", "grade", "source"], behind),
            ]
    return "\n\n".join(part for part in parts if part)


def _lungs() -> str:
    parts = [
        "# Lung models",
        "Every model takes the same settings; one word in a study changes the model.",
    ]
    for name, lung in LUNGS.items():
        takes = ", ".join(code(parameter) for parameter in lung.parameters)
        parts += [
            f"## {code(name)}",
            f"{plain(lung.long_name)}. Source: {plain(lung.source)}.",
            f"Takes: {takes}.",
        ]
    return "\n\n".join(parts)


def _analyses() -> str:
    parts = [
        "# Analyses",
        "One for each key of `[analyses]` in a study file; from Python, "
        "`ebbmap.find_KEY(question, options, axes=...)` takes the same options.",
    ]
    for name, entry in ANALYSES.items():
        options = [
            (code(key), _default(field), plain(field.description or "–"))
            for key, field in entry.options.model_fields.items()
        ]
        variables = [
            (code(key), plain(variable.long_name), _unit(variable.units or "1"))
            for key, variable in entry.variables.items()
        ]
        parts += [f"## {code(name)}", f"{plain(entry.long_name.capitalize())}."]
        if options:
            parts.append(table(["option", "default", "what it does"], options))
        if variables:
            parts.append(table(["result", "in words", "unit"], variables))
    return "\n\n".join(parts)


def _default(field: object) -> str:
    if getattr(field, "is_required", lambda: False)():
        return "must be given"
    value = getattr(field, "default", None)
    factory = getattr(field, "default_factory", None)
    shown = factory() if factory is not None else value
    return "–" if shown in (None, "", (), [], {}) else plain(shown)


def _findings() -> str:
    parts = [
        "# Published findings",
        "What somebody measured in patients, animals or tubes, with its interval, its source and "
        "how it is known. `ebbmap validate` measures the model beside every one of them and says "
        "where it agrees, where a number was set by that very finding, and where it disagrees.",
    ]
    for subject, findings in SUBJECTS.items():
        rows = [
            (
                plain(finding.name),
                f"{finding.interval[0]:.3g} to {finding.interval[1]:.3g}",
                _unit(finding.units),
                "yes" if finding.fitted else "no",
                plain(finding.source),
                finding.grade,
            )
            for finding in findings
        ]
        heads = ["finding", "published", "unit", "the model was set by it", "source", "grade"]
        parts += [f"## {plain(subject.capitalize())}", table(heads, rows)]
    return "\n\n".join(parts)


def glossary_page() -> str:
    """Return the glossary: every term with a meaning of its own."""
    terms = sorted(GLOSSARY.values(), key=lambda term: term.long_name.lower())
    said = [f"**{plain(term.long_name)}**: {plain(term.text)}" for term in terms]
    lead = "Words that ebbmap uses in one meaning."
    return "\n\n".join(["# Glossary", lead, *said])
