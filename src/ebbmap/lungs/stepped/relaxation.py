"""A cycle solved with all its steps at once, whether it is to close or begins as given.

Newton's method runs on all stages of all steps together (`course`). A settled cycle is then a
boundary-value problem, state at the end = state at the start: no cycle is ever run to find the
next, so a lung that settles slowly costs no more than a quick one. A rough cycle shows where its
kinks lie and where its steps are too long; new steps are laid (`mesh`) until each is good enough.
Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ebbmap.lungs.stepped import mesh
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.course import Course, State
from ebbmap.lungs.stepped.radau import STAGES

#: Numbers that one array of stages may hold: what a Newton step needs then fits the cache.
TOGETHER = 32_768

#: Newton steps at most, and the change (of the gas between P low and P high, of the openness) at
#: which they end: for the rough cycle, then for all finer ones.
ROUGH, FINE = (30, 1e-2), (20, 1e-10)

#: Shares of a Newton step that are taken, in turn.
BOLDNESS = (1.0,) * 10 + (0.7, 0.4, 1.0, 0.5) * 5

#: With a larger last change than the first a case is not accepted, than the second given up.
SETTLED, LOST = 1e-9, 1e-2

#: A cycle is accepted when no step's error is above this multiple of the allowed one: never on the
#: rough steps and the first new ones, then on each finer set. What a sharp bend of the flow leaves
#: is smaller than its estimate says.
ACCEPTED = (0.0, 0.0, 4.0, 4.0, 8.0, 16.0, 32.0, 64.0, 64.0, 64.0)

#: The same where three digits of the open fraction will do.
ROUGHLY = (0.0, 1e4, 1e4, 1e4, 1e4)

#: Nor is one accepted while its kinks lie further astray than the same multiple of this.
ASTRAY = 1e-8

#: Counts of steps; more than asked for are taken, so that cases go together.
COUNTS = (8, 12, 18, 27, 40, 60, 90, 135, 200, 300, 450)

#: A case with more breaks and kinks than this is given up.
MOST_KINKS = 150

#: So many times the steps that the error asks for are taken, and so on with each set.
MARGIN, MORE = 1.05, 1.1


def solve(
    cases: Cases,
    begun: State,
    finish: Callable[[Course], np.ndarray],
    rows: int,
    *,
    closed: bool,
    most_open: np.ndarray | None = None,
    accepted=ACCEPTED,
) -> np.ndarray:
    """Solve one cycle of each case.

    Parameters
    ----------
    cases : Cases
        n cases.
    begun : State
        How it begins, or a guess of it.
    finish : callable
        ``finish(course) -> ndarray (rows, m)``: what is wanted of m finished cases.
    rows : int
        How many numbers that is.
    closed : bool
        Whether the cycle is to end as it began.
    most_open : ndarray, shape (n,), optional
        Openness above which no closed cycle is looked for; that of `begun` if None.
    accepted : sequence of float
        For each set of steps, the multiple of the allowed error up to which it is good enough.

    Returns
    -------
    ndarray, shape (rows, n)
        What `finish` said; NaN where no cycle was found.
    """
    wanted = np.full((rows, cases.size), np.nan)
    scale = size_of_volume(cases)
    todo = np.flatnonzero(np.isfinite(sum(begun) + scale))
    # a case that is lost runs into anything on its way; it is not accepted
    with np.errstate(all="ignore"):
        under_way = [
            (part, _first(cases.at(part), begun.at(part), most_open, part))
            for part in _parts(todo, 2 * mesh.FIRST_STEPS)
        ]
        for number, enough in enumerate(accepted):
            meshes: dict[int, list] = {}
            for index, course in under_way:
                size = _settle(course, scale[index], closed, FINE if number else ROUGH)
                kept = size <= LOST
                if not kept.any():
                    continue
                if not kept.all():
                    index, course, size = index[kept], course.at(kept), size[kept]
                good, kinks, error = _judge(course, scale[index], enough)
                good &= size <= SETTLED
                if good.any():
                    wanted[:, index[good]] = finish(course.at(good))
                _lay(meshes, index, course, kinks, error, ~good, MARGIN * MORE**number)
            under_way = [part for count in meshes for part in _together(meshes[count], count)]
    return wanted


def _judge(course: Course, scale, enough: float):
    """Return which cases are good enough, their kinks, and the error of each of their steps."""
    seen = course.look()
    error = mesh.errors(course, seen, scale)
    kinks, astray = mesh.kinks(course, seen)
    good = error.max(axis=0) <= enough * mesh.ALLOWED
    return good & (astray <= enough * ASTRAY), kinks, error


def size_of_volume(cases: Cases):
    """Gas between P low and P high, all units open: what an error of a volume is measured by."""
    whole = np.ones(cases.size)
    return cases.static_volume(cases.p_high, whole)[0] - cases.static_volume(cases.p_low, whole)[0]


def _first(cases: Cases, begun: State, most_open, part) -> Course:
    """Guess a cycle, and say how far its start may open."""
    course = mesh.first_course(cases, begun)
    if most_open is not None:
        course.begun = begun._replace(openness=most_open[part])
    return course


def _parts(index, steps):
    """Cut an index into parts of so many steps that they fit together."""
    size = max(TOGETHER // (STAGES * steps), 1)
    return [index[first : first + size] for first in range(0, index.size, size)]


def _settle(course: Course, scale, closed: bool, until) -> np.ndarray:
    """Take Newton steps in place: return the size of the last one, shape (n,)."""
    most, small = until
    last = np.full(course.cases.size, np.inf)
    todo = np.arange(course.cases.size)
    for number in range(most):
        part = course if todo.size == course.cases.size else course.at(todo)
        # between kinks Newton may hop to and fro for ever: shorter steps now and then end that
        size = part.improve(scale[todo], BOLDNESS[number], closed=closed)
        if part is not course:
            course.start[:, todo], course.stages[..., todo] = part.start, part.stages
        last[todo] = size
        todo = todo[size > small]
        if todo.size == 0:
            break
    return last


def _lay(meshes, index, course: Course, kinks, error, wanted, margin) -> None:
    """Lay new steps where they are wanted, and enter the cases under their count."""
    cut = mesh.cuts(course, error)
    extra = np.concatenate((mesh.breaks(course.cases, course.begun.clock), kinks))
    needed = margin * cut.sum(axis=0)
    needed += np.count_nonzero(extra < course.ends[-1], axis=0)
    number = np.minimum(np.searchsorted(COUNTS, needed), len(COUNTS) - 1)
    wanted &= np.count_nonzero(extra < course.ends[-1], axis=0) < MOST_KINKS
    for place in np.unique(number[wanted]):
        own, count = np.flatnonzero(wanted & (number == place)), COUNTS[place]
        laid = mesh.new_course(course.at(own), cut[:, own], count, extra[:, own])
        meshes.setdefault(count, []).append((index[own], laid))


def _together(laid, count):
    """Put the cases that take so many steps together, as many as fit."""
    index = np.concatenate([index for index, _ in laid])
    whole = Course.joined([course for _, course in laid])
    return [(index[part], whole.at(part)) for part in _parts(np.arange(index.size), count)]
