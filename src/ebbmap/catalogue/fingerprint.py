"""Hashes of what an entry does: the same for the same source, another for a changed one."""

from __future__ import annotations

import hashlib
import inspect
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from types import CodeType, FunctionType
from typing import Any

#: Characters of a hash that are kept.
LENGTH = 12

#: Globals of these types are part of what a function does.
PLAIN = (bool, int, float, str, bytes, tuple, frozenset, type(None))


def hash_of(content: bytes) -> str:
    """Return the short hash of a source.

    Examples
    --------
    >>> hash_of(b"1")
    '6b86b273ff34'
    """
    return hashlib.sha256(content).hexdigest()[:LENGTH]


def fingerprint(entry: object) -> str:
    """Return the hash of an entry: its values, and the source of its functions.

    Functions and plain values that a function takes from its own module count too; what it
    imports from elsewhere does not.
    """
    return hash_of("\n".join(_texts(entry, set())).encode())


def _texts(value: Any, seen: set[int]) -> Iterator[str]:
    if isinstance(value, FunctionType):
        if id(value) not in seen:
            seen.add(id(value))
            yield from _function_texts(value, seen)
    elif is_dataclass(value) and not isinstance(value, type):
        for each in fields(value):
            yield each.name
            yield from _texts(getattr(value, each.name), seen)
    elif isinstance(value, Mapping):
        for key, each in value.items():
            yield repr(key)
            yield from _texts(each, seen)
    elif isinstance(value, (list, tuple)):
        for each in value:
            yield from _texts(each, seen)
    elif isinstance(value, type):
        yield value.__qualname__
    else:
        yield repr(value)


def _function_texts(function: FunctionType, seen: set[int]) -> Iterator[str]:
    yield function.__qualname__
    yield source_of(function)
    for cell in function.__closure__ or ():
        yield from _texts(cell.cell_contents, seen)
    for name in sorted(_names(function.__code__)):
        found = function.__globals__.get(name)
        same_module = isinstance(found, FunctionType) and found.__module__ == function.__module__
        if same_module or (name in function.__globals__ and isinstance(found, PLAIN)):
            yield name
            yield from _texts(found, seen)


def source_of(function: Callable[..., Any]) -> str:
    """Return the source of a function, or its compiled form where there is none."""
    try:
        return inspect.getsource(function)
    except (OSError, TypeError):
        code = function.__code__
        return repr((code.co_code, [str(each) for each in code.co_consts], code.co_names))


def _names(code: CodeType) -> set[str]:
    """Return the names that a function and those within it use."""
    inner = (each for each in code.co_consts if isinstance(each, CodeType))
    return set(code.co_names).union(*(_names(each) for each in inner))
