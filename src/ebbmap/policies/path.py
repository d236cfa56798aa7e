"""The paths of single patients under a policy: settings, truth and readings, minute by minute.

Sizes: p patients, m minutes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables, registry_attrs
from ebbmap.committee.protocol import Group
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.kernels.judging import bound_margins
from ebbmap.policies.bedside import Bedside
from ebbmap.policies.cohort import cohort_size, draw_cohort
from ebbmap.policies.language import Policy
from ebbmap.policies.simulate import Course, Simulation

#: What is appended to the name of a value as it was read.
READ = "_read"

#: Where the patients stand whose paths are shown, among those of their group by hours of safety
#: (our choice): the worst, the best, and three between.
SHOWN = (0.0, 0.25, 0.5, 0.75, 1.0)

_SAID = {
    "minute": Variable("minutes since the mode began", None),
    "patient": Variable("number among the patients of the group who get the mode", None),
    "group": Variable("group", None),
    "in_mode": Variable("whether the patient is in the mode", None),
    "safe": Variable("whether the patient is in the mode and within every hard bound", None),
}


def find_path(policy: Policy, group: str, patient: int) -> xr.Dataset:
    """Return the path of one patient of those that `courses` simulates; see `find_paths`."""
    return find_paths(policy, group, [patient]).isel(patient=0)


def find_paths(policy: Policy, group: str, patients: Sequence[int]) -> xr.Dataset:
    """Return the paths of some patients of those that `courses` simulates.

    Parameters
    ----------
    policy : Policy
        The policy.
    group : str
        Name of one of its groups.
    patients : sequence of int
        Numbers among those of the group who get the mode, from 0.

    Returns
    -------
    xarray.Dataset
        Dims (patient, minute): every setting, every measured or judged outcome as it truly is,
        each measured one as it is known when the minute begins (name and `_read`; NaN before the
        first reading), and whether the patient is `in_mode` and `safe`.

    Raises
    ------
    EbbmapError
        If there is no such group or patient.
    """
    groups = {one.name: one for one in policy.protocol.groups}
    if group not in groups:
        raise EbbmapError(unknown_name("group", group, groups))
    size = cohort_size(policy, groups[group], policy.protocol.lungs)
    for patient in patients:
        if not 0 <= patient < size:
            raise EbbmapError(
                f"patient must be 0 to {size - 1}; got {patient}. Choose another number."
            )
    wanted = np.array(patients, int)
    rows = _followed(policy, groups[group], wanted)
    data = {name: (("patient", "minute"), values) for name, values in rows.items()}
    coords = {"patient": wanted, "minute": np.arange(60 * policy.hours)}
    return label_variables(xr.Dataset(data, coords), {**_SAID, **_words(data)})


def _followed(policy: Policy, group: Group, numbers: np.ndarray) -> dict[str, np.ndarray]:
    """Follow some patients of a group, and return what is seen, shape (p, m)."""
    cohort = draw_cohort(policy, group, policy.protocol.lungs, numbers)
    simulation = Simulation(policy, cohort, numbers)
    bounds = policy.protocol.limits.hard
    rows: dict[str, list[np.ndarray]] = {}

    def watch(_: int, now: dict[str, np.ndarray], bedside: Bedside) -> None:
        seen = dict(bedside.hand.settings)
        seen |= {name: now[name] for name in policy.outcomes}
        seen |= {f"{name}{READ}": value for name, value in bedside.measured.known.items()}
        seen["in_mode"] = bedside.active
        seen["safe"] = bedside.active & np.all(bound_margins(bounds, now) >= 0.0, axis=0)
        for name, values in seen.items():
            rows.setdefault(name, []).append(np.array(np.broadcast_to(values, numbers.shape)))

    simulation.run(60 * policy.hours, watch)
    return {name: np.stack(values, axis=-1) for name, values in rows.items()}


def _words(names: Iterable[str]) -> dict[str, Variable]:
    """Return what each variable is, from the registry."""
    found = {}
    for name in names:
        if name not in _SAID:
            entry = registry_attrs(name.removesuffix(READ))
            words = f"{entry['long_name']}{', as read' if name.endswith(READ) else ''}"
            found[name] = Variable(words, entry["units"])
    return found


def shown_patients(courses: Iterable[Course]) -> dict[str, list[int]]:
    """Return the numbers of the patients whose paths are shown, by group.

    They stand at `SHOWN` among those of their group, ordered by the hours at which they are safe.
    """
    hours: dict[str, list[np.ndarray]] = {}
    for one in courses:
        hours.setdefault(one.group, []).append(one.safe_at.sum(axis=0))
    found = {}
    for group, parts in hours.items():
        order = np.argsort(np.concatenate(parts), kind="stable")
        places = np.round(np.array(SHOWN) * (order.size - 1)).astype(int)
        found[group] = [int(order[place]) for place in dict.fromkeys(places)]
    return found


def paths_shown(policy: Policy, courses: Iterable[Course]) -> xr.Dataset:
    """Return the paths of the shown patients of every group along one dim `patient`.

    Returns
    -------
    xarray.Dataset
        As `find_paths` gives it, with the coordinate `group` along `patient`.
    """
    paths = [
        find_paths(policy, group, numbers).assign_coords(group=("patient", [group] * len(numbers)))
        for group, numbers in shown_patients(courses).items()
    ]
    found = xr.concat(paths, dim="patient", join="exact", combine_attrs="override")
    found["group"].attrs = {"long_name": "group"}
    return found
