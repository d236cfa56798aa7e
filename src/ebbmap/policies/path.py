"""The path of one patient under a policy: settings, truth and readings, minute by minute."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables, registry_attrs
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.policies.cohort import draw_cohort
from ebbmap.policies.language import MOVABLE, Policy
from ebbmap.policies.simulate import PIECE, Simulation

#: What is appended to the name of a value as it was read.
READ = "_read"


def find_path(policy: Policy, group: str, patient: int) -> xr.Dataset:
    """Return the path of one patient of those that `courses` simulates.

    Parameters
    ----------
    policy : Policy
        The policy.
    group : str
        Name of one of its groups.
    patient : int
        Number among those of the group who get the mode, from 0.

    Returns
    -------
    xarray.Dataset
        Dim `minute`: every setting, every measured or judged outcome as it truly is, and each
        measured one as it is known when the minute begins (name and `_read`; NaN before the first
        reading).

    Raises
    ------
    EbbmapError
        If there is no such group or patient.
    """
    groups = {one.name: one for one in policy.protocol.groups}
    if group not in groups:
        raise EbbmapError(unknown_name("group", group, groups))
    cohort = draw_cohort(policy, groups[group], policy.protocol.lungs)
    if not 0 <= patient < cohort.size:
        raise EbbmapError(
            f"patient must be 0 to {cohort.size - 1}; got {patient}. Choose another number."
        )
    piece, place = divmod(patient, PIECE)
    # readings are random by place, so those before the patient are simulated too
    part = cohort.part(slice(piece * PIECE, patient + 1))
    rows: dict[str, list[float]] = {}

    def watch(
        _: int,
        now: dict[str, np.ndarray],
        settings: dict[str, np.ndarray],
        known: dict[str, np.ndarray],
    ) -> None:
        seen = {name: settings[name] for name in MOVABLE}
        seen |= {name: now[name] for name in policy.outcomes}
        seen |= {f"{name}{READ}": value for name, value in known.items()}
        for name, values in seen.items():
            rows.setdefault(name, []).append(float(values[place]))

    Simulation(policy, part, piece).run(60 * policy.hours, watch)
    variables = {"minute": Variable("minutes since the mode began", None)}
    for name in rows:
        entry = registry_attrs(name.removesuffix(READ))
        words = f"{entry['long_name']}{', as read' if name.endswith(READ) else ''}"
        variables[name] = Variable(words, entry["units"])
    data = {name: ("minute", values) for name, values in rows.items()}
    coords = {"minute": np.arange(60 * policy.hours)}
    return label_variables(xr.Dataset(data, coords), variables)
