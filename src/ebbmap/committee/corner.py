"""The worst corner of a draft's ranges: safe for the fewest lungs, and its worst lung."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ebbmap.committee.counting import GroupCount
from ebbmap.committee.draft import SETTINGS, measure, settings_of
from ebbmap.committee.lungs import Drawn, corners, fixed, solver
from ebbmap.committee.protocol import Protocol
from ebbmap.kernels.judging import CAUTION, SAFE, judge
from ebbmap.registries.parameters import PARAMETERS


@dataclass(frozen=True)
class Corner:
    """The corner of the ranges that is safe for the fewest lungs of a group.

    Parameters
    ----------
    share : float
        Share of lungs that are safe there; NaN where nobody gets the mode.
    margin : float
        Least safety margin there.
    settings, failing, line : str
        The settings; what fails most in the worst lung; the command that solves it.
    """

    share: float = np.nan
    margin: float = np.nan
    settings: str = ""
    failing: str = ""
    line: str = ""


def worst_corners(protocol: Protocol, counted: list[GroupCount]) -> list[Corner]:
    """Return the worst corner of every group, and last the worst of them all."""
    edges = corners(protocol.draft)
    found = [_worst_corner(protocol, one, edges) for one in counted]
    known = (corner for corner in found if corner.line)
    return [*found, min(known, key=lambda corner: corner.share, default=found[0])]


def _worst_corner(protocol: Protocol, counted: GroupCount, edges: np.ndarray) -> Corner:
    drawn = counted.drawn
    if counted.corner is None:
        return Corner()
    safe = counted.corner.by_setting[SAFE] + counted.corner.by_setting[CAUTION]
    least = int(safe.argmin())
    places = protocol.draft.places(edges[least : least + 1])
    solve, _ = solver(protocol, protocol.draft, drawn, places)
    outcomes = solve(slice(0, drawn.size))
    judged = judge(protocol.limits, outcomes)

    def by_lung(values: np.ndarray) -> np.ndarray:
        return np.broadcast_to(values, (drawn.size, 1))[:, 0]

    margin = by_lung(judged.margin)
    if np.isnan(margin).all():
        return Corner()
    lung = int(np.nanargmin(margin))
    bound = protocol.limits.hard[int(by_lung(judged.binding)[lung])]
    values = case_values(protocol, drawn, lung, places)
    reached = by_lung(outcomes[bound.outcome])[lung]
    return Corner(
        safe[least] / drawn.size,
        margin[lung],
        ", ".join(PARAMETERS[name].say(values[name]) for name in SETTINGS),
        f"{bound.sentence}: {reached:.4g}" if margin[lung] < 0 else "nothing fails",
        cycle_line(protocol, values),
    )


def case_values(
    protocol: Protocol, drawn: Drawn, lung: int, places: Mapping[str, np.ndarray]
) -> dict[str, float]:
    """Return every parameter of one lung at one setting of the draft."""
    own = {name: value[lung : lung + 1] for name, value in drawn.values.items()}
    held = fixed(protocol)
    full = {**own, **{name: np.reshape(value, (1,)) for name, value in held.items()}}
    known = measure(protocol.lung, protocol.draft, full, drawn.scores[lung : lung + 1])
    settings = settings_of(protocol.draft, known, places, full)
    return {name: float(np.reshape(value, -1)[0]) for name, value in {**settings, **full}.items()}


def cycle_line(protocol: Protocol, values: dict[str, float]) -> str:
    """Return the command that solves one case, its values to six digits."""
    sets = " ".join(f"--set {name}={value:.6g}" for name, value in values.items())
    return f"ebbmap cycle --lung {shlex.quote(protocol.lung.name)} {sets}"
