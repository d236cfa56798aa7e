"""A population whose shares have closed forms: one lognormal property, its centre not known."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
from scipy.special import ndtr

from ebbmap.registries.limits import Limit, LimitSet
from ebbmap.registries.populations import Marginal, Population

#: Compliance: median, spread of its logarithm; standard errors of the two numbers behind it, of
#: which the second is weighed three times as much.
MEDIAN, SPREAD = 50.0, 0.3
ERRORS = {"first series": 0.05, "second series": 0.15, "idle": 0.0}

#: Flow falls to half by T low where R C ln 2 = T low.
RESISTANCE = 10.0
HALF = LimitSet("half", "flow falls to half", (Limit("flow_ratio", "invented", low=0.5),))


@dataclass(frozen=True)
class Series:
    """What is known of the compliance: its centre from two series, each off by its error."""

    name: str = "stated"

    @property
    def numbers(self):
        return tuple(
            SimpleNamespace(name=name, confirmed="assumption", source="invented") for name in ERRORS
        )

    def population(self, scores=None):
        off = 0.0 if scores is None else float(np.dot(list(ERRORS.values()), scores))
        compliance = Marginal("lognormal", MEDIAN * np.exp(off), SPREAD, "invented")
        return Population("drawn", "drawn", "", {"compliance": compliance}, known=self)


def stated():
    """Return the population at its central numbers, under a name of its own."""
    made = Series().population()
    return Population("stated", "stated", "invented", made.marginals, known=made.known)


def share_at(t_low, off=0.0):
    """Return the share of lungs whose flow is still above half at the end of the release."""
    least = 1000.0 * np.asarray(t_low) / (RESISTANCE * np.log(2.0))
    return ndtr(-(np.log(least / MEDIAN) - off) / SPREAD)


#: Standard deviation of the centre's logarithm over what is not known.
TOTAL = float(np.sqrt(sum(error**2 for error in ERRORS.values())))
