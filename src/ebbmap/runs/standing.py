"""What of a study is finished in a folder already, part by part, before a run goes on with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ebbmap.files.study import Study
from ebbmap.runs.chunks import study_ledger
from ebbmap.runs.enlarging import Stays, what_stays
from ebbmap.runs.entries import Entry
from ebbmap.runs.ledger import Ledger
from ebbmap.runs.sources import study_source
from ebbmap.runs.work import Kept, LostPieceError


@dataclass(frozen=True)
class Standing:
    """How one part of a study stands in a folder.

    Parameters
    ----------
    kept, new : int
        Finished pieces that stay, and others that are known to be needed.
    cases : int
        Cases behind the pieces that stay, as far as they were counted.
    why : str
        Why pieces of an earlier, smaller study do not stay; empty where all do.
    adds : str
        What is added to those that stay without solving a case again; empty where nothing is.
    """

    kept: int
    new: int
    cases: int
    why: str = ""
    adds: str = ""


class _Staying(Kept):
    """Finished pieces of an earlier plan that stay in a larger one."""

    def __init__(self, ledger: Ledger, stays: Mapping[str, Stays]):
        super().__init__(ledger)
        self._stays, self._names = stays, frozenset(ledger.names())

    def named(self, name: str) -> bool:
        """Return whether a piece has an entry that stays, which may turn out to be damaged."""
        stays = self._stays.get(name.partition(".")[0])
        return stays is not None and name in self._names and stays.keeps(name)

    def entry(self, name: str) -> Entry:
        """Return the entry of a piece that stays."""
        if not self.named(name):
            raise LostPieceError(name)
        return super().entry(name)


def standing(study: Study, folder: Path) -> dict[str, Standing]:
    """Return how every part of a study stands in a folder; nothing is written.

    Parameters
    ----------
    study : Study
        The one that is about to run.
    folder : Path
        Where its results go.

    Returns
    -------
    dict of str to Standing
        By part; empty where no run was begun that the study can go on with.
    """
    ledger, source = study_ledger(study, folder), study_source(study)
    before = ledger.asked_before
    if before is None or not source.keeps:
        return {}
    whole = Stays(lambda name: True)
    stays = dict.fromkeys(source.parts, whole)
    if before != source.plan:
        found = what_stays(study, before, source.plan)
        if isinstance(found, str):
            return {}
        stays = found
    kept = _Staying(Ledger(folder, before), stays)
    streamed = {task.name for task in source.tasks if task.streams}
    result = {}
    for name, part in source.parts.items():
        wanted = part.wanted(kept)
        # blocks are many, and the run itself reads every byte of them
        there = [one for one in wanted if (kept.named(one) if name in streamed else one in kept)]
        cases = 0 if name in streamed else sum(kept.cases(one) for one in there)
        how = stays.get(name, whole)
        new = len(wanted) - len(there)
        result[name] = Standing(len(there), new, cases, how.why, how.adds)
    return result
