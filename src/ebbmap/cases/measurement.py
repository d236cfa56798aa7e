"""Virtual measurement: what a bedside would read on a model lung, by the published manoeuvres.

A lung is ventilated with constant flow, as in the published series, until breath follows breath
unchanged. Then it is measured as patients were: the plateau after an end-inspiratory hold gives
static compliance and inspiratory resistance, the passive expiration gives time constants from
volume over flow, an end-expiratory hold gives auto-PEEP. Numbers that were published this way can
only be compared with numbers found this way: a resistance read at the flow of the inflation holds
the tube at that flow, a time constant read early in an expiration holds little of the slow part.

While the flow is constant, and while it is stopped, the circuit has a closed form; expiration is
solved as the whole lung's release is. Lungs with a straight recoil and no memory of their own can
be measured: linear, tube, paired and whole. Sizes: n cases, v volumes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ebbmap.cases.evaluate import resolve
from ebbmap.errors import EbbmapError
from ebbmap.lungs import Lung, lung_model
from ebbmap.lungs.whole.collocation import combine
from ebbmap.lungs.whole.mesh import FASTEST_VALVE, Drive
from ebbmap.lungs.whole.network import Network, network
from ebbmap.lungs.whole.newton import Course, run
from ebbmap.lungs.whole.outcomes import Seen, horner, limited_gas, look, peak_flow
from ebbmap.units import L_PER_ML, S_PER_MIN

#: Newton steps at most towards a breath that ends as it began. Its map is nearly linear, less so
#: where the lung hardly empties.
BREATHS = 12

#: A breath has settled if its end moves by less than this from one to the next [cmH2O].
SETTLED = 1e-6

#: Halvings that find when a volume is left, and what follows them by Newton's method.
HALVINGS, POLISH = 6, 4

#: The slow part of a lung that has none, and its time constant [s], which then means nothing.
NO_SLOW_PART = {"slow_volume_share": 0.0, "time_constant_slow": 1.0, "slow_tissue_share": 0.0}

#: Cases at a time.
BLOCK = 512


@dataclass(frozen=True)
class Breath:
    """A conventional breath with constant flow, and the holds of its measurement.

    Parameters
    ----------
    tidal_volume : array_like, shape (n,)
        [mL], > 0.
    flow : array_like, shape (n,)
        While the breath goes in [L s-1], > 0.
    rate : array_like, shape (n,)
        [min-1]; a breath must leave time to breathe out.
    peep : array_like, shape (n,)
        Set end-expiratory pressure [cmH2O], >= 0.
    pause : array_like, shape (n,)
        At the end of each inspiration [s], >= 0.
    hold : array_like, shape (n,)
        Length of the end-inspiratory and the end-expiratory hold [s], >= 0.
    valve_time : array_like, shape (n,)
        Time constant of the expiratory valve [s], >= 0.
    """

    tidal_volume: np.ndarray | float = 500.0
    flow: np.ndarray | float = 0.8
    rate: np.ndarray | float = 15.0
    peep: np.ndarray | float = 5.0
    pause: np.ndarray | float = 0.0
    hold: np.ndarray | float = 3.0
    valve_time: np.ndarray | float = 0.0

    @property
    def inspiration(self) -> Any:
        """Time in which the breath goes in [s]."""
        return np.asarray(self.tidal_volume) * L_PER_ML / np.asarray(self.flow)

    @property
    def expiration(self) -> Any:
        """Time from the end of the pause to the next breath [s]."""
        return S_PER_MIN / np.asarray(self.rate) - self.inspiration - np.asarray(self.pause)

    def check(self) -> None:
        """Refuse a breath that cannot be.

        Raises
        ------
        EbbmapError
            If a value is out of its bounds, or no time is left to breathe out.
        """
        positive = ("tidal_volume", "flow", "rate")
        for name in ("tidal_volume", "flow", "rate", "peep", "pause", "hold", "valve_time"):
            values = np.asarray(getattr(self, name), dtype=float)
            bad = ~(values > 0.0) if name in positive else ~(values >= 0.0)
            if bad.any():
                sign = ">" if name in positive else ">="
                value = values[bad].flat[0] if values.ndim else float(values)
                raise EbbmapError(f"{name} must be {sign} 0; got {value:g}. Correct the breath.")
        left = np.asarray(self.expiration)
        if not np.all(left > 0.0):
            raise EbbmapError(
                f"a breath must leave time to breathe out; got {float(np.min(left)):.3g} s. "
                "Lower the rate or the tidal volume, or raise the flow."
            )


class Settled(NamedTuple):
    """A settled breath; each shape (n,), pressures above PEEP [cmH2O], volumes [L]."""

    volume: np.ndarray
    """As the expiration begins, above that at PEEP."""
    spread: np.ndarray
    course: Course
    seen: Seen
    drive: Drive
    settled: np.ndarray


def circuit_of(lung: Lung, values: Mapping[str, np.ndarray]) -> Network:
    """Return the circuit that a lung model is.

    Parameters
    ----------
    lung : Lung
        The linear, tube, paired or whole lung.
    values : mapping of str to ndarray, shape (n,)
        Its parameters.

    Raises
    ------
    EbbmapError
        If the lung cannot be measured.
    """
    own = {name: np.asarray(values[name], dtype=float) for name in lung.parameters}
    if lung.name == "paired":
        fast, slow = own["compliance_fast"], own["compliance_slow"]
        resistance_fast = own["resistance_fast"]
        both = [own[f"resistance_shared_{way}"] + resistance_fast for way in ("insp", "exp")]
        return network(
            compliance=fast + slow,
            slow_volume_share=slow / (fast + slow),
            time_constant_slow=own["resistance_slow"] * slow * L_PER_ML,
            resistance_insp=both[0],
            resistance_exp=both[1],
            own_resistance_share=resistance_fast / np.minimum(*both),
            resistance_quadratic=np.zeros_like(fast),
            slow_tissue_share=np.zeros_like(fast),
        )
    if lung.name not in ("linear", "tube", "whole"):
        raise EbbmapError(
            f"the lung {lung.name!r} cannot be measured: its recoil bends or it has a memory. "
            "Use linear, tube, paired or whole."
        )
    none = ("own_resistance_share", "resistance_quadratic", "upstream_resistance")
    missing = {**NO_SLOW_PART, **dict.fromkeys(none, 0.0)}
    names = ("compliance", "resistance_insp", "resistance_exp", *missing)
    filled = {name: own.get(name, np.asarray(missing.get(name))) for name in names}
    return network(**{name: value + 0.0 * own["compliance"] for name, value in filled.items()})


def measure(
    lung: str,
    values: Mapping[str, np.ndarray],
    breath: Breath,
    *,
    left: float = 0.75,
    slices: int = 5,
) -> dict[str, np.ndarray]:
    """Measure lungs as patients were.

    Parameters
    ----------
    lung : str
        Name of a lung model: linear, tube, paired or whole.
    values : mapping of str to array_like, shape (n,)
        Its parameters, or what derives them; the rest at their defaults. Settings are left out.
    breath : Breath
        How the lungs are ventilated while they are measured.
    left : float
        Share of the expired volume that is still to come where volume is divided by flow.
    slices : int
        Parts of equal volume into which the expiration is cut from its greatest flow on, >= 1.

    Returns
    -------
    dict of str to ndarray
        `static_compliance` [mL cmH2O-1]: tidal volume over plateau less total PEEP, both after
        the hold. `resistance_insp` [cmH2O s L-1]: peak less plateau pressure, over the flow.
        `resistance_interrupter` [cmH2O s L-1]: the same with the pressure just after the flow has
        stopped. `time_constant_exp` [s]: volume still to be expired over flow, where the share
        `left` of the expired volume is left. `auto_peep` [cmH2O]: pressure after the
        end-expiratory hold, above PEEP. `flow_limited_share` [1]: share of the expired gas that
        leaves at limited flow. `peak_expiratory_flow` [L s-1]. Shape (n,) each; and
        `time_constant_slices` [s], shape (n, slices), from early to late: fall of volume over
        fall of flow across each slice. NaN where the breath did not settle.

    Raises
    ------
    EbbmapError
        If the lung cannot be measured, or the breath cannot be.

    References
    ----------
    .. [1] Guttmann J et al., Eur Respir J 1995;8:114-120 (abstract read): time constants over
       five slices of the expired volume.
    .. [2] Volume over flow at 75 % of the expired tidal volume: the method of Arnal's series, as
       transcriptions give it; taken here as 75 % left to expire.

    Examples
    --------
    >>> lung = dict(compliance=50.0, resistance_insp=10.0, resistance_exp=12.0)
    >>> read = measure("linear", lung, Breath(rate=10.0))
    >>> round(float(read["static_compliance"]), 6), round(float(read["resistance_insp"]), 6)
    (50.0, 10.0)
    """
    breath.check()
    model = lung_model(lung)
    given = {name: np.asarray(value, dtype=float) for name, value in values.items()}
    return _in_blocks(model, resolve(given, model.parameters), breath, left, slices)


def _in_blocks(
    model: Lung, own: Mapping[str, np.ndarray], breath: Breath, left: float, slices: int
) -> dict[str, np.ndarray]:
    """Read all lungs, block by block."""
    names = tuple(breath.__dataclass_fields__)
    arrays = np.broadcast_arrays(
        *own.values(), *(np.asarray(getattr(breath, name), dtype=float) for name in names)
    )
    shape = arrays[0].shape
    flat = dict(zip((*own, *names), (array.ravel() for array in arrays), strict=True))
    alike = _apart(flat)
    readings = []
    blocks = [some[start : start + BLOCK] for some in alike for start in range(0, some.size, BLOCK)]
    for chosen in blocks or alike[:1]:
        block = {name: array[chosen] for name, array in flat.items()}
        breaths = Breath(**{name: block[name] for name in names})
        readings.append(_read(circuit_of(model, block), breaths, left, slices))
    back = np.argsort(np.concatenate(alike))
    joined = {name: np.concatenate([r[name] for r in readings])[back] for name in readings[0]}
    return {name: value.reshape((*shape, *value.shape[1:])) for name, value in joined.items()}


def _apart(flat: dict[str, np.ndarray]) -> list[np.ndarray]:
    """Return which lungs can have no limited flow and which can, as these take longer to solve.

    The former lose their limit: while the pressure at the airway opening is at or above
    atmosphere, their driven flow is below it.
    """
    upstream = flat.get("upstream_resistance")
    if upstream is None:
        return [np.arange(flat["flow"].size)]
    can = upstream > flat["resistance_exp"]
    flat["upstream_resistance"] = np.where(can, upstream, 0.0)
    return [np.flatnonzero(~can), np.flatnonzero(can)]


def _read(lung: Network, breath: Breath, left: float, slices: int) -> dict[str, np.ndarray]:
    """Read all measurements off a settled breath."""
    breath_end = _settle(lung, breath)
    course, flow = breath_end.course, np.asarray(breath.flow)
    end_volume, end_spread = course.volume[-1], course.spread[-1]
    top_volume, top_spread = _filled(lung, breath, end_volume, end_spread)
    faded = np.exp(-lung.fade * np.asarray(breath.hold))
    stopped = top_volume / lung.compliance + lung.link * top_spread
    resistance = lung.resistance_insp + lung.resistance_quadratic * flow
    plateau = top_volume / lung.compliance + lung.link * top_spread * faded
    total = end_volume / lung.compliance + lung.link * end_spread * faded
    peak = stopped + resistance * flow
    expired = breath_end.volume - end_volume
    fastest, at_fastest = peak_flow(course, breath_end.drive, breath_end.seen)
    # the slices begin where the flow is greatest: until then the valve is still opening
    sliced = at_fastest - end_volume
    cuts = np.linspace(1.0, 0.0, slices + 1)[1:-1, None] * sliced
    flows = _flow_with_left(breath_end, np.concatenate([(left * expired)[None], cuts]))
    edges = np.stack([fastest, *flows[1:], -course.flow[-1, -1]])
    # a lung whose flow never turns has no slices
    with np.errstate(divide="ignore", invalid="ignore"):
        taus = (sliced / slices) / (edges[:-1] - edges[1:])
    reading = {
        "static_compliance": np.asarray(breath.tidal_volume) / (plateau - total),
        "resistance_insp": (peak - plateau) / flow,
        "resistance_interrupter": (peak - stopped) / flow,
        "time_constant_exp": left * expired / flows[0],
        "auto_peep": total,
        "flow_limited_share": limited_gas(course) / expired,
        "peak_expiratory_flow": fastest,
        "time_constant_slices": taus.T,
    }
    for value in reading.values():
        value[~breath_end.settled] = np.nan
    return reading


def _filled(
    lung: Network, breath: Breath, volume: np.ndarray, spread: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the volume and spread at the end of the inflation, from those at its start."""
    inspiration = breath.inspiration
    left = np.exp(-lung.fade * inspiration)
    fed = lung.feed * np.asarray(breath.flow) * -np.expm1(-lung.fade * inspiration) / lung.fade
    return volume + np.asarray(breath.tidal_volume) * L_PER_ML, spread * left + fed


def _expired(
    lung: Network, breath: Breath, volume: np.ndarray, spread: np.ndarray
) -> tuple[Drive, Course]:
    """Run an expiration: a release without a T high before it."""
    pause, flow = np.asarray(breath.pause), np.asarray(breath.flow)
    stopped = volume / lung.compliance + lung.link * spread
    resisted = (lung.resistance_insp + lung.resistance_quadratic * flow) * flow
    airway = stopped + np.where(pause > 0.0, 0.0, resisted)
    slow = np.asarray(breath.valve_time) > FASTEST_VALVE
    none = np.zeros_like(airway)
    drive = Drive(
        duration=np.stack([none, breath.expiration + none]),
        target=np.stack([none, none]),
        begun=np.stack([airway, airway]),
        valve_time=np.where(slow, breath.valve_time, 1.0) + none,
        slow_valve=slow | (none > 0.0),
        atmosphere=-np.asarray(breath.peep) + none if np.any(lung.limited_resistance) else None,
    )
    return drive, run(lung, drive, (volume, spread), coarse=5, fine=3)


def _settle(lung: Network, breath: Breath) -> Settled:
    """Find the breath that ends as it began, by Newton's method on its map."""
    volume = spread = np.zeros_like(np.asarray(breath.flow) * lung.compliance)
    pause_left = np.exp(-lung.fade * np.asarray(breath.pause))
    kept = pause_left * np.exp(-lung.fade * breath.inspiration)
    for _ in range(BREATHS):
        start_volume, top_spread = _filled(lung, breath, volume, spread)
        start_spread = top_spread * pause_left
        drive, course = _expired(lung, breath, start_volume, start_spread)
        miss = course.volume[-1] - volume, course.spread[-1] - spread
        (a, b), (c, d) = course.memory
        # of the whole breath: the inflation adds to the volume and lets the spread fade
        a, b, c, d = a - 1.0, b * kept, c, d * kept - 1.0
        off = np.abs(miss[0]) / lung.compliance + np.abs(lung.link * miss[1])
        settled = course.settled & (off <= SETTLED)
        if settled.all():
            break
        determinant = a * d - b * c
        volume = volume - (d * miss[0] - b * miss[1]) / determinant
        spread = spread - (a * miss[1] - c * miss[0]) / determinant
    return Settled(start_volume, start_spread, course, look(course, drive), drive, settled)


def _flow_with_left(breath: Settled, volumes: np.ndarray) -> np.ndarray:
    """Return the expiratory flow [L s-1] with volumes still to be expired, shape (v, n) each."""
    course = breath.course
    frame, one = course.frame, course.frame.method
    flows = []
    for volume in volumes + course.volume[-1]:
        ends = course.volume[1:][frame.top :]
        step = np.minimum((ends > volume).sum(axis=0), ends.shape[0] - 1)[None]
        held, apart = (
            combine(one.polynomial, np.take_along_axis(part[:, frame.top :], step[None], 1)[:, 0])
            for part in breath.seen[1:]
        )
        low, high = np.zeros_like(volume), np.ones_like(volume)
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            above = horner(held, middle)[0] > volume
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        place = 0.5 * (low + high)
        for _ in range(POLISH):
            value, slope = horner(held, place)
            move = np.where(slope < 0.0, (value - volume) / np.where(slope < 0.0, slope, 1.0), 0.0)
            place = np.clip(place - move, low, high)
        start, length = (
            np.take_along_axis(part[frame.top :], step, 0)[0]
            for part in (frame.starts, frame.lengths)
        )
        airway = breath.drive.airway(1, start + place * length)
        inside = (horner(part, place)[0][None] for part in (held, apart))
        step = step + frame.top
        flows.append(-course.flow_at(breath.drive, step, airway[None], *inside)[0])
    return np.stack(flows)
