"""The keys of what each command prints with --json: read by help, docs and tests.

A dot leads into an object, [] into each entry of a list; a word in capitals stands for names that
the answer brings along. A key is never renamed or dropped without an entry in the changelog.
"""

from __future__ import annotations

from ebbmap.tables.keys.commands import KEYS
from ebbmap.tables.keys.policies import POLICY_DIFF_KEYS, POLICY_KEYS

__all__ = ["KEYS", "POLICY_DIFF_KEYS", "POLICY_KEYS", "keys_text"]


def keys_text(command: str) -> str:
    """Return the keys of a command as lines for its help; empty if it has none of its own.

    Examples
    --------
    >>> keys_text("teach").splitlines()[1:3]
    ['  caution: research and teaching only', '  lung: lung model']
    """
    keys = KEYS.get(command)
    if not keys:
        return ""
    lines = ["Keys of --json:", *(f"  {key}: {meaning}" for key, meaning in keys.items())]
    if command == "diff":
        lines += ["Keys for policies:", *(f"  {k}: {t}" for k, t in POLICY_DIFF_KEYS.items())]
    if command == "check":
        lines += ["Keys for a policy:", *(f"  {k}: {text}" for k, text in POLICY_KEYS.items())]
    return "\n".join(lines)
