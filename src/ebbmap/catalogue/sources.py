"""Where own entries come from: files and packages that a study names, and nothing else.

What stands in such a file runs with all rights of whoever runs the study, as any program does. A
study names its files in `use`, as paths within its own folder, and packages by their name;
nothing is loaded because it happens to be installed or to lie beside the study.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.abc import InspectLoader
from importlib.machinery import ModuleSpec
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from importlib.util import module_from_spec
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

from packaging.requirements import InvalidRequirement, Requirement

from ebbmap.cases.labelling import code_fingerprint
from ebbmap.catalogue.fingerprint import hash_of
from ebbmap.catalogue.kinds import REGISTRIES, is_entry
from ebbmap.catalogue.marks import MARK
from ebbmap.catalogue.value import Catalogue, Own, builtin, own_entry
from ebbmap.errors import EbbmapError, shortened

#: Entry point that a package has to offer its entries.
GROUP = "ebbmap.catalogue"

#: Bytes of the largest file that is loaded.
LARGEST = 2**20

#: A file within the folder of the study: no way up, no drive, no hidden name.
_FILE = re.compile(r"(?:[^\W.][\w-]*/)*[^\W\d][\w-]*\.py")


@dataclass(frozen=True)
class Source:
    """A file that a study uses.

    Parameters
    ----------
    name : str
        Path below the folder of the study, with slashes.
    content : bytes
        What it held when it was loaded; a run keeps it beside the study.
    """

    name: str
    content: bytes


@dataclass(frozen=True)
class Used:
    """What a study uses.

    Parameters
    ----------
    catalogue : Catalogue
        Bundled and own entries.
    files : tuple of Source
        The files among the sources.
    """

    catalogue: Catalogue
    files: tuple[Source, ...] = ()

    def keep_in(self, folder: Path) -> None:
        """Put the files into a folder, so that the study beside them can be read again."""
        for source in self.files:
            path = folder / source.name
            if not path.is_file() or path.read_bytes() != source.content:
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(source.content)


#: What a study without `use` uses.
NOTHING_USED = Used(builtin())


def load_use(names: Iterable[str], folder: Path | None) -> Used:
    """Load what a study uses.

    Parameters
    ----------
    names : iterable of str
        Files such as "mine.py" and packages such as "my-package >= 1.2".
    folder : Path or None
        Of the study; None where it has none.

    Returns
    -------
    Used

    Raises
    ------
    EbbmapError
        For a file that is missing, lies elsewhere, cannot be run or has no entry; for a package
        that is not installed, of another version, or offers nothing; for entries with problems.
    """
    own: list[Own] = []
    files = []
    for name in names:
        if name.endswith(".py"):
            source = read_source(name, folder)
            files.append(source)
            own += entries_of_file(source, folder)
        else:
            own += _entries_of_package(name)
    return Used(builtin().add(*own), tuple(files))


def read_source(name: str, folder: Path | None) -> Source:
    """Read a file that a study uses.

    Raises
    ------
    EbbmapError
        If it is not a plain path within the folder, or cannot be read.
    """
    if not _FILE.fullmatch(name):
        raise EbbmapError(
            f"{shortened(name)} must be the path of a .py file in the folder of the study or "
            "below, with slashes, as in 'mine.py' or 'own/lungs.py'. Put the file there."
        )
    if folder is None:
        raise EbbmapError(f"{name} needs the folder of the study. Save the study as a file.")
    path = folder / name
    try:
        if not path.is_file() or path.stat().st_size > LARGEST:
            raise EbbmapError(
                f"{name} must be a file of at most {LARGEST // 2**20} MiB in {folder}. "
                "Put it beside the study, or correct its name."
            )
        return Source(name, path.read_bytes())
    except OSError as error:
        raise EbbmapError(f"{name} cannot be read: {error.strerror or error}.") from None


def entries_of_file(source: Source, folder: Path | None) -> list[Own]:
    """Run a file and return its entries, in their order.

    Raises
    ------
    EbbmapError
        If it fails, or has no entry.
    """
    content = hash_of(source.content)
    module = _module(source, content, str((folder or Path()) / source.name))
    found = list(_entries_in(module))
    if not found:
        raise EbbmapError(f"{source.name} has no entry. Mark a function with @ebbmap.outcome(...).")
    return [own_entry(thing, origin=source.name, content=content) for thing in found]


class _Loader(InspectLoader):
    """Runs the very bytes that were hashed; nothing is cached on the disk."""

    def __init__(self, source: Source, path: str):
        self._source, self._path = source, path

    def get_source(self, fullname: str) -> str:
        """Return the text."""
        return self._source.content.decode("utf-8-sig")

    def get_code(self, fullname: str) -> CodeType:
        """Return the compiled text, which knows its file."""
        return self.source_to_code(self.get_source(fullname), self._path)


def _module(source: Source, content: str, path: str) -> ModuleType:
    """Return the module of a file, run once for each content."""
    name = f"ebbmap_own_{content}_{Path(source.name).stem}"
    if name in sys.modules:
        return sys.modules[name]
    loader = _Loader(source, path)
    module = module_from_spec(ModuleSpec(name, loader, origin=path))
    module.__file__ = path
    # classes look their module up by name while it runs
    sys.modules[name] = module
    try:
        loader.exec_module(module)
    except Exception as error:  # whatever somebody's file raises is reported
        del sys.modules[name]
        raise EbbmapError(
            f"{source.name} fails with {type(error).__name__}{_line(error, path)}: {error}"
        ) from error
    return module


def _line(error: Exception, path: str) -> str:
    """Return the last line of a file that an exception came through."""
    lines, trace = [getattr(error, "lineno", None)], error.__traceback__
    while trace is not None:
        if trace.tb_frame.f_code.co_filename == path:
            lines.append(trace.tb_lineno)
        trace = trace.tb_next
    known = [line for line in lines if line]
    return f" in line {known[-1]}" if known else ""


def _entries_in(module: ModuleType) -> Iterator[Any]:
    """Yield what a module defines: marked functions and entries, but not bundled ones."""
    bundled = {id(entry) for registry in REGISTRIES.values() for entry in registry.bundled.values()}
    seen: set[int] = set()
    for thing in vars(module).values():
        marked = hasattr(thing, MARK) and thing.__module__ == module.__name__
        if (marked or (is_entry(thing) and id(thing) not in bundled)) and id(thing) not in seen:
            seen.add(id(thing))
            yield thing


def _entries_of_package(name: str) -> list[Own]:
    found = _distribution(name)
    points = [point for point in found.entry_points if point.group == GROUP]
    if len(points) != 1:
        raise EbbmapError(
            f"{found.name} must offer one entry point of the group {GROUP}; it offers "
            f"{len(points)}. Ask its authors."
        )
    try:
        offered = points[0].load()
    except Exception as error:  # whatever somebody's package raises is reported
        raise EbbmapError(f"{found.name} fails with {type(error).__name__}: {error}") from error
    if isinstance(offered, ModuleType):
        things = list(_entries_in(offered))
    else:
        things = list(offered() if callable(offered) and not hasattr(offered, MARK) else offered)
    content = _content_of(sys.modules[points[0].module.partition(".")[0]])
    return [
        own_entry(thing, origin=found.name, version=found.version, content=content)
        for thing in things
    ]


def _content_of(module: ModuleType) -> str:
    """Return the hash of a package, or of a module that is one file."""
    if hasattr(module, "__path__"):
        return code_fingerprint(module.__name__)
    return hash_of(Path(str(module.__file__)).read_bytes())


def _distribution(name: str) -> Distribution:
    """Return an installed package that meets a requirement such as "my-package >= 1.2"."""
    try:
        wanted = Requirement(name)
    except InvalidRequirement:
        raise EbbmapError(
            f"{shortened(name)} must be a .py file or a package, as in 'my-package >= 1.2'."
        ) from None
    try:
        found = distribution(wanted.name)
    except PackageNotFoundError:
        raise EbbmapError(f"the package {wanted.name!r} is not installed. Install it.") from None
    if not wanted.specifier.contains(found.version, prereleases=True):
        raise EbbmapError(
            f"{wanted.name} must be {wanted.specifier}; {found.version} is installed. "
            "Install another version."
        )
    return found
