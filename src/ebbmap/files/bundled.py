"""The studies, draft protocols and policies that come with the package, found by name."""

from __future__ import annotations

import difflib
import shutil
from pathlib import Path

from ebbmap.errors import EbbmapError

_PACKAGE = Path(__file__).parents[1]


def bundled_studies() -> Path:
    """Return the folder of bundled studies: in the package, or beside it in a checkout."""
    installed = _PACKAGE / "studies"
    return installed if installed.is_dir() else _PACKAGE.parents[1] / "studies"


def bundled_protocols() -> Path:
    """Return the folder of bundled draft protocols."""
    return bundled_studies() / "protocols"


def bundled_policies() -> Path:
    """Return the folder of bundled policies."""
    return bundled_studies() / "policies"


def files_in(folder: Path) -> list[Path]:
    """Return the bundled files of a folder; one that uses others has a folder of its own name."""
    own = (path for path in folder.glob("*/*.toml") if path.stem == path.parent.name)
    return sorted((*folder.glob("*.toml"), *own), key=lambda path: path.stem)


def named_file(path: Path, *folders: Path) -> Path:
    """Return a file as it is named, or the bundled one of this name where there is none.

    Parameters
    ----------
    path : Path
        As the user wrote it: a path, or the stem of a bundled file.
    *folders : Path
        Where bundled files lie.

    Raises
    ------
    EbbmapError
        If a bare name is neither a file nor bundled.
    """
    if path.exists() or path.is_symlink() or path.name != str(path) or path.suffix:
        return path
    bundled = {file.stem: file for folder in folders for file in files_in(folder)}
    if str(path) in bundled:
        return bundled[str(path)]
    names = sorted(bundled)
    nearest = difflib.get_close_matches(str(path)[:60], names, n=1)
    guess = f"; did you mean {nearest[0]!r}?" if nearest else "."
    raise EbbmapError(
        f"{str(path)[:60]!r} must be a file or the name of a bundled one; it is neither{guess} "
        f"Bundled: {', '.join(names) or 'none'}."
    )


def copy_bundled(folder: Path) -> list[Path]:
    """Copy every bundled study, protocol and policy, and what they use, over nothing that is there.

    Raises
    ------
    EbbmapError
        If a file of the same name is there already, or the folder cannot be written.
    """
    root = bundled_studies()
    sources = sorted(path for path in root.rglob("*") if path.suffix in (".toml", ".py"))
    targets = [folder / source.relative_to(root) for source in sources]
    if taken := [str(target) for target in targets if target.exists()]:
        raise EbbmapError(f"{taken[0]} is there already. Name another folder with --copy.")
    for source, target in zip(sources, targets, strict=True):
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, target)
        except OSError as error:
            raise EbbmapError(f"{target} could not be written: {error.strerror}.") from None
    return targets
