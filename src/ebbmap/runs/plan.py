"""What a run is asked: compared with what another one was asked, and kept undamaged."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ebbmap.cases.labelling import code_fingerprint, versions
from ebbmap.runs.entries import checksum

#: ``keeps(name) -> name``: under which name a piece of an earlier, smaller question is one of a
#: larger one; empty where it is none.
Keeps = Callable[[str], str]

#: ``compare(before, now) -> keeps``, of two plans; where the new one does not merely ask more, what
#: is said of it beside what changed.
Compare = Callable[[Mapping[str, Any], Mapping[str, Any]], Keeps | str]

#: Changes that a refusal names before it says how many more there are.
NAMED_CHANGES = 5


def plan_of(kind: str, stated: Mapping[str, Any], digest: str, own: str = "") -> dict[str, Any]:
    """Return what is asked: the file, key by key, and what the numbers depend on besides.

    Parameters
    ----------
    kind : str
        "study" or "protocol".
    stated : mapping of str to object
        What the file says, every default filled in, as JSON knows it.
    digest : str
        Hash of its text.
    own : str
        Own entries with their source hashes, so that changed code is another run; see
        `Catalogue.provenance`.
    """
    added = {"own_entries": json.loads(own)} if own else {}
    return {
        kind: dict(stated),
        f"{kind}_hash": digest,
        "code": code_fingerprint(),
        "versions": versions(),
        **added,
    }


def key_of(plan: Mapping[str, Any]) -> str:
    """Return the hash of what is asked."""
    return hashlib.sha256(json.dumps(plan, sort_keys=True).encode()).hexdigest()[:32]


def plan_text(plan: Mapping[str, Any]) -> str:
    """Return the text of a plan's file: what is asked, from now on, and a seal on both."""
    now = datetime.now(UTC).replace(microsecond=0).isoformat()
    kept = {"plan": plan, "started": now}
    return json.dumps({**kept, "seal": _seal(kept)}, indent=1)


def read_plan(path: Path) -> tuple[dict[str, Any] | None, str]:
    """Return what a plan's file asks, and since when; None if it is missing or damaged."""
    try:
        kept = json.loads(path.read_bytes())
        if kept.pop("seal") == _seal(kept):
            return kept["plan"], kept["started"]
    except (OSError, ValueError, KeyError, AttributeError, TypeError, RecursionError):
        pass
    return None, ""


def _seal(kept: Mapping[str, Any]) -> str:
    return checksum(json.dumps(kept, sort_keys=True).encode())


def changes(before: Any, now: Any) -> str:
    """Return the first differences of two plans in words; nothing if there are none."""
    found = list(differences(before, now))
    more = len(found) - NAMED_CHANGES
    return "; ".join(found[:NAMED_CHANGES]) + (f"; and {more} more" if more > 0 else "")


def differences(before: Any, now: Any, place: str = "") -> Iterator[str]:
    """Return where two nested tables differ, in words.

    Examples
    --------
    >>> list(differences({"a": {"b": 1}}, {"a": {"b": 2}}))
    ['a.b was 1, is 2']
    """
    if isinstance(before, dict) and isinstance(now, dict):
        for key in dict.fromkeys((*before, *now)):
            inner = f"{place}.{key}" if place else str(key)
            yield from differences(before.get(key), now.get(key), inner)
    elif before != now:
        yield f"{place} was {_short(before)}, is {_short(now)}"


def _short(value: Any) -> str:
    text = "absent" if value is None else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."
