"""Adding to a finished run: whether a study only asks more than another one, and what it keeps.

A study asks more if it has more lungs, further lung models, further analyses, further populations
behind the others, further outcomes of an analysis, or a larger Sobol design. What it asked before
is not solved again where it can stay; every other change makes another run.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np

from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.knowledge import OUTER_DRAWS
from ebbmap.errors import EbbmapError
from ebbmap.files.study import Study
from ebbmap.runs.job import FEWER, Job, streams
from ebbmap.runs.plan import Compare, Keeps

#: What a study says that no piece depends on.
SAID = frozenset({"title", "question", "outputs", "other_lungs"})

#: What may grow, each by a rule of its own.
GROWS = frozenset({"populations", "population", "axes", "analyses", "lungs"})

#: Why pieces cannot stay.
OUTCOMES = "it names more outcomes"
AXES = "every case lies on all axes"
GROUPS = "its pieces are of all populations together"
KNOWLEDGE = "the outer draws of knowledge are of all populations together"
FURTHER = "further outcomes follow from those that are stored"
DRAWS = "each outer draw of knowledge is of everything"
LUNGS = "what it finds rests on all lungs together"
OTHER_LUNGS = "without lungs_may_grow = true, more lungs are other lungs"


class Stays(NamedTuple):
    """What stays of a part of an earlier run."""

    keeps: Callable[[str], bool]
    """Whether a piece stays."""
    why: str = ""
    """Why some or all pieces do not; empty where all do."""
    adds: str = ""
    """What is added to each piece without solving its cases again; empty where nothing is."""

    def name(self, piece: str) -> str:
        """Return the name under which a piece stays; empty where it does not."""
        if not self.keeps(piece):
            return ""
        return f"{piece}.{FEWER}" if self.adds and not piece.endswith(f".{FEWER}") else piece


def kept_pieces(study: Study) -> Compare:
    """Return what compares an earlier plan with that of a study.

    Parameters
    ----------
    study : Study
        The one that is asked now.

    Returns
    -------
    callable
        ``compare(before, now) -> keeps``, of two plans (see `study_plan`); where the study does
        not merely ask more, a sentence on it, or nothing.
    """

    def compare(before: Mapping[str, Any], now: Mapping[str, Any]) -> Keeps | str:
        kept = what_stays(study, before, now)
        if isinstance(kept, str):
            return kept
        nothing = Stays(lambda name: False)
        return lambda name: kept.get(name.partition(".")[0], nothing).name(name)

    return compare


def what_stays(
    study: Study, before: Mapping[str, Any], now: Mapping[str, Any]
) -> dict[str, Stays] | str:
    """Return what stays of every part that an earlier plan has too.

    Parameters
    ----------
    study : Study
        The one that is asked now.
    before, now : mapping
        The earlier plan, and that of the study; see `study_plan`.

    Returns
    -------
    dict of str to Stays, or str
        By part; where the study does not merely ask more, a sentence on it, or nothing.
    """
    ours = {"study", "study_hash"}
    old, new = (plan.get("study") for plan in (before, now))
    if not isinstance(old, Mapping) or not isinstance(new, Mapping):
        return ""
    if {k: v for k, v in before.items() if k not in ours} != {
        k: v for k, v in now.items() if k not in ours
    }:
        return ""
    fixed = {*old, *new} - SAID - GROWS
    if {key for key in fixed if old.get(key) != new.get(key)} == {"lung"}:
        return (
            f"To have both lungs side by side, keep lung = {json.dumps(old['lung'])} and set "
            f"other_lungs = {json.dumps([new['lung']])}: the cases are the same, and only those "
            "of the other lung are solved."
        )
    if any(old.get(key) != new.get(key) for key in fixed) or not _more_groups(old, new):
        return ""
    if not _holds(old["population"], new["population"]) or not _holds(old["axes"], new["axes"]):
        return ""
    if any(name not in study.analyses for name in old["analyses"]) or old["lungs"] > new["lungs"]:
        return ""
    try:
        kept = dict(_parts(study, old, new))
    except _OtherError:
        return ""
    if old["lungs"] != new["lungs"] and all(stays.why == OTHER_LUNGS for stays in kept.values()):
        return f"{OTHER_LUNGS.capitalize()}, so that nothing could stay."
    return kept


class _OtherError(EbbmapError):
    """An analysis is asked something else."""


def _holds(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Return whether a table has all of another one's entries, unchanged."""
    return all(new.get(name) == value for name, value in old.items())


def _more_groups(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Return whether populations are the same, or others come behind them."""
    before, now = old["populations"], new["populations"]
    # without a population the properties are those stated, which is not a part of any other
    return bool(before == now or (before and now[: len(before)] == before))


def _parts(
    study: Study, old: Mapping[str, Any], new: Mapping[str, Any]
) -> Iterator[tuple[str, Stays]]:
    """Yield the parts of the larger study that the smaller one has too, and what of them stays.

    Raises
    ------
    _OtherError
        If an analysis is gone, or is asked something else.
    """
    for entry in study.analyses.values():
        before, now = (_asked(plan["analyses"].get(entry.name)) for plan in (old, new))
        if len(before) > len(now):
            raise _OtherError(entry.name)
        asked = [options for one, options in study.asked() if one is entry]
        for options, one, other in zip(asked, before, now, strict=False):
            one, other = (_with_models(stated, new["lung"]) for stated in (one, other))
            same = one == other or entry.serves(one, other)
            if not same and not _more_outcomes(one, other):
                raise _OtherError(entry.name)
            stays = _stays(study, entry, one, old, new)
            if not same:
                stays = _with_further(study, stays, one) if entry.every_case else _none(OUTCOMES)
            if one != other and same and new["knowledge"] and entry.knows:
                stays = _without_draws(stays)
            yield entry.result_name(options), stays


def _none(why: str) -> Stays:
    return Stays(lambda name: False, why)


def _stays(
    study: Study,
    entry: Analysis,
    options: Mapping[str, Any],
    old: Mapping[str, Any],
    new: Mapping[str, Any],
) -> Stays:
    """Return what stays of an analysis that is asked the same."""
    knowledge = bool(new["knowledge"])
    if entry.every_case and old["axes"] != new["axes"]:
        return _none(AXES)
    if old["populations"] != new["populations"]:
        if not entry.by_population:
            return _none(GROUPS)
        if knowledge:
            return _none(KNOWLEDGE)
    if old["lungs"] == new["lungs"]:
        return Stays(lambda name: True)
    may_grow = bool(new["lungs_may_grow"])
    if entry.every_case:
        first = frozenset(Job(study).first_names(old["lungs"]) if streams(study) else ())
        why = "" if first else LUNGS if may_grow else OTHER_LUNGS
        return Stays(lambda name: name.removesuffix(f".{FEWER}") in first, why)
    if not entry.takes_more_lungs(options, may_grow):
        return _none(LUNGS if may_grow else OTHER_LUNGS)
    everything = Stays(lambda name: True)
    return _without_draws(everything) if knowledge and entry.knows else everything


def _with_further(study: Study, stays: Stays, before: Mapping[str, Any]) -> Stays:
    """Return what stays of a sweep that names more outcomes: they may follow from stored ones."""
    if not streams(study) or study.file.engine != "numpy":
        return _none(OUTCOMES)
    job = Job(study)
    if not job.stored or job.dtype != np.float64:
        return _none(f"{OUTCOMES}, and no case is stored in full")
    lacking = job.derivation(job.kept_of(before["outcomes"])).lacking
    if lacking:
        return _none(f"{OUTCOMES}, which need {', '.join(lacking)}, not stored")
    return stays._replace(adds=FURTHER)


def _without_draws(stays: Stays) -> Stays:
    """Return what stays without the outer draws of knowledge, each of which is of everything."""
    return Stays(
        lambda name: name.split(".")[1] != OUTER_DRAWS and stays.keeps(name), stays.why or DRAWS
    )


def _with_models(options: Mapping[str, Any], lung: str) -> Mapping[str, Any]:
    """Return options with the study's own lung model where they may name models and do not."""
    return {**options, "models": [lung]} if options.get("models") == [] else options


def _asked(options: Any) -> list[Any]:
    """Return what an analysis is asked, once, several times or not at all, as a list."""
    if options is None:
        return []
    return options if isinstance(options, list) else [options]


def _more_outcomes(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Return whether an analysis names more outcomes, and is the same otherwise."""
    before, now = old.get("outcomes"), new.get("outcomes")
    if not isinstance(before, list) or "outcomes" not in new:
        return False
    # none named are all
    more = now is None or set(before) <= set(now)
    return more and {**old, "outcomes": None} == {**new, "outcomes": None}
