"""Tube, slow part and valve in one lung: two compartments behind an airway that bends with flow.

Each compartment has its own compliance and resistance; the shared airway drops R Q + K |Q| Q, with
another R outwards than inwards; the valve moves the airway pressure as an exponential, both ways.
With K = 0 and an immediate valve this is the paired lung, without a slow part the tube, with
neither the linear lung. Solved by collocation over the whole cycle at once (`newton`).
Sizes: n cases, t time points.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Unpack

import numpy as np
import numpy.typing as npt

from ebbmap.array import broadcast_arrays, floats, isfinite, maximum, where
from ebbmap.lungs.base import WAVES, Followed, Lung
from ebbmap.lungs.whole.cases import (
    NAMES,
    State,
    begun,
    circuit,
    driven,
    ended,
    settled_drive,
)
from ebbmap.lungs.whole.mesh import Drive
from ebbmap.lungs.whole.newton import Course, Effort, run
from ebbmap.lungs.whole.outcomes import SOLVES, describe
from ebbmap.lungs.whole.slopes import begin as begin_following
from ebbmap.lungs.whole.slopes import slopes
from ebbmap.lungs.whole.waves import draw

__all__ = [
    "WHOLE",
    "State",
    "cycle",
    "described",
    "gathered",
    "in_blocks",
    "rest",
    "settle",
    "slopes",
    "solve",
    "waveform",
]

#: Cases at a time: what one pass works on then fits the processor's cache (measured).
BLOCK = 768

#: Passes of a second try, and how much closer its steps lie; for cases that were not settled.
AGAIN: Effort = {"coarse": 4, "fine": 2}
CROWDED: Effort = {"coarse": 16, "fine": 6, "crowding": 3}


def solve(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve the settled cycle.

    Parameters
    ----------
    **parameters : array_like, shape (n,)
        All that `NAMES` lists, by registry name, in registry units; shapes broadcast.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVES`. NaN throughout where no settled cycle was found.

    Notes
    -----
    Flows are those at the airway opening; `release_volume` is the fall of the lung's volume over
    the release. The inspiratory resistance holds from the moment in T high when the flow turns
    inwards to that in the release when it turns outwards, which a slow valve delays.

    `slow_tissue_share` changes nothing that can be measured at the airway opening: it says how much
    of the slow store is stress in tissue that relaxes, and how much is gas in slow units. It moves
    what is trapped where, the alveolar pressures at the phases' ends, and pendelluft.

    `end_high_pressure`, `end_release_pressure` and `mean_alveolar_pressure` are those of the gas,
    weighted by static compliance: with a slow part that is all gas, total volume over total
    compliance. With tissue that still relaxes the alveoli are at another pressure than that.

    `mechanical_power` is the integral of airway pressure over inspired volume, so with a slow
    valve less than P high times the volume. `time_constant_exp` is the mean time that gas stays in
    an endless release of a full lung, the quadratic part of the resistance apart.

    References
    ----------
    .. [1] Rohrer F, Pfluegers Arch 1915;162:225 (from memory): drop = K1 Q + K2 Q^2.
    .. [2] Otis AB et al., J Appl Physiol 1956;8:427 (from memory): parallel pathways.
    .. [3] Jonson B et al., J Appl Physiol 1993;75:132-140 (abstract read): viscoelastic branch.

    Examples
    --------
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> immediate = solve(**usual | {"valve_time": 0.0})
    >>> delayed = solve(**usual | {"valve_time": 0.1})
    >>> bool(delayed["release_volume"] < immediate["release_volume"])
    True
    """
    values, shape = gathered(parameters)
    parts = in_blocks(_solved, values)
    return {name: parts[name].reshape(shape) for name in SOLVES}


def solve_free(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve as `solve` does, in fixed passes, as if no flow were limited; NaN where one is."""
    return _at_once({"free": True}, parameters)


def solve_limited(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve as `solve` does, in fixed passes, where flow may be limited."""
    return _at_once({}, parameters)


def solve_again(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve as `solve_limited` does, with more passes."""
    return _at_once(AGAIN, parameters)


def solve_crowded(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve as `solve_again` does, with more steps."""
    return _at_once(CROWDED, parameters)


def _at_once(effort: Effort, parameters: Mapping[str, npt.ArrayLike]) -> dict[str, np.ndarray]:
    """Solve all cases with one effort; NaN throughout where that does not settle one."""
    values, shape = gathered(parameters)
    parts, settled = _solved(values, **effort)
    return {name: where(settled, parts[name], np.nan).reshape(shape) for name in SOLVES}


def settle(**parameters: npt.ArrayLike) -> State:
    """Return the state of the settled cycle at the end of a release, shape (n,) each."""
    values, shape = gathered(parameters)
    parts = in_blocks(_solved, values)
    return State(*(parts[name].reshape(shape) for name in State._fields))


def rest(start_pressure: npt.ArrayLike, **_: npt.ArrayLike) -> State:
    """Return the state of a lung at rest at `start_pressure` [cmH2O], shape (n,)."""
    pressure = floats(start_pressure)
    return State(pressure, pressure, pressure)


def cycle(state: State, **parameters: npt.ArrayLike) -> tuple[dict[str, np.ndarray], State]:
    """Run one cycle.

    Parameters
    ----------
    state : State
        From `rest`, `settle` or the cycle before.
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        The outcomes in `SOLVES` for this cycle.
    state : State
        After it.

    Examples
    --------
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> _, first = cycle(rest(5.0), **usual)
    >>> bool(first.slow > first.fast)
    True
    """
    values, shape = gathered({**parameters, **State(*state)._asdict()})
    parts = in_blocks(_followed, values)
    return (
        {name: parts[name].reshape(shape) for name in SOLVES},
        State(*(parts[name].reshape(shape) for name in State._fields)),
    )


def waveform(
    state: State, times: npt.ArrayLike, **parameters: npt.ArrayLike
) -> dict[str, np.ndarray]:
    """Return what a monitor would draw over one cycle, and the pressure in each compartment.

    Parameters
    ----------
    state : State
        Where to begin: T high starts at time 0.
    times : array_like, shape (t,)
        From the start of T high [s], >= 0. The release begins at t_high; times after the cycle's
        end show a release that goes on.
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    dict of str to ndarray, shape (n, t)
        The signals in `WAVES`, and `alveolar_pressure_fast` and `alveolar_pressure_slow`. At the
        instant of a switch the values are those just after it.
    """
    values, shape = gathered({**parameters, **State(*state)._asdict()})
    times = floats(times)
    latest = times.max() if times.size else 0.0
    values["t_low"] = maximum(values["t_low"], latest - values["t_high"])

    def drawn(
        part: Mapping[str, np.ndarray], **effort: Unpack[Effort]
    ) -> tuple[dict[str, np.ndarray], np.ndarray]:
        lung = circuit(part)
        drive = driven(part, part["airway"])
        course = run(lung, drive, begun(lung, part, _state(part)), **effort)
        return draw(course, drive, part, times), course.settled

    parts = in_blocks(drawn, values)
    return {name: value.reshape((*shape, times.size)) for name, value in parts.items()}


def gathered(
    parameters: Mapping[str, npt.ArrayLike],
) -> tuple[dict[str, np.ndarray], tuple[int, ...]]:
    """Bring all values to one shape: return them flat, and the shape."""
    names = tuple(parameters)
    arrays = broadcast_arrays(*(floats(parameters[name]) for name in names))
    return {name: array.ravel() for name, array in zip(names, arrays, strict=True)}, arrays[0].shape


def in_blocks(
    function: Callable[..., tuple[dict[str, np.ndarray], np.ndarray]],
    values: Mapping[str, np.ndarray],
) -> dict[str, np.ndarray]:
    """Apply a function block by block, and again with more effort where it did not settle.

    The function takes values and keywords of `run`; it returns arrays whose first axis is that of
    the cases, by name, and which cases settled.
    """
    size = values["p_high"].size
    whole: dict[str, np.ndarray] = {}
    settled = np.zeros(size, dtype=bool)
    known = isfinite(sum(values.values()))
    may_be_limited = values["upstream_resistance"] > 0.0
    # most lungs that may be limited are not: those are found without the limit, which is faster
    efforts: tuple[Effort, ...] = ({"free": True}, {}, AGAIN, CROWDED)
    for effort in efforts:
        for kind in (~may_be_limited, may_be_limited) if effort else (may_be_limited,):
            left = np.flatnonzero(kind & ~settled & (known | ("free" in effort)))
            for start in range(0, left.size, BLOCK):
                index = left[start : start + BLOCK]
                parts, settled[index] = function(
                    {name: value[index] for name, value in values.items()}, **effort
                )
                for name, part in parts.items():
                    if name not in whole:
                        whole[name] = np.empty((size, *part.shape[1:]))
                    whole[name][index] = part
    for value in whole.values():
        value[~settled] = np.nan
    return whole


def _solved(
    values: Mapping[str, np.ndarray], **effort: Unpack[Effort]
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Outcomes and state of the settled cycle."""
    lung, drive = circuit(values), settled_drive(values)
    return described(run(lung, drive, None, **effort), drive, values)


def _followed(
    values: Mapping[str, np.ndarray], **effort: Unpack[Effort]
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Outcomes and state of the cycle after a state."""
    lung, drive = circuit(values), driven(values, values["airway"])
    return described(run(lung, drive, begun(lung, values, _state(values)), **effort), drive, values)


def described(
    course: Course, drive: Drive, values: Mapping[str, np.ndarray]
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return outcomes and the state after a cycle, and whether it settled."""
    end = ended(course.network, values, course.volume[-1], course.spread[-1], drive.ends()[1])
    return {**describe(course, drive, values), **end._asdict()}, course.settled


def _state(values: Mapping[str, np.ndarray]) -> State:
    return State(*(values[name] for name in State._fields))


WHOLE = Lung(
    name="whole",
    long_name="two compartments behind a tube, with a valve that takes time",
    source="Rohrer 1915 (from memory); Otis et al., J Appl Physiol 1956;8:427 (from memory); "
    "Jonson et al., J Appl Physiol 1993;75:132; collocation",
    parameters=NAMES,
    solves=SOLVES,
    signals=(*WAVES, "alveolar_pressure_fast", "alveolar_pressure_slow"),
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
    costly=True,
    compiled=(solve_free, solve_limited, solve_again, solve_crowded),
    followed=Followed(State, rest, begin_following, slopes),
)
