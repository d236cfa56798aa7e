"""Pressures, flow and volume over time, from the polynomials of a cycle's steps.

Sizes: n cases, t time points.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ebbmap.array import broadcast_to, clip, maximum, take_along_axis, where
from ebbmap.lungs.whole.collocation import combine
from ebbmap.lungs.whole.mesh import SMALLEST, Drive
from ebbmap.lungs.whole.newton import Course
from ebbmap.lungs.whole.outcomes import horner, look
from ebbmap.units import ML_PER_L


def draw(
    course: Course, drive: Drive, values: Mapping[str, np.ndarray], times: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the signals of a cycle at times (t,) from its start, shape (n, t) each."""
    lung, frame = course.network, course.frame
    t_high = drive.duration[0]
    since = times[:, None] - t_high
    released = since >= 0.0
    within = where(released, since, broadcast_to(times[:, None], since.shape))
    # the last step of the phase that has begun by then
    step = where(
        released,
        frame.top + (frame.starts[None, frame.top :] <= within[:, None]).sum(axis=1),
        (frame.starts[None, : frame.top] <= within[:, None]).sum(axis=1),
    )
    step = maximum(step - 1, 0)
    length = take_along_axis(frame.lengths, step, 0)
    place = (within - take_along_axis(frame.starts, step, 0)) / maximum(length, SMALLEST)
    place = clip(place, 0.0, 1.0)
    seen = look(course, drive)
    volume, spread = (
        horner(take_along_axis(combine(frame.method.polynomial, signal), step[None], 1), place)[0]
        for signal in (seen.volume, seen.spread)
    )
    airway = where(released, drive.airway(1, within), drive.airway(0, within))
    flow = course.flow_at(drive, step, airway, volume, spread)
    p_low = values["p_low"]
    signals = {
        "airway_pressure": p_low + airway,
        "alveolar_pressure": p_low + lung.alveoli(volume, spread),
        "flow": flow,
        "volume": ML_PER_L * (volume + lung.compliance * p_low),
        "alveolar_pressure_fast": p_low + lung.fast_alveoli(volume, spread),
        "alveolar_pressure_slow": p_low + lung.slow_pressure(volume, spread),
    }
    return {name: signal.T for name, signal in signals.items()}
