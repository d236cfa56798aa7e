"""How far a lung's flow lies from a trace, with what only disturbs the measurement taken out.

Samples at the same time of the same phase are averaged; what the lung's flow is there follows
from flow and slope at the nodes by fixed weights. An offset, a drift, a leak, the levels of
pressure, and when exactly it steps enter linearly near the best fit, each with a normal prior, and
are integrated out exactly. Whether offset and leak are large is not known: the density is that of
each supposition, weighted alike beforehand. Sizes: n lungs, d properties, r samples, b bins, k
nodes, m disturbances, w suppositions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse

from ebbmap.kernels.circuit_flow import Nodes, mesh, run, settled, weights
from ebbmap.lungs import Lung
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.traces.cycles import Cycles
from ebbmap.traces.models import Scale, circuit_of
from ebbmap.traces.suppositions import Suppositions

#: Least standard deviation of the switches' common times [s].
LEAST_SHIFT = 2e-4

#: Samples this near to a switch, by the time between samples, may lie on either side of it.
NEAR = 0.1

#: Longest step, by the mean time in which the release lets its gas out, and its bounds [s].
STEP, STEPS = 0.25, (0.01, 0.2)

#: Cases that one call of the kernel serves at most.
BLOCK = 1024

#: What follows from times and phases alone.
BINNED = ("largest", "used", "bins", "counts", "averaging", "of_samples", "of_bins")


@dataclass(frozen=True)
class Misfit:
    """A lung beside a trace.

    Parameters
    ----------
    lung : Lung
        The model.
    scale : Scale
        The properties sought.
    cycles : Cycles
        What was measured.
    held : mapping of str to float
        Every other parameter that the lung takes, settings apart.
    noise : float
        Standard deviation of one effective sample of flow [L s-1].
    disturbances : ndarray, shape (b, m)
        Flow that one prior standard deviation of each disturbance adds; none if None.
    near : ndarray, shape (2,), optional
        Where a settled cycle begins, as `kernels.circuit_flow.settled` takes it.
    centre : ndarray, shape (m,), optional
        Prior mean of each disturbance, in its standard deviations.
    moved : pair of float
        By how much rises and falls were moved since the trace was read [s]; their prior stays
        where it was.
    wide : tuple of str
        Which of "offset" (drift with it) and "leak" are supposed to be large where residuals and
        single disturbances are asked for.
    suppositions : ndarray, shape (w, m), optional
        By what each supposition of large disturbances multiplies their prior standard deviations;
        that of `wide` alone if None.
    """

    lung: Lung
    scale: Scale
    cycles: Cycles
    held: Mapping[str, float]
    noise: float
    disturbances: np.ndarray | None = None
    near: np.ndarray | None = None
    centre: np.ndarray | None = None
    moved: tuple[float, float] = (0.0, 0.0)
    wide: tuple[str, ...] = ()
    suppositions: np.ndarray | None = None

    @cached_property
    def largest(self) -> float:
        """Longest step of the kernel [s]."""
        cycles = self.cycles
        out = cycles.flow[cycles.phase % 2 == 1]
        volume = -np.sum(np.minimum(out, 0.0)) * cycles.interval / cycles.count
        quick = volume / max(-float(np.percentile(out, 1.0)), 1e-3)
        return float(np.clip(STEP * quick, *STEPS))

    @cached_property
    def used(self) -> np.ndarray:
        """Which samples lie clear of a switch, shape (r,)."""
        lengths = np.array([phase.duration for phase in self.cycles.phases])
        left = lengths[self.cycles.phase] - self.cycles.since
        near = NEAR * self.cycles.interval
        # while the valve moves flow turns, and its slope with it jumps between two nodes
        clear: np.ndarray = (self.cycles.since > max(near, self.cycles.valve_time)) & (left > near)
        # where pressure is still, or already, at the other level, the switch lies elsewhere
        return clear & self.cycles.agrees

    @cached_property
    def bins(self) -> np.ndarray:
        """Bin of each used sample, shape (r,)."""
        cycles, used = self.cycles, self.used
        if not cycles.settled:
            return np.arange(int(used.sum()))
        place = np.floor(cycles.since[used] / cycles.interval).astype(int)
        key = cycles.phase[used] * (place.max() + 1) + place
        number: np.ndarray = np.unique(key, return_inverse=True)[1]
        return number

    @cached_property
    def averaging(self) -> Any:
        """Matrix that averages samples into bins, shape (b, r)."""
        size = self.bins.size
        share = 1.0 / self.counts[self.bins]
        return sparse.csr_array(
            (share, (self.bins, np.arange(size))), shape=(self.counts.size, size)
        )

    @cached_property
    def counts(self) -> np.ndarray:
        """Samples in each bin, shape (b,)."""
        return np.bincount(self.bins)

    @cached_property
    def of_samples(self) -> tuple[Any, Any]:
        """Weights of flow and slope at the nodes for each used sample, shape (r, k) each."""
        cycles, used = self.cycles, self.used
        place, *parts = weights(cycles.phases, self.largest, cycles.phase[used], cycles.since[used])
        nodes = sum(mesh(phase.duration, self.largest).size for phase in cycles.phases)
        row = np.repeat(np.arange(place.size), 2)
        column = np.stack([place, place + 1], axis=1).ravel()
        shape = place.size, nodes
        one, other = (sparse.csr_array((p.ravel(), (row, column)), shape=shape) for p in parts)
        return one, other

    @cached_property
    def of_bins(self) -> tuple[Any, Any]:
        """The same for each bin, shape (b, k) each."""
        one, other = (self.averaging @ matrix for matrix in self.of_samples)
        return one.tocsr(), other.tocsr()

    @cached_property
    def measured(self) -> np.ndarray:
        """Mean flow in each bin [L s-1], shape (b,)."""
        means: np.ndarray = self.averaging @ self.cycles.flow[self.used]
        return means

    @cached_property
    def bin_times(self) -> tuple[np.ndarray, np.ndarray]:
        """Phase of each bin, and its mean time since that phase began [s], shape (b,) each."""
        phase = self.averaging @ self.cycles.phase[self.used].astype(float)
        return np.rint(phase).astype(int), self.averaging @ self.cycles.since[self.used]

    def parameters(self, places: np.ndarray) -> dict[str, np.ndarray]:
        """Return every parameter of the lung, shape (n,) each."""
        n = places.shape[0]
        given = {**self.held, **self.cycles.settings()}
        values = self.scale.values(places)
        names = {*self.lung.parameters, *self.held, *values}
        return {
            name: values[name]
            if name in values
            else np.full(n, given.get(name, PARAMETERS[name].default))
            for name in names
        }

    def nodes(self, places: np.ndarray) -> Nodes | None:
        """Return flow at the nodes; None where the lung is no circuit."""
        circuit = circuit_of(self.lung.name, self.parameters(places))
        if circuit is None:
            return None
        cycles = self.cycles
        with np.errstate(all="ignore"):
            if cycles.settled:
                return settled(circuit, cycles.phases, self.largest, cycles.p_low, self.near)
            begun = (cycles.start_pressure - cycles.p_low) * circuit.compliance
            state = np.stack([begun, np.zeros_like(begun)])
            return run(circuit, cycles.phases, self.largest, state, cycles.p_low)

    def flow(self, places: np.ndarray) -> np.ndarray:
        """Return a lung's flow in each bin [L s-1], shape (n, b); NaN where it has none."""
        pieces = []
        for first in range(0, places.shape[0], BLOCK):
            some = places[first : first + BLOCK]
            nodes = self.nodes(some)
            if nodes is None:
                pieces.append(self._drawn(some))
            else:
                one, other = self.of_bins
                pieces.append((one @ nodes.flow + other @ nodes.slope).T)
        return np.concatenate(pieces)

    def sample_flow(self, place: np.ndarray) -> np.ndarray:
        """Return the flow of one lung at each used sample [L s-1], shape (r,)."""
        nodes = self.nodes(place[None])
        if nodes is None:
            drawn: np.ndarray = self._drawn(place[None])[0][self.bins]
            return drawn
        one, other = self.of_samples
        flow: np.ndarray = one @ nodes.flow[:, 0] + other @ nodes.slope[:, 0]
        return flow

    def _drawn(self, places: np.ndarray) -> np.ndarray:
        """Return the flow of any lung from its own waveform, shape (n, b)."""
        cycles = self.cycles
        values = self.parameters(places)
        own = {name: values[name] for name in self.lung.parameters}
        phase, since = self.bin_times
        with np.errstate(all="ignore"):
            if cycles.settled:
                times = np.where(phase == 1, cycles.phases[0].duration + since, since)
                return self._cycle(self.lung.settle(**own), times, own)
            flow = np.empty((places.shape[0], since.size))
            state = self.lung.rest(np.full(places.shape[0], cycles.start_pressure), **own)
            for number in range(len(cycles.phases) // 2):
                pair = cycles.phases[2 * number : 2 * number + 2]
                own |= {
                    name: np.full(places.shape[0], one.duration)
                    for name, one in zip(("t_high", "t_low"), pair, strict=True)
                }
                here = phase // 2 == number
                times = since[here] + np.where(phase[here] % 2 == 1, pair[0].duration, 0.0)
                flow[:, here] = self._cycle(state, times, own)
                _, state = self.lung.cycle(state, **own)
            return flow

    def _cycle(self, state: Any, times: np.ndarray, own: Mapping[str, np.ndarray]) -> np.ndarray:
        order = np.argsort(times)
        drawn = np.asarray(self.lung.waveform(state, times[order], **own)["flow"])
        flow = np.empty_like(drawn)
        flow[:, order] = drawn
        return flow

    @cached_property
    def expected(self) -> np.ndarray:
        """Measured flow less what is expected of the disturbances [L s-1], shape (b,)."""
        if self.disturbances is None:
            return self.measured
        means: np.ndarray = self.measured - self.disturbances @ self.centre
        return means

    @cached_property
    def _basis(self) -> tuple[np.ndarray, np.ndarray]:
        """Directions of the disturbances, shape (b, m), and what is taken out of each."""
        if self.disturbances is None or not self.disturbances.size:
            return np.zeros((self.counts.size, 0)), np.zeros(0)
        scaled = self.disturbances * np.sqrt(self.counts)[:, None]
        left, size, _ = np.linalg.svd(scaled, full_matrices=False)
        return left, 1.0 - self.noise / np.sqrt(self.noise**2 + size**2)

    def whitened(self, off: np.ndarray) -> np.ndarray:
        """Return differences of flow, shape (..., b), as standard normal numbers."""
        scaled = off * np.sqrt(self.counts)
        left, taken = self._basis
        return (scaled - (scaled @ left * taken) @ left.T) / self.noise

    def residuals(self, places: np.ndarray) -> np.ndarray:
        """Return differences to the trace and to the prior, shape (n, b + d), standard normal."""
        off = self.whitened(self.flow(places) - self.expected)
        return np.concatenate([off, places @ self.scale.prior_root().T], axis=1)

    @cached_property
    def supposed(self) -> Suppositions:
        """What is supposed to be large beside the lung."""
        if self.disturbances is None:
            return Suppositions(np.zeros((self.counts.size, 0)), np.ones((1, 0)))
        one = np.ones((1, self.disturbances.shape[1]))
        factors = one if self.suppositions is None else self.suppositions
        return Suppositions(self.disturbances * self.weight[:, None], factors)

    @property
    def weight(self) -> np.ndarray:
        """One over the standard error of flow in each bin [s L-1], shape (b,)."""
        inverse: np.ndarray = np.sqrt(self.counts) / self.noise
        return inverse

    def by_supposition(self, places: np.ndarray) -> np.ndarray:
        """Return the logarithm of each supposition's part of the likelihood, shape (n, w).

        Up to a constant; -inf where a lung is not possible.
        """
        inside = self.scale.within(places)
        found = np.full((places.shape[0], self.supposed.costs.size), -np.inf)
        if inside.any():
            # steps are too long for the quickest lungs, whose flow then grows without end
            with np.errstate(over="ignore", invalid="ignore"):
                off = (self.flow(places[inside]) - self.expected) * self.weight
                log = self.supposed.likelihood(off)
            found[inside] = np.where(np.isfinite(log), log, -np.inf)
        return found

    def supposing(self, number: int) -> Misfit:
        """Return the same with one of its suppositions made."""
        if self.disturbances is None or self.suppositions is None:
            return self
        flow = self.disturbances * self.suppositions[number]
        return self.same_bins(disturbances=flow, suppositions=None)

    def likelihood(self, places: np.ndarray) -> np.ndarray:
        """Return the logarithm of the likelihood, shape (n,), up to a constant; -inf if none."""
        each = self.by_supposition(places)
        most = np.max(each, axis=1)
        base = np.where(np.isfinite(most), most, 0.0)
        with np.errstate(divide="ignore"):
            found: np.ndarray = base + np.log(np.sum(np.exp(each - base[:, None]), axis=1))
        return found

    def density(self, places: np.ndarray) -> np.ndarray:
        """Return the logarithm of the posterior density, shape (n,), up to a constant."""
        return self.likelihood(places) + self.scale.prior_density(places)

    def found_disturbances(self, place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return each disturbance at a lung, and its standard error, in prior SDs, shape (m,)."""
        if self.disturbances is None:
            return np.zeros(0), np.zeros(0)
        scaled = self.disturbances * self.weight[:, None]
        off = (self.expected - self.flow(place[None])[0]) * self.weight
        covariance = np.linalg.inv(scaled.T @ scaled + np.eye(scaled.shape[1]))
        return self.centre + covariance @ (scaled.T @ off), np.sqrt(np.diag(covariance))

    def same_bins(self, **changes: Any) -> Misfit:
        """Return the same with changes that leave bins and their weights as they are."""
        twin = replace(self, **changes)
        for name in BINNED:
            twin.__dict__[name] = getattr(self, name)
        return twin

    @property
    def shift_doubt(self) -> float:
        """Prior standard deviation of the switches' times [s]."""
        return max(self.cycles.shift_doubt, LEAST_SHIFT)

    def begins(self, place: np.ndarray) -> np.ndarray | None:
        """Return where the settled cycle of a lung begins, as `settled` takes it."""
        nodes = self.nodes(place[None]) if self.cycles.settled else None
        if nodes is None or not np.all(np.isfinite(nodes.state)):
            return None
        circuit = circuit_of(self.lung.name, self.parameters(place[None]))
        compliance = 1.0 if circuit is None else circuit.compliance[0]
        return np.array([nodes.state[0, 0] / compliance, nodes.state[1, 0]])

    def shifted(self, up: float, down: float) -> Misfit:
        """Return the same with later switches [s], without disturbances."""
        return replace(
            self,
            cycles=self.cycles.shifted(up, down),
            disturbances=None,
            suppositions=None,
            moved=(self.moved[0] + up, self.moved[1] + down),
        )

    def retimed(self, longer: float) -> Misfit:
        """Return the same with a period longer by so much [s], without disturbances."""
        return replace(
            self, cycles=self.cycles.retimed(longer), disturbances=None, suppositions=None
        )

    def sample_residuals(self, place: np.ndarray) -> np.ndarray:
        """Return what is left of each used sample once disturbances are taken out, shape (r,)."""
        left = self.cycles.flow[self.used] - self.sample_flow(place)
        if self.disturbances is None:
            return left
        found, _ = self.found_disturbances(place)
        taken: np.ndarray = left - (self.disturbances @ found)[self.bins]
        return taken
