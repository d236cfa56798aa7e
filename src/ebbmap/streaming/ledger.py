"""The ledger of a streamed run: what was asked, which blocks are finished, and who is at work.

A finished block has one small file of its own, put in place by a rename; there is no list that a
killed run could leave half written. The kernel lets go of the lock when its holder dies, however
it dies.
"""

from __future__ import annotations

import fcntl
import json
import os
import time
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

import numpy as np

from ebbmap.errors import EbbmapError
from ebbmap.files import write_text

#: Changes that a refusal names before it says how many more there are.
NAMED_CHANGES = 5


class Ledger:
    """Files of a streamed run.

    Parameters
    ----------
    folder : Path
        The output folder; the ledger lies in `cases.blocks` there.
    """

    def __init__(self, folder: Path):
        self.path = folder / "cases.blocks"

    @property
    def plan(self) -> dict[str, Any] | None:
        """What was asked, or None before the first run."""
        try:
            return json.loads((self.path / "plan.json").read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise EbbmapError(
                f"{self.path / 'plan.json'} cannot be read: {error}. Remove the folder, or name "
                "another one with --out."
            ) from None

    def begin(self, plan: Mapping[str, Any]) -> None:
        """Enter what is asked, or see that it is what was asked before.

        Raises
        ------
        EbbmapError
            If it is something else, with what changed.
        """
        before = self.plan
        if before is None:
            write_text(self.path / "plan.json", json.dumps(plan, indent=1, ensure_ascii=False))
            return
        changed = list(differences({**before, "started": plan["started"]}, plan))
        if changed:
            more = len(changed) - NAMED_CHANGES
            told = "; ".join(changed[:NAMED_CHANGES]) + (f"; and {more} more" if more > 0 else "")
            raise EbbmapError(
                f"{self.path.parent} holds another run, which this one cannot go on with: {told}. "
                "Undo the change, or name another folder with --out."
            )

    def enter(self, number: int, found: Mapping[str, np.ndarray]) -> None:
        """Enter a finished block with what is kept of it."""
        part = self.path / f".{number:08d}.{os.getpid()}.part"
        try:
            with open(part, "wb") as file:
                np.savez(file, allow_pickle=False, **dict(found))
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, self.path / f"{number:08d}.npz")
        finally:
            part.unlink(missing_ok=True)

    def finished(self) -> list[int]:
        """Blocks that are entered, in order."""
        return sorted(int(one.stem) for one in self.path.glob("*.npz"))

    def read(self, number: int) -> dict[str, np.ndarray] | None:
        """Return what is kept of a block, or None if its entry cannot be read."""
        path = self.path / f"{number:08d}.npz"
        try:
            with open(path, "rb") as file, np.load(file, allow_pickle=False) as found:
                return dict(found)
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
            return None

    def strike(self, number: int) -> None:
        """Take back an entry, so that the block is done again."""
        (self.path / f"{number:08d}.npz").unlink(missing_ok=True)

    @contextmanager
    def held(self, workers: int) -> Iterator[None]:
        """Keep every other run away from this folder.

        Raises
        ------
        EbbmapError
            If another run is at work in it.
        """
        with open(self.path / "lock", "a+", encoding="utf-8") as file:
            if not _locked(file):
                raise EbbmapError(
                    f"another run is at work in {self.path.parent} (process "
                    f"{self.holder().get('pid', 'unknown')}). Wait for it, or name another "
                    "folder with --out."
                )
            file.truncate(0)
            file.write(json.dumps({"pid": os.getpid(), "workers": workers}))
            file.flush()
            for part in self.path.glob(".*.part"):
                part.unlink(missing_ok=True)
            yield

    def busy(self) -> bool:
        """Whether a run is at work."""
        try:
            with open(self.path / "lock", encoding="utf-8") as file:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except FileNotFoundError:
            return False
        except OSError:
            return True
        return False

    def holder(self) -> dict[str, int]:
        """Process and workers of the run that holds, or held, the lock."""
        with suppress(OSError, ValueError):
            return json.loads((self.path / "lock").read_text(encoding="utf-8"))
        return {}


def _locked(file: IO[str]) -> bool:
    """Take the lock; a look at the status holds it for an instant, so try more than once."""
    for _ in range(5):
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except OSError:
            time.sleep(0.05)
    return False


def differences(before: Any, now: Any, place: str = "") -> Iterator[str]:
    """Say where two nested tables differ.

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
