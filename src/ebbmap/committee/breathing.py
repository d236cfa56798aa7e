"""The verdict again at stated levels of the patient's own breathing, on the same lungs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.base import Part
from ebbmap.committee.counting import cases_of, count_groups
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import VARIABLES as VERDICT_VARIABLES
from ebbmap.committee.verdict import find_verdict
from ebbmap.registries.parameters import SPONTANEOUS

#: What is kept of the verdict at each level.
KEPT = ("safe_share", "safe_share_interval", "grade", "commonest")

VARIABLES: Mapping[str, Variable] = {
    **{name: VERDICT_VARIABLES[name] for name in KEPT if name in VERDICT_VARIABLES},
    "commonest": Variable("limit broken most often", None),
}


def breathing_pieces(protocol: Protocol) -> Pieces[xr.Dataset] | None:
    """Cut into the levels of own breathing; None where the protocol names none."""
    levels = protocol.own_breathing
    if not levels:
        return None

    def solve(number: int, progress: Progress) -> xr.Dataset:
        at = replace(protocol, fixed={**protocol.fixed, SPONTANEOUS: levels[number]})
        verdict = find_verdict(at, count_groups(at, progress))
        broken = verdict["broken_share"].fillna(0.0)
        names = np.append(verdict["bound"].values.astype(str), "none")
        most = np.where(broken.max("bound") > 0, broken.argmax("bound"), names.size - 1)
        kept = verdict.drop_vars("broken_share").assign(commonest=("group", names[most]))
        return kept[list(KEPT)]

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        dim = xr.Variable(SPONTANEOUS, np.array(levels, float))
        whole = xr.concat(found, dim=dim, combine_attrs="drop_conflicts")
        return label_variables(whole, VARIABLES, axes=(SPONTANEOUS,))

    return listed(len(levels), solve, join)


PART = Part(
    name="breathing",
    pieces=breathing_pieces,
    variables=VARIABLES,
    cases=lambda protocol: len(protocol.own_breathing) * cases_of(protocol),
    lays_out=lambda draft: (SPONTANEOUS,),
)
