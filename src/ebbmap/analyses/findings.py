"""What pydantic finds wrong with options or a file, in sentences that name place and remedy."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel, ValidationError

from ebbmap.errors import SHOWN, shortened, unknown_name

#: Findings that are listed, one sentence each; the others are counted.
LISTED = 100

#: Marks that a schema adds to tell tables of several kinds apart, and the tables.
Families = Mapping[str, type[BaseModel]]

NO_FAMILIES: Families = MappingProxyType({})


def sentences(
    error: ValidationError, schema: type[BaseModel], families: Families = NO_FAMILIES
) -> list[str]:
    """Turn pydantic's findings into sentences with place, expectation, value and nearest name.

    The known names of a table are listed once, and past `LISTED` findings are counted only.

    Parameters
    ----------
    error : ValidationError
        What pydantic raised.
    schema : type of BaseModel
        The model that it raised it for.
    families : mapping of str to type of BaseModel
        Marks among the places that are no keys, and the tables behind them.
    """
    lines, listed = [], set()
    for finding in error.errors(include_url=False)[:LISTED]:
        place = _place(finding["loc"], families)
        kind = finding["type"]
        if kind == "extra_forbidden":
            table = finding["loc"][:-1]
            what = unknown_name("key", finding["loc"][-1], _keys(table, schema, families))
            if table in listed:
                what = what.partition(" Known: ")[0]
            listed.add(table)
        elif kind == "missing":
            what = f"must be given: {finding['loc'][-1]!r} is missing. Add it."
        elif kind == "value_error":
            what = str(finding["ctx"]["error"])
        else:
            what = _plain(kind, finding)
        lines.append(f"{place}: {what}{'' if what.endswith(('.', '?')) else '.'}")
    if (more := error.error_count() - LISTED) > 0:
        lines.append(f"file: {more:,} more problems of this kind are not listed.")
    return lines


#: What must hold, in plain words, by pydantic's name of the finding; braces hold its numbers.
_PLAIN: Mapping[str, str] = MappingProxyType(
    {
        "float_type": "must be a number",
        "float_parsing": "must be a number",
        "finite_number": "must be a finite number",
        "int_type": "must be a whole number",
        "int_parsing": "must be a whole number",
        "int_from_float": "must be a whole number",
        "int_parsing_size": "must be a whole number of at most 4,300 digits",
        "string_type": 'must be a text in quotes, as "..."',
        "bool_type": "must be true or false",
        "bool_parsing": "must be true or false",
        "list_type": "must be a list, as [...]",
        "tuple_type": "must be a list, as [...]",
        "dict_type": "must be a table of keys and values, as {{ key = value }}",
        "model_type": "must be a table of keys and values, as {{ key = value }}",
        "model_attributes_type": "must be a table of keys and values, as {{ key = value }}",
        "too_short": "must have at least {min_length} entries",
        "too_long": "must have at most {max_length} entries",
        "string_too_short": "must have at least {min_length} letters",
        "string_too_long": "must have at most {max_length} letters",
        "string_pattern_mismatch": "has a character that cannot stand there",
        "less_than": "must be below {lt}",
        "less_than_equal": "must be at most {le}",
        "greater_than": "must be above {gt}",
        "greater_than_equal": "must be at least {ge}",
        "literal_error": "must be {expected}",
        "union_tag_invalid": "must be one of {expected_tags}",
        "union_tag_not_found": "must name its {discriminator}",
    }
)


def _plain(kind: str, finding: Any) -> str:
    """Return what must hold in plain words, the value, and what was probably meant."""
    value, context = finding["input"], finding.get("ctx", {})
    if kind in _PLAIN:
        shown = {
            key: f"{number:,.15g}" if isinstance(number, (int, float)) else number
            for key, number in context.items()
        }
        said = _PLAIN[kind].format(**shown)
    else:
        said = finding["msg"][0].lower() + finding["msg"][1:]
    if kind == "union_tag_invalid":
        value = context["tag"]
    if "Range" in str(context.get("class_name", "")) or kind == "model_attributes_type":
        said = "must be a number, or a range as { low = 1, high = 2 }"
    text = f"{said}; got {shortened(value)}"
    most = context.get("lt", context.get("le"))
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if number and most == 1 and 1 < value <= 100:
        return f"{text}. Write {value / 100:g} for {value:g} %."
    return text


def _place(loc: tuple[int | str, ...], families: Families) -> str:
    """Return the path of keys, without the marks that the schema adds."""
    words = [str(p) for p in loc if p not in families and "[" not in str(p)]
    return ".".join(w if len(w) <= SHOWN else f"{w[:SHOWN]}..." for w in words) or "file"


def _keys(loc: tuple[int | str, ...], schema: type[BaseModel], families: Families) -> list[str]:
    """Return the known keys of the table at a place."""
    table: Any = schema
    for key in loc:
        fields = getattr(table, "model_fields", {})
        if key in fields:
            table = _inner(fields[key].annotation)
        elif key in families:
            table = families[str(key)]
    return list(getattr(table, "model_fields", {}))


def _inner(annotation: Any) -> Any:
    """Return the table behind list[...], dict[...], ... | None and Annotated[...]."""
    for argument in reversed(getattr(annotation, "__args__", ())):
        found = _inner(argument)
        if isinstance(found, type) and issubclass(found, BaseModel):
            return found
    return annotation
