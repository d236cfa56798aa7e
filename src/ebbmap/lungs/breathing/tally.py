"""What a cycle means: counted while it runs, at each phase of the efforts.

Sizes: n cases, m phases.
"""

from __future__ import annotations

import numpy as np

from ebbmap.lungs.breathing.cases import Cases
from ebbmap.lungs.breathing.steps import Moment, Step
from ebbmap.lungs.whole.outcomes import J_PER_CMH2O_L, share
from ebbmap.units import ML_PER_L, S_PER_MIN

#: Outcomes that a lung without effort does not solve for, or not so.
OWN = (
    "mean_pleural_pressure",
    "mean_transpulmonary_pressure",
    "end_high_transpulmonary_pressure",
    "gas_beyond_dead_space",
    "effort_share",
    "transpulmonary_pressure_swing",
    "peak_transpulmonary_pressure",
    "lowest_alveolar_pressure",
    "lowest_pleural_pressure",
    "highest_auto_peep",
    "mean_muscle_pressure",
    "peak_muscle_pressure",
)


class Pipe:
    """The series dead space: fresh gas pushes used gas to and fro in it, unmixed.

    What is breathed in fills it first, what is breathed out empties it first. Every breath pays
    for itself, and one that does not fill the pipe brings nothing.
    """

    def __init__(self, cases: Cases, fresh: np.ndarray) -> None:
        """Take the fresh gas that is in it [mL], shape (m, n)."""
        self.size, self.fresh, self.washed = cases.dead_space, fresh.copy(), np.zeros_like(fresh)

    def move(self, gas: np.ndarray) -> None:
        """Move gas inwards [L], shape (m, n)."""
        fresh = self.fresh + ML_PER_L * gas
        self.washed -= np.minimum(fresh, 0.0)
        self.fresh = np.minimum(np.maximum(fresh, 0.0), self.size)

    def follow(self, step: Step) -> None:
        """Move the gas of a step, before and after its flow turns."""
        gas = step.gas
        if step.first.size:
            gas = gas.copy()
            gas[step.turned] -= step.first
            self._turn(step)
        self.move(gas)

    def _turn(self, step: Step) -> None:
        """Move what goes in before a turn, where there is one."""
        fresh = self.fresh[step.turned] + ML_PER_L * step.first
        self.washed[step.turned] -= np.minimum(fresh, 0.0)
        self.fresh[step.turned] = np.clip(fresh, 0.0, self.size[step.turned[1]])


class Tally:
    """Totals and extremes of a cycle at each phase; arrays of shape (m, n).

    A brief one counts what the search for a settled lung needs, and no more.
    """

    def __init__(
        self,
        cases: Cases,
        volume: np.ndarray,
        spread: np.ndarray,
        fresh: np.ndarray,
        *,
        brief: bool = False,
    ) -> None:
        """Take volume [L], spread [cmH2O] and fresh gas [mL] as T high begins, shape (m, n)."""
        self.cases, self.pipe, self.brief = cases, Pipe(cases, fresh), brief
        self.start, self.opening = (volume, spread), cases.opening
        self.top = self.end = Moment(volume, spread, volume, volume)
        self.expired, self.held = np.zeros_like(volume), np.zeros_like(volume)
        self.work_out, self.work = np.zeros_like(volume), np.zeros_like(volume)
        self.limited = np.zeros_like(volume)
        self.highest = self.lowest = self._recoil(volume, spread)
        self.lowest_alveolar = self.lowest_pleural = np.full_like(volume, np.inf)
        self.peak_flow = np.full_like(volume, -np.inf)

    def _recoil(self, volume: np.ndarray, spread: np.ndarray) -> np.ndarray:
        """Return the recoil pressure of all gas above P low [cmH2O]."""
        recoil: np.ndarray = volume / self.cases.network.compliance + self.opening * spread
        return recoil

    def add(self, release: bool, step: Step) -> None:
        """Count one step."""
        before, after, length = step.before, step.after, step.length
        self.pipe.follow(step)
        # Hermite's rule: values and slopes at both ends
        self.held += (0.5 * length) * (before.volume + after.volume)
        self.held += (length * length / 12.0) * (before.flow - after.flow)
        self.end = after
        if not release:
            self.top = after
        if self.brief:
            return
        outwards = np.minimum(step.gas, 0.0)
        if step.first.size:
            late = step.gas[step.turned] - step.first
            outwards[step.turned] = np.minimum(step.first, 0.0) + np.minimum(late, 0.0)
        self.expired -= outwards
        self.work_out += step.airway * outwards
        self.work += step.airway * step.gas
        recoil = self._recoil(after.volume, after.spread)
        self.highest = np.maximum(self.highest, recoil)
        self.lowest = np.minimum(self.lowest, recoil)
        self.lowest_alveolar = np.minimum(self.lowest_alveolar, recoil - after.muscle)
        wall = self.cases.values["chest_wall_share"]
        self.lowest_pleural = np.minimum(self.lowest_pleural, wall * recoil - after.muscle)
        if release:
            self.peak_flow = np.maximum(self.peak_flow, -np.minimum(before.flow, after.flow))
            if step.limited is not None:
                self.limited -= np.where(step.limited, outwards, 0.0)

    def _mean_recoil(self) -> np.ndarray:
        """Return the recoil above atmosphere, mean over time and phases [cmH2O], shape (n,)."""
        net, (volume, spread) = self.cases.network, self.start
        # from the equation of the spread itself
        apart = (net.feed * (self.end.volume - volume) - (self.end.spread - spread)) / net.fade
        mean = self._recoil(self.held, apart).mean(axis=0) / self.cases.period
        recoil: np.ndarray = self.cases.values["p_low"] + mean
        return recoil

    def stretch(self) -> np.ndarray:
        """Return the mean transpulmonary pressure [cmH2O], shape (n,)."""
        stretch: np.ndarray = (1.0 - self.cases.values["chest_wall_share"]) * self._mean_recoil()
        return stretch

    def means(self, mean_muscle: np.ndarray) -> dict[str, np.ndarray]:
        """Return the outcomes as means over the phases; shares are those of means.

        Parameters
        ----------
        mean_muscle : ndarray, shape (n,)
            Muscle pressure, mean over all times [cmH2O].
        """
        cases, top, end = self.cases, self.top, self.end
        net, own = cases.network, cases.values
        p_low, wall = own["p_low"], own["chest_wall_share"]
        per_minute = J_PER_CMH2O_L * S_PER_MIN / cases.period
        at_top, at_end = (self._recoil(one.volume, one.spread) for one in (top, end))
        taken_in = self.expired + end.volume - self.start[0]
        rows = {
            "release_volume": ML_PER_L * (top.volume - end.volume),
            "trapped_volume": ML_PER_L * end.volume,
            "end_high_volume": ML_PER_L * (top.volume + net.compliance * p_low),
            "end_high_pressure": p_low + at_top - mean_muscle,
            "end_release_pressure": p_low + at_end - mean_muscle,
            "peak_expiratory_flow": self.peak_flow,
            "end_release_flow": -end.flow,
            "gas_beyond_dead_space": self.pipe.washed,
            "end_high_transpulmonary_pressure": (1.0 - wall) * (p_low + at_top),
            "trapped_volume_fast": ML_PER_L * net.fast_gas(end.volume, end.spread),
            "trapped_volume_slow": ML_PER_L * net.slow_gas(end.volume, end.spread),
            "auto_peep_fast": net.fast_alveoli(end.volume, end.spread) - mean_muscle,
            "auto_peep_slow": net.slow_pressure(end.volume, end.spread) - mean_muscle,
            "mechanical_power": (self.work - self.work_out + p_low * taken_in) * per_minute,
            "mechanical_power_above_p_low": self.work * per_minute,
            "transpulmonary_pressure_swing": (1.0 - wall) * (self.highest - self.lowest),
        }
        mean = {name: row.mean(axis=0) for name, row in rows.items()}
        recoil = self._mean_recoil()
        return (
            mean
            | self._shares()
            | self._extremes()
            | {
                "mean_alveolar_pressure": recoil - mean_muscle,
                "mean_pleural_pressure": wall * recoil - mean_muscle,
                "mean_transpulmonary_pressure": (1.0 - wall) * recoil,
                "mean_muscle_pressure": mean_muscle,
                "mean_airway_pressure": p_low + cases.drive.mean(),
            }
        )

    def _shares(self) -> dict[str, np.ndarray]:
        """Return the shares, of the gas of all phases together."""
        net, drive = self.cases.network, self.cases.drive
        top, end, start = self.top, self.end, self.start[0]
        slow_top, slow_end = (
            net.slow_pressure(one.volume, one.spread).mean(axis=0) for one in (top, end)
        )
        released = (top.volume - end.volume).mean(axis=0)
        fillable = drive.target[0] * net.compliance - start.mean(axis=0)
        return {
            "fill_fraction": share(top.volume.mean(axis=0) - start.mean(axis=0), fillable),
            "exhaled_fraction": share(released, top.volume.mean(axis=0)),
            "slow_exhaled_fraction": share(slow_top - slow_end, slow_top),
            "flow_limited_share": share(self.limited.mean(axis=0), released),
            "effort_share": share(self.expired.mean(axis=0) - released, self.expired.mean(axis=0)),
        }

    def _extremes(self) -> dict[str, np.ndarray]:
        """Return what is worst at any phase."""
        p_low, wall = (self.cases.values[name] for name in ("p_low", "chest_wall_share"))
        at_end = self._recoil(self.end.volume, self.end.spread) - self.end.muscle
        return {
            "peak_transpulmonary_pressure": (1.0 - wall) * (p_low + self.highest.max(axis=0)),
            "lowest_alveolar_pressure": p_low + self.lowest_alveolar.min(axis=0),
            "lowest_pleural_pressure": wall * p_low + self.lowest_pleural.min(axis=0),
            "highest_auto_peep": at_end.max(axis=0),
        }
