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
            message = finding["msg"][0].lower() + finding["msg"][1:]
            what = f"{message}; got {shortened(finding['input'])}"
        lines.append(f"{place}: {what}{'' if what.endswith(('.', '?')) else '.'}")
    if (more := error.error_count() - LISTED) > 0:
        lines.append(f"file: {more:,} more problems of this kind are not listed.")
    return lines


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
