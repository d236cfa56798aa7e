"""Every key of study, protocol and policy files, from their schemas."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from ebbmap.files.policy.schema import PolicyFile
from ebbmap.files.protocol.schema import ProtocolFile
from ebbmap.files.study.schema import StudyFile
from ebbmap.site.reference import code, plain, table

#: Page name -> kind of file, its schema, and what the page says first.
_FILES: Mapping[str, tuple[str, Any, str]] = {
    "study_keys": ("study", StudyFile, "`ebbmap run STUDY` reads it; `ebbmap schema` prints this."),
    "protocol_keys": (
        "protocol",
        ProtocolFile,
        "`ebbmap check PROTOCOL` reads it; `ebbmap schema --protocol` prints this.",
    ),
    "policy_keys": (
        "policy",
        PolicyFile,
        "`ebbmap check POLICY` reads it; `ebbmap schema --policy` prints this.",
    ),
}

#: Kinds of value in JSON, in words; the others stay as they are.
_KINDS = {"string": "text", "integer": "whole number", "boolean": "true or false"}


def key_pages() -> Iterator[tuple[str, str]]:
    """Yield the name and the Markdown of the page of each kind of file."""
    for name, (kind, file, lead) in _FILES.items():
        yield name, _page(f"Keys of a {kind} file", lead, file.model_json_schema())


def _page(title: str, lead: str, schema: Mapping[str, Any]) -> str:
    parts = [f"# {title}", lead, "## The file itself", _keys(schema)]
    for name, part in sorted(schema.get("$defs", {}).items()):
        if part.get("properties"):
            parts += [f"## {name}", plain(_first(part.get("description", ""))), _keys(part)]
    return "\n\n".join(text for text in parts if text)


def _first(text: str) -> str:
    return text.partition("\n\n")[0]


def _keys(part: Mapping[str, Any]) -> str:
    needed = part.get("required", ())
    rows = [
        (
            code(name),
            _kind(entry),
            "must be given" if name in needed else _default(entry),
            plain(_first(entry.get("description", ""))) or " ",
        )
        for name, entry in part.get("properties", {}).items()
    ]
    return table(["key", "kind", "default", "what it is"], rows)


def _default(entry: Mapping[str, Any]) -> str:
    value = entry.get("default")
    return "–" if value in (None, "", [], {}) else plain(value)


def _kind(entry: Mapping[str, Any]) -> str:
    """Return what kind of value a key takes, in words."""
    if "$ref" in entry:
        return plain(entry["$ref"].rpartition("/")[2])
    if "enum" in entry:
        return " or ".join(code(value) for value in entry["enum"])
    if "const" in entry:
        return code(entry["const"])
    for word in ("anyOf", "oneOf"):
        if word in entry:
            kinds = dict.fromkeys(_kind(one) for one in entry[word] if one.get("type") != "null")
            return " or ".join(kinds)
    kind = entry.get("type", "any")
    if kind == "array":
        return f"list of {_kind(entry['items'])}" if "items" in entry else "list"
    if kind == "object":
        inner = entry.get("additionalProperties")
        return f"table of {_kind(inner)}" if isinstance(inner, dict) else "table"
    return _KINDS.get(str(kind), str(kind))
