"""Collocation at Radau's points: a step's polynomial, its integrals, and a fading that is fed.

A step of length h knows a flow q at s points, the last of which is the step's end. Integrals of
the flow are h A q. What is fed by the flow and fades by itself, y' = q - fade y, is

    y = response(h fade) y0 + h gain(h fade) q,   gain(z) = (1 + z A)^-1 A,
    response(z) = (1 + z A)^-1 1,

rational functions of z, which are written in the eigenvalues of A: no matrix is inverted for each
case. Order 2 s - 1 at the end of a step and L-stable, so that a step may be as long as it likes
once the flow has died away. Sizes: s points, k steps, n cases.

References
----------
.. [1] Hairer E, Wanner G, Solving Ordinary Differential Equations II, 2nd ed., section IV.5
   (from memory; the coefficients are computed from the points, their order is tested).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import comb
from typing import Any, NamedTuple

import numpy as np
from numpy.polynomial.legendre import legroots

from ebbmap.array import Rows, concatenate, is_plain, sort, stack


class Method(NamedTuple):
    """The numbers of the method with s points."""

    points: np.ndarray
    """Where the points lie in a step, shape (s,); the last one is 1."""
    integrals: np.ndarray
    """A: integrals of the points' polynomials up to each point, shape (s, s)."""
    poles: tuple[tuple[float, float], ...]
    """Real and imaginary part of the eigenvalues of A, one of each conjugate pair."""
    gain: np.ndarray
    """From the numbers of `fractions` to the entries of gain, row by row, shape (s * s, s)."""
    response: np.ndarray
    """From the numbers of `fractions` to the entries of response, shape (s, s)."""
    apart: np.ndarray
    """From values at the points to the modes of A, real and imaginary parts, shape (s, s)."""
    joined: np.ndarray
    """From the modes back to the points, shape (s, s)."""
    polynomial: np.ndarray
    """To coefficients, by rising power, from values at the start and the points, (s + 1, s + 1)."""

    top: np.ndarray
    """To the highest coefficient in Legendre's polynomials, from values at the points, (s,)."""

    @property
    def stages(self) -> int:
        """Points in a step."""
        return self.points.size

    @property
    def weights(self) -> np.ndarray:
        """Weights of the points in the integral over a step, shape (s,)."""
        weights: np.ndarray = self.integrals[-1]
        return weights


def method(stages: int) -> Method:
    """Return the method with a number of points in each step.

    Examples
    --------
    >>> method(2).integrals.round(4).tolist()
    [[0.4167, -0.0833], [0.75, 0.25]]
    """
    legendre = np.zeros(stages + 1)
    legendre[-2:] = -1.0, 1.0
    points = sort(0.5 * (legroots(legendre).real + 1.0))
    points[-1] = 1.0
    powers = np.arange(stages)
    integrals = (points[:, None] ** (powers + 1) / (powers + 1)) @ np.linalg.inv(
        points[:, None] ** powers
    )
    values, vectors = np.linalg.eig(integrals)
    inverse = np.linalg.inv(vectors)
    poles, gain, response, apart, joined = [], [], [], [], []
    for number, value in enumerate(values):
        mode = np.outer(vectors[:, number], inverse[number])
        if abs(value.imag) < 1e-12:
            poles.append((float(value.real), 0.0))
            gain.append((mode * value).real)
            response.append(mode.real)
            apart.append(inverse[number].real)
            joined.append(vectors[:, number].real)
        elif value.imag > 0.0:
            # 1 / (1 + z value) is (1 + z conj(value)) over its squared size, as `fractions` has it
            poles.append((float(value.real), float(value.imag)))
            gain += [2.0 * (mode * value).real, 2.0 * mode.real * abs(value) ** 2]
            response += [2.0 * mode.real, 2.0 * (mode * value.conjugate()).real]
            apart += [inverse[number].real, inverse[number].imag]
            joined += [2.0 * vectors[:, number].real, -2.0 * vectors[:, number].imag]
    with_start = concatenate(([0.0], points))
    return Method(
        points,
        integrals,
        tuple(poles),
        np.array(gain).reshape(stages, -1).T.copy(),
        np.array(response).sum(axis=2).T.copy(),
        np.array(apart),
        np.array(joined).T.copy(),
        np.linalg.inv(with_start[:, None] ** np.arange(stages + 1)),
        np.linalg.inv(points[:, None] ** powers)[-1] / comb(2 * stages - 2, stages - 1),
    )


def fractions(one: Method, z: np.ndarray) -> list[np.ndarray]:
    """Return the numbers that gain and response are made of, s arrays of the shape (...) of z.

    Parameters
    ----------
    one : Method
        The method.
    z : ndarray, shape (...)
        Length of the step times the rate of fading [1], >= 0.
    """
    numbers: list[np.ndarray] = []
    for real, imaginary in one.poles:
        if imaginary == 0.0:
            numbers.append(1.0 / (1.0 + real * z))
        else:
            along, across = 1.0 + real * z, imaginary * z
            size = 1.0 / (along * along + across * across)
            numbers += [size, z * size]
    return numbers


def gained(one: Method, z: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return gain(z) times values at the points, shape (s, ...) for z of shape (...).

    Mode by mode, which is cheaper than to multiply by the entries of gain.
    """
    plain, number = is_plain(values), 0
    modes: Any = combine(one.apart, values) if plain else list(combine(one.apart, values))
    for real, imaginary in one.poles:
        if imaginary == 0.0:
            modes[number] = modes[number] * (real / (1.0 + real * z))
            number += 1
            continue
        along, across = 1.0 + real * z, imaginary * z
        size = 1.0 / (along * along + across * across)
        u, v = size * (real + z * (real * real + imaginary * imaginary)), size * imaginary
        x, y = modes[number], modes[number + 1]
        modes[number], modes[number + 1] = u * x - v * y, u * y + v * x
        number += 2
    return combine(one.joined, modes if plain else stack(modes))


def combine(matrix: np.ndarray, values: Any) -> Any:
    """Apply a matrix (r, s) to the first axis of values (s, ...): shape (r, ...).

    Of rows that stay apart, `Rows`, come rows that do.
    """
    if isinstance(values, Rows):
        pairs = (zip(row, values, strict=True) for row in matrix.tolist())
        return Rows(sum(weight * value for weight, value in pair) for pair in pairs)
    combined: np.ndarray = (matrix @ values.reshape(values.shape[0], -1)).reshape(
        -1, *values.shape[1:]
    )
    return combined


class Factors(NamedTuple):
    """A matrix taken apart by elimination without exchange, entry by entry."""

    rows: list[list[np.ndarray]]
    """Below the diagonal the factors of elimination, above it what is left of the rows."""
    inverse: list[np.ndarray]
    """Of the diagonal."""


def factorise(matrix: np.ndarray, diagonal: Sequence[np.ndarray] | np.ndarray) -> Factors:
    """Take a matrix apart, with something added to its diagonal.

    Parameters
    ----------
    matrix : ndarray, shape (s * s, ...)
        Entries, row by row. Integrals of Radau's method plus a positive diagonal need no exchange
        of rows (tested over all lengths of steps).
    diagonal : sequence of s ndarrays
    """
    size = len(diagonal)
    rows = [[matrix[i * size + j] for j in range(size)] for i in range(size)]
    inverse: list[np.ndarray] = []
    for k in range(size):
        rows[k][k] = rows[k][k] + diagonal[k]
        for i in range(k):
            rows[k][i] = rows[k][i] * inverse[i]
            for j in range(i + 1, size):
                rows[k][j] = rows[k][j] - rows[k][i] * rows[i][j]
        inverse.append(1.0 / rows[k][k])
    return Factors(rows, inverse)


def solve(factors: Factors, side: Sequence[np.ndarray] | np.ndarray) -> list[np.ndarray]:
    """Solve for one right-hand side, a sequence of s arrays.

    Examples
    --------
    >>> solve(factorise(np.array([1.0, 1.0, 0.0, 1.0]), np.array([1.0, 1.0])), [4.0, 2.0])
    [np.float64(1.5), np.float64(1.0)]
    """
    rows, inverse = factors
    size = len(inverse)
    side = list(side)
    for k in range(size):
        for i in range(k):
            side[k] = side[k] - rows[k][i] * side[i]
    for k in reversed(range(size)):
        for j in range(k + 1, size):
            side[k] = side[k] - rows[k][j] * side[j]
        side[k] = side[k] * inverse[k]
    return side
