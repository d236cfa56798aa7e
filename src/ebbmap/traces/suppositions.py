"""How likely a trace is where it is not known which of its disturbances are large.

What disturbs a measurement enters linearly, each with a normal prior, so it is integrated out
exactly under each supposition of how wide these priors are.
Sizes: n lungs, d properties, b bins, m disturbances, w suppositions.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np


@dataclass(frozen=True)
class Suppositions:
    """Suppositions of what is large, each as likely as the others beforehand.

    Parameters
    ----------
    flow : ndarray, shape (b, m)
        What one prior standard deviation of each disturbance adds, in standard errors of a bin.
    factors : ndarray, shape (w, m)
        By what each supposition multiplies these standard deviations.
    """

    flow: np.ndarray
    factors: np.ndarray

    @cached_property
    def _inner(self) -> np.ndarray:
        """Precision of the disturbances, in their own standard deviations, shape (w, m, m)."""
        crossed = self.factors[:, :, None] * (self.flow.T @ self.flow) * self.factors[:, None]
        inner: np.ndarray = np.eye(self.flow.shape[1]) + crossed
        return inner

    @cached_property
    def _taken(self) -> np.ndarray:
        """What is taken out of squares along the disturbances, shape (w, m, m)."""
        inverse = np.linalg.inv(self._inner)
        taken: np.ndarray = self.factors[:, :, None] * inverse * self.factors[:, None]
        return taken

    @cached_property
    def costs(self) -> np.ndarray:
        """Logarithm of what wide priors cost where they are not needed, shape (w,)."""
        cost: np.ndarray = -0.5 * np.linalg.slogdet(self._inner)[1] - np.log(len(self.factors))
        return cost

    def likelihood(self, off: np.ndarray) -> np.ndarray:
        """Return the logarithm of each supposition's part of the likelihood, shape (n, w).

        Parameters
        ----------
        off : ndarray, shape (n, b)
            Differences of flow in standard errors of a bin.
        """
        along = off @ self.flow
        total = np.einsum("nb,nb->n", off, off)[:, None]
        taken = np.einsum("nm,wmk,nk->nw", along, self._taken, along)
        found: np.ndarray = self.costs - 0.5 * (total - taken)
        return found

    def information(self, slopes: np.ndarray, supposed: np.ndarray) -> np.ndarray:
        """Return the trace's information on each lung, shape (n, d, d).

        Parameters
        ----------
        slopes : ndarray, shape (n, b, d)
            Of the flow in standard errors of a bin.
        supposed : ndarray of int, shape (n,)
            Which supposition is made of each lung.
        """
        along = np.einsum("bm,nbd->nmd", self.flow, slopes)
        taken = self._taken[supposed]
        lost = np.einsum("nmd,nmk,nke->nde", along, taken, along, optimize=True)
        whole: np.ndarray = np.einsum("nbd,nbe->nde", slopes, slopes, optimize=True) - lost
        return whole
