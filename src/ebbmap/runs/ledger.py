"""The ledger of a run: what was asked, which pieces are finished, and who is at work.

A finished piece has one sealed file of its own, put in place by a rename, together with the files
that belong to it; there is no list that a killed run could leave half written. The lock is the
kernel's, which lets go of it when its holder dies, however it dies.
"""

from __future__ import annotations

import json
import os
import shutil
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import psutil
from filelock import FileLock, Timeout

from ebbmap.errors import EbbmapError, UnfinishedError
from ebbmap.files.writing import make_folder, put_in_place, remove, write_all
from ebbmap.runs.entries import Entry, Fingerprint, checksum, fingerprint, seal, unseal
from ebbmap.runs.plan import Compare, Keeps, changes, key_of, plan_text, read_plan

#: How long a run tries to take the lock [s]: a look at the status holds it for an instant.
LOOKED_AT = 0.25

#: How long a process waits while another one renames its files, which takes milliseconds [s].
IN_TURN = 60.0

#: Part of the ledger that vouches for files which are no piece: results, axes, metadata.
FILES = "files"


class Ledger:
    """Files of a run.

    Parameters
    ----------
    folder : Path
        Output folder; the ledger is the folder `pieces` in it.
    plan : mapping, optional
        What is asked; if not given, what the folder says, for those who only look.
    run : str
        The run that this process works for; `begun` gives one.
    compare : callable, optional
        What says which pieces of an earlier, smaller question stay; every other one is refused.
    """

    def __init__(
        self,
        folder: Path,
        plan: Mapping[str, Any] | None = None,
        run: str = "",
        compare: Compare = lambda before, now: "",
    ):
        self.folder, self.path = folder, folder / "pieces"
        self.run, self._compare = run, compare
        self._plan = plan if plan is not None else self.asked_before
        self.key = "" if self._plan is None else key_of(self._plan)

    # -- what was asked, and who is at work --------------------------------------------------

    @property
    def exists(self) -> bool:
        """Whether a run was ever begun here."""
        return self.path.is_dir()

    @property
    def sound(self) -> bool:
        """Whether the folder says, undamaged, what was asked."""
        return self.asked_before is not None

    @property
    def started(self) -> str:
        """When the first run began, UTC; empty if the plan is gone."""
        return read_plan(self.path / "plan.json")[1]

    @property
    def asked_before(self) -> dict[str, Any] | None:
        """What an earlier run in the folder was asked; None if there is none, or it is damaged."""
        return read_plan(self.path / "plan.json")[0]

    def check(self) -> None:
        """Refuse a folder that holds another run; nothing is written.

        Raises
        ------
        EbbmapError
            With what changed.
        """
        before, said = self.asked_before, ""
        if before is not None:
            reason, keeps = changes(before, self._plan), self._compare(before, self._plan or {})
            if not reason or not isinstance(keeps, str):
                return
            said = keeps
        elif any(entry.plan != self.key for entry in map(self._unsealed, self.names()) if entry):
            reason = f"{self.path / 'plan.json'} is gone, and its pieces are of something else"
        else:
            return
        raise EbbmapError(
            f"{self.folder} holds another run, which this one cannot resume: {reason}. "
            f"{said}{' ' if said else ''}Undo the change, name another folder with --out, or "
            "start over with --fresh."
        )

    @contextmanager
    def begun(self, workers: int, *, fresh: bool = False) -> Iterator[None]:
        """Begin or resume what is asked, and keep every other run away.

        Parameters
        ----------
        workers : int
            Processes, for the status.
        fresh : bool
            Forget what an earlier run finished.

        Raises
        ------
        EbbmapError
            If the folder holds another run, or one is at work in it.
        """
        make_folder(self.path)
        with self._lock():
            if not fresh:
                self.check()
            self._take_over(workers)
            if fresh:
                self._clear()
            else:
                self._take_in()
            if not self.sound:
                self._write("plan.json", plan_text(self._plan or {}))
            yield

    def _take_in(self) -> None:
        """Seal what a smaller question finished as pieces of this one; other entries are removed.

        The plan is written before these are, so that a run which is killed here does it again.
        """
        before = self.asked_before
        if before is None or before == self._plan:
            return
        found, key = self._compare(before, self._plan or {}), key_of(before)
        keeps: Keeps = (lambda name: "") if isinstance(found, str) else found
        names = {name: keeps(name) for name in self.names()}
        for name, own in names.items():
            entry = self._unsealed(name) if own else None
            if entry and (entry.name, entry.plan) == (name, key):
                sealed = seal(replace(entry, name=own, plan=self.key))
                put_in_place(
                    {self._entry(own): partial(write_all, content=sealed)},
                    parts=self.parts,
                    turn=self.turn,
                )
        self._write("plan.json", plan_text(self._plan or {}))
        # results stay until they are written anew
        for name in {*names} - {*names.values()}:
            if not name.startswith(f"{FILES}."):
                self.strike(name)

    def forget(self) -> None:
        """Remove what an earlier run finished here.

        Raises
        ------
        EbbmapError
            If a run is at work.
        """
        if self.exists:
            with self._lock():
                self._take_over(1)
                self._clear()

    @contextmanager
    def _lock(self) -> Iterator[None]:
        lock = FileLock(self.path / "lock")
        try:
            lock.acquire(timeout=LOOKED_AT, poll_interval=LOOKED_AT / 5)
        except Timeout:
            raise EbbmapError(
                f"another run is at work in {self.folder} (process "
                f"{self.holder.get('pid', 'unknown')}). Wait for it, or name another "
                "folder with --out."
            ) from None
        try:
            yield
        finally:
            lock.release()

    def _take_over(self, workers: int) -> None:
        """Take over the folder: from here on, workers of an earlier run put nothing in place."""
        self.run = uuid.uuid4().hex
        with self._gate():
            holder = {"run": self.run, "plan": self.key, "pid": os.getpid(), "workers": workers}
            self._write("run.json", json.dumps(holder))
        shutil.rmtree(self.parts, ignore_errors=True)
        self.parts.mkdir(exist_ok=True)

    @contextmanager
    def _gate(self) -> Iterator[None]:
        # the kernel opens it when its holder dies
        try:
            with FileLock(self.path / "gate").acquire(timeout=IN_TURN, poll_interval=0.001):
                yield
        except Timeout:
            raise UnfinishedError(
                f"a process of another run has held {self.path / 'gate'} for {IN_TURN:.0f} s. "
                "End that process, and give the same command again."
            ) from None

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Wait until files may be put in place, if the folder still belongs to this run.

        Raises
        ------
        UnfinishedError
            If another run has begun since, or this process is not of the folder's plan.
        """
        with self._gate():
            holder = self.holder
            if holder.get("run") != self.run:
                raise UnfinishedError(
                    f"{self.folder} belongs to another run by now; nothing of this run was added."
                )
            if holder.get("plan") != self.key:
                raise UnfinishedError(
                    "workers must have the code and the versions of the process that sends them "
                    "work; these have others. Install the same on every machine."
                )
            yield

    def busy(self) -> bool:
        """Return whether a run is at work."""
        if not (self.path / "lock").exists():
            return False
        try:
            with FileLock(self.path / "lock").acquire(timeout=0):
                return False
        except Timeout:
            return True
        except OSError:
            # who may not write here may not try the lock
            return psutil.pid_exists(int(self.holder.get("pid", -1)))

    @property
    def holder(self) -> dict[str, Any]:
        """Run, plan, process and workers of the run that is, or was last, at work."""
        found = self._read_json("run.json")
        return found if all(type(found.get(key)) is int for key in ("pid", "workers")) else {}

    def note(self, known: Mapping[str, tuple[int, int]]) -> None:
        """Keep how many pieces, and cases, each part is known to have, for the status."""
        before = self.known
        if (now := {**before, **known}) != before:
            self._write("known.json", json.dumps(now))

    @property
    def known(self) -> dict[str, tuple[int, int]]:
        """What was noted last."""
        with suppress(ValueError, TypeError):
            return {
                name: (int(n), int(m)) for name, (n, m) in self._read_json("known.json").items()
            }
        return {}

    def _write(self, name: str, text: str) -> None:
        put_in_place({self.path / name: lambda part: write_all(part, text.encode())})

    def _read_json(self, name: str) -> dict[str, Any]:
        with suppress(OSError, ValueError, RecursionError):
            found = json.loads((self.path / name).read_bytes())
            if isinstance(found, dict):
                return found
        return {}

    # -- pieces ------------------------------------------------------------------------------

    def enter(
        self,
        name: str,
        arrays: Mapping[str, np.ndarray],
        *,
        cases: int = 0,
        since: float | None = None,
        labels: Mapping[str, Any] | None = None,
        beside: Mapping[str, Callable[[], bytes | memoryview]] | None = None,
        there: Mapping[str, Fingerprint] | None = None,
    ) -> None:
        """Put a finished piece in place, and the files that belong to it: all or none.

        Nothing waits for the disk: a killed process loses nothing of what it wrote, and what a
        power cut left short does not have its checksum and is made again.

        Parameters
        ----------
        name : str
            Of the piece: part, dot, name in it.
        arrays : mapping of str to ndarray
            What is kept of it.
        cases : int
            Cases behind it.
        since : float, optional
            When work in it began, by `time.perf_counter`.
        labels : mapping, optional
            What is said of the arrays.
        beside : mapping of str to callable
            By place in the output folder, what gives the bytes of a file.
        there : mapping of str to Fingerprint
            Files in the output folder that belong to it and are in place already.

        Raises
        ------
        OSError
            If something cannot be written whole.
        UnfinishedError
            If the folder belongs to another run by now.
        """
        files: dict[str, Fingerprint] = dict(there or {})

        def beside_it(place: str, give: Callable[[], bytes | memoryview], part: Path) -> None:
            content = memoryview(give()).cast("B")
            files[place] = content.nbytes, checksum(content)
            write_all(part, content)

        def entry(part: Path) -> None:
            seconds = 0.0 if since is None else time.perf_counter() - since
            finished = Entry(
                name, self.key, self.run, seconds, cases, files, dict(labels or {}), dict(arrays)
            )
            write_all(part, seal(finished))

        writers: dict[Path, Callable[[Path], object]] = {
            self.folder / place: partial(beside_it, place, give)
            for place, give in (beside or {}).items()
        }
        put_in_place({**writers, self._entry(name): entry}, parts=self.parts, turn=self.turn)

    def vouch(self, name: str, places: Iterable[str]) -> None:
        """Enter files that are in place already, as they are now."""
        files = {place: fingerprint(self.folder / place) for place in places}
        finished = Entry(f"{FILES}.{name}", self.key, self.run, 0.0, 0, files, {}, {})
        put_in_place(
            {self._entry(finished.name): lambda part: write_all(part, seal(finished))},
            parts=self.parts,
            turn=self.turn,
        )
        self.note({FILES: (sum(name.startswith(f"{FILES}.") for name in self.names()), 0)})

    def names(self) -> list[str]:
        """Return everything that has an entry, sound or not, in order."""
        return sorted(path.stem for path in self.path.glob("*.piece"))

    def entries(self) -> Iterator[Entry]:
        """Yield every sound entry of what is asked, in order of names."""
        yield from (entry for name in self.names() if (entry := self.read(name)) is not None)

    def read(self, name: str) -> Entry | None:
        """Return what is kept of a piece, or None if its entry is missing, damaged or another's."""
        entry = self._unsealed(name)
        return entry if entry and (entry.name, entry.plan) == (name, self.key) else None

    def _unsealed(self, name: str) -> Entry | None:
        try:
            return unseal(self._entry(name).read_bytes())
        except Exception:
            # whatever reading rubbish may raise, the piece is made again
            return None

    def strike(self, name: str) -> None:
        """Take back an entry, so that the piece is done again."""
        remove(self._entry(name))

    def _clear(self) -> None:
        """Take back every entry, what was asked, and the files that the entries vouch for."""
        for name in self.names():
            entry = self._unsealed(name) if name.startswith(f"{FILES}.") else None
            for place in entry.files if entry is not None else ():
                # a forged entry must reach nothing outside the folder
                if ".." not in Path(place).parts and not Path(place).is_absolute():
                    remove(self.folder / place)
            self.strike(name)
        for path in (self.folder / "cases.zarr", self.path / "known.json", self.path / "plan.json"):
            remove(path)

    def _entry(self, name: str) -> Path:
        return self.path / f"{name}.piece"

    @property
    def parts(self) -> Path:
        """Folder of what is being written."""
        return self.path / "parts"
