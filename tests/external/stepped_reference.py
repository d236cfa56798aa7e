"""The equations of the stepped lung written out again in scalars, for a general integrator."""

import itertools
import math

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar

from ebbmap.lungs import lung_model
from ebbmap.lungs.stepped.cases import NAMES
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS

STEPPED = lung_model("stepped")
USUAL = {name: PARAMETERS[name].default for name in NAMES}


class Reference:
    """One case, written out again in scalars, for `solve_ivp`.

    The equations are those of Rohrer (airway) and Venegas et al. 1998 (recoil), the opening and
    closing laws those of the module; nothing is shared with the code under test. State: volume,
    openness, then integrals of alveolar and pleural pressure, and gas inspired.
    """

    def __init__(self, case):
        self.__dict__.update({name: float(value) for name, value in case.items()})
        self.fresh = 0.0
        self.lung_compliance = self.compliance / (1.0 - self.chest_wall_share)
        self.wall = self.chest_wall_share / self.compliance
        k, c = self.recoil_curvature, self.recoil_inflection
        if k > 0.0:
            self.span = 4.0 * self.lung_compliance / k
            self.floor = -self.span / (1.0 + math.exp(k * c))

    def recoil(self, unit):
        """Transpulmonary pressure and its slope at the volume of a fully open lung."""
        k = self.recoil_curvature
        if k == 0.0:
            return unit / self.lung_compliance, 1.0 / self.lung_compliance
        above, below = unit - self.floor, self.span - unit + self.floor
        return (
            self.recoil_inflection - math.log(below / above) / k,
            self.span / (k * above * below),
        )

    def muscle(self, clock):
        length = min(self.effort_duration, 60.0 / self.effort_rate)
        return self.effort_pressure * math.sin(math.pi * clock / length) if clock < length else 0.0

    def airway(self, t, start, target):
        if self.valve_time == 0.0:
            return target
        return target + (start - target) * math.exp(-t / self.valve_time)

    def look(self, volume, openness, airway, muscle):
        """Flow, alveolar and transpulmonary pressure."""
        fraction = 1.0 - self.recruitable_share * (1.0 - openness)
        lung, _ = self.recoil(volume / fraction)
        alveolar = lung + self.wall * volume - muscle
        drop = abs(airway - alveolar)
        if airway >= alveolar:
            r = self.resistance_insp
        else:
            r = self.resistance_exp * (1.0 + self.flow_limitation * drop / lung)
        q = 2.0 * drop / (r + math.sqrt(r * r + 4.0 * self.resistance_quadratic * drop))
        return (q if airway >= alveolar else -q), alveolar, lung

    def slope(self, t, state, start, target, clock):
        muscle = self.muscle(clock + t) if self.effort_pressure > 0.0 else 0.0
        flow, alveolar, lung = self.look(state[0], state[1], self.airway(t, start, target), muscle)
        opening = 0.0
        if self.recruitable_share > 0.0:
            static = lung + self.wall * state[0]
            up = normal((static - self.opening_pressure) / self.opening_spread) - state[1]
            down = state[1] - normal((static - self.closing_pressure) / self.closing_spread)
            opening = (
                max(up, 0.0) / self.opening_time_constant
                - max(down, 0.0) / self.closing_time_constant
            )
        return [
            1000.0 * flow,
            opening,
            alveolar,
            self.wall * state[0] - muscle,
            1000.0 * max(flow, 0.0),
        ]

    def phase(self, state, start, target, duration, rtol, method="LSODA", clock=0.0):
        """Run a phase piece by piece between the switches of the effort: a list of runs."""
        runs = []
        t, now = 0.0, clock
        period = 60.0 / self.effort_rate
        length = min(self.effort_duration, period)
        while t < duration * (1.0 - 1e-12):
            ahead = duration - t
            if self.effort_pressure > 0.0:
                ahead = min(ahead, (length if now < length else period) - now)
            first = self.airway(t, start, target)
            run = solve_ivp(
                self.slope,
                (0.0, ahead),
                state,
                method=method,
                args=(first, target, now),
                rtol=rtol,
                atol=[1e-9, 1e-12, 1e-8, 1e-8, 1e-8] if rtol < 1e-8 else 1e-6,
                dense_output=True,
                first_step=min(ahead, 1e-7) if rtol < 1e-8 else None,
            )
            assert run.success
            runs.append((run, first, target, now))
            state = run.y[:, -1]
            t, now = t + ahead, now + ahead
            now = 0.0 if now > period * (1.0 - 1e-12) else now
            now = length if abs(now - length) < 1e-12 * period else now
        return state, runs, now

    def extreme(self, runs, signal):
        """Greatest value of a signal: the best of many samples of each piece, then refined."""
        best = -np.inf
        for run, first, target, clock in runs:

            def minus(t, run=run, first=first, target=target, clock=clock):
                y = run.sol(t)
                muscle = self.muscle(clock + t) if self.effort_pressure > 0.0 else 0.0
                return -signal(self.look(y[0], y[1], self.airway(t, first, target), muscle))

            times = np.linspace(0.0, run.t[-1], 81)
            values = [minus(t) for t in times]
            at = int(np.argmin(values))
            around = (times[max(at - 1, 0)], times[min(at + 1, 80)])
            found = minimize_scalar(minus, bounds=around, method="bounded", options={"xatol": 1e-7})
            best = max(best, -found.fun, -values[at])
        return best

    def washed(self, runs, volume):
        """Gas from beyond a pipe that comes out of it, turn by turn; it remembers what it holds."""
        turns = [volume]
        for run, *_ in runs:
            # a slow valve lets gas out for some milliseconds more: dense at the start
            times = run.t[-1] * np.linspace(0.0, 1.0, 401) ** 3
            rising = np.diff(run.sol(times)[0]) > 0.0
            for i in np.flatnonzero(rising[1:] != rising[:-1]):
                sign = -1.0 if rising[i] else 1.0
                turn = minimize_scalar(
                    lambda t, run=run, sign=sign: sign * run.sol(t)[0],
                    bounds=(times[i], times[i + 2]),
                    method="bounded",
                    options={"xatol": 1e-9},
                )
                turns.append(sign * turn.fun)
            turns.append(run.y[0, -1])
        pipe = (
            self.airway_dead_space_per_kg * self.predicted_body_weight + self.apparatus_dead_space
        )
        fresh, out = self.fresh, 0.0
        for before, after in itertools.pairwise(turns):
            fresh += after - before
            if fresh < 0.0:
                out, fresh = out - fresh, 0.0
            fresh = min(fresh, pipe)
        self.fresh = fresh
        return out

    def relaxed(self, pressure, openness):
        """Gas in the relaxed lung at a static pressure."""
        fraction = 1.0 - self.recruitable_share * (1.0 - openness)
        if self.recoil_curvature == 0.0:
            top = fraction * self.lung_compliance * (pressure + 1.0)
            low = -fraction * self.lung_compliance
        else:
            top = fraction * (self.span + self.floor) * (1.0 - 1e-13)
            low = fraction * self.floor * (1.0 - 1e-13)
        return brentq(
            lambda v: self.recoil(v / fraction)[0] + self.wall * v - pressure,
            low,
            top,
            xtol=1e-10,
            rtol=1e-14,
        )

    def cycle(self, volume, openness, airway, rtol=1e-10, clock=0.0):
        """Run one cycle: its end, every outcome, the airway pressure and the clock after it."""
        immediate = self.valve_time == 0.0
        first = self.p_high if immediate else airway
        begin = [volume, openness, 0.0, 0.0, 0.0]
        top, high, between = self.phase(begin, first, self.p_high, self.t_high, rtol, clock=clock)
        second = self.p_low if immediate else self.airway(self.t_high, first, self.p_high)
        end, low, after = self.phase(top, second, self.p_low, self.t_low, rtol, clock=between)
        airway = self.airway(self.t_low, second, self.p_low)
        held = self.p_high if immediate else second
        top_seen = self.look(top[0], top[1], held, self.muscle(between))
        end_seen = self.look(end[0], end[1], airway, self.muscle(after))
        period = self.t_high + self.t_low
        empty, full = self.relaxed(self.p_low, end[1]), self.relaxed(self.p_high, top[1])
        released, expired = top[0] - end[0], end[4] + volume - end[0]
        share = [1.0 - self.recruitable_share * (1.0 - s[1]) for s in (top, end)]
        both = high + low
        breathing = self.effort_pressure > 0.0
        return (
            end,
            {
                "release_volume": released,
                "trapped_volume": end[0] - empty,
                "end_high_pressure": top_seen[1],
                "end_high_volume": top[0],
                "end_release_pressure": end_seen[1],
                "peak_expiratory_flow": self.extreme(low, lambda seen: -seen[0]),
                "end_release_flow": -end_seen[0],
                "mean_alveolar_pressure": end[2] / period,
                "fill_fraction": (top[0] - volume) / (full - volume),
                "exhaled_fraction": released / (top[0] - empty),
                "time_constant_exp": self.compliance * self.resistance_exp / 1000.0,
                "end_high_transpulmonary_pressure": top_seen[2],
                "mean_pleural_pressure": end[3] / period,
                "open_fraction_end_high": share[0],
                "open_fraction_end_release": share[1],
                "closed_per_release": share[0] - share[1],
                "gas_beyond_dead_space": self.washed(high + low, volume),
                "effort_share": 1.0 - released / expired if breathing else 0.0,
                "transpulmonary_pressure_swing": self.extreme(both, lambda seen: seen[2])
                + self.extreme(both, lambda seen: -seen[2]),
            },
            airway,
            after,
        )


def normal(z):
    return 0.5 * math.erfc(-z * math.sqrt(0.5))


def draw(count, seed):
    """Random cases, sigmoid, quadratic and limited, with extremes of each in every tenth."""
    rng = np.random.default_rng(seed)
    cases = []
    for number in range(count):
        case = dict(USUAL)
        names = [
            "p_high",
            "p_low",
            "t_high",
            "t_low",
            "compliance",
            "resistance_insp",
            "resistance_exp",
            "chest_wall_share",
            "resistance_quadratic",
            "recoil_curvature",
            "recoil_inflection",
        ]
        if number % 3 == 0:
            names.append("flow_limitation")
        for name in names:
            entry = PARAMETERS[name]
            case[name] = rng.uniform(entry.usual_low, entry.usual_high)
        if number % 10 == 0:
            case["t_low"] = rng.choice([0.02, 8.0])
            case["compliance"] = rng.choice([5.0, 300.0])
            case["recoil_curvature"] = rng.choice([0.0, 0.25])
            case["resistance_quadratic"] = rng.choice([0.0, 100.0])
        case["p_low"] = min(case["p_low"], case["p_high"] - 5.0)
        cases.append(case)
    return cases


def together(cases):
    return {name: np.array([case[name] for case in cases]) for name in NAMES}


#: The stated error; the gas beyond the dead space is a difference of volumes at turns that are
#: read from the integrator's interpolant, which is good to 1e-7 of the gas that moves.
STATED = {name: 1e-4 if name == "gas_beyond_dead_space" else 1e-6 for name in STEPPED.solves}


def scale_of(case):
    """What an outcome may be off in absolute terms is counted in units of these, by its unit."""
    swing = case["p_high"] - case["p_low"]
    return {
        "mL": case["compliance"] * swing,
        "cmH2O": case["p_high"],
        "1": 1.0,
        "s": 1.0,
        "L s-1": swing / case["resistance_exp"],
    }


def differences(ours, theirs, case, number):
    """Difference of each outcome, as a share of itself but at least a hundredth of its scale.

    What closes is counted as a share of the lung, as the open fraction that it is taken from.
    """
    scale = scale_of(case)
    return {
        name: abs(ours[name][number] - value)
        / (
            1.0
            if name.startswith("closed")
            else max(abs(value), 0.01 * scale[OUTCOMES[name].units])
        )
        for name, value in theirs.items()
    }


def worst(found):
    """Largest difference of each outcome over many cases."""
    return {name: max(one[name] for one in found) for name in found[0]}
