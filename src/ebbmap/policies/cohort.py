"""The patients that a policy is tried on: lungs as a check draws them, and the settings they get.

Sizes: n patients.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ebbmap.cases.drawn_bounds import within_bounds
from ebbmap.cases.evaluate import resolve
from ebbmap.committee.draft import measure, settings_of
from ebbmap.committee.lungs import VERDICT, eligible, fixed, streams
from ebbmap.committee.protocol import Group
from ebbmap.exchange.oxygen import closed_fraction
from ebbmap.policies.body import CLOSED, Bodies, State
from ebbmap.policies.language import MOVABLE, Policy
from ebbmap.registries.parameters import PARAMETERS, inputs_of

#: What a draw is for, beside the purposes of a check: own breathing, errors of readings, and the
#: seeds of other patients.
OWN_BREATHING, READINGS, OTHERS = 1000, 1001, 1002

#: Patients breathe at most this many L min-1 mmHg-1: the top of what is measured in health (from
#: memory), and less than what own breathing held for a minute would let swing up.
STEEPEST = 3.0


@dataclass(frozen=True)
class Cohort:
    """Patients of one group.

    Parameters
    ----------
    group : Group
        Theirs.
    values : mapping of str to ndarray, shape (n,)
        Properties, and what the file fixes.
    settings : mapping of str to ndarray, shape (n,)
        How each starts.
    breathing : mapping of str to ndarray, shape (n,)
        Own `slope`, `threshold` and `at_most`.
    """

    group: Group
    values: Mapping[str, np.ndarray]
    settings: Mapping[str, np.ndarray]
    breathing: Mapping[str, np.ndarray]

    @property
    def size(self) -> int:
        """How many, n."""
        return int(self.settings["p_high"].size)

    def part(self, cut: slice | np.ndarray) -> Cohort:
        """Return some of them."""
        parts = (
            {name: value[cut] for name, value in part.items()}
            for part in (self.values, self.settings, self.breathing)
        )
        return Cohort(self.group, *parts)

    def at(self, setting: Mapping[str, float]) -> Cohort:
        """Return them all at one setting."""
        return replace(self, settings={n: np.full(self.size, setting[n]) for n in self.settings})


def side_by_side(cohorts: Sequence[Cohort]) -> Cohort:
    """Return the patients of several cohorts of one group as one cohort."""
    parts = (
        {name: np.concatenate([getattr(one, part)[name] for one in cohorts]) for name in first}
        for part in ("values", "settings", "breathing")
        for first in [getattr(cohorts[0], part)]
    )
    return Cohort(cohorts[0].group, *parts)


def draw_cohort(
    policy: Policy, group: Group, n: int, cut: slice | np.ndarray = slice(None)
) -> Cohort:
    """Draw patients of a group that the policy gives the mode, and set them as it starts.

    Parameters
    ----------
    policy : Policy
        The policy.
    group : Group
        One of its groups.
    n : int
        Patients to draw; those who do not get the mode are left out.
    cut : slice or ndarray of int
        Which of those who get it are wanted.

    Returns
    -------
    Cohort
        The lungs of the verdict of a check with the same seed.
    """
    protocol = policy.protocol
    drawn, kept = _who(policy, group, n)
    kept = kept[cut]
    _, error_stream, setting_stream = streams(protocol, group.name, VERDICT)
    scores = np.random.default_rng(error_stream).standard_normal(n)
    unit = np.random.default_rng(setting_stream).random((n, len(protocol.draft.free)))
    values = {name: np.asarray(value, float)[kept] for name, value in drawn.items()}
    held = {name: np.full(kept.size, value) for name, value in fixed(protocol).items()}
    values |= {name: value for name, value in held.items() if name not in MOVABLE}
    settings = _start(policy, values, unit[kept], scores[kept], held)
    return Cohort(group, values, settings, _breathing(policy, group, n, kept))


def cohort_size(policy: Policy, group: Group, n: int) -> int:
    """Return how many of n drawn patients of a group get the mode."""
    return int(_who(policy, group, n)[1].size)


def _who(policy: Policy, group: Group, n: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Draw n patients of a group; return them, and the numbers of those who get the mode."""
    lung_stream = streams(policy.protocol, group.name, VERDICT)[0]
    drawn = group.population.sample(n, seed=int(lung_stream.generate_state(1, np.uint64)[0]))
    values, legal = within_bounds(drawn, drawn)
    kept = eligible(policy.protocol, values)
    return drawn, np.flatnonzero(kept if legal is None else kept & legal)


def on_other_patients(policy: Policy, purpose: str) -> Policy:
    """Return a policy for patients that are drawn for a purpose of their own."""
    stream = streams(policy.protocol, purpose, OTHERS)[0]
    seed = int(stream.generate_state(1, np.uint64)[0] >> np.uint64(1))
    return replace(policy, protocol=replace(policy.protocol, seed=seed))


def _start(
    policy: Policy,
    values: Mapping[str, np.ndarray],
    unit: np.ndarray,
    scores: np.ndarray,
    held: Mapping[str, np.ndarray],
) -> dict[str, np.ndarray]:
    """Return the first settings of each patient, on the dial, shape (n,) each."""
    draft, n = policy.protocol.draft, scores.size
    places = {
        name: np.broadcast_to(np.asarray(value, float), (n,))[:, None]
        for name, value in draft.places(unit).items()
    }
    known = measure(policy.protocol.lung, draft, dict(values), scores)
    found = {name: value[:, 0] for name, value in settings_of(draft, known, places, values).items()}
    fio2 = (
        places["fio2"][:, 0] if "fio2" in places else held.get("fio2", PARAMETERS["fio2"].default)
    )
    found["fio2"] = np.broadcast_to(np.asarray(fio2, float), (n,))
    return {name: policy.on_dial(name, found[name]) for name in MOVABLE}


def _breathing(policy: Policy, group: Group, n: int, kept: np.ndarray) -> dict[str, np.ndarray]:
    """Draw how each patient breathes, shape (n kept,) each; `kept` are their numbers."""
    numbers = policy.body.breathing
    rng = np.random.default_rng(streams(policy.protocol, group.name, OWN_BREATHING)[0])
    score, place = rng.standard_normal(n)[kept], rng.random(n)[kept]
    return {
        "slope": np.minimum(numbers.slope * np.exp(numbers.spread * score), STEEPEST),
        "threshold": numbers.threshold + numbers.above * place,
        "at_most": np.full(kept.size, numbers.at_most),
    }


def first_state(
    policy: Policy, bodies: Bodies, cohort: Cohort, solved: dict[str, np.ndarray]
) -> State:
    """Return how patients are when the mode begins, shape (n,) each.

    Parameters
    ----------
    policy, bodies, cohort
        The policy, its model and the patients.
    solved : dict of str to ndarray, shape (n,)
        As `Bodies.solve` gives it at the start.

    Returns
    -------
    State
        CO2 at the tension that the file states, nobody breathing above it yet; the lung as far
        closed as the mean pressure of conventional ventilation leaves it, and oxygen settled.
    """
    n = cohort.size
    tension = np.full(n, policy.body.paco2_start)
    names = (*inputs_of(closed_fraction), "conventional_mean_pressure")
    given = resolve(cohort.values, names[1:])
    closed = solved.get(CLOSED, np.zeros(n))
    if CLOSED in solved:
        closed = np.broadcast_to(
            closed_fraction(given.pop("conventional_mean_pressure"), **given), (n,)
        )
    state = State(np.zeros(n), tension, tension, closed, np.full(n, np.nan))
    return state._replace(pao2=bodies.present(solved, state)[1])
