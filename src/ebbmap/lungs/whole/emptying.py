"""How long gas stays in a lung whose flow may be limited, in an endless release of a full lung.

Without the quadratic part of the resistance both parts of such a release, limited and not, are sums
of two exponentials; between them lies the moment when the recoil has fallen so far that the
airway's own resistance lets out less. Sizes: n cases.
"""

from __future__ import annotations

import numpy as np

from ebbmap.array import exp, where, zeros_like
from ebbmap.lungs.whole.mesh import Drive
from ebbmap.lungs.whole.network import Network

#: Halvings that find when the limit ends in an endless release.
HALVINGS = 60

#: Longest time in which that is sought, in late time constants.
LONGEST = 60.0


def emptying_time(network: Network, drive: Drive) -> np.ndarray:
    """Mean time that gas stays in an endless release of a lung full at P high, tube apart [s].

    The limit holds until the recoil has fallen to where the airway's own resistance lets out less.
    """
    full, own = drive.target[0], network.resistance_exp
    held = where(network.limited_resistance > own, network.limited_resistance, 2.0 * own)
    meets = -drive.atmosphere * own / (held - own)
    limited = (network.limited_resistance > own) & (meets < full)
    volume, spread = network.compliance * (full - drive.atmosphere), zeros_like(full)
    low, high = zeros_like(full), LONGEST * network.times(held)[1]
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        there = _emptied(network, held, volume, spread, middle)
        behind = there[0] / network.compliance + network.link * there[1] + drive.atmosphere
        low, high = where(behind > meets, middle, low), where(behind > meets, high, middle)
    there = _emptied(network, held, volume, spread, high)
    first = _stay(network, held, volume, spread) - _stay(network, held, *there)
    # counted above what P low holds, in which the first part ends nowhere
    first = first + network.compliance * drive.atmosphere * high
    rest = there[0] + network.compliance * drive.atmosphere, there[1]
    both = (first + _stay(network, own, *rest)) / (network.compliance * full)
    return where(limited, both, network.emptying_time)


def _emptied(
    network: Network,
    resistance: np.ndarray,
    volume: np.ndarray,
    spread: np.ndarray,
    time: np.ndarray,
) -> list[np.ndarray]:
    """Volume [L] and spread [cmH2O] some time into a release to no pressure."""
    quick, late = network.times(resistance)
    flow = (volume / network.compliance + network.link * spread) / -resistance
    slopes = flow, network.feed * flow - network.fade * spread
    # y(t) = late part + quick part, each from y(0) and y'(0)
    fast, slow = 1.0 / quick, 1.0 / late
    apart = where(fast == slow, 1.0, fast - slow)
    parts = []
    for value, slope in zip((volume, spread), slopes, strict=True):
        lasting = (fast * value + slope) / apart
        parts.append(lasting * exp(-slow * time) + (value - lasting) * exp(-fast * time))
    return parts


def _stay(
    network: Network, resistance: np.ndarray, volume: np.ndarray, spread: np.ndarray
) -> np.ndarray:
    """Integral of the volume over an endless release to no pressure [L s]."""
    apart = (spread - network.feed * volume) / network.fade
    return network.compliance * (resistance * volume - network.link * apart)
