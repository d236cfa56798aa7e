"""The ledger of a run: what was asked, which pieces are finished, and who is at work.

A finished piece has one small file of its own, put in place by a rename; there is no list that a
killed run could leave half written. The kernel lets go of the lock when its holder dies, however
it dies.
"""

from __future__ import annotations

import fcntl
import json
import os
import time
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import numpy as np
import xarray as xr
from pydantic import BaseModel

from ebbmap.errors import EbbmapError
from ebbmap.files import write_text
from ebbmap.labelling import code_fingerprint, versions

#: Changes that a refusal names before it says how many more there are.
NAMED_CHANGES = 5


def plan_of(kind: str, file: BaseModel, digest: str) -> dict[str, Any]:
    """Return what is asked: the file, key by key, and what the numbers depend on besides.

    Parameters
    ----------
    kind : str
        "study" or "protocol".
    file : BaseModel
        The parsed file.
    digest : str
        Hash of its text.
    """
    return {
        kind: file.model_dump(mode="json"),
        f"{kind}_hash": digest,
        "code": code_fingerprint(),
        "versions": versions(),
        "started": datetime.now(UTC).replace(microsecond=0).isoformat(),
    }


@dataclass(frozen=True)
class Form:
    """How the content of an entry is kept: never by pickle.

    Parameters
    ----------
    write, read : callable
        ``write(path, content)`` and ``read(path) -> content``.
    """

    write: Callable[[Path, Any], None]
    read: Callable[[Path], Any]


def _write_arrays(path: Path, arrays: Mapping[str, np.ndarray]) -> None:
    with open(path, "wb") as file:
        np.savez(file, allow_pickle=False, **dict(arrays))


def _read_arrays(path: Path) -> dict[str, np.ndarray]:
    with open(path, "rb") as file, np.load(file, allow_pickle=False) as found:
        return dict(found)


def _write_dataset(path: Path, dataset: xr.Dataset) -> None:
    """Keep a Dataset as its arrays, and what is said of them as JSON; NetCDF takes 50 times longer.

    Words are kept at a fixed width, since arrays of objects would be pickled.
    """
    said: dict[str, Any] = {
        str(name): [list(array.dims), _plain(array.attrs), name in dataset.coords]
        for name, array in dataset.variables.items()
    }
    arrays = {
        f"v:{name}": array.values.astype(str) if array.dtype == object else array.values
        for name, array in dataset.variables.items()
    }
    text = json.dumps({"variables": said, "attrs": _plain(dataset.attrs)})
    _write_arrays(path, {**arrays, "said": np.array(text)})


def _read_dataset(path: Path) -> xr.Dataset:
    arrays = _read_arrays(path)
    told = json.loads(str(arrays["said"]))
    variables = {
        name: xr.Variable(dims, arrays[f"v:{name}"], _arrays_in(attrs))
        for name, (dims, attrs, _) in told["variables"].items()
    }
    coords = {name for name, (*_, coord) in told["variables"].items() if coord}
    return xr.Dataset(
        {name: array for name, array in variables.items() if name not in coords},
        {name: array for name, array in variables.items() if name in coords},
        _arrays_in(told["attrs"]),
    )


def _plain(attrs: Mapping[Any, Any]) -> dict[str, Any]:
    """Turn attributes into what JSON knows; arrays keep their type."""
    return {
        str(key): {"type": str(value.dtype), "values": value.tolist()}
        if isinstance(value, np.ndarray)
        else value.item() if isinstance(value, np.generic) else value
        for key, value in attrs.items()
    }  # fmt: skip


def _arrays_in(attrs: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: np.array(value["values"], value["type"]) if isinstance(value, dict) else value
        for key, value in attrs.items()
    }


ARRAYS = Form(_write_arrays, _read_arrays)
DATASET = Form(_write_dataset, _read_dataset)


class Ledger:
    """Files of a run.

    Parameters
    ----------
    path : Path
        Folder of the ledger, inside the output folder.
    form : Form
        How entries are kept.
    """

    def __init__(self, path: Path, form: Form):
        self.path, self._form = path, form

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
                "Undo the change, name another folder with --out, or begin again with --fresh."
            )

    def note(self, known: Mapping[str, int]) -> None:
        """Say how many pieces each work is known to have."""
        write_text(self.path / "known.json", json.dumps(known))

    @property
    def known(self) -> dict[str, int]:
        """What was noted last."""
        with suppress(OSError, ValueError):
            return json.loads((self.path / "known.json").read_text(encoding="utf-8"))
        return {}

    def enter(self, name: str, content: Any) -> None:
        """Enter a finished piece with what is kept of it.

        Nothing waits for the disk: a killed process loses nothing of what it wrote, and an entry
        that a power cut left short does not have its checksum and is made again.
        """
        part = self.path / f".{name}.{os.getpid()}.part"
        try:
            self._form.write(part, content)
            os.replace(part, self._entry(name))
        finally:
            part.unlink(missing_ok=True)

    def finished(self) -> list[str]:
        """Pieces that are entered, in order."""
        return sorted(one.stem for one in self.path.glob("*.npz"))

    def read(self, name: str) -> Any:
        """Return what is kept of a piece, or None if its entry cannot be read."""
        try:
            return self._form.read(self._entry(name))
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
            return None

    def strike(self, name: str) -> None:
        """Take back an entry, so that the piece is done again."""
        self._entry(name).unlink(missing_ok=True)

    def clear(self) -> None:
        """Take back every entry and what was asked."""
        for name in self.finished():
            self.strike(name)
        for name in ("plan.json", "known.json"):
            (self.path / name).unlink(missing_ok=True)

    def _entry(self, name: str) -> Path:
        return self.path / f"{name}.npz"

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
