"""The lungs that a protocol is tried on, and the cases that its draft makes of them.

Sizes: n lungs, m settings, k bounds.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product

import joblib
import numpy as np
from scipy.stats import qmc

from ebbmap.cases.drawn_bounds import within_bounds
from ebbmap.cases.evaluate import compute, evaluate, resolve
from ebbmap.cases.question import Question
from ebbmap.committee.draft import Draft, measure, settings_of
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.engines import compiles
from ebbmap.kernels.tally import Tally, tally
from ebbmap.registries.outcomes import plan
from ebbmap.registries.populations import Marginal

#: What a draw is for. Every purpose has a stream of its own, so that what is found on some lungs
#: is certified on others; the name of the population keys it, so two drafts meet the same lungs.
VERDICT, SEARCH, RULES, WINDOWS, MAPS = range(5)
CERTIFICATES = 100

Arrays = Mapping[str, np.ndarray]

#: Threads at most; more gain nothing, since memory is shared.
MAX_WORKERS = 4


@dataclass(frozen=True)
class Drawn:
    """Lungs that get the mode.

    Parameters
    ----------
    values : dict of str to ndarray, shape (n,)
        Every property that is needed.
    scores : ndarray, shape (n,)
        Standard normal scores of the errors of measurement.
    asked : int
        Lungs drawn before the rules for who gets the mode.
    number : ndarray of int64, shape (n,)
        Place of each lung in the draw.
    """

    values: dict[str, np.ndarray]
    scores: np.ndarray
    asked: int
    number: np.ndarray

    @property
    def size(self) -> int:
        """Lungs that get the mode, n."""
        return self.number.size

    def first(self, n: int) -> Drawn:
        """Return the first n of them."""
        return self.part(slice(n))

    def part(self, cut: slice | np.ndarray) -> Drawn:
        """Return some of them."""
        return Drawn(
            {name: value[cut] for name, value in self.values.items()},
            self.scores[cut],
            self.asked,
            self.number[cut],
        )


def workers() -> int:
    """Return the number of threads: the processors that this process may use, within reason.

    OMP_NUM_THREADS tells one of several processes to keep to its own.
    """
    stated = os.environ.get("OMP_NUM_THREADS", "")
    allowed = int(stated) if stated.isdigit() and int(stated) else MAX_WORKERS
    return min(MAX_WORKERS, allowed, int(joblib.cpu_count()))


def streams(protocol: Protocol, name: str, purpose: int) -> list[np.random.SeedSequence]:
    """Return independent seeds for lungs, errors and settings of a population and a purpose."""
    key = (purpose, zlib.crc32(name.encode()))
    return np.random.SeedSequence(protocol.seed, spawn_key=key).spawn(3)


def draw_lungs(protocol: Protocol, group: Group, n: int, purpose: int) -> Drawn:
    """Draw lungs of a population and keep those that the protocol gives the mode.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    group : Group
        One of its groups.
    n : int
        Lungs to draw.
    purpose : int
        Names the stream.

    Returns
    -------
    Drawn
    """
    lung_stream, error_stream, _ = streams(protocol, group.name, purpose)
    seed = int(lung_stream.generate_state(1, np.uint64)[0])
    drawn = group.population.sample(n, seed=seed)
    scores = np.random.default_rng(error_stream).standard_normal(n)
    kept = eligible(protocol, within_bounds(drawn, drawn)[0])
    needed = [name for name in protocol.properties if name in drawn]
    number = np.flatnonzero(kept)
    return Drawn({name: drawn[name][kept] for name in needed}, scores[kept], n, number)


def eligible(protocol: Protocol, drawn: Arrays) -> np.ndarray:
    """Return which lungs the protocol gives the mode, shape (n,)."""
    n = next(iter(drawn.values())).size
    kept = np.ones(n, bool)
    for name, ends in protocol.eligible.items():
        if name in drawn:
            value = drawn[name]
        else:
            own = {p: drawn[p] for p in protocol.lung.parameters if p in drawn}
            value = evaluate(protocol.lung, {**own, **fixed(protocol)}, (name,)).outcomes[name]
        kept &= (value >= ends.low) & (value <= ends.high)
    return kept


def fixed(protocol: Protocol) -> dict[str, np.ndarray]:
    """Return the values that the file holds for every lung."""
    return {name: np.asarray(value) for name, value in protocol.fixed.items()}


def question_of(protocol: Protocol, *, at_middle: bool = False) -> Question:
    """Return what a protocol asks: its ranges as samples, or each setting half-way through."""
    spans = protocol.draft.spans
    free = () if at_middle else protocol.draft.free
    held = {name: span.middle for name, span in spans.items() if name not in free}
    samples = {
        name: Marginal("uniform", spans[name].low, spans[name].high, "draft") for name in free
    }
    return Question(
        protocol.lung.name,
        {**held, **protocol.fixed},
        samples,
        tuple(group.population for group in protocol.groups),
        {"limits": protocol.limits},
        protocol.lungs,
        protocol.seed,
    )


def unit_settings(protocol: Protocol, draft: Draft, m: int, name: str, purpose: int) -> np.ndarray:
    """Draw evenly spread settings of a draft's ranges, in the unit cube.

    Parameters
    ----------
    protocol : Protocol
        Gives the seed.
    draft : Draft
        With d free parameters.
    m : int
        How many, a power of two.
    name : str
        Name of the population, for the stream.
    purpose : int
        Names the stream.

    Returns
    -------
    ndarray, shape (m, d)
        A scrambled Sobol sequence; one point without columns where nothing is free.
    """
    if not draft.free:
        return np.zeros((1, 0))
    stream = streams(protocol, name, purpose)[2]
    sequence = qmc.Sobol(len(draft.free), rng=np.random.default_rng(stream))
    return np.asarray(sequence.random(m))


def corners(draft: Draft) -> np.ndarray:
    """Return the corners of a draft's ranges in the unit cube, shape (2^d, d)."""
    return np.array(list(product((0.0, 1.0), repeat=len(draft.free))), float)


def solver(
    protocol: Protocol, draft: Draft, drawn: Drawn, places: Arrays
) -> tuple[Callable[[slice], Arrays], int]:
    """Return what solves a slice of the lungs at all settings, and the number of settings.

    Parameters
    ----------
    protocol : Protocol
        Model and limits.
    draft : Draft
        The protocol's own or one with other ranges.
    drawn : Drawn
        The lungs.
    places : mapping of str to ndarray, shape (m,) or ()
        Settings as `Draft.places` gives them.

    Returns
    -------
    solve : callable
        ``solve(lungs) -> {outcome: ndarray}``, shapes that broadcast to (lungs of the slice, m).
    settings : int
        m.
    """
    todo = plan(protocol.lung, protocol.limits.outcomes)
    by_engine = compiles(protocol.lung)
    held = fixed(protocol)
    lungs, legal = within_bounds(drawn.values, drawn.values)
    known = measure(protocol.lung, draft, {**lungs, **_spread(held, drawn.size)}, drawn.scores)
    m = max(np.size(value) for value in places.values())

    def solve(cut: slice) -> Arrays:
        own = {name: value[cut] for name, value in lungs.items()} | held
        values = {name: np.reshape(value, (-1, 1)) for name, value in own.items()}
        values |= settings_of(draft, known.part(cut), places, own)
        if legal is not None:  # a lung out of bounds is undetermined at every setting
            values["p_high"] = np.where(legal[cut, None], values["p_high"], np.nan)
        if by_engine:
            return evaluate(protocol.lung, values, todo.outcomes).outcomes
        # straight through: a block is small, and copies of its outcomes would cost as much
        solved, _ = compute(protocol.lung, todo, resolve(values, todo.parameters))
        return solved

    return solve, m


def count(
    protocol: Protocol,
    draft: Draft,
    drawn: Drawn,
    unit: np.ndarray,
    progress: Callable[[int], None] | None = None,
    *,
    each: bool = False,
) -> Tally:
    """Judge lungs at settings of a draft; see `tally`."""
    solve, m = solver(protocol, draft, drawn, draft.places(unit))
    return tally(
        solve,
        protocol.limits,
        drawn.size,
        m,
        # threads do not know which engine was chosen, and a compiled one needs none
        workers=1 if compiles(protocol.lung) else workers(),
        progress=progress,
        each=each,
    )


def _spread(held: Arrays, n: int) -> dict[str, np.ndarray]:
    return {name: np.broadcast_to(value, (n,)) for name, value in held.items()}
