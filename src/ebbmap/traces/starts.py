"""Lungs to begin a fit from, read off the trace."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ebbmap.traces.cycles import Cycles
from ebbmap.units import ML_PER_L


def starts_of(cycles: Cycles) -> Sequence[dict[str, float]]:
    """Return lungs to begin a fit from, read off the trace.

    The release lets out compliance times the step of pressure, with a time constant of volume over
    flow; slow parts of several sizes are tried.
    """
    drop = cycles.p_high - cycles.p_low
    out = cycles.flow[cycles.phase % 2 == 1]
    into = cycles.flow[cycles.phase % 2 == 0]
    volume = -np.sum(np.minimum(out, 0.0)) * cycles.interval / cycles.count
    peak_out = max(-float(np.percentile(out, 0.5)), 0.05)
    peak_in = max(float(np.percentile(into, 99.5)), 0.05)
    resistance = np.clip(drop / np.array([peak_in, peak_out]), 1.0, 200.0)
    starts = []
    for share, slow, larger in ((0.1, 3.0, 1.1), (0.25, 5.0, 1.4), (0.4, 2.0, 1.2)):
        compliance = float(np.clip(ML_PER_L * volume / drop * larger, 5.0, 300.0))
        starts.append(
            {
                "compliance": compliance,
                "resistance_insp": 0.7 * float(resistance[0]),
                "resistance_exp": 0.7 * float(resistance[1]),
                "resistance_quadratic": 3.0,
                "slow_volume_share": share,
                "time_constant_slow": slow,
                "own_resistance_share": 0.35,
                "upstream_resistance": 1.0,
                "recoil_curvature": 0.03,
                "recoil_inflection": 12.0,
            }
        )
    return starts
