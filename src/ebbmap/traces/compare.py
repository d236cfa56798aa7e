"""Which lungs a trace could be of: how likely it is of each, whatever else is large beside them.

Lungs are compared on the same samples, with the switches, the period and the noise that the
richest of them finds. What is large beside a lung is not known, so each is followed under every
supposition, and counts by all of them together. Sizes: d properties, b bins, w suppositions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import logsumexp
from scipy.stats import chi2

from ebbmap.lungs import lung_model
from ebbmap.traces.best import Best, defaults, starting_places
from ebbmap.traces.disturbances import with_disturbances
from ebbmap.traces.held_out import held_out
from ebbmap.traces.misfit import Misfit
from ebbmap.traces.models import RIVALS, fitted_of, scale_of
from ebbmap.traces.valleys import descended

#: Probability by which a lung may seem better by chance and is still called better.
BY_CHANCE = 0.005

#: How much likelier a trace must be of another lung, whatever its properties are, to be called
#: better, and how much its best must be better for a doubt; how much worse the best of one may be
#: that explains the trace by something else beside it (logarithms).
LIKELIER, DOUBT, AS_WELL = 1.0, 1.0, 2.0

#: Share by which the compliance of such a lung must differ to be told.
OTHERWISE = 0.05

#: What a lung that lacks a part is taken to have of it, where a richer one is followed from there.
FAINT = {"slow_volume_share": 0.02, "resistance_quadratic": 0.1}

#: Steps of the descents from all starts, and of those that go on from where these end.
STEPS, FURTHER = 12, 20


@dataclass(frozen=True)
class Explained:
    """How one lung explains a trace under each supposition of what is large beside it.

    Parameters
    ----------
    misfit : Misfit
        With disturbances as they are near the lung.
    places : ndarray, shape (w, d)
        The best lung under each supposition.
    slopes : ndarray, shape (w, b + d, d)
        Of the residuals there.
    log : ndarray, shape (w,)
        Logarithm of how likely the trace is of it and of the supposition.
    """

    misfit: Misfit
    places: np.ndarray
    slopes: np.ndarray
    log: np.ndarray

    @cached_property
    def information(self) -> np.ndarray:
        """What trace and prior say of each coordinate, in prior variances, shape (w, d, d)."""
        spread = self.misfit.scale.spread()
        inner = np.einsum("wbd,wbe->wde", self.slopes, self.slopes) * np.outer(spread, spread)
        whole: np.ndarray = inner + np.eye(spread.size)
        return whole

    @property
    def weights(self) -> np.ndarray:
        """Logarithm of how likely the trace is under each supposition, whatever lung, shape (w,).

        By the normal approximation around the best: a property that the trace tells costs what it
        narrows, one that it does not tell costs nothing.
        """
        found: np.ndarray = self.log - 0.5 * np.linalg.slogdet(self.information)[1]
        return found

    @property
    def likelihood(self) -> float:
        """Logarithm of how likely the trace is of the best lung of this kind."""
        return float(logsumexp(self.log))

    @property
    def evidence(self) -> float:
        """Logarithm of how likely the trace is of this kind of lung, whatever its properties."""
        return float(logsumexp(self.weights))

    @property
    def likeliest(self) -> int:
        """Number of the likeliest supposition."""
        return int(np.argmax(self.weights))

    @property
    def shares(self) -> np.ndarray:
        """How likely each supposition is, shape (w,)."""
        found: np.ndarray = np.exp(self.weights - self.evidence)
        return found

    def beside(self) -> np.ndarray:
        """Return disturbances under each supposition, in prior SDs of `misfit`, shape (w, m)."""
        factors = self.misfit.supposed.factors
        return np.array(
            [
                self.misfit.supposing(number).found_disturbances(place)[0] * factors[number]
                for number, place in enumerate(self.places)
            ]
        )

    @property
    def determined(self) -> int:
        """How many combinations of its properties the trace determines."""
        size = np.linalg.eigvalsh(self.information[self.likeliest])
        return max(int(np.sum(size > 10.0)), 1)

    @cached_property
    def compliances(self) -> np.ndarray:
        """Static compliance under each supposition [mL cmH2O-1], of both parts where it has two."""
        return np.asarray(self.misfit.parameters(self.places)["compliance"])

    @property
    def known(self) -> set[str]:
        """Properties that are sought or held."""
        return {*self.misfit.scale.names, *self.misfit.held}

    def held_out(self) -> float:
        """Return what is left of samples that a fit has not seen, sum of squares [L2 s-2]."""
        number = self.likeliest
        return held_out(self.misfit.supposing(number), self.places[number])


def explain(misfit: Misfit, starts: np.ndarray, *, steps: int = FURTHER) -> Explained:
    """Return how a lung explains a trace.

    Parameters
    ----------
    misfit : Misfit
        With disturbances.
    starts : ndarray, shape (s, d)
        Coordinates from which the descents of every supposition begin.
    steps : int
        Steps of each descent at most.
    """
    count = misfit.supposed.costs.size
    rows, number = np.repeat(starts, count, axis=0), np.tile(np.arange(count), len(starts))
    done = descended(misfit, rows, number, steps=steps)
    won = np.argmin(done.misfit.reshape(len(starts), count), axis=0) * count + np.arange(count)
    places = done.place[won]
    log = misfit.supposed.costs - 0.5 * done.misfit[won]
    return Explained(misfit, places, done.slopes[won], log)


def compare_lungs(judge: Best, asked: Best) -> dict[str, Explained]:
    """Return how the lung asked for and its rivals explain a trace, all on the same terms.

    Parameters
    ----------
    judge : Best
        The richest of the rivals.
    asked : Best
        The lung that was asked for.

    Notes
    -----
    Switches, period and noise are those of the better of both. A lung is followed from what the
    trace suggests, from what the judge has in common with it, and from lungs that lack a part.
    """
    terms = min(judge, asked, key=lambda best: best.noise)
    fitted = {best.misfit.lung.name: best for best in (judge, asked)}
    found: dict[str, Explained] = {}
    simpler = [judge.misfit.scale.lung(judge.place)]
    for name in dict.fromkeys([*RIVALS, asked.misfit.lung.name]):
        if name in fitted:
            of, starts = fitted[name].misfit, [fitted[name].place]
        else:
            lung = lung_model(name)
            scale = scale_of(fitted_of(lung, None, None), None, name)
            of, starts = replace(terms.misfit, lung=lung, scale=scale, held={}), []
            starts += list(starting_places(scale, of.cycles))
        misfit = terms.misfit.same_bins(lung=of.lung, scale=of.scale, held=of.held, near=None)
        usual = {**defaults(of.scale.names), **FAINT}
        starts += [of.scale.place({**usual, **values}) for values in simpler]
        near, _ = with_disturbances(misfit, starts[0])
        first = explain(near, np.array(starts), steps=STEPS)
        places = first.places
        found[name] = explain(with_disturbances(misfit, places[first.likeliest])[0], places)
        simpler.append(of.scale.lung(found[name].places[found[name].likeliest]))
    return found


def is_better(one: Explained, other: Explained) -> bool:
    """Return whether a lung explains a trace better than another by more than chance makes it.

    Its best must be better than its further properties make it by chance, and the trace likelier
    of it whatever its properties are.
    """
    gain = 2.0 * (one.likelihood - other.likelihood)
    further = max(one.determined - other.determined, 1)
    return gain > chi2.isf(BY_CHANCE, further) and one.evidence > other.evidence + LIKELIER


def better_lung(name: str, found: Mapping[str, Explained]) -> str | None:
    """Return the simplest lung that explains the trace as well as any and better than this one.

    Parameters
    ----------
    name : str
        The lung that was asked for.
    found : mapping of str to Explained
        Of it and of its rivals.

    Returns
    -------
    str or None
        None where no lung is better by more than chance.
    """
    rivals = [one for one in RIVALS if one in found and one != name]
    better = [one for one in rivals if is_better(found[one], found[name])]
    for one in better:
        if not any(is_better(found[other], found[one]) for other in better if other != one):
            return one
    return better[-1] if better else None


def doubtful_lungs(name: str, found: Mapping[str, Explained]) -> dict[str, int]:
    """Return rivals that the trace cannot tell from a lung.

    Parameters
    ----------
    name : str
        The lung that was asked for.
    found : mapping of str to Explained
        Of it and of its rivals.

    Returns
    -------
    dict of str to int
        By name, the supposition under which each explains the trace as well; empty where one is
        better by more than chance.

    Notes
    -----
    One may be a little likelier. Or a lung takes an offset or a leak for what one with a further
    part explains as well by another of them, or by none, with another compliance; a lung that
    has no further part is among those that the posterior holds.
    """
    if better_lung(name, found):
        return {}
    own = found[name]
    doubtful = {}
    for rival, one in found.items():
        gain = one.likelihood - own.likelihood
        if gain > DOUBT and one.evidence > own.evidence + LIKELIER:
            doubtful[rival] = one.likeliest
        elif own.likeliest and one.known - own.known:
            apart = np.abs(one.compliances / own.compliances[own.likeliest] - 1.0) > OTHERWISE
            other = np.arange(apart.size) != own.likeliest
            as_well = np.where(apart & other, one.log, -np.inf)
            if np.max(as_well) > own.likelihood - AS_WELL:
                doubtful[rival] = int(np.argmax(as_well))
    return doubtful
