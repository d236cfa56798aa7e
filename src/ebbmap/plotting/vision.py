"""How far apart two colours are, for eyes with all cones and for eyes that lack one kind.

References
----------
.. [1] Simulated deuteranopia and protanopia: Machado, Oliveira and Fernandes, IEEE Transactions on
   Visualization and Computer Graphics 2009;15:1291, matrices for severity 1 (from memory).
.. [2] Differences: CIE 1976, Euclidean distance in L*a*b* under D65.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from types import MappingProxyType
from typing import Any

import numpy as np
from matplotlib.colors import to_rgb

#: Least difference of two colours that must be told apart.
APART = 12.0

#: On linear light; the identity for eyes with all cones.
_CONES: Mapping[str, np.ndarray] = MappingProxyType(
    {
        "all cones": np.eye(3),
        "deuteranopia": np.array(
            [
                [0.367322, 0.860646, -0.227968],
                [0.280085, 0.672501, 0.047413],
                [-0.011820, 0.042940, 0.968881],
            ]
        ),
        "protanopia": np.array(
            [
                [0.152286, 1.052583, -0.204868],
                [0.114503, 0.786281, 0.099216],
                [-0.003882, -0.048116, 1.051998],
            ]
        ),
    }
)

#: From linear sRGB to XYZ, and the white of D65.
_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = np.array([0.9505, 1.0, 1.089])

EYES = tuple(_CONES)


def on_white(colour: str, opacity: float) -> tuple[float, ...]:
    """Return the colour of a translucent area on white paper."""
    return tuple(opacity * part + 1.0 - opacity for part in to_rgb(colour))


def difference(first: object, second: object, eyes: str = "all cones") -> float:
    """Return the difference of two colours as some eyes see them.

    Parameters
    ----------
    first, second : colour
        As matplotlib names it.
    eyes : str
        One of `EYES`.

    Examples
    --------
    >>> round(difference("white", "black"), 1)
    100.0
    >>> difference("#c00000", "#006000") > 3 * difference("#c00000", "#006000", "deuteranopia")
    True
    """
    return float(np.linalg.norm(_lab(first, eyes) - _lab(second, eyes)))


def least_difference(colours: Sequence[object]) -> tuple[float, tuple[object, object], str]:
    """Return the least difference of any two colours for any eyes, which two, and whose eyes."""
    return min(
        (
            (difference(one, other, eyes), (one, other), eyes)
            for one, other in combinations(colours, 2)
            for eyes in EYES
        ),
        key=lambda found: found[0],
    )


def _lab(colour: Any, eyes: str) -> np.ndarray:
    light: np.ndarray = np.array(to_rgb(colour))
    linear = np.where(light <= 0.04045, light / 12.92, ((light + 0.055) / 1.055) ** 2.4)
    seen = np.clip(_CONES[eyes] @ linear, 0.0, 1.0)
    share = (_XYZ @ seen) / _WHITE
    root = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])
