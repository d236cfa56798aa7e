"""A stored sweep behind an explorer: what of it can be shown, and what cannot, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from ebbmap.errors import EbbmapError
from ebbmap.exploring.asked import SHOWN, Asked, Axis
from ebbmap.files.study import Study
from ebbmap.registries.limits import RULES, Limit, LimitSet, combine, limit_set
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.runs.job import PART, STORE
from ebbmap.runs.results import open_results
from ebbmap.runs.status import find_damage, status_of
from ebbmap.web import entry_of

#: The cases of a sweep that is small enough for one file.
FILE = f"{PART}.nc"

#: Dimensions of a store that are no axes.
POPULATION, SAMPLE = "population", "sample"


@dataclass(frozen=True)
class Stored(Asked):
    """What an explorer of stored cases is about; nothing of it is solved.

    Parameters
    ----------
    cases : Dataset
        The store, read as far as is asked for; dims (population, axes..., sample).
    places : mapping of str to ndarray, shape (m,)
        Axes with at least two places, rising.
    says : tuple of str
        What is read, and what is not offered, in whole sentences.
    """

    cases: xr.Dataset
    places: Mapping[str, np.ndarray]
    says: tuple[str, ...]

    @property
    def shown(self) -> dict[str, int]:
        """Numbers of one lung that are stored, with their digits."""
        return {name: digits for name, digits in SHOWN.items() if name in self.cases}


def has_store(folder: Path, study: Study) -> bool:
    """Return whether a folder holds the cases of a sweep: a store, or one file that makes a map.

    Parameters
    ----------
    folder : Path
        Any.
    study : Study
        What was run in it.
    """
    if (folder / STORE).is_dir():
        return True
    try:
        return (folder / FILE).is_file() and bool(of_store(folder, study))
    except EbbmapError:
        # so few cases are soon solved anew
        return False


def of_store(folder: Path, study: Study) -> Stored:
    """Return an explorer of the cases that a run stored in a folder.

    Parameters
    ----------
    folder : Path
        Of a run with a store, or with the file of a sweep.
    study : Study
        What was run; its first map's axes open the page, and its first rule judges.

    Raises
    ------
    EbbmapError
        If the store is unfinished or damaged, has no two axes, or holds nothing that a limit needs.
    """
    _require_whole(folder)
    cases = open_results(folder)[PART]
    dims = [str(dim) for dim in cases.sizes if dim not in (POPULATION, SAMPLE)]
    cases = cases.sortby([dim for dim in dims if (np.diff(cases[dim].values) < 0).any()])
    places = {dim: cases[dim].values.astype(float) for dim in dims if cases.sizes[dim] > 1}
    if len(places) < 2:
        raise EbbmapError(
            "a map needs two axes with at least two places each; the cases in "
            f"{str(folder)!r} have {', '.join(places) or 'none'}. Name the study file "
            "to have it solved anew."
        )
    limits, rules, missing = _limits(cases, study)
    maps = [options for entry, options in study.asked() if entry.name == "map"]
    named = [maps[0].x, maps[0].y] if maps else []
    across, up, *_ = dict.fromkeys([*(name for name in named if name in places), *places])
    axes = [Axis(name, float(places[name][0]), float(places[name][-1])) for name in (across, up)]
    return Stored(
        question=study.question.with_lungs(cases.sizes.get(SAMPLE, 1)),
        limits=limits,
        rules=rules,
        opening={name: nearest(at, PARAMETERS[name].default) for name, at in places.items()},
        axes=(axes[0], axes[1]),
        cells=max(map(len, places.values())),
        cases=cases,
        places=places,
        says=_says(cases, places, missing, study.question.lung),
    )


def nearest(places: np.ndarray, value: float) -> float:
    """Return the place next to a value.

    Examples
    --------
    >>> nearest(np.array([0.2, 0.5, 0.9]), 0.6)
    0.5
    """
    return float(places[np.argmin(np.abs(places - value))])


def _require_whole(folder: Path) -> None:
    """Refuse a store that is not all there, byte for byte as it was written.

    A file is put in place whole, and nothing vouches for it but itself.
    """
    if not (folder / STORE).is_dir():
        return
    status = status_of(folder)
    if status is not None and status.running:
        raise EbbmapError(f"a run is at work in {str(folder)!r}. Wait for it, then explore.")
    damage = next(find_damage(folder), None)
    if damage is not None:
        raise EbbmapError(
            f"{damage}. Give the command of the run again: it keeps what it finished and does the "
            "rest; or name the study file to have it solved anew."
        )


def _limits(cases: xr.Dataset, study: Study) -> tuple[LimitSet, tuple[str, ...], list[str]]:
    """Return limits whose outcomes are stored, rules among them, and what is missing for others."""
    own = next(iter(study.question.rules.values()), limit_set("harm"))
    bounded = {bound.outcome for bound in own.hard}
    missing: list[str] = []

    def kept(limits: LimitSet) -> LimitSet:
        def known(limit: Limit) -> bool:
            # with the balances that tell whether there is a steady state
            lacking = [n for n in LimitSet("", "", (limit,)).outcomes if n not in cases]
            missing.extend(lacking)
            return not lacking

        return LimitSet(limits.name, limits.long_name, tuple(filter(known, limits.limits)))

    judging = kept(own)
    if not judging.hard:
        raise EbbmapError(
            f"the store holds none of the outcomes that its limits need: {', '.join(missing)}. Run "
            "the study with judged = true, or name the study file to have it solved anew."
        )
    others = [kept(limit_set(rule)) for rule in RULES if rule not in bounded]
    offered = [rule for rule in others if rule.limits]
    every = combine("all", judging, *offered)
    return every, tuple(rule.name for rule in offered), list(dict.fromkeys(missing))


def _says(
    cases: xr.Dataset, places: Mapping[str, np.ndarray], missing: list[str], lung: str
) -> tuple[str, ...]:
    """Return what is read, and what is not offered for not being stored."""
    many = int(np.prod(list(cases.sizes.values())))
    lungs = cases.sizes.get(SAMPLE, 1)
    axes = ", ".join(f"{entry_of(name)['label']} ({len(at)})" for name, at in places.items())
    says = [
        f"Read from {many:,} stored cases of the lung model {lung}, {lungs:,} of each population; "
        f"nothing is solved. Stored places: {axes}.",
        "Not offered, for they are not stored: settings between and beyond these places, other "
        "settings, changed properties, and curves.",
    ]
    if missing:
        words = ", ".join(str(entry_of(name)["label"]) for name in missing)
        says.append(f"Not judged, for these outcomes are not stored: {words}.")
    return tuple(says)
