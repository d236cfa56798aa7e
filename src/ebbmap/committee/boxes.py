"""What would hold: the largest safe box of settings, its certificate, and a single default.

A box serves a lung if every setting of the box is safe for it. Boxes are searched for on one
sample of lungs and a grid of settings, and certified on other lungs and other settings.
Sizes: n lungs, d free parameters, g places along each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee import certificates, own_setting
from ebbmap.committee.base import Part
from ebbmap.committee.box_table import TRADE_SHARES, BoxTable
from ebbmap.committee.certificates import (
    certificate_lungs,
    certified,
    certify_default,
    serves,
)
from ebbmap.committee.draft import Draft, Span
from ebbmap.committee.lungs import (
    CERTIFICATES,
    SEARCH,
    Drawn,
    draw_lungs,
    solver,
)
from ebbmap.committee.own_setting import (
    OwnSettings,
    find_own_settings,
    join_own,
    own_share,
)
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import ALL, LEVEL, share_with_interval
from ebbmap.kernels.judging import CAUTION, SAFE, judge
from ebbmap.kernels.safe_boxes import Boxes, largest_boxes
from ebbmap.kernels.tally import BLOCK
from ebbmap.registries.bedside import on_step

#: Places along each axis of the search, by the number of free parameters.
PLACES = {1: 65, 2: 33, 3: 11, 4: 6, 5: 4}

#: Lungs of the search.
SEARCH_LUNGS = 1024

#: A box is searched for on its sample with this much more than is wanted, one attempt after the
#: other, since the best box of a sample looks better there than it is.
EXTRA = (0.0, 0.01, 0.02, 0.04)

#: Where a box may lie.
SCOPES = ("inside the draft", "usual ranges")

#: One attempt in several may pass by luck: each gets its part of the doubt.
BOX_LEVEL = 1.0 - (1.0 - LEVEL) / len(EXTRA)

CI_OWN = "Wilson score; the upper bound counts lungs that the search leaves in doubt as served"


def _interval(method: str, level: float) -> Variable:
    return Variable("interval of the share", attrs={"ci_method": method, "ci_level": level})


_IN_UNITS = {"comment": "in registry units"}

VARIABLES: Mapping[str, Variable] = {
    "box": Variable("largest box of settings that serves the wanted share", attrs=_IN_UNITS),
    "box_verdict": Variable("certificate of the box", None),
    "default_verdict": Variable("certificate of the default", None),
    "attempts": Variable("boxes that were certified"),
    "certified_share": Variable("share of fresh lungs that the box serves"),
    "certified_share_interval": _interval("Wilson score", BOX_LEVEL),
    "default_share": Variable("share of fresh lungs for which the default is safe"),
    "default_share_interval": _interval("Wilson score", LEVEL),
    "own_setting_share": Variable("share of lungs with a safe setting of their own"),
    "own_setting_share_interval": _interval(CI_OWN, LEVEL),
    "own_setting_doubtful": Variable(
        "share of lungs of which it is open whether they have a safe setting"
    ),
    "own_setting_gain": Variable(
        "share of lungs whose safe setting the last doubling of the search found"
    ),
    "own_setting_settings": Variable(
        "settings that a lung without a safe one met, and more around the best"
    ),
    "default": Variable("single setting with the largest margin", attrs=_IN_UNITS),
    "default_margin": Variable("margin that the wanted share of fresh lungs keeps at the default"),
    "trade_off": Variable(
        "share of the searched ranges that the largest box takes, by share of lungs served"
    ),
    "needs": Variable("what would hold", None),
}


@dataclass(frozen=True)
class Searched:
    """Safe settings of a sample of lungs on a grid.

    Parameters
    ----------
    draft : Draft
        Whose ranges the grid spans.
    safe : ndarray of bool, shape (g1, ..., gd, n)
        Whether a setting is safe for a lung.
    margin : ndarray, shape (g1, ..., gd, n)
        Its margin; minus infinity where undetermined.
    """

    draft: Draft
    safe: np.ndarray
    margin: np.ndarray


def find_boxes(protocol: Protocol) -> xr.Dataset:
    """Search and certify the largest safe box of every group and of the whole.

    Parameters
    ----------
    protocol : Protocol
        The protocol.

    Returns
    -------
    xarray.Dataset
        Dims (scope, group, parameter, ...): `box` with its ends, `certified_share` with its
        interval, `box_verdict`; the single `default` with the share it serves and its margin;
        `own_setting_share`, the lungs that have a safe setting at all, with an interval that
        holds the error of the search, and how far it went; `needs`; and the `trade_off` of the
        box's share of the searched ranges against the share of lungs served.
    """
    return box_pieces(protocol).whole()


def box_pieces(protocol: Protocol) -> Pieces[xr.Dataset]:
    """Cut the search into one group, or the whole, within one scope; see `find_boxes`."""
    wanted = {**{g.name: g.wanted for g in protocol.groups}, ALL: protocol.wanted}
    names = [*(group.name for group in protocol.groups), ALL]
    parameters = list(protocol.draft.spans)
    drafts = (protocol.draft, protocol.draft.widened())

    @lru_cache(maxsize=1)
    def drawn() -> dict[str, Drawn]:
        return {
            group.name: draw_lungs(
                protocol, group, protocol.size("search_lungs", SEARCH_LUNGS), SEARCH
            )
            for group in protocol.groups
        }

    @lru_cache(maxsize=2 * len(names))
    def own(scope: int, name: str) -> OwnSettings:
        return find_own_settings(protocol, drafts[scope], drawn()[name], name)

    def owned(scope: int, name: str) -> OwnSettings:
        """Find the settings of a group's lungs, or of those of a mixture of all groups."""
        if name != ALL:
            return own(scope, name)
        taken = _mixture(protocol, {n: some.size for n, some in drawn().items()})
        return join_own([own(scope, n) for n in taken], list(taken.values()))

    @lru_cache(maxsize=len(names))
    def look(scope: int, name: str) -> Searched:
        return _look(protocol, drafts[scope], drawn()[name])

    def solve(number: int, progress: Progress) -> xr.Dataset:
        scope, name = number // len(names), names[number % len(names)]
        out = BoxTable((), len(parameters))
        looked = {
            n: look(scope, n) for n, some in drawn().items() if some.size >= 2 and name in (n, ALL)
        }
        if looked:
            coarse = _pooled(protocol, drawn(), looked) if name == ALL else looked[name]
            _own(out, owned(scope, name))
            _fill(protocol, out, scope, name, coarse, drawn(), wanted[name])
        return out.dataset()

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        table = BoxTable.of(found, (len(SCOPES), len(names)))
        coords = {
            "scope": list(SCOPES),
            "group": names,
            "parameter": parameters,
            "end": ["low", "high"],
            "ci_bound": ["lower", "upper"],
            "served": TRADE_SHARES,
        }
        result = xr.Dataset(table.variables([wanted[name] for name in names]), coords)
        return label_variables(result, VARIABLES)

    return listed(len(SCOPES) * len(names), solve, join)


def _own(out: BoxTable, found: OwnSettings) -> None:
    out.own[...] = own_share(found, LEVEL)
    out.own_doubtful[...] = found.doubtful.mean()
    out.own_gain[...] = found.gain.mean()
    out.own_settings[...] = found.settings


def _fill(
    protocol: Protocol,
    out: BoxTable,
    scope: int,
    name: str,
    coarse: Searched,
    draws: Mapping[str, Drawn],
    wanted: float,
) -> None:
    draft = coarse.draft
    spans = list(draft.spans)
    place = _default(coarse, wanted)
    for i, parameter in enumerate(spans):
        out.default[i] = place[parameter].low
    fresh = certificate_lungs(protocol, name, CERTIFICATES + 50 + scope)
    out.default_share[...], out.default_margin[...] = certify_default(
        protocol, draft.within(place), fresh, wanted
    )
    out.default_verdict[...] = certified(out.default_share, wanted)
    if not draft.free:
        out.verdict[...] = out.default_verdict
        out.certified[...] = out.default_share
        out.box[:, 0] = out.box[:, 1] = out.default
        return
    boxes = largest_boxes(coarse.safe)
    places = int(np.prod(coarse.safe.shape[:-1]))
    for i, share in enumerate(TRADE_SHARES):
        need = int(np.ceil(share * coarse.safe.shape[-1] - 1e-9))
        out.trade[i] = boxes.size[need] / places
    out.verdict[...] = "unsafe"
    for attempt, extra in enumerate(EXTRA):
        spans_found = _largest(protocol, name, coarse, boxes, draws, wanted + extra)
        if spans_found is None:
            break
        fresh = certificate_lungs(protocol, name, CERTIFICATES + 10 * scope + attempt)
        served = serves(protocol, draft.within(spans_found), fresh, name)
        out.certified[...] = share_with_interval(served, BOX_LEVEL)
        out.attempts[...] = attempt + 1
        for i, parameter in enumerate(spans):
            span = spans_found.get(parameter, draft.spans[parameter])
            out.box[i] = span.low, span.high
        out.verdict[...] = certified(out.certified, wanted)
        if out.verdict[()] == "safe":
            break


def _look(protocol: Protocol, draft: Draft, drawn: Drawn) -> Searched:
    """Judge lungs at every place of a grid over the draft's ranges."""
    d = len(draft.free)
    places = places_of(protocol, d)
    axes = np.meshgrid(*[np.linspace(0.0, 1.0, places)] * d, indexing="ij") if d else []
    unit = np.array(axes).reshape(d, -1).T if d else np.zeros((1, 0))
    solve, m = solver(protocol, draft, drawn, draft.places(unit))
    safe, margin = np.empty((drawn.size, m), bool), np.empty((drawn.size, m))
    rows = max(1, BLOCK // m)
    for start in range(0, drawn.size, rows):
        cut = slice(start, start + rows)
        judged = judge(protocol.limits, solve(cut))
        safe[cut] = (judged.verdict == SAFE) | (judged.verdict == CAUTION)
        margin[cut] = np.where(np.isnan(judged.margin), -np.inf, judged.margin)
    grid = (places,) * d
    return Searched(draft, safe.T.reshape(*grid, -1), margin.T.reshape(*grid, -1))


def places_of(protocol: Protocol, free: int) -> int:
    """Return the places along each axis of the search, by the number of free parameters."""
    places = PLACES.get(free, 1)
    if "search_settings" not in protocol.sizes or not free:
        return places
    wanted = int(protocol.sizes["search_settings"] ** (1.0 / free) + 1e-9)
    return max(2, min(places, wanted))  # a box has two ends


def _mixture(protocol: Protocol, sizes: dict[str, int]) -> dict[str, int]:
    """Return how many lungs each group gives to a weighted sample of all who get the mode."""
    share = {g.name: g.weight * sizes[g.name] for g in protocol.groups if sizes.get(g.name, 0) >= 2}
    total = sum(share.values())
    smallest = min(sizes[name] / (part / total) for name, part in share.items())
    n = int(min(protocol.size("search_lungs", SEARCH_LUNGS), smallest))
    return {name: round(n * part / total) for name, part in share.items()}


def _pooled(
    protocol: Protocol, draws: Mapping[str, Drawn], coarse: dict[str, Searched]
) -> Searched:
    taken = _mixture(protocol, {name: drawn.size for name, drawn in draws.items()})
    some = next(iter(coarse.values()))
    return Searched(
        some.draft,
        np.concatenate([coarse[name].safe[..., :n] for name, n in taken.items()], axis=-1),
        np.concatenate([coarse[name].margin[..., :n] for name, n in taken.items()], axis=-1),
    )


def _largest(
    protocol: Protocol,
    name: str,
    coarse: Searched,
    boxes: Boxes,
    draws: Mapping[str, Drawn],
    share: float,
) -> dict[str, Span] | None:
    """Find the largest box that serves a share of the sample; a second search refines its ends."""
    found = boxes.serving(min(share, 1.0))
    if found is None:
        return None
    draft = coarse.draft
    step = 1.0 / (coarse.safe.shape[0] - 1)
    around = _spans(
        draft,
        np.maximum(found[0] - 1, 0) * step,
        np.minimum(found[1] + 1, coarse.safe.shape[0] - 1) * step,
    )
    closer = draft.within(around)
    fine = {
        n: _look(protocol, closer, drawn)
        for n, drawn in draws.items()
        if drawn.size >= 2 and name in (n, ALL)
    }
    looked = _pooled(protocol, draws, fine) if name == ALL else fine[name]
    again = largest_boxes(looked.safe).serving(min(share, 1.0))
    if again is None:
        return _spans(draft, found[0] * step, found[1] * step)
    refined = _spans(closer, again[0] * step, again[1] * step)
    rough = _spans(draft, found[0] * step, found[1] * step)
    return max((rough, refined), key=lambda spans: _volume(draft, spans, step**2))


def _spans(draft: Draft, low: np.ndarray, high: np.ndarray) -> dict[str, Span]:
    """Return ranges of the free parameters from places in the unit cube."""
    spans = {}
    for i, name in enumerate(draft.free):
        of = draft.spans[name]
        spans[name] = Span(float(of.at(low[i])), float(of.at(high[i])))
    return spans


def _volume(draft: Draft, spans: dict[str, Span], least: float) -> float:
    """Return the share of the ranges that a box takes; a side of no width counts as `least`."""
    sides = [
        max((span.high - span.low) / (draft.spans[name].high - draft.spans[name].low), least)
        for name, span in spans.items()
    ]
    return float(np.prod(sides))


def _default(coarse: Searched, wanted: float) -> dict[str, Span]:
    """Find the setting at which the wanted share of the lungs keeps the largest margin."""
    flat = coarse.margin.reshape(-1, coarse.margin.shape[-1])
    # the lung that just belongs to the wanted share, counted from the best
    rank = flat.shape[1] - int(np.ceil(wanted * flat.shape[1]))
    kept = np.partition(flat, rank, axis=1)[:, rank]
    served = coarse.safe.reshape(flat.shape).mean(axis=1)
    # where no setting serves enough, the one that serves most
    best = int(kept.argmax()) if kept.max() >= 0 else int(np.lexsort((kept, served))[-1])
    at = np.unravel_index(best, coarse.margin.shape[:-1])
    unit = np.array(at, float) / max(coarse.margin.shape[0] - 1, 1) if at else np.zeros(0)
    place = _spans(coarse.draft, unit, unit)
    return {**coarse.draft.spans, **{n: _set_to_step(coarse.draft, n, s) for n, s in place.items()}}


def _set_to_step(draft: Draft, name: str, place: Span) -> Span:
    """Return the nearest value that can be set at the bedside, inside the draft's range."""
    of, value = draft.spans[name], on_step(name, place.low)
    return Span(value, value) if of.low <= value <= of.high else place


def box_cases(protocol: Protocol) -> int:
    """Return how many cases the search and its certificates solve, at most."""
    free = max(1, min(len(protocol.draft.free), max(PLACES)))
    lungs = protocol.size("search_lungs", SEARCH_LUNGS)
    grid = places_of(protocol, free) ** free * lungs
    tried = len(EXTRA) * certificates.lungs_of(protocol) * certificates.settings_of(protocol)
    own = own_setting.SEARCHES * own_setting.last_of(protocol) * lungs
    return int(len(protocol.groups) * len(SCOPES) * (grid + tried + own))


PART = Part(
    name="boxes",
    pieces=box_pieces,
    variables=VARIABLES,
    cases=box_cases,
    lays_out=lambda draft: draft.free,
)
