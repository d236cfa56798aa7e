"""Radau's method IIA: its numbers, and the linear algebra of many of its steps at once.

With the stages Y of a step from y0 and B the inverse of the method's matrix, a step says

    sum_j B_ij (y0 - Y_j) + h f(Y_i) = 0,   i = 1 .. s,   and the last stage is the step's end.

The stages are coupled by numbers only, so what is eliminated are two-by-two matrices: one for each
stage, step and case. Order 2 s - 1, L-stable: a lung that has long been empty costs no more than
any other, and a step from y0 to its end keeps account of the gas exactly.
Sizes: s stages, k steps, n cases.

References
----------
.. [1] Hairer E, Wanner G, Solving Ordinary Differential Equations II, 2nd ed., section IV.5
   (from memory; the coefficients are computed from the nodes, their order is tested).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.polynomial.legendre import legroots

#: Stages of a step. Measured on 600 lungs with memory at the same allowed error: with three 260
#: cases/s, with four to six 600 to 660.
STAGES = 4
ORDER = 2 * STAGES - 1

_left = np.zeros(STAGES + 1)
_left[-2:] = -1.0, 1.0
#: Where the stages lie in a step; the last one is its end.
NODES = np.sort(0.5 * (legroots(_left).real + 1.0))
NODES[-1] = 1.0
#: The start of a step and its stages.
POINTS = np.concatenate(([0.0], NODES))

_powers = np.arange(STAGES)
#: Integrals of the stages' polynomials up to each node.
INTEGRALS = (NODES[:, None] ** (_powers + 1) / (_powers + 1)) @ np.linalg.inv(
    NODES[:, None] ** _powers
)
INVERSE = np.linalg.inv(INTEGRALS)
WEIGHTS = INTEGRALS[-1]
#: Coefficients, by rising power, of the polynomial through the start of a step and its stages.
POLYNOMIAL = np.linalg.inv(POINTS[:, None] ** np.arange(STAGES + 1))

#: A two-by-two matrix is a tuple of four arrays, row by row; a multiple of the identity a float.
Matrix = Any

#: A vector is a pair of arrays, or one of shape (2, ...).
Pair = tuple[np.ndarray, np.ndarray]
Vector = Pair | np.ndarray


def between(values: Sequence[np.ndarray] | np.ndarray, share: np.ndarray) -> Any:
    """Return the value of the polynomial through start and stages, somewhere in the step.

    Parameters
    ----------
    values : sequence of ndarray, length s + 1
        At the start and the stages.
    share : ndarray
        Where, as a share of the step, in the shape of each of `values`.

    Examples
    --------
    >>> bool(np.isclose(between(POINTS**2, 0.3), 0.09))
    True
    """
    total = 0.0
    for coefficients in POLYNOMIAL[::-1]:
        total = total * share + sum(c * v for c, v in zip(coefficients, values, strict=True))
    return total


def times(one: Matrix, other: Matrix) -> Matrix:
    """Return the product of two matrices.

    Examples
    --------
    >>> times((1.0, 2.0, 3.0, 4.0), 2.0)
    (2.0, 4.0, 6.0, 8.0)
    """
    if isinstance(one, float):
        one, other = other, one
    if isinstance(other, float):
        return one * other if isinstance(one, float) else tuple(other * entry for entry in one)
    a, b, c, d = one
    e, f, g, h = other
    return a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h


def minus(one: Matrix, other: Matrix) -> Matrix:
    """Return the difference of two matrices.

    Examples
    --------
    >>> minus(1.0, (1.0, 2.0, 3.0, 4.0))
    (0.0, -2.0, -3.0, -3.0)
    """
    if isinstance(one, float):
        a, b, c, d = other
        return one - a, -b, -c, one - d
    if isinstance(other, float):
        a, b, c, d = one
        return a - other, b, c, d - other
    return tuple(p - q for p, q in zip(one, other, strict=True))


def inverse(matrix: Matrix) -> Matrix:
    """Return the inverse of a matrix.

    Examples
    --------
    >>> inverse((2.0, 0.0, 0.0, 4.0))
    (0.5, -0.0, -0.0, 0.25)
    """
    a, b, c, d = matrix
    over = 1.0 / (a * d - b * c)
    return d * over, -b * over, -c * over, a * over


def apply(matrix: Matrix, vector: Vector) -> Pair:
    """Return the product of a matrix and a vector, a tuple of two arrays.

    Examples
    --------
    >>> apply((1.0, 2.0, 3.0, 4.0), (1.0, 1.0))
    (3.0, 7.0)
    """
    if isinstance(matrix, float):
        return matrix * vector[0], matrix * vector[1]
    a, b, c, d = matrix
    return a * vector[0] + b * vector[1], c * vector[0] + d * vector[1]


def less(one: Vector, other: Vector) -> Pair:
    """Return the difference of two vectors."""
    return one[0] - other[0], one[1] - other[1]


class Steps:
    """Linearised steps: how a change at their start carries over to the stages and the end.

    Parameters
    ----------
    length : ndarray, shape (k, n)
        Of each step [s].
    slopes : tuple of four ndarray, shape (s, k, n)
        Derivatives of the two rates by the two states at the stages, row by row.
    miss : ndarray, shape (2, s, k, n)
        What each stage's equation is off.
    """

    def __init__(
        self,
        length: np.ndarray,
        slopes: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
        miss: np.ndarray,
    ) -> None:
        every = range(STAGES)
        self.rows: list[list[Matrix]] = [[float(b) for b in row] for row in INVERSE]
        for i in every:
            own = tuple(length * slope[i] for slope in slopes)
            self.rows[i][i] = minus(float(INVERSE[i, i]), own)
        self.right = [(miss[0, i], miss[1, i]) for i in every]
        self.pull: list[Matrix] = [float(row.sum()) for row in INVERSE]
        self.own = []
        for i in every:
            self.own.append(inverse(self.rows[i][i]))
            for below in range(i + 1, STAGES):
                factor = times(self.rows[below][i], self.own[i])
                for j in range(i + 1, STAGES):
                    self.rows[below][j] = minus(self.rows[below][j], times(factor, self.rows[i][j]))
                self.right[below] = less(self.right[below], apply(factor, self.right[i]))
                self.pull[below] = minus(self.pull[below], times(factor, self.pull[i]))
        #: the end of a step is carry x start + shift; shapes (k, 2, 2, n) and (k, 2, n)
        a, b, c, d = times(self.own[-1], self.pull[-1])
        self.carry = np.stack((np.stack((a, b), axis=1), np.stack((c, d), axis=1)), axis=1)
        self.shift = np.stack(apply(self.own[-1], self.right[-1]), axis=1)

    def whole(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the matrix (2, 2, n) and vector (2, n) that carry a change through all steps."""
        # the vector rides along as a third column
        total = np.zeros((2, 3, self.shift.shape[-1]))
        total[0, 0] = total[1, 1] = 1.0
        for here, push in zip(self.carry, self.shift, strict=True):
            total = here[:, :1] * total[0] + here[:, 1:] * total[1]
            total[:, 2] += push
        return total[:, :2], total[:, 2]

    def stages(self, start: np.ndarray) -> np.ndarray:
        """Return changes of the stages, shape (2, s, k, n), after one of `start` (2, n)."""
        steps, _, n = self.shift.shape
        before = np.empty((2, steps, n))
        now = start
        for number, (here, push) in enumerate(zip(self.carry, self.shift, strict=True)):
            before[:, number] = now
            now = here[:, 0] * now[0] + here[:, 1] * now[1] + push
        change = np.empty((2, STAGES, steps, n))
        for i in reversed(range(STAGES)):
            pushed = apply(self.pull[i], before)
            right = (self.right[i][0] + pushed[0], self.right[i][1] + pushed[1])
            for j in range(i + 1, STAGES):
                right = less(right, apply(self.rows[i][j], change[:, j]))
            change[0, i], change[1, i] = apply(self.own[i], right)
        return change
