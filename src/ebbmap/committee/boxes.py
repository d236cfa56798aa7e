"""What would hold: the largest safe box of settings, its certificate, and a single default.

A box serves a lung if every setting of the box is safe for it. Boxes are searched for on one
sample of lungs and a grid of settings, and certified on other lungs and other settings.
Sizes: n lungs, d free parameters, g places along each.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import describe
from ebbmap.cases.pieces import Pieces, Progress, listed
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
from ebbmap.committee.needs import what_holds
from ebbmap.committee.own_setting import (
    OwnSettings,
    find_own_settings,
    join_own,
    own_share,
)
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import ALL, EXCLUDED, LEVEL, share_with_interval
from ebbmap.kernels.judging import CAUTION, SAFE, judge
from ebbmap.kernels.safe_boxes import Boxes, largest_boxes
from ebbmap.kernels.tally import BLOCK

#: Places along each axis of the search, by the number of free parameters.
PLACES = {1: 65, 2: 33, 3: 11, 4: 6}

#: Lungs of the search.
SEARCH_LUNGS = 1024

#: A box is searched for on its sample with this much more than is wanted, one attempt after the
#: other, since the best box of a sample looks better there than it is.
EXTRA = (0.0, 0.01, 0.02, 0.04)

#: Shares at which the trade-off between size and share served is told.
TRADE_SHARES = np.round(np.arange(0.05, 1.0, 0.05), 2)

#: Where a box may lie.
SCOPES = ("inside the draft", "usual ranges")

CI_OWN = "Wilson score; the upper bound counts lungs that the search leaves in doubt as served"


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
            group.name: draw_lungs(protocol, group, SEARCH_LUNGS, SEARCH)
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

    def solve(number: int, progress: Progress) -> xr.Dataset:
        scope, name = number // len(names), names[number % len(names)]
        draft, out = drafts[scope], _Table((), len(parameters))
        looked = {
            n: _look(protocol, draft, some)
            for n, some in drawn().items()
            if some.size >= 2 and name in (n, ALL)
        }
        if looked:
            coarse = _pooled(protocol, drawn(), looked) if name == ALL else looked[name]
            _own(out, owned(scope, name))
            _fill(protocol, out, scope, name, coarse, drawn(), wanted[name])
        return out.dataset()

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        shape = (len(SCOPES), len(names))
        return _labelled(protocol, _Table.of(found, shape), names, parameters, wanted)

    return listed(len(SCOPES) * len(names), solve, join)


class _Table:
    """Numbers of a scope and group while they are found, or of all of them."""

    def __init__(self, shape: tuple[int, ...], parameters: int):
        self.box = np.full((*shape, parameters, 2), np.nan)
        self.certified = np.full((*shape, 3), np.nan)
        self.verdict = np.full(shape, EXCLUDED, dtype=object)
        self.attempts = np.zeros(shape, int)
        self.default = np.full((*shape, parameters), np.nan)
        self.default_share = np.full((*shape, 3), np.nan)
        self.default_margin = np.full(shape, np.nan)
        self.default_verdict = np.full(shape, EXCLUDED, dtype=object)
        self.own = np.full((*shape, 3), np.nan)
        self.own_doubtful = np.full(shape, np.nan)
        self.own_gain = np.full(shape, np.nan)
        self.own_settings = np.zeros(shape, int)
        self.trade = np.full((*shape, len(TRADE_SHARES)), np.nan)

    def dataset(self) -> xr.Dataset:
        """Return the numbers, with dimensions that mean nothing beyond this module."""
        return xr.Dataset(
            {
                name: (
                    [f"{name}_{axis}" for axis in range(array.ndim)],
                    array.astype(str) if array.dtype == object else array,
                )
                for name, array in vars(self).items()
            }
        )

    @classmethod
    def of(cls, parts: list[xr.Dataset], shape: tuple[int, ...]) -> _Table:
        """Put the numbers of single scopes and groups together."""
        table = cls(shape, parts[0].sizes["default_0"])
        for name in vars(table):
            stacked = np.stack([part[name].values for part in parts])
            setattr(table, name, stacked.reshape(*shape, *stacked.shape[1:]))
        return table


def _own(out: _Table, found: OwnSettings) -> None:
    out.own[...] = own_share(found, LEVEL)
    out.own_doubtful[...] = found.doubtful.mean()
    out.own_gain[...] = found.gain.mean()
    out.own_settings[...] = found.settings


def _fill(
    protocol, out: _Table, scope: int, name: str, coarse: Searched, draws, wanted: float
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
        # one attempt in several may pass by luck: each gets its part of the doubt
        level = 1.0 - (1.0 - LEVEL) / len(EXTRA)
        fresh = certificate_lungs(protocol, name, CERTIFICATES + 10 * scope + attempt)
        served = serves(protocol, draft.within(spans_found), fresh, name)
        out.certified[...] = share_with_interval(served, level)
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
    places = PLACES.get(d, 1)
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


def _mixture(protocol: Protocol, sizes: dict[str, int]) -> dict[str, int]:
    """Lungs that each group gives to a sample of all who get the mode, by their weights."""
    share = {g.name: g.weight * sizes[g.name] for g in protocol.groups if sizes.get(g.name, 0) >= 2}
    total = sum(share.values())
    smallest = min(sizes[name] / (part / total) for name, part in share.items())
    n = int(min(SEARCH_LUNGS, smallest))
    return {name: round(n * part / total) for name, part in share.items()}


def _pooled(protocol: Protocol, draws, coarse: dict[str, Searched]) -> Searched:
    taken = _mixture(protocol, {name: drawn.size for name, drawn in draws.items()})
    some = next(iter(coarse.values()))
    return Searched(
        some.draft,
        np.concatenate([coarse[name].safe[..., :n] for name, n in taken.items()], axis=-1),
        np.concatenate([coarse[name].margin[..., :n] for name, n in taken.items()], axis=-1),
    )


def _largest(
    protocol, name: str, coarse: Searched, boxes: Boxes, draws, share: float
) -> dict[str, Span] | None:
    """Largest box that serves a share of the sample, its ends refined by a second search."""
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
    """Ranges of the free parameters from places in the unit cube."""
    spans = {}
    for i, name in enumerate(draft.free):
        of = draft.spans[name]
        spans[name] = Span(float(of.at(low[i])), float(of.at(high[i])))
    return spans


def _volume(draft: Draft, spans: dict[str, Span], least: float) -> float:
    """Share of the draft's ranges that a box takes; a side of no width counts as `least`."""
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
    return {**coarse.draft.spans, **place}


def _labelled(protocol, out: _Table, names, parameters, wanted) -> xr.Dataset:
    dims = ("scope", "group")
    ci = ("lower", "upper")
    data = xr.Dataset(
        coords={
            "scope": list(SCOPES),
            "group": names,
            "parameter": parameters,
            "end": ["low", "high"],
            "ci_bound": list(ci),
            "served": TRADE_SHARES,
        },
    )
    data["box"] = describe(
        xr.DataArray(out.box, dims=(*dims, "parameter", "end")),
        "largest box of settings that serves the wanted share",
        comment="in registry units",
    )
    data["box_verdict"] = (dims, out.verdict.astype(str), {"long_name": "certificate of the box"})
    data["default_verdict"] = (
        dims,
        out.default_verdict.astype(str),
        {"long_name": "certificate of the default"},
    )
    data["attempts"] = describe(xr.DataArray(out.attempts, dims=dims), "boxes that were certified")
    level = 1.0 - (1.0 - LEVEL) / len(EXTRA)
    texts = {
        "certified": ("share of fresh lungs that the box serves", level),
        "default_share": ("share of fresh lungs for which the default is safe", LEVEL),
        "own": ("share of lungs with a safe setting of their own", LEVEL),
    }
    keys = {"certified": "certified_share", "own": "own_setting_share"}
    for name, (text, of) in texts.items():
        key = keys.get(name, name)
        table = getattr(out, name)
        data[key] = describe(xr.DataArray(table[..., 0], dims=dims), text)
        data[f"{key}_interval"] = describe(
            xr.DataArray(table[..., 1:], dims=(*dims, "ci_bound")),
            "interval of the share",
            ci_method=CI_OWN if name == "own" else "Wilson score",
            ci_level=of,
        )
    for key, text in (
        ("doubtful", "share of lungs of which it is open whether they have a safe setting"),
        ("gain", "share of lungs whose safe setting the last doubling of the search found"),
        ("settings", "settings that a lung without a safe one met, and more around the best"),
    ):
        table = getattr(out, f"own_{key}")
        data[f"own_setting_{key}"] = describe(xr.DataArray(table, dims=dims), text)
    data["default"] = describe(
        xr.DataArray(out.default, dims=(*dims, "parameter")),
        "single setting with the largest margin",
        comment="in registry units",
    )
    data["default_margin"] = describe(
        xr.DataArray(out.default_margin, dims=dims),
        "margin that the wanted share of fresh lungs keeps at the default",
    )
    data["trade_off"] = describe(
        xr.DataArray(out.trade, dims=(*dims, "served")),
        "share of the searched ranges that the largest box takes, by share of lungs served",
    )
    needs = [
        what_holds(out.verdict[0, g], out.verdict[1, g], tuple(out.own[1, g, 1:]), wanted[name])
        for g, name in enumerate(names)
    ]
    data["needs"] = ("group", needs, {"long_name": "what would hold"})
    return data
