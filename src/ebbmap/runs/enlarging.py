"""Adding to a finished run: whether a study only asks more than another one, and what it keeps.

A study asks more if it has further analyses, further populations behind the others, further
outcomes of an analysis, or a larger Sobol design. What it asked before is not solved again; every
other change makes another run.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from ebbmap.analyses.base import Analysis
from ebbmap.errors import EbbmapError
from ebbmap.files.study import Study
from ebbmap.runs.ledger import Compare, Keeps

#: What a study says that no piece depends on.
SAID = frozenset({"title", "question", "outputs"})

#: What may grow, each by a rule of its own.
GROWS = frozenset({"populations", "population", "axes", "analyses"})


def kept_pieces(study: Study) -> Compare:
    """Return what compares an earlier plan with that of a study.

    Parameters
    ----------
    study : Study
        The one that is asked now.

    Returns
    -------
    callable
        ``compare(before, now) -> keeps``, of two plans (see `study_plan`); None where the study
        does not merely ask more.
    """

    def compare(before: Mapping[str, Any], now: Mapping[str, Any]) -> Keeps | None:
        ours = {"study", "study_hash"}
        old, new = (plan.get("study") for plan in (before, now))
        if not isinstance(old, Mapping) or not isinstance(new, Mapping):
            return None
        if {k: v for k, v in before.items() if k not in ours} != {
            k: v for k, v in now.items() if k not in ours
        }:
            return None
        fixed = {*old, *new} - SAID - GROWS
        if any(old.get(key) != new.get(key) for key in fixed) or not _more_lungs(old, new):
            return None
        if not _holds(old["population"], new["population"]) or not _holds(old["axes"], new["axes"]):
            return None
        if any(name not in study.analyses for name in old["analyses"]):
            return None
        kept: dict[str, bool] = {}
        try:
            for part, keeps in _parts(study, old, new):
                kept[part] = keeps
        except _OtherError:
            return None
        return lambda name: kept.get(name.partition(".")[0], False)

    return compare


class _OtherError(EbbmapError):
    """An analysis is asked something else."""


def _holds(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Return whether a table has all of another one's entries, unchanged."""
    return all(new.get(name) == value for name, value in old.items())


def _more_lungs(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Return whether populations are the same, or others come behind them."""
    before, now = old["populations"], new["populations"]
    # without a population the properties are those stated, which is not a part of any other
    return bool(before == now or (before and now[: len(before)] == before))


def _parts(
    study: Study, old: Mapping[str, Any], new: Mapping[str, Any]
) -> Iterator[tuple[str, bool]]:
    """Yield the parts of the larger study that the smaller one has too, and whether they stay.

    Raises
    ------
    _OtherError
        If an analysis is gone, or is asked something else.
    """
    lungs = old["populations"] != new["populations"]
    axes = old["axes"] != new["axes"]
    for entry in study.analyses.values():
        before, now = (_asked(plan["analyses"].get(entry.name)) for plan in (old, new))
        if len(before) > len(now):
            raise _OtherError(entry.name)
        asked = [options for one, options in study.asked() if one is entry]
        for options, one, other in zip(asked, before, now, strict=False):
            same = one == other or entry.serves(one, other)
            if not same and not _more_outcomes(entry, one, other):
                raise _OtherError(entry.name)
            # every piece of a sweep lies on all axes of the study
            keeps = same and not (entry.every_case and axes)
            if lungs:
                keeps = keeps and entry.by_population and not new["knowledge"]
            yield entry.result_name(options), keeps


def _asked(options: Any) -> list[Any]:
    """Return what an analysis is asked, once, several times or not at all, as a list."""
    if options is None:
        return []
    return options if isinstance(options, list) else [options]


def _more_outcomes(entry: Analysis, old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Return whether an analysis names more outcomes, and is the same otherwise."""
    before, now = old.get("outcomes"), new.get("outcomes")
    if entry.every_case or not isinstance(before, list) or not isinstance(now, list):
        return False
    return set(before) <= set(now) and {**old, "outcomes": None} == {**new, "outcomes": None}
