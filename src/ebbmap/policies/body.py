"""A cohort's lungs and bodies: the settled cycle for given settings, and what follows in minutes.

What depends on settings and lung alone is solved once and kept until settings change. CO2, own
breathing, closed lung and arterial oxygen have states of their own, and whatever depends on them
follows from the registry's own functions. Sizes: n patients.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import broadcast_to, clip, exp, maximum, sqrt, square, where
from ebbmap.cases.evaluate import NOT_CONVERGED, compiled, compute, resolve
from ebbmap.engines import compiles
from ebbmap.exchange.co2 import STPD_TO_TENSION, paco2
from ebbmap.exchange.co2_stores import co2_stores_after
from ebbmap.lungs.base import Lung
from ebbmap.policies.language import Policy
from ebbmap.policies.physiology import Body
from ebbmap.registries.outcomes import Plan, plan
from ebbmap.registries.parameters import SPONTANEOUS

Arrays = Mapping[str, np.ndarray]

#: What moves in minutes: parameters and outcomes with a state.
OWN, CO2, CLOSED, OXYGEN = SPONTANEOUS, "paco2", "closed_fraction", "pao2"
STATES = (OWN, CO2, CLOSED, OXYGEN)

#: What is always followed, whatever is asked for.
FOLLOWED = ("alveolar_ventilation", CO2)

#: min-1: how fast own ventilation follows CO2 (effect site of CO2 in ten volunteers, Anesthesiology
#: 2003;99:779).
FOLLOWS = 0.92


#: Less than this is no ventilation [L min-1].
LEAST = 1e-9


class State(NamedTuple):
    """What a body remembers, shape (n,) each.

    Parameters
    ----------
    own : ndarray
        Own alveolar ventilation [L min-1].
    paco2, slow : ndarray
        Tensions of the fast and the slow CO2 store [mmHg].
    closed : ndarray
        Closed share of the lung [1].
    pao2 : ndarray
        Arterial oxygen tension [mmHg].
    """

    own: np.ndarray
    paco2: np.ndarray
    slow: np.ndarray
    closed: np.ndarray
    pao2: np.ndarray


class Bodies:
    """The model behind a policy: which functions to call when.

    Parameters
    ----------
    policy : Policy
        Gives the lung, the outcomes and how bodies answer.
    names : tuple of str
        Outcomes that are wanted; the policy's if empty.
    """

    def __init__(self, policy: Policy, names: tuple[str, ...] = ()) -> None:
        self.lung = policy.protocol.lung
        self.body: Body = policy.body
        self.plan = plan(self.lung, tuple(dict.fromkeys([*(names or policy.outcomes), *FOLLOWED])))
        moving = set(STATES)
        for name, _, needs in self.plan.steps:
            if set(needs) & moving:
                moving.add(name)
        still = [one for one in self.plan.steps if one[0] not in moving or one[0] == CLOSED]
        self.todo = Plan((), tuple(still), self.plan.parameters)
        self.moving = tuple(one for one in self.plan.steps if one[0] in moving - {CO2, CLOSED})
        needed = {need for _, _, needs in self.moving for need in needs}
        kept = {*needed, *self.plan.outcomes, CLOSED, "co2_production", "release_volume"}
        known = {*self.plan.parameters, *self.lung.solves, *(name for name, _, _ in still)}
        self.kept = tuple(sorted(kept & known - {name for name, _, _ in self.moving} - {OWN, CO2}))

    def solve(self, patients: Arrays, settings: Arrays) -> dict[str, np.ndarray]:
        """Return all that follows from lung and settings, shape (n,) each, by the engine in use.

        Parameters
        ----------
        patients : mapping of str to ndarray, shape (n,) or ()
            Properties.
        settings : mapping of str to ndarray, shape (n,)
            All that can be moved.
        """
        n = np.shape(settings["p_high"])
        values = self.resolved(patients, settings)
        if compiles(self.lung):
            inputs = {name: np.asarray(value, float) for name, value in values.items()}
            filled = {name: np.empty(n) for name in self.kept}
            status = np.empty(n, np.int8)
            return compiled(self.lung, self.todo, inputs, filled, status, None).outcomes
        known, _ = compute(self.lung, self.todo, values)
        return {name: np.broadcast_to(np.asarray(known[name], float), n) for name in self.kept}

    def resolved(self, patients: Arrays, settings: Arrays) -> dict[str, np.ndarray]:
        """Return a value for all that the lung and the outcomes take, shape (n,) or ()."""
        return resolve({**patients, **settings}, self.plan.parameters)

    def solved_by(
        self, lung: Lung, patients: Arrays, settings: Arrays
    ) -> tuple[dict[str, Any], Any]:
        """Return what `solve` does by one form of the lung, in functions of any engine.

        Parameters
        ----------
        lung : Lung
            The policy's, as it is or with one of its compiled ways to solve it.
        patients, settings
            As in `solve`.

        Returns
        -------
        solved : dict of str to array, shape (n,)
        left : array of bool, shape (n,)
            Which lungs it could not solve.
        """
        known, flags = compute(lung, self.todo, self.resolved(patients, settings))
        n = settings["p_high"].shape
        solved = {name: broadcast_to(known[name], n) for name in self.kept}
        return solved, broadcast_to(flags == NOT_CONVERGED, n)

    def present(self, solved: Arrays, state: State) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Return every outcome as it is now, and where arterial oxygen is heading [mmHg]."""
        known = {**solved, OWN: state.own, CO2: state.paco2, CLOSED: state.closed}
        heading = state.pao2
        for name, function, needs in self.moving:
            known[name] = function(**{need: known[need] for need in needs})
            if name == OXYGEN:
                heading, known[OXYGEN] = known[OXYGEN], state.pao2
        return known, heading

    def steady(self, solved: Arrays, breathing: Arrays) -> State:
        """Return where everything settles if nothing is changed.

        Parameters
        ----------
        solved : mapping of str to ndarray, shape (n,)
            As `solve` gives it.
        breathing : mapping of str to ndarray, shape (n,)
            Own `slope`, `threshold` and `at_most` of each patient.
        """
        none = np.zeros(solved["release_volume"].shape)
        released = self._ventilation(solved, none)
        own = steady_own_breathing(released, solved["co2_production"], **breathing)
        tension = paco2(solved["co2_production"], self._ventilation(solved, own))
        state = State(own, tension, tension, solved.get(CLOSED, none), none)
        return state._replace(pao2=self.present(solved, state)[1])

    def after(
        self,
        minutes: float,
        solved: Arrays,
        state: State,
        breathing: Arrays,
        heading: np.ndarray | None = None,
    ) -> State:
        """Return the state some minutes later; own breathing is held meanwhile.

        Parameters and shapes as in `steady`; `heading` as `present` gives it, if it is known.
        """
        if heading is None:
            _, heading = self.present(solved, state)
        ventilation = self._ventilation(solved, state.own)
        tension, slow = co2_stores_after(
            minutes,
            state.paco2,
            state.slow,
            ventilation,
            solved["co2_production"],
            co2_store_fast=self.body.co2_store_fast,
            co2_store_slow=self.body.co2_store_slow,
            co2_store_exchange=self.body.co2_store_exchange,
        )
        wanted = clip(
            breathing["slope"] * (tension - breathing["threshold"]), 0.0, breathing["at_most"]
        )
        own = wanted + (state.own - wanted) * math.exp(-FOLLOWS * minutes)
        closed = solved.get(CLOSED, state.closed)
        time = where(closed > state.closed, self.body.closing, self.body.opening)
        closed = closed + (state.closed - closed) * exp(-minutes / time)
        rate = where(heading > state.pao2, self.body.oxygen_up, self.body.oxygen_down)
        pao2 = heading + (state.pao2 - heading) * exp(-rate * minutes)
        return State(own, tension, slow, closed, pao2)

    def _ventilation(self, solved: Arrays, own: np.ndarray) -> Any:
        """Return the alveolar ventilation with an own breathing [L min-1]."""
        known = {**solved, OWN: own}
        for name, function, needs in self.moving:
            if name == "alveolar_ventilation":
                return function(**{need: known[need] for need in needs})
        return known["alveolar_ventilation"]


def steady_own_breathing(
    released: np.ndarray,
    co2_production: np.ndarray,
    *,
    slope: np.ndarray,
    threshold: np.ndarray,
    at_most: np.ndarray,
) -> np.ndarray:
    """Return the own ventilation at which CO2 settles [L min-1], shape (n,).

    Parameters
    ----------
    released : ndarray, shape (n,)
        Alveolar ventilation by releases [L min-1].
    co2_production : ndarray, shape (n,)
        [mL min-1].
    slope, threshold, at_most : ndarray, shape (n,)
        Own breathing: L min-1 mmHg-1 above a tension [mmHg], up to L min-1.

    Notes
    -----
    With p the tension, 0.863 VCO2 = p (released + slope (p - threshold)): one positive root.

    Examples
    --------
    >>> numbers = {"slope": np.array(0.5), "threshold": np.array(40.0), "at_most": np.array(9.0)}
    >>> own = steady_own_breathing(np.array(2.0), np.array(200.0), **numbers)
    >>> round(float(0.863 * 200.0 / (2.0 + own)), 3), round(float(40.0 + own / 0.5), 3)
    (43.869, 43.869)
    """
    made = STPD_TO_TENSION * co2_production
    linear = released - slope * threshold
    # written so that no digit is lost for either sign of `linear`
    root = sqrt(square(linear) + 4.0 * slope * made)
    tension = 2.0 * made / maximum(linear + root, LEAST)
    own = slope * (tension - threshold)
    breathed: np.ndarray = clip(where(made <= threshold * released, 0.0, own), 0.0, at_most)
    return breathed
