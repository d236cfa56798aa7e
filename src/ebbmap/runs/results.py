"""The results in a folder, as a mapping of names to Datasets that are opened when first used."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import xarray as xr

from ebbmap.catalogue.results import add_outcome
from ebbmap.catalogue.value import Catalogue
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.runs.html import results_html
from ebbmap.runs.job import STORE
from ebbmap.runs.status import Status, status_of

#: Files that say what was asked.
STUDY_FILE, PROTOCOL_FILE = "study.toml", "protocol.toml"

#: Variables of a result that its line in the summary names.
_NAMED = 4


class Results(Mapping[str, xr.Dataset]):
    """The results in a folder, by name; each file is opened when it is first used.

    Parameters
    ----------
    folder : Path
        Output folder of a run or a check.

    Attributes
    ----------
    folder : Path
        The same.
    names : list of str
        What is there, in alphabetical order: stems of NetCDF files, and `cases` for a Zarr store;
        of other lungs of a study, behind the name of the lung: `tube/window`.
    """

    def __init__(self, folder: Path):
        self.folder = folder
        self._opened: dict[str, xr.Dataset] = {}
        self.look()

    def look(self) -> None:
        """Look again at what is there; what was opened is closed."""
        self.close()
        self._paths = _paths_in(self.folder)
        # of a study with other lungs, each of them has a folder of its own
        if (self.folder / STUDY_FILE).is_file():
            for asked in self.folder.glob(f"*/{STUDY_FILE}"):
                lung = asked.parent
                self._paths |= {f"{lung.name}/{n}": path for n, path in _paths_in(lung).items()}
        self.names = sorted(self._paths)

    @property
    def study(self) -> str:
        """Text of the study or the protocol that was run; empty where nothing says it."""
        for name in (STUDY_FILE, PROTOCOL_FILE):
            if (self.folder / name).is_file():
                return (self.folder / name).read_text(encoding="utf-8")
        texts = (dataset.attrs.get("protocol", "") for dataset in self.values())
        return next((str(text) for text in texts if text), "")

    @property
    def status(self) -> Status | None:
        """How far the run has come; None where no pieces were kept, as of a short study."""
        return status_of(self.folder)

    def close(self) -> None:
        """Close every file that was opened; it is opened again when it is next used."""
        for dataset in self._opened.values():
            dataset.close()
        self._opened.clear()

    def add(self, outcome: Any, *, catalogue: Catalogue | None = None) -> list[str]:
        """Add an outcome of one's own to what is there, without solving a case again.

        The files stay as they are; see `ebbmap.catalogue.add_outcome`.

        Parameters
        ----------
        outcome : callable
            A marked function (`ebbmap.outcome`).
        catalogue : Catalogue, optional
            What it may take besides the bundled entries.

        Returns
        -------
        list of str
            Names of the results that have it now.

        Raises
        ------
        EbbmapError
            If no result holds what it needs.

        Examples
        --------
        >>> from ebbmap.catalogue import outcome
        >>> from ebbmap.runs.api import EXAMPLE, run
        >>> @outcome(units="cmH2O", source="invented for this example")
        ... def twice_auto_peep(auto_peep):
        ...     return 2.0 * auto_peep
        >>> results = run(EXAMPLE)
        >>> results.add(twice_auto_peep)
        ['profile']
        >>> results["profile"]["twice_auto_peep"].dims
        ('population', 't_low')
        """
        added, refused = [], []
        for name in self.names:
            try:
                before = self[name]
                self._opened[name] = add_outcome(before, outcome, catalogue=catalogue)
                self._opened[name].set_close(before.close)
                added.append(name)
            except EbbmapError as error:
                refused.append(f"{name}: {error}")
        if not added:
            raise EbbmapError("\n".join(refused))
        return added

    def __getitem__(self, name: str) -> xr.Dataset:
        if name not in self._paths:
            raise KeyError(unknown_name("result", name, self.names))
        if name not in self._opened:
            path = self._paths[name]
            self._opened[name] = (
                xr.open_zarr(path, chunks=None)
                if path.is_dir()
                else xr.open_dataset(path, engine="h5netcdf")
            )
        return self._opened[name]

    def __contains__(self, name: object) -> bool:
        return name in self._paths

    def __iter__(self) -> Iterator[str]:
        return iter(self.names)

    def __len__(self) -> int:
        return len(self.names)

    def __repr__(self) -> str:
        title = f"<Results: {len(self)} in {str(self.folder)!r}{self._progress()}>"
        return "\n".join([title, *(f"    {name}: {_summary(self[name])}" for name in self)])

    def _repr_html_(self) -> str:
        return results_html(repr(self).partition("\n")[0], self)

    def _progress(self) -> str:
        try:
            status = self.status
        except EbbmapError:
            return ", plan.json missing or damaged"
        if status is None or not status.parts:
            return ""
        done, pieces = (sum(getattr(p, key) for p in status.parts) for key in ("done", "pieces"))
        return f", {done:,} of {pieces:,} pieces finished{', at work' if status.running else ''}"


def _paths_in(folder: Path) -> dict[str, Path]:
    """Return the results of a folder by name."""
    paths = {path.stem: path for path in folder.glob("*.nc")}
    if (folder / STORE).is_dir():
        paths[Path(STORE).stem] = folder / STORE
    return paths


def _summary(dataset: xr.Dataset) -> str:
    """Return sizes and variables of a result in one line."""
    sizes = " x ".join(f"{dim} {size:,}" for dim, size in dataset.sizes.items())
    names = [str(name) for name in dataset.data_vars]
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"{', '.join(names[:_NAMED])}{more} ({sizes or 'one value each'})"


def open_results(folder: str | Path) -> Results:
    """Open the results of a run or a check without reading them.

    Parameters
    ----------
    folder : str or Path
        Output folder of `run` or `check`, or of the commands of these names.

    Returns
    -------
    Results
        A mapping of names to Datasets, which also knows the text of the study and how far the run
        has come. A Zarr store is read block by block, as much as is asked for.

    Raises
    ------
    EbbmapError
        If the folder is missing or holds no result.
    KeyError
        Later, for a name that is not there; the message gives the nearest one.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from ebbmap.runs.api import EXAMPLE, run
    >>> with TemporaryDirectory() as folder:
    ...     made = run(EXAMPLE, out=folder)
    ...     results = open_results(folder)
    ...     shape = results["profile"]["auto_peep"].shape
    ...     results.study == EXAMPLE
    True
    >>> results.names
    ['profile']
    >>> shape
    (1, 2)
    """
    path = Path(folder)
    results = Results(path)
    if not results.names:
        raise EbbmapError(
            f"{str(folder)!r} must be a folder with results (*.nc or {STORE}); it holds none. Name "
            "the --out of a run or a check, or run the study first."
        )
    return results
