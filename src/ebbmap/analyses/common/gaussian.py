"""A Gaussian process: an outcome with bends as a weighted sum of the cases near by.

Where a limited flow, collapse or a patient's own effort bends an outcome, few polynomials do not
follow it; a process of Matern's kind is smooth twice and no more. Needs scikit-learn.
Sizes: n cases, d scores.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import cho_solve

#: Cases by which it is decided whether an output's logarithm is fitted.
TO_DECIDE = 128

#: Length of the kernel along each score to begin with, and its range.
LENGTH, LENGTHS = 3.0, (0.1, 1e3)

#: Variance of the kernel and of what it leaves open, to begin with, and their ranges; over the
#: output's variance.
HEIGHT, HEIGHTS = 1.0, (1e-3, 1e4)
NOISE, NOISES = 1e-4, (1e-10, 1.0)

#: Cases foretold at a time.
BLOCK = 4096


@dataclass(frozen=True)
class Gaussian:
    """The mean of a Gaussian process, given the output at some cases.

    Parameters
    ----------
    process : sklearn.gaussian_process.GaussianProcessRegressor
        Of the output less its mean, over its standard deviation.
    mean, deviation : float
        Of the output, or of its logarithm.
    q2 : float
        1 less the error on cases left out one by one over the variance; 1 for an output that does
        not vary.
    logarithm : bool
        Whether the process is that of the output's logarithm.
    """

    process: Any
    mean: float
    deviation: float
    q2: float
    logarithm: bool = False

    def predict(self, scores: np.ndarray) -> np.ndarray:
        """Return the output at scores, shape (n, d) to (n,)."""
        found = np.full(len(scores), self.mean)
        if self.process is not None:
            for start in range(0, len(scores), BLOCK):
                part = slice(start, start + BLOCK)
                found[part] += self.deviation * self.process.predict(scores[part])
        return np.exp(found) if self.logarithm else found


def fit_gaussian(scores: np.ndarray, output: np.ndarray) -> Gaussian:
    """Fit a process to an output; of a positive one to its logarithm where that foretells better.

    Parameters
    ----------
    scores : ndarray, shape (n, d)
        Inputs, each with a standard deviation of about 1.
    output : ndarray, shape (n,)
        All finite; never a margin, which has kinks, nor a verdict.

    Returns
    -------
    Gaussian

    Notes
    -----
    Every score has a length of its own, found by the largest likelihood, so one that does not
    matter gets a long one. What foretells a case left out follows from the inverse of the
    covariance, with lengths and variances as all cases gave them.

    References
    ----------
    .. [1] Rasmussen CE, Williams CKI, Gaussian Processes for Machine Learning, MIT Press 2006,
       sections 4.2.1 and 5.4.2 (from memory): Matern's kernel, cases left out.

    Examples
    --------
    >>> z = np.random.default_rng(0).standard_normal((100, 2))
    >>> bent = np.maximum(z[:, 0], 0.0) + z[:, 1]
    >>> found = fit_gaussian(z[:80], bent[:80])
    >>> bool(np.std(found.predict(z[80:]) - bent[80:]) < 0.1)
    True
    """
    if np.ptp(output) <= 64.0 * np.finfo(float).eps * float(np.abs(output).max(initial=0.0)):
        return Gaussian(None, float(output.mean()), 0.0, 1.0)
    few = scores[:TO_DECIDE], output[:TO_DECIDE]
    logarithm = output.min() > 0 and _fit(*few, True).q2 > _fit(*few, False).q2
    return _fit(scores, output, bool(logarithm))


def _fit(scores: np.ndarray, output: np.ndarray, logarithm: bool) -> Gaussian:
    """Fit a process to an output or its logarithm."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor, kernels

    fitted = np.log(output) if logarithm else output
    mean, deviation = float(fitted.mean()), float(fitted.std())
    lengths = np.full(scores.shape[1], LENGTH)
    kernel = kernels.ConstantKernel(HEIGHT, HEIGHTS) * kernels.Matern(lengths, LENGTHS, nu=2.5)
    process = GaussianProcessRegressor(kernel + kernels.WhiteKernel(NOISE, NOISES))
    with warnings.catch_warnings():
        # a score that does not matter has its length at the end of the range
        warnings.simplefilter("ignore", ConvergenceWarning)
        process.fit(scores, (fitted - mean) / deviation)
    inverse = cho_solve((process.L_, True), np.eye(len(output)))
    left_out = fitted - deviation * process.alpha_ / np.diag(inverse)
    foretold = np.exp(left_out) if logarithm else left_out
    q2 = 1.0 - float(np.mean((foretold - output) ** 2) / np.var(output))
    return Gaussian(process, mean, deviation, q2, logarithm)
