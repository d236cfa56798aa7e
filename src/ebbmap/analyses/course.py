"""How PaCO2 moves after a change of settings, minute by minute."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from ebbmap.cases.evaluate import resolve
from ebbmap.cases.labelling import describe, label
from ebbmap.cases.pieces import join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import as_arrays, simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.exchange.co2 import paco2_course

#: Parameters of the two CO2 stores.
STORES = ("co2_store_fast", "co2_store_slow", "co2_store_exchange")


def co2_course(
    question: Question, *, change: Mapping[str, float], minutes: float, points: int = 241
) -> xr.Dataset:
    """Follow PaCO2 of each population's middle lung after a change at time 0.

    Parameters
    ----------
    question : Question
        Model, populations, and the values before the change.
    change : mapping of str to float
        Parameters with their value from time 0 on.
    minutes : float
        How long to follow [min], > 0.
    points : int
        Times, evenly spaced.

    Returns
    -------
    xarray.Dataset
        `paco2` (population, time) [mmHg], and `paco2_start`, `paco2_end` (population): the
        balance before and after. NaN where there is no balance before the change; no end where
        nothing is ventilated after it.

    Raises
    ------
    EbbmapError
        For values that cannot be.

    Examples
    --------
    >>> shorter = co2_course(Question(fixed={"t_low": 0.6}), change={"t_low": 0.4}, minutes=30.0)
    >>> bool(shorter["paco2"][0, -1] > shorter["paco2"][0, 0])
    True
    """
    wanted = ("paco2", "alveolar_ventilation", "co2_production")
    seconds = np.linspace(0.0, minutes * 60.0, points)
    rows = []
    for group in question.groups():
        before = middle_lung(question, group, {})
        after = {**before, **change}
        start = simulate(question.lung, outcomes=wanted[:1], **before)
        end = simulate(question.lung, outcomes=wanted[:2], **after)
        given = {name: array.values for name, array in as_arrays(after).items()}
        held = resolve(given, ("co2_production", *STORES))
        course = paco2_course(
            seconds, float(start["paco2"]), float(end["alveolar_ventilation"]), **held
        )
        rows.append(
            xr.Dataset(
                {
                    "paco2": ("time", course),
                    "paco2_start": float(start["paco2"]),
                    "paco2_end": float(end["paco2"]),
                },
                {"time": seconds},
            )
        )
    labels = question.group_names
    dataset = join_groups(rows, labels)
    dataset["paco2"] = label(dataset["paco2"], "paco2")
    for name, text in (("paco2_start", "before the change"), ("paco2_end", "in the end")):
        dataset[name] = describe(dataset[name], f"PaCO2 {text}", "mmHg")
    dataset["time"].attrs = {"units": "s", "long_name": "time after the change"}
    return add_provenance(
        dataset,
        question,
        "PaCO2 after a change of settings",
        Use(middle=True, outcomes=wanted[:2], also=(wanted[2], *STORES)),
        comment="Two CO2 stores; their sizes are assumptions.",
        change=Question(fixed=change).fixed_text,
    )
