"""Tables of smooth functions at Chebyshev nodes, and what they say between the nodes.

A function of d variables on a box is solved once at a grid of nodes and then read anywhere in the
box as a sum of products of Chebyshev polynomials.
Sizes: d variables with n1 .. nd nodes, m cases, k functions.

References
----------
.. [1] Trefethen LN, Approximation Theory and Approximation Practice, SIAM 2013, chapters 2 to 4
   (from memory): interpolation at Chebyshev nodes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev


@dataclass(frozen=True)
class Side:
    """A side of the box.

    Parameters
    ----------
    name : str
        What varies along it.
    low, high : float
        Its ends, in the variable's own unit; both above zero where it is logarithmic.
    nodes : int
        Places at which the function is solved.
    logarithmic : bool
        Whether places are spread evenly over the variable's logarithm.
    """

    name: str
    low: float
    high: float
    nodes: int
    logarithmic: bool = False

    def _scaled(self, values: np.ndarray) -> np.ndarray:
        return np.log(values) if self.logarithmic else np.asarray(values, dtype=float)

    def shares(self, values: np.ndarray) -> np.ndarray:
        """Return where values lie, from -1 at the low end to 1 at the high one.

        Examples
        --------
        >>> side = Side("t_low", 0.1, 1.6, 4, logarithmic=True)
        >>> side.shares(np.array([0.1, 0.2, 1.6])).round(9)
        array([-1. , -0.5,  1. ])
        """
        low, high = self._scaled(np.array([self.low, self.high]))
        shares: np.ndarray = (2.0 * self._scaled(values) - low - high) / (high - low)
        return shares

    @property
    def places(self) -> np.ndarray:
        """The nodes, in the variable's own unit, shape (nodes,)."""
        low, high = self._scaled(np.array([self.low, self.high]))
        scaled = 0.5 * (low + high) + 0.5 * (high - low) * _nodes(self.nodes)
        return np.exp(scaled) if self.logarithmic else scaled

    def drawn(self, uniform: np.ndarray) -> np.ndarray:
        """Return places spread evenly over the side, for numbers between 0 and 1."""
        low, high = self._scaled(np.array([self.low, self.high]))
        scaled = low + (high - low) * uniform
        return np.exp(scaled) if self.logarithmic else scaled


def _nodes(count: int) -> np.ndarray:
    """Zeros of the Chebyshev polynomial of a degree, shape (count,)."""
    return np.cos(np.pi * (np.arange(count) + 0.5) / count)


def coefficients(values: np.ndarray, sides: Sequence[Side]) -> np.ndarray:
    """Return the coefficients of functions that are known at the nodes.

    Parameters
    ----------
    values : ndarray, shape (..., n1, .., nd, k)
        The functions at every node.
    sides : sequence of Side
        The box.

    Returns
    -------
    ndarray
        Of the same shape.

    Examples
    --------
    >>> side = Side("x", 0.0, 1.0, 3)
    >>> coefficients(side.places[:, None] ** 2, [side]).ravel().round(3).tolist()
    [0.375, 0.5, 0.125]
    """
    found = np.asarray(values, dtype=float)
    first = found.ndim - 1 - len(sides)
    for place, side in enumerate(sides):
        basis = chebyshev.chebvander(_nodes(side.nodes), side.nodes - 1)
        turned = np.moveaxis(found, first + place, -1) @ np.linalg.inv(basis).T
        found = np.moveaxis(turned, -1, first + place)
    return found


def read(table: np.ndarray, sides: Sequence[Side], at: Sequence[np.ndarray]) -> np.ndarray:
    """Return what a table says between its nodes.

    Parameters
    ----------
    table : ndarray, shape (m, n1, .., nd, k)
        Coefficients of the table of each case.
    sides : sequence of Side
        The box.
    at : sequence of ndarray, shape (m,)
        Values of each variable.

    Returns
    -------
    ndarray, shape (m, k)
        NaN outside the box.

    Examples
    --------
    >>> side = Side("x", 0.0, 1.0, 3)
    >>> table = coefficients(side.places[:, None] ** 2, [side])
    >>> read(table[None], [side], [np.array([0.3])]).round(9).tolist()
    [[0.09]]
    """
    left, inside = table, True
    for side, values in zip(sides, at, strict=True):
        shares = side.shares(values)
        # ends are inside although they are rounded
        inside = inside & (np.abs(shares) <= 1.0 + 1e-9)
        weights = chebyshev.chebvander(shares, side.nodes - 1)
        left = np.einsum("mn,mn...->m...", weights, left)
    return np.where(np.asarray(inside)[:, None], left, np.nan)
