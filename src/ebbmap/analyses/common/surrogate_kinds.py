"""What may stand in for the outcomes of a dear lung, and how a study asks for it.

Sizes: n cases, d scores.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib.util import find_spec
from typing import Any, Literal, Protocol, Self

import numpy as np
from pydantic import Field, model_validator

from ebbmap.analyses.common.gaussian import fit_gaussian
from ebbmap.analyses.options import Options
from ebbmap.errors import EbbmapError
from ebbmap.kernels.chaos import fit_chaos

#: What each kind is called in sentences.
CALLED: Mapping[str, str] = {
    "polynomials": "polynomials",
    "gaussian_process": "Gaussian processes",
}

#: Cases that a Gaussian process is fitted to, at most: memory grows with their square.
MOST_RUNS = 2048


class Fit(Protocol):
    """An outcome as a function of scores."""

    @property
    def q2(self) -> float:
        """1 less the error on cases left out over the variance."""

    def predict(self, scores: np.ndarray) -> np.ndarray:
        """Return the outcome at scores, shape (n, d) to (n,)."""


#: ``fit(scores, output) -> Fit``, of shapes (n, d) and (n,).
Fitter = Callable[[np.ndarray, np.ndarray], Fit]


class SurrogateOptions(Options):
    """Options of an analysis for which something may stand in for the lung."""

    surrogate: bool = Field(
        default=False,
        description="let a surrogate of the outcomes stand in for the lung, fitted to some of the "
        "cases, if fresh ones bear it out",
    )
    surrogate_kind: Literal["polynomials", "gaussian_process"] = Field(
        default="polynomials",
        description="what stands in: polynomials; or Gaussian processes, which follow outcomes "
        "that bend with 256 to 512 cases, take longer to fit and need ebbmap[surrogate]",
    )
    surrogate_runs: int = Field(
        default=1024,
        ge=64,
        le=100_000,
        strict=True,
        description="cases that a surrogate is fitted to in each population; half as many, and for "
        "windows 64 lungs solved whole, judge it",
    )

    @model_validator(mode="after")
    def _few_enough(self) -> Self:
        """Refuse more cases than a Gaussian process can be fitted to."""
        if self.surrogate_kind == "gaussian_process" and self.surrogate_runs > MOST_RUNS:
            raise ValueError(
                f"surrogate_runs must be at most {MOST_RUNS} for a Gaussian process; got "
                f"{self.surrogate_runs}. 256 to 512 mostly serve."
            )
        return self

    @property
    def stood_in_by(self) -> dict[str, Any]:
        """What a result says of it: `surrogate_runs`, 0 without one, else `surrogate_kind` too."""
        if not self.surrogate:
            return {"surrogate_runs": 0}
        kind = CALLED[self.surrogate_kind]
        return {"surrogate_runs": self.surrogate_runs, "surrogate_kind": kind}

    def fitter(self) -> Fitter:
        """Return what fits an outcome.

        Raises
        ------
        EbbmapError
            If a package that it needs is not installed.
        """
        if self.surrogate_kind == "polynomials":
            return fit_chaos
        if find_spec("sklearn") is None:
            raise EbbmapError(
                'surrogate_kind = "gaussian_process" needs scikit-learn, which is not installed. '
                "Install ebbmap[surrogate], or take polynomials."
            )
        return fit_gaussian
