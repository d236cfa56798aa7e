"""The work of a policy's check, cut into pieces that a ledger can keep.

A piece is some patients of one group under one way of treating them. Sizes: see `Course`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import provenance
from ebbmap.cases.pieces import Found, Pieces, Progress, listed
from ebbmap.committee.draft import SETTINGS, needed_properties
from ebbmap.engines import engine_attrs
from ebbmap.errors import EbbmapError
from ebbmap.policies.against import ALONE, CONVENTIONAL, FIXED, find_against
from ebbmap.policies.compiled import compiled_work
from ebbmap.policies.fixed import (
    AGAIN,
    LOOKED_AT,
    MORE,
    PATIENTS,
    best_first,
    safe_shares,
    settings_looked_at,
)
from ebbmap.policies.knowledge import add_knowledge, knowledge_pieces
from ebbmap.policies.language import MOVABLE, Policy
from ebbmap.policies.mend import mend_pieces
from ebbmap.policies.path import paths_shown
from ebbmap.policies.settling import settling_pieces
from ebbmap.policies.simulate import Course, left_alone, pieces_of, simulate_piece
from ebbmap.policies.yields import VARIABLES, find_yields
from ebbmap.registries.limits import Bound

#: Dimensions of what a course keeps.
_DIMS: Mapping[str, tuple[str, ...]] = {
    "safe": ("minute",),
    "in_mode": ("minute",),
    "safe_at": ("hour", "patient"),
    "outside": ("bound", "patient"),
    "beyond": ("bound", "patient"),
    "fired": ("rule",),
}
_ARRAYS = tuple(one.name for one in fields(Course) if one.name not in ("group", "bounds"))


def course_kept(course: Course | None) -> xr.Dataset:
    """Return a course as a ledger keeps it; nothing where nobody gets the mode."""
    if course is None:
        return xr.Dataset()
    data = {name: (_DIMS.get(name, ("patient",)), getattr(course, name)) for name in _ARRAYS}
    return xr.Dataset(data, attrs={"group": course.group})


def course_of(kept: xr.Dataset, bounds: tuple[Bound, ...]) -> Course:
    """Return the course that a ledger kept."""
    return Course(kept.attrs["group"], bounds, **{name: kept[name].values for name in _ARRAYS})


def courses_of(policy: Policy, kept: list[xr.Dataset]) -> list[Course]:
    """Return the courses that a ledger kept, without empty ones."""
    bounds = policy.protocol.limits.hard
    return [course_of(one, bounds) for one in kept if one.data_vars]


def course_pieces(policy: Policy) -> Pieces[list[Course]]:
    """Cut a policy's patients into pieces."""
    places = pieces_of(policy)

    def solve(number: int, progress: Progress) -> xr.Dataset:
        return _counted(simulate_piece(policy, *places[number]), progress)

    return listed(len(places), solve, lambda kept: courses_of(policy, kept))


def _counted(course: Course | None, progress: Progress) -> xr.Dataset:
    if progress is not None and course is not None:
        progress(course.size)
    return course_kept(course)


def fixed_pieces(policy: Policy) -> Pieces[tuple[dict[str, float], list[Course]]]:
    """Cut the search of the best fixed setting, and its trial on the policy's patients.

    Settings are looked at on some patients of their own, the best of them again on more, and the
    one that is safe for most is tried on the patients of the policy.
    """
    groups, places = range(len(policy.protocol.groups)), pieces_of(policy)
    weights = np.array([one.weight for one in policy.protocol.groups])
    stages = [[f"look.{g:03d}" for g in groups], [f"again.{g:03d}" for g in groups]]
    tried = [f"try.{number:06d}" for number in range(len(places))]
    still = left_alone(policy)

    def wanted(found: Found) -> list[str]:
        names: list[str] = []
        for stage in [*stages, tried]:
            names += stage
            if not all(name in found for name in stage):
                break
        return names

    def best(found: Found, stage: int) -> np.ndarray:
        shares = np.stack([found[name]["share"].values for name in stages[stage]])
        return best_first(shares, weights)

    def chosen(found: Found) -> dict[str, float]:
        number = int(best(found, 0)[best(found, 1)[0]])
        return {name: float(one[number]) for name, one in settings_looked_at(policy).items()}

    def solve(name: str, found: Found, progress: Progress) -> xr.Dataset:
        what, _, number = name.partition(".")
        if what == "try":
            return _counted(simulate_piece(still, *places[int(number)], chosen(found)), progress)
        looked = range(LOOKED_AT) if what == "look" else best(found, 0)[:AGAIN]
        patients = PATIENTS if what == "look" else MORE * PATIENTS
        shares = safe_shares(policy, int(number), list(map(int, looked)), patients)
        return xr.Dataset({"share": ("setting", shares)})

    return Pieces(
        wanted,
        solve,
        lambda found: (chosen(found), courses_of(still, [found[name] for name in tried])),
    )


def among(policy: Policy, other: Policy) -> Policy:
    """Return another policy for the patients of this one, judged by the limits of this one.

    Parameters
    ----------
    policy : Policy
        Gives the patients, how their bodies answer, the limits, and how long they are followed.
    other : Policy
        Gives start, readings, rules, and when to stop.
    """
    shared = {
        name: getattr(policy.protocol, name)
        for name in ("groups", "limits", "lung", "eligible", "seed", "lungs", "wanted")
    }
    return replace(
        other,
        protocol=replace(other.protocol, **shared, knowledge=0),
        body=policy.body,
        disease=policy.disease,
        mend=None,
        hours=policy.hours,
        reversal=policy.reversal,
    )


def policy_parts(policy: Policy, conventional: Policy | None = None) -> dict[str, Pieces[Any]]:
    """Cut the simulation of a policy, and of what it stands beside, into parts and pieces.

    Parameters
    ----------
    policy : Policy
        The policy.
    conventional : Policy, optional
        The usual way, tried on the same patients; left out if it is the policy itself, or where
        patients lack what it is set by (their weight, where they come from a trace).
    """
    parts: dict[str, Pieces[Any]] = {
        "policy": course_pieces(policy),
        "alone": course_pieces(left_alone(policy)),
        "fixed": fixed_pieces(policy),
        "settling": settling_pieces(policy),
    }
    if conventional is not None and _stands_beside(policy, conventional):
        parts["conventional"] = course_pieces(among(policy, conventional))
    if policy.protocol.knowledge:
        parts["knowledge"] = knowledge_pieces(policy)
    if policy.mend is not None:
        parts["mended"] = mend_pieces(policy)
    return parts


def _stands_beside(policy: Policy, conventional: Policy) -> bool:
    """Return whether the usual way is another policy, and can be set in every group."""
    if conventional.protocol.digest == policy.protocol.digest:
        return False
    needs = set(needed_properties(policy.protocol.lung, conventional.protocol.draft, ()))
    needs -= {*policy.protocol.lung.parameters, *policy.protocol.fixed, *SETTINGS}
    return all(needs <= set(one.population.properties) for one in policy.protocol.groups)


def join_policy(policy: Policy, found: Mapping[str, Any], date: str) -> dict[str, xr.Dataset]:
    """Put together what a policy yields and what it stands beside.

    Parameters
    ----------
    policy : Policy
        The policy.
    found : mapping of str to object
        What came of each of `policy_parts`.
    date : str
        Stated in the results.

    Returns
    -------
    dict of str to Dataset
        `policy`: all that it yields; `paths`: of a few patients of each group; `mended`: other
        numbers in its rules, where the file asks for them.
    """
    yields = find_yields(policy, found["policy"])
    setting, fixed = found["fixed"]
    others = {ALONE: found["alone"], FIXED: fixed}
    if "conventional" in found:
        others[CONVENTIONAL] = found["conventional"]
    yields = yields.merge(find_against(policy, found["policy"], others), combine_attrs="override")
    yields["fixed_setting"] = ("setting", [setting[name] for name in MOVABLE])
    yields = yields.assign_coords(setting=list(MOVABLE))
    yields["fixed_setting"].attrs = VARIABLES["fixed_setting"].attributes()
    settled = found["settling"].sel(group=yields["group"].values)
    yields["settled_share"] = ("group", settled.values, VARIABLES["settled_share"].attributes())
    if "knowledge" in found:
        add_knowledge(yields, found["knowledge"])
    said = _provenance(policy, policy.protocol.text, policy.source, date)
    paths = paths_shown(policy, found["policy"])
    results = {"policy": yields, "paths": paths}
    results |= {"mended": found["mended"]} if "mended" in found else {}
    return {name: one.assign_attrs(said) for name, one in results.items()}


def _provenance(policy: Policy, text: str, source: str, date: str) -> dict[str, Any]:
    said = provenance(
        policy.protocol.title,
        lung=policy.protocol.lung.name,
        limits=policy.protocol.limits.long_name,
        protocol=text,
        protocol_hash=policy.protocol.digest,
        seed=policy.protocol.seed,
        references=source,
    )
    said |= engine_attrs(policy.protocol.lung.name, work=compiled_work(policy))
    return said | {"history": f"{date} made by ebbmap"}


def difference_parts(old: Policy, new: Policy) -> dict[str, Pieces[list[Course]]]:
    """Cut the comparison of two policies on the same patients into parts and pieces.

    Raises
    ------
    EbbmapError
        If the two do not meet the same patients for as long.
    """
    for key in (
        "seed",
        "lungs",
        "lung",
        "hours",
        "groups",
        "population",
        "eligible",
        "patients",
        "disease",
    ):
        one, other = old.protocol.stated[key], new.protocol.stated[key]
        if one != other:
            raise EbbmapError(
                f"both files must have the same {key}; got {str(one)[:80]} and {str(other)[:80]}. "
                "Policies are compared on the same patients."
            )
    return {"old": course_pieces(old), "new": course_pieces(new)}


def join_difference(
    old: Policy, new: Policy, found: Mapping[str, list[Course]], date: str
) -> xr.Dataset:
    """Put together who gains and who loses by the new policy; see `find_against`."""
    compared = find_against(new, found["new"], {old.protocol.title: found["old"]})
    shares = find_yields(new, found["new"])[["safe_share", "safe_share_interval", "patients"]]
    said = _provenance(new, f"{old.protocol.text}\n{new.protocol.text}", new.source, date)
    return compared.merge(shares, combine_attrs="override").assign_attrs(said)
