"""Cycle after cycle with settings that may change from one to the next.

Sizes: n lungs, c cycles, t time points in a cycle.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ebbmap.lungs.base import Lung

Values = Mapping[str, np.ndarray]


def follow_cycles(
    lung: Lung,
    settings: Sequence[Values],
    times: Sequence[np.ndarray],
    *,
    start_pressure: np.ndarray | float,
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Run cycles one after the other from a lung at rest.

    Parameters
    ----------
    lung : Lung
        The model.
    settings : sequence of mapping of str to ndarray, shape (n,)
        Every parameter of the lung, for each of the c cycles.
    times : sequence of ndarray, shape (t,)
        For each cycle, times from its start [s]; as many in every cycle.
    start_pressure : array_like, shape (n,) or ()
        Pressure of the lung before the first cycle [cmH2O].

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n, c)
        What the lung solves for, in each cycle.
    signals : dict of str to ndarray, shape (n, c, t)
        What the lung draws, in each cycle.

    Examples
    --------
    >>> from ebbmap.lungs import lung_model
    >>> set_to = {"p_high": 25.0, "p_low": 0.0, "t_high": 5.0, "t_low": 0.5}
    >>> stiff = {"compliance": 30.0, "resistance_insp": 10.0, "resistance_exp": 10.0}
    >>> lungs = {name: np.array([value]) for name, value in {**set_to, **stiff}.items()}
    >>> outcomes, signals = follow_cycles(
    ...     lung_model("linear"), [lungs] * 2, [np.array([0.0])] * 2, start_pressure=5.0
    ... )
    >>> outcomes["trapped_volume"].shape, signals["volume"].shape
    ((1, 2), (1, 2, 1))
    """
    state = lung.rest(start_pressure, **settings[0])
    solved, drawn = [], []
    for own, within in zip(settings, times, strict=True):
        drawn.append(lung.waveform(state, within, **own))
        outcomes, state = lung.cycle(state, **own)
        solved.append(outcomes)
    return (
        {name: np.stack([cycle[name] for cycle in solved], axis=-1) for name in lung.solves},
        {name: np.stack([cycle[name] for cycle in drawn], axis=-2) for name in lung.signals},
    )
