"""A draft tried on populations as they may be: the interval of knowledge of each share.

The verdict itself takes the lungs drawn only; this part says how far what is not known of the
populations could move it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import xarray as xr

from ebbmap.analyses.common.knowledge import DRAW, add_intervals, with_intervals_of_knowledge
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.cases.uncertain import redrawn
from ebbmap.committee import verdict
from ebbmap.committee.base import Part
from ebbmap.committee.counting import cases_of, count_groups
from ebbmap.committee.protocol import Protocol
from ebbmap.kernels.knowledge import check_draws

#: Shares of the verdict that have intervals.
SHARES = ("safe_share", "whole_share", "none_share")

VARIABLES: Mapping[str, Variable] = with_intervals_of_knowledge(
    {name: verdict.VARIABLES[name] for share in SHARES for name in (share, f"{share}_interval")}
)


def asked_again(protocol: Protocol, draw: int) -> Protocol:
    """Return a protocol for its populations as they may be; all else, seeds too, is the same."""
    groups = tuple(
        replace(group, population=redrawn(group.population, draw, protocol.seed))
        for group in protocol.groups
    )
    return replace(protocol, groups=groups, knowledge=0)


def knowledge_pieces(protocol: Protocol) -> Pieces[xr.Dataset] | None:
    """Cut the trials into outer draws, the central numbers first; None where nobody asks."""
    draws = protocol.knowledge
    if not draws:
        return None
    check_draws(draws, verdict.LEVEL)

    def solve(number: int, progress: Progress) -> xr.Dataset:
        asked = asked_again(protocol, number - 1) if number else protocol
        shares = verdict.find_verdict(asked, count_groups(asked, progress))
        return shares[[name for name in VARIABLES if name in shares]].drop_attrs()

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        central = label_variables(found[0], VARIABLES)
        drawn = xr.concat(
            [one[list(SHARES)] for one in found[1:]], dim=DRAW, combine_attrs="drop", join="exact"
        )
        declared = {f"{name}_knowledge": VARIABLES[f"{name}_knowledge"] for name in SHARES}
        add_intervals(central, drawn, declared, verdict.LEVEL)
        return central

    return listed(1 + draws, solve, join)


def _cases(protocol: Protocol) -> int:
    return (1 + protocol.knowledge) * cases_of(protocol) if protocol.knowledge else 0


PART = Part(name="knowledge", pieces=knowledge_pieces, variables=VARIABLES, cases=_cases)
