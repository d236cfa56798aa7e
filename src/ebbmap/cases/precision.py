"""What single precision would cost a question, measured on its own cases before any work starts.

Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

import numpy as np

from ebbmap.cases.drawn_bounds import DRAWN, bar_leavers
from ebbmap.cases.evaluate import Values, evaluate
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.question import Question, draw_cases
from ebbmap.digits import exact_share
from ebbmap.engines import accuracy, compiles, in_single, use_engine
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.lungs.base import Lung
from ebbmap.registries.derivations import ways
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import outcomes_of, plan
from ebbmap.registries.parameters import PARAMETERS

#: Places on the axes, and lungs at each of them, of every population.
PLACES, LUNGS = 16, 256

#: Largest share of verdicts that may differ: a tenth of a point of any share.
MOST_DIFFERING = 0.001


def measure_single(
    question: Question,
    axes: Mapping[str, np.ndarray],
    lungs: Iterable[str],
    outcomes: Collection[str] | None,
) -> None:
    """Solve cases of a question in single and in double precision, and note how far apart.

    Nothing is done for lungs that are not asked for in single precision.

    Parameters
    ----------
    question : Question
        Populations, rules, and what is held.
    axes : mapping of str to ndarray, shape (m,)
        Parameters that vary; a setting that neither varies nor is held is drawn over its usual
        range, for an analysis may lay it out.
    lungs : iterable of str
        Lung models.
    outcomes : collection of str, optional
        What is computed besides what the rules need; all that a lung gives if None.

    Raises
    ------
    EbbmapError
        If single precision is not for a lung, or more verdicts differ than `MOST_DIFFERING`.
    """
    for name in lungs:
        lung = lung_model(name)
        if not (compiles(lung) and in_single(lung)):
            continue
        given = outcomes_of(lung)
        wanted = given if outcomes is None else [n for n in outcomes if n in given]
        names = plan(lung, tuple(dict.fromkeys((*wanted, *question.outcomes)))).outcomes
        for number, group in enumerate(question.groups()):
            values = _sample(replace(question, lung=name), number, axes)
            compare_single(lung, values, names, question.rules, group.name if group else "all")


def compare_single(
    lung: Lung,
    values: Values,
    names: tuple[str, ...],
    rules: Mapping[str, LimitSet],
    group: str,
) -> None:
    """Solve cases in single and in double precision, and note how far apart.

    Parameters
    ----------
    lung : Lung
        Asked for in single precision.
    values : mapping of str to ndarray
        Parameters by name; shapes broadcast.
    names : tuple of str
        Outcomes, those of the rules among them.
    rules : mapping of str to LimitSet
        By which the cases are judged.
    group : str
        Whose lungs they are, for the message.

    Raises
    ------
    EbbmapError
        If more verdicts differ than `MOST_DIFFERING`.
    """
    found = evaluate(lung, values, names)
    with use_engine("numpy"):
        exact = evaluate(lung, values, names)
    accuracy().note(exact.outcomes, found.outcomes, (exact.status, found.status))
    for rule, limits in rules.items():
        verdicts = (judge(limits, one.outcomes).verdict for one in (exact, found))
        share = accuracy().note_verdicts(*verdicts)
        if share > MOST_DIFFERING:
            raise EbbmapError(
                f"precision 'single' must leave verdicts as they are; by {rule} "
                f"{100.0 * share:.2g} % of them differ, at most {exact_share(MOST_DIFFERING)} may "
                f"({group}, lung {lung.name}). Take precision 'double'."
            )


def _sample(
    question: Question, number: int, axes: Mapping[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """Draw cases of one population at random places of the axes, shape (n,) each."""
    group = question.groups()[number]
    rng = np.random.default_rng([question.seed, number])
    asked = question.with_lungs(LUNGS)
    places = {name: rng.choice(axis, PLACES) for name, axis in axes.items()}
    known = {*places, *question.fixed, *question.samples, *(group.properties if group else ())}
    for name in plan(lung_model(question.lung)).parameters:
        entry = PARAMETERS[name]
        if entry.kind == "setting" and name not in known and not ways(name, known):
            places[name] = rng.uniform(entry.usual_low, entry.usual_high, PLACES)
    parts = []
    for place in range(PLACES):
        here = {name: values[place : place + 1] for name, values in places.items()}
        drawn = as_arrays(draw_cases(asked, group, here))
        leavers = [name for name, array in drawn.items() if DRAWN in array.attrs]
        flat = {
            name: np.broadcast_to(array.values.reshape(-1), LUNGS) for name, array in drawn.items()
        }
        parts.append(bar_leavers(flat, leavers))
    names = dict.fromkeys(name for part in parts for name in part)
    default = {name: np.full(LUNGS, PARAMETERS[name].default) for name in names}
    return {n: np.concatenate([part.get(n, default[n]) for part in parts]) for n in names}
