"""A committee's draft beside conventional ventilation on the same lungs, both settled and set well.

Conventional ventilation takes the tidal volume, the table of PEEP and FiO2, the inspiratory time
and the range of rates of a policy; a lung is served if it comes to no harm at one of the rates and
rows that the policy allows at the draft's FiO2. Rules for T low say nothing of it, so harm alone is
judged, of both. Sizes: n lungs, m rates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.draft import Draft, Span
from ebbmap.committee.lungs import VERDICT, draw_lungs, solver
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.rules import Rule
from ebbmap.committee.verdict import ALL, LEVEL
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.kernels.tally import clustered_interval
from ebbmap.policies.language import Policy
from ebbmap.registries.bounds import ARDSNET
from ebbmap.registries.limits import LimitSet, is_rule
from ebbmap.registries.parameters import PARAMETERS

#: Where a plateau is above the first [cmH2O], the tidal volume falls, but not below the second
#: [mL kg-1]: the same strategy as the policy's.
HIGHEST_PLATEAU, LEAST_VOLUME = 30.0, 4.0

#: Fastest rate [min-1], and the step of the expiratory time to it [s].
FASTEST, STEP = 35.0, 0.1

SOURCE = (
    f"{ARDSNET}: tidal volume of 6 mL/kg, 4 where the plateau would be above 30 cmH2O, rate up to "
    "35 a minute, lower table of PEEP and FiO2"
)

_INTERVAL = Variable(
    "interval of the share",
    attrs={
        "ci_level": LEVEL,
        "ci_method": "Wilson score at the effective number of lungs, Student's quantile",
    },
)

#: Kinds of patients, and what they are.
KINDS: Mapping[str, str] = {
    "better": "comes to no harm by the draft set well, and does by conventional ventilation",
    "worse": "comes to no harm by conventional ventilation, and does whatever the draft sets",
    "both": "comes to no harm by either",
    "neither": "comes to harm by both",
}

VARIABLES: Mapping[str, Variable] = {
    **{
        f"{kind}_share": Variable(f"share of lungs of which each {text}")
        for kind, text in KINDS.items()
    },
    **{f"{kind}_share_interval": _INTERVAL for kind in KINDS},
}


def beside_pieces(protocol: Protocol, usual: Policy) -> Pieces[xr.Dataset] | None:
    """Cut conventional ventilation of a protocol's lungs into groups.

    Parameters
    ----------
    protocol : Protocol
        Gives lungs, limits and FiO2.
    usual : Policy
        Gives tidal volume, PEEP table, inspiratory time and slowest rate.

    Returns
    -------
    Pieces or None
        Of `unharmed` (group, sample): 1 where a lung comes to no harm, 0 where it does, NaN where
        it does not get the mode. None where no limit on harm is given, or where a population has
        no weight or compliance.
    """
    harm = _harm(protocol.limits)
    rows = _peep_rows(protocol, usual)
    known = (set(one.population.properties) | set(protocol.fixed) for one in protocol.groups)
    if not harm.hard or not all({"predicted_body_weight", "compliance"} <= one for one in known):
        return None

    def solve(number: int, progress: Progress) -> xr.Dataset:
        unharmed = np.full(protocol.lungs, np.nan)
        draft = _draft(usual, rows[0], None)
        asked = replace(protocol, draft=draft, limits=harm)
        drawn = draw_lungs(asked, protocol.groups[number], protocol.lungs, VERDICT)
        if drawn.size:
            found = np.zeros(drawn.size, bool)
            weight, compliance = (
                np.broadcast_to(
                    drawn.values.get(name, protocol.fixed.get(name, np.nan)), drawn.size
                )
                for name in ("predicted_body_weight", "compliance")
            )
            for peep in rows:
                least = peep + LEAST_VOLUME * weight / compliance
                for volume in (None, LEAST_VOLUME):
                    here = _draft(usual, peep, volume)
                    places = here.places(np.linspace(0.0, 1.0, _rates(usual))[:, None])
                    solve_lungs, _ = solver(replace(asked, draft=here), here, drawn, places)
                    judged = judge(harm, solve_lungs(slice(None)))
                    safe = np.broadcast_to(judged.safe, (drawn.size, _rates(usual))).any(axis=1)
                    found |= safe & ((least > HIGHEST_PLATEAU) == (volume is not None))
            unharmed[drawn.number] = found
        return xr.Dataset({"unharmed": ("sample", unharmed)})

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        names = [group.name for group in protocol.groups]
        return xr.concat(found, dim=xr.Variable("group", names))

    return listed(len(protocol.groups), solve, join)


def find_beside(protocol: Protocol, lungs: xr.Dataset, usual: xr.Dataset) -> xr.Dataset:
    """Count who is better off and who is worse off with a draft than with conventional ventilation.

    Parameters
    ----------
    protocol : Protocol
        Gives the weights of the groups.
    lungs : Dataset
        `harmless_somewhere` (group, sample) of a check's `lungs`.
    usual : Dataset
        `unharmed` (group, sample), as `beside_pieces` gives it.

    Returns
    -------
    xarray.Dataset
        Dims (group, ci_bound), the last group being everybody who gets the mode.

    Raises
    ------
    EbbmapError
        If the two do not know of the same lungs.
    """
    groups = list(lungs["group"].values.astype(str))
    kinds: list[dict[str, np.ndarray]] = []
    for name in groups:
        own, other = (
            ds[key].sel(group=name).values
            for ds, key in ((lungs, "harmless_somewhere"), (usual, "unharmed"))
        )
        got = np.isfinite(own)
        if (np.isfinite(other)[got]).sum() != got.sum():
            raise EbbmapError(f"draft and conventional ventilation of {name} met other lungs.")
        a, b = own[got] > 0, other[got] > 0
        kinds.append({"better": a & ~b, "worse": ~a & b, "both": a & b, "neither": ~a & ~b})
    sizes = np.array([one["both"].size for one in kinds])
    weights = np.array([group.weight for group in protocol.groups]) * sizes
    some = [number for number, size in enumerate(sizes) if size >= 2]
    whole = weights[some] / weights[some].sum() if some else weights[some]
    data: dict[str, Any] = {}
    for kind in KINDS:
        rows = [_share([one[kind].astype(float)], np.ones(1)) for one in kinds]
        rows.append(_share([kinds[i][kind].astype(float) for i in some], whole))
        data[f"{kind}_share"] = ("group", [row[0] for row in rows])
        data[f"{kind}_share_interval"] = (("group", "ci_bound"), [row[1:] for row in rows])
    coords = {"group": [*groups, ALL], "ci_bound": ["lower", "upper"]}
    return label_variables(xr.Dataset(data, coords, {"references": SOURCE}), VARIABLES)


def _share(yes: list[np.ndarray], weights: np.ndarray) -> tuple[float, float, float]:
    return clustered_interval(yes, weights, LEVEL) if yes else (np.nan, np.nan, np.nan)


def _harm(limits: LimitSet) -> LimitSet:
    """Return the limits on harm among some limits."""
    kept = tuple(one for one in limits.limits if not any(is_rule(bound) for bound in one.bounds))
    return replace(limits, limits=kept)


def _peep_rows(protocol: Protocol, usual: Policy) -> list[float]:
    """Return the PEEP of the table's rows that are nearest to the draft's FiO2 [cmH2O]."""
    tables = [rule.rows for rule in usual.rules if {"fio2", "p_low"} <= set(rule.rows)]
    fio2 = protocol.fixed.get("fio2", PARAMETERS["fio2"].default)
    column = np.array(tables[0]["fio2"])
    apart = np.round(np.abs(column - fio2), 9)
    return sorted({float(p) for p in np.array(tables[0]["p_low"])[apart == apart.min()]})


def _rates(usual: Policy) -> int:
    """Return how many rates there are, from the policy's start to the fastest."""
    spans = usual.protocol.draft.spans
    shortest = 60.0 / FASTEST - spans["t_high"].low
    return 1 + int(np.floor((spans["t_low"].low - shortest) / STEP + 1e-9))


def _draft(usual: Policy, peep: float, volume: float | None) -> Draft:
    """Return the settings of conventional ventilation at a PEEP, as a draft of this package.

    The plateau stops at its highest for the policy's own tidal volume, and nowhere for another.
    """
    own = usual.protocol.draft
    slowest = own.spans["t_low"].low
    expiratory = Span(slowest - STEP * (_rates(usual) - 1), slowest)
    target = own.rules["p_high"].target if volume is None else volume
    top = HIGHEST_PLATEAU if volume is None else np.inf
    rule = Rule("plateau", target, base=peep, at_most=top)
    spans = {"p_low": Span(peep, peep), "t_high": own.spans["t_high"], "t_low": expiratory}
    return Draft(spans, {"p_high": rule})
