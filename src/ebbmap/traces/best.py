"""The lung that fits a trace best, with its disturbances and its noise.

Sizes: d properties, b bins, m disturbances, r samples.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ebbmap.errors import EbbmapError
from ebbmap.kernels.descent import descend
from ebbmap.lungs import Lung
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.traces.cycles import Cycles
from ebbmap.traces.disturbances import longer_period, with_disturbances
from ebbmap.traces.misfit import Misfit
from ebbmap.traces.models import Scale
from ebbmap.traces.starts import starts_of

#: Rounds in which the switches and the period are moved to where the flow puts them, and when that
#: is over, in samples.
ROUNDS, MOVED = 8, 0.01

#: Least noise of flow [L s-1]: what a file with few digits cannot hold.
LEAST_NOISE = 1e-4

#: Residuals count as independent below this autocorrelation time, in samples.
INDEPENDENT = 1.15


@dataclass(frozen=True)
class Best:
    """The best fit of one lung model.

    Parameters
    ----------
    misfit : Misfit
        With disturbances as they are near the best fit.
    place : ndarray, shape (d,)
        Its coordinates.
    slopes : ndarray, shape (b + d, d)
        Of the residuals there.
    names : tuple of str
        Of the disturbances.
    found, errors : ndarray, shape (m,)
        The disturbances and their standard errors, in prior standard deviations.
    noise : float
        Standard deviation of a sample of flow [L s-1].
    memory : float
        Autocorrelation time of the residuals, in samples; 1 for white noise.
    """

    misfit: Misfit
    place: np.ndarray
    slopes: np.ndarray
    names: tuple[str, ...]
    found: np.ndarray
    errors: np.ndarray
    noise: float
    memory: float

    @property
    def values(self) -> dict[str, float]:
        """Properties of the lung, in registry units."""
        scale = self.misfit.scale
        return dict(zip(scale.properties, scale.table(self.place[None])[0].tolist(), strict=True))


def find_best(
    lung: Lung,
    scale: Scale,
    cycles: Cycles,
    held: Mapping[str, float],
    *,
    wide: tuple[str, ...] = (),
) -> Best:
    """Find the lung that fits best.

    Parameters
    ----------
    lung, scale, cycles, held, wide
        As in `Misfit`.

    Raises
    ------
    EbbmapError
        If the model gives no flow anywhere near the trace.
    """
    misfit = Misfit(lung, scale, cycles, held, _rough_noise(cycles), wide=wide)
    place, places = _lowest(misfit, starting_places(scale, cycles))
    names: tuple[str, ...] = ()
    for _ in range(ROUNDS):
        misfit, names = with_disturbances(misfit, place)
        place, _ = _lowest(misfit, np.concatenate([place[None], places]))
        # which valley is deepest, disturbances taken out, is told by now
        places = np.empty((0, place.size))
        moves = _moves(misfit, names, place)
        longer = longer_period(misfit, place)
        misfit = replace(misfit, noise=_noise(misfit, place))
        if max(*map(abs, moves), cycles.count * abs(longer)) < MOVED * cycles.interval:
            break
        if cycles.count * abs(longer) >= MOVED * cycles.interval:
            misfit = misfit.retimed(longer)
        elif misfit.cycles.settled or "up" in names:
            misfit = misfit.shifted(*moves)
    return _finished(misfit, place)


def supposing(best: Best, wide: tuple[str, ...], place: np.ndarray) -> Best:
    """Return the best fit with other disturbances supposed to be large, begun from a lung.

    Parameters
    ----------
    best : Best
        Under another supposition.
    wide : tuple of str
        As in `Misfit`.
    place : ndarray, shape (d,)
        Coordinates to begin from.
    """
    return _finished(replace(best.misfit, wide=wide), place)


def _finished(misfit: Misfit, place: np.ndarray) -> Best:
    """Return the best fit near a lung, the noise widened by what residuals remember."""
    misfit, names = with_disturbances(misfit, place)
    noise = _noise(misfit, place)
    memory = autocorrelation_time(misfit.sample_residuals(place))
    effective = noise * np.sqrt(memory if memory > INDEPENDENT else 1.0)
    misfit = replace(misfit, noise=float(effective))
    done = descend(misfit.residuals, place[None], misfit.scale.box)
    place = misfit.scale.in_order(done.place[0])
    if not np.array_equal(place, done.place[0]):
        done = descend(misfit.residuals, place[None], misfit.scale.box)
        place = done.place[0]
    found, errors = misfit.found_disturbances(place)
    return Best(misfit, place, done.slopes[0], names, found, errors, noise, memory)


def starting_places(scale: Scale, cycles: Cycles) -> np.ndarray:
    """Return coordinates to begin from, shape (s, d); the prior's middle is among them."""
    starts = [scale.place({**defaults(scale.names), **one}) for one in starts_of(cycles)]
    known = np.array([name in scale.held_by for name in scale.names])
    if known.any():
        starts.append(np.where(known, 0.0, starts[0]))
    places: np.ndarray = np.unique(np.array(starts), axis=0)
    return places


def defaults(names: Iterable[str]) -> dict[str, float]:
    """Return the registry's defaults of some parameters."""
    return {name: PARAMETERS[name].default for name in names}


def _lowest(misfit: Misfit, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the lowest place that descents reach, shape (d,), and where all of them end."""
    done = descend(misfit.residuals, places, misfit.scale.box)
    if not np.isfinite(done.misfit).any():
        raise EbbmapError(
            f"the lung {misfit.lung.name} has no flow near this trace. Check units and the levels "
            "of pressure, or fit another lung."
        )
    return misfit.scale.in_order(done.place[int(np.argmin(done.misfit))]), done.place


def _rough_noise(cycles: Cycles) -> float:
    """Return the noise of flow as neighbouring samples show it [L s-1]."""
    steps = np.diff(cycles.flow, n=2)
    return max(float(1.4826 * np.median(np.abs(steps - np.median(steps))) / 6.0**0.5), 2e-3)


def _noise(misfit: Misfit, place: np.ndarray) -> float:
    left = misfit.sample_residuals(place)
    freedom = max(left.size - place.size - 3, 1)
    return max(float(np.sqrt(left @ left / freedom)), LEAST_NOISE)


def _moves(misfit: Misfit, names: tuple[str, ...], place: np.ndarray) -> tuple[float, float]:
    """Return by how much the switches lie later than taken [s]."""
    found, _ = misfit.found_disturbances(place)
    by = dict(zip(names, found * misfit.shift_doubt, strict=True))
    most = 0.5 * misfit.cycles.interval
    up, down = (
        float(np.clip(np.clip(by.get(name, 0.0), -most, most), *reach))
        for name, reach in zip(("up", "down"), misfit.cycles.reach, strict=True)
    )
    return up, down


def autocorrelation_time(series: np.ndarray) -> float:
    """Return how many samples count as one, at least 1.

    Notes
    -----
    1 + 2 sum of autocorrelations, up to where they end to be worth their own noise (the window of
    Sokal, five times the sum).

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> white = autocorrelation_time(rng.normal(size=4000))
    >>> smooth = autocorrelation_time(np.convolve(rng.normal(size=4000), np.ones(8)))
    >>> white < 1.3, 6.0 < smooth < 10.0
    (True, True)
    """
    centred = series - series.mean()
    size = centred.size
    if size < 8 or not np.any(centred):
        return 1.0
    power = np.abs(np.fft.rfft(centred, 2 * size)) ** 2
    correlation = np.fft.irfft(power)[: size // 2]
    total = 2.0 * np.cumsum(correlation / correlation[0]) - 1.0
    inside = np.arange(total.size) >= 5.0 * np.maximum(total, 1.0)
    window = int(np.argmax(inside)) if inside.any() else total.size - 1
    return float(max(total[window], 1.0))
