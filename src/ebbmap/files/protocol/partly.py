"""A file with a table missing or wrong, read as far as it goes, so that one fault hides no other.

What is wrong is replaced by something harmless; what is then found of the replacement is not said.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from ebbmap.files.protocol.schema import ProtocolFile

AnyFile = TypeVar("AnyFile", bound=ProtocolFile)

#: What stands for a setting that is missing or wrong: nothing conflicts with it.
_SETTINGS: Mapping[str, Any] = {
    "p_high": 80.0,
    "p_low": 0.0,
    "t_high": 5.0,
    "t_low": 0.5,
    "fio2": 0.5,
}

#: What stands for a table or key of the top.
_TOP: Mapping[str, Any] = {
    "title": "none",
    "groups": [{"population": "normal"}],
    "limits": {"sets": ["harm"], "rules": []},
    "source": "none",
    "leaves_out": [],
    "own": [],
    "goal": "ph > 7.2",
    "measure": [{"name": "ph", "every": "4 h"}],
}

#: Whose replacement changes what holds of other tables too.
_DECIDES = {"lung": ("groups", "fixed", "eligible"), "groups": ("fixed", "eligible")}


def partly_checked(
    raw: Mapping[str, Any],
    error: ValidationError,
    schema: type[AnyFile],
    checks: Callable[[AnyFile], list[str]],
) -> list[str]:
    """Return what does not fit together in the parts of a file that can be read.

    Parameters
    ----------
    raw : mapping
        The tables of the file.
    error : ValidationError
        What is missing and wrong in them.
    schema : type of ProtocolFile
        Of the file.
    checks : callable
        What lists the problems of a file that can be read.
    """
    start = "start" if "start" in schema.model_json_schema()["properties"] else "settings"
    mended: dict[str, Any] = copy.deepcopy(dict(raw))
    hidden: set[str] = set()
    for finding in error.errors(include_url=False):
        hidden |= _mend(mended, finding["loc"], start)
    try:
        file = schema.model_validate(mended)
    except ValidationError:
        return []
    tops = {place.partition(".")[0] for place in hidden}
    hidden |= {other for top in tops for other in _DECIDES.get(top, ())}
    return [problem for problem in checks(file) if not _is_of(problem, hidden)]


def _mend(mended: dict[str, Any], loc: tuple[str | int, ...], start: str) -> set[str]:
    """Replace what is wrong at a place; return where replacements stand."""
    top = str(loc[0]) if loc else ""
    if top in (start, "settings"):
        table = mended.get(start)
        if not isinstance(table, dict):
            mended[start] = {k: v for k, v in _SETTINGS.items() if k != "fio2"}
            return {start}
        name = str(loc[1]) if len(loc) > 1 else ""
        table.pop(name, None)
        if name in _SETTINGS:
            table[name] = _SETTINGS[name]
        return {f"{start}.{name}"}
    if top == "groups" and len(loc) > 2 and loc[2] != "population":
        group = mended["groups"][loc[1]]
        if isinstance(group, dict):
            group.pop(loc[2], None)
            return {f"groups.{loc[1]}.{loc[2]}"}
    mended.pop(top, None)
    if top in _TOP:
        mended[top] = copy.deepcopy(_TOP[top])
    return {top}


def _is_of(problem: str, hidden: Iterable[str]) -> bool:
    place = problem.partition(": ")[0]
    return any(place == one or place.startswith(f"{one}.") for one in hidden)
