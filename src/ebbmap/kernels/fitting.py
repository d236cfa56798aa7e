"""Unknown numbers fitted to published ones, with what is assumed about the rest.

Every published number has a standard error, and every unknown may have an assumed value with a
standard error of its own. The fit weighs both alike (the mode of a Gaussian posterior), so an
unknown that no published number determines keeps what was assumed, and its doubt.
Sizes: p unknowns, t published numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from ebbmap.errors import EbbmapError

#: Steps at most, and how much each is damped (Levenberg and Marquardt) until one fits better.
STEPS, DAMPING = 12, (0.0, 0.1, 1.0, 10.0)

#: The fit is over when no unknown moves by more than this share of its standard error: quantiles
#: of a sample do not move smoothly enough for less.
SETTLED = 0.1

#: A diagonal of the scaled information below this is an unknown that nothing determines.
LEAST = 1e-12


class Fit(NamedTuple):
    """A fit and what it makes of the numbers that went in."""

    values: np.ndarray
    """Shape (p,), in the unknowns' own scale."""
    response: np.ndarray
    """Shape (p, t + p): by how much each unknown moves when one published number (t of them),
    then one assumed value (p), is one standard error higher. Its product with its transpose is the
    covariance of the unknowns."""
    residual: np.ndarray
    """Shape (t,): what the model gives less what was published, in standard errors."""
    settled: bool
    """Whether the last step was small enough."""


def differences(
    model: Callable[[np.ndarray], np.ndarray], values: np.ndarray, steps: np.ndarray
) -> np.ndarray:
    """Return the slopes of a model by differences to one side.

    Parameters
    ----------
    model : callable
        ``model(values) -> ndarray, shape (t,)``.
    values : ndarray, shape (p,)
        Where.
    steps : ndarray, shape (p,)
        Distance of the two places; an unknown with 0 moves nothing.

    Returns
    -------
    ndarray, shape (t, p)

    Examples
    --------
    >>> differences(lambda x: 2.0 * x, np.array([1.0, 3.0]), np.array([0.5, 0.0])).tolist()
    [[2.0, 0.0], [0.0, 0.0]]
    """
    here = model(values)
    columns = np.zeros((values.size, np.size(here)))
    for place in np.flatnonzero(steps):
        step = np.zeros_like(values)
        step[place] = steps[place]
        columns[place] = (model(values + step) - here) / steps[place]
    return columns.T


def fit_numbers(
    model: Callable[[np.ndarray], np.ndarray],
    published: np.ndarray,
    errors: np.ndarray,
    assumed: np.ndarray,
    doubts: np.ndarray,
    steps: np.ndarray,
    *,
    start: np.ndarray | None = None,
    renew: int | None = 1,
    cheaper: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Fit:
    """Fit the unknowns of a model.

    Parameters
    ----------
    model : callable
        ``model(values) -> ndarray, shape (t,)``: what the model says of the published numbers.
    published, errors : ndarray, shape (t,)
        Published numbers and their standard errors, independent of each other.
    assumed, doubts : ndarray, shape (p,)
        What is assumed of each unknown, and the standard error of that; infinite where nothing
        is assumed.
    steps : ndarray, shape (p,)
        For the slopes; 0 for an unknown on which no published number depends.
    start : ndarray, shape (p,), optional
        Where the fit starts; at what is assumed if None.
    renew : int, optional
        Steps after which slopes are taken anew, >= 1, as they are where a step leads nowhere;
        slopes of the start serve throughout if None. They cost p calls of the model, a step
        without them one or a few.
    cheaper : callable, optional
        A model with nearly the same slopes, from which they are taken. Where the fit ends is
        up to `model`.

    Returns
    -------
    Fit

    Raises
    ------
    EbbmapError
        If a standard error is not positive, or nothing determines an unknown.

    Notes
    -----
    With slopes J in standard errors and the assumed precisions P: information H = J'J + P, and
    the response is H^-1 [J', P^(1/2)].

    Examples
    --------
    One unknown, published as 3 +/- 1 and assumed to be 1 +/- 1:

    >>> one = np.ones(1)
    >>> fit = fit_numbers(lambda x: x, 3.0 * one, one, one, one, 0.1 * one)
    >>> fit.values.round(9).tolist(), fit.response.round(9).tolist()
    ([2.0], [[0.5, 0.5]])
    """
    if not (np.all(errors > 0.0) and np.all(doubts > 0.0)):
        raise EbbmapError("every standard error must be > 0. Leave out a number without one.")
    weight = 1.0 / doubts
    values = np.array(assumed if start is None else start, dtype=float)

    def residual(place: np.ndarray) -> np.ndarray:
        return (model(place) - published) / errors

    def misfit(place: np.ndarray, off: np.ndarray) -> float:
        return float(off @ off + np.sum(((place - assumed) * weight) ** 2))

    off, age = residual(values), None
    for _ in range(STEPS):
        if age is None or age == renew:
            slopes, age = differences(cheaper or model, values, steps) / errors[:, None], 0
            information = slopes.T @ slopes + np.diag(weight**2)
            inverse = _inverse(information)
        uphill = slopes.T @ off + weight**2 * (values - assumed)
        small = np.all(np.abs(inverse @ uphill) <= SETTLED * np.sqrt(np.diag(inverse)))
        better = None
        for damping in () if small else DAMPING:
            damped = information + damping * np.diag(np.diag(information))
            place = values - _inverse(damped) @ uphill
            tried = residual(place)
            if misfit(place, tried) < misfit(values, off):
                better = place, tried
                break
        if better:
            (values, off), age = better, age + 1
        elif small or age == 0 or renew is None:
            break
        else:
            age = None
    response = inverse @ np.concatenate([slopes.T, np.diag(weight)], axis=1)
    return Fit(values, response, off, bool(small))


def _inverse(information: np.ndarray) -> np.ndarray:
    """Invert a matrix of information, scaled so that unlike units do no harm."""
    scale = np.sqrt(np.diag(information))
    if not np.all(scale > 0.0):
        raise EbbmapError(
            f"nothing determines unknown {int(np.argmin(scale))}: neither a published number nor "
            "an assumption. Give one."
        )
    scaled = information / np.outer(scale, scale)
    if np.linalg.eigvalsh(scaled).min() < LEAST:
        raise EbbmapError("the published numbers do not tell some unknowns apart. Assume one.")
    return np.linalg.inv(scaled) / np.outer(scale, scale)
