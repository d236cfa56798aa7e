"""The stepped lung against a general-purpose integrator and against published facts."""

import itertools
import math
import time

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar

from ebbmap.lungs import lung_model, stepped
from ebbmap.lungs.stepped.cases import NAMES
from ebbmap.lungs.stepped.recoil import (
    elastances,
    lung_compliance,
    lung_volume,
    transpulmonary_pressure,
)
from ebbmap.outcomes import OUTCOMES
from ebbmap.parameters import PARAMETERS

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
        return (self.recoil_inflection - math.log(below / above) / k,
                self.span / (k * above * below))  # fmt: skip

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
            opening = (max(up, 0.0) / self.opening_time_constant
                       - max(down, 0.0) / self.closing_time_constant)  # fmt: skip
        return [1000.0 * flow, opening, alveolar, self.wall * state[0] - muscle,
                1000.0 * max(flow, 0.0)]  # fmt: skip

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
                self.slope, (0.0, ahead), state, method=method, args=(first, target, now),
                rtol=rtol, atol=[1e-9, 1e-12, 1e-8, 1e-8, 1e-8] if rtol < 1e-8 else 1e-6,
                dense_output=True, first_step=min(ahead, 1e-7) if rtol < 1e-8 else None,
            )  # fmt: skip
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
            found = minimize_scalar(minus, bounds=around, method="bounded",
                                    options={"xatol": 1e-7})  # fmt: skip
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
                turn = minimize_scalar(lambda t, run=run, sign=sign: sign * run.sol(t)[0],
                                       bounds=(times[i], times[i + 2]), method="bounded",
                                       options={"xatol": 1e-9})  # fmt: skip
                turns.append(sign * turn.fun)
            turns.append(run.y[0, -1])
        pipe = (self.airway_dead_space_per_kg * self.predicted_body_weight
                + self.apparatus_dead_space)  # fmt: skip
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
            lambda v: self.recoil(v / fraction)[0] + self.wall * v - pressure, low, top,
            xtol=1e-10, rtol=1e-14,
        )  # fmt: skip

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
        names = ["p_high", "p_low", "t_high", "t_low", "compliance", "resistance_insp",
                 "resistance_exp", "chest_wall_share", "resistance_quadratic",
                 "recoil_curvature", "recoil_inflection"]  # fmt: skip
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
    return {"mL": case["compliance"] * swing, "cmH2O": case["p_high"], "1": 1.0, "s": 1.0,
            "L s-1": swing / case["resistance_exp"]}  # fmt: skip


def differences(ours, theirs, case, number):
    """Difference of each outcome, as a share of itself but at least a hundredth of its scale.

    What closes is counted as a share of the lung, as the open fraction that it is taken from.
    """
    scale = scale_of(case)
    return {
        name: abs(ours[name][number] - value)
        / (1.0 if name.startswith("closed")
           else max(abs(value), 0.01 * scale[OUTCOMES[name].units]))
        for name, value in theirs.items()
    }  # fmt: skip


def worst(found):
    """Largest difference of each outcome over many cases."""
    return {name: max(one[name] for one in found) for name in found[0]}


def check_settled(cases):
    """Solve, then run the reference for one cycle from the settled state: the differences."""
    values = together(cases)
    ours, state = STEPPED.solve(**values), stepped.settle(**values)
    assert np.isfinite(ours["release_volume"]).all()
    assert set(ours) == set(STEPPED.solves)
    # that one by a disturbance, below
    reached = set(ours) - {"cycles_to_settle"}
    found = []
    for number, case in enumerate(cases):
        start = [float(field[number]) for field in state[:3]]
        end, theirs, _, _ = Reference(case).cycle(*start)
        assert set(theirs) == reached
        kept = 0.01 ** (1.0 / float(ours["cycles_to_settle"][number]))
        # the cycle is settled: what is still missing would move it by less than the stated error
        size = scale_of(case)["mL"]
        assert abs(end[0] - start[0]) / (1.0 - kept) < 3e-6 * size, number
        found.append(differences(ours, theirs, case, number))
    return found


@pytest.mark.slow
def test_settled_cycle_against_solve_ivp():
    for name, value in worst(check_settled(draw(200, 11))).items():
        assert value < STATED[name], (name, value)


@pytest.mark.slow
def test_a_disturbance_fades_in_the_cycles_that_are_said():
    cases = draw(40, 12)
    values = together(cases)
    ours, state = STEPPED.solve(**values)["cycles_to_settle"], stepped.settle(**values)
    seen = 0
    for number, case in enumerate(cases):
        start = [float(field[number]) for field in state[:3]]
        size = 1e-3 * scale_of(case)["mL"]
        ends = [Reference(case).cycle(start[0] + sign * size, *start[1:])[0][0] for sign in (1, -1)]
        kept = (ends[0] - ends[1]) / (2.0 * size)
        # what is left is known to the integrator's 1e-10 of a volume over the disturbance
        if kept < 1e-3:
            continue
        seen += 1
        # and to the curvature over a thousandth of the gas
        assert np.log(0.01) / np.log(kept) == pytest.approx(ours[number], rel=1e-3), number
    assert seen >= 10


def remembering(count, seed):
    """Random cases with units that close, half of them behind a slow valve."""
    rng = np.random.default_rng(seed)
    cases = draw(count, seed)
    for number, case in enumerate(cases):
        names = ["recruitable_share", *(name for name in NAMES if name.startswith(MEMORY))]
        if number % 2:
            names.append("valve_time")
        for name in names:
            entry = PARAMETERS[name]
            case[name] = rng.uniform(entry.usual_low, entry.usual_high)
    return cases


MEMORY = ("opening", "closing")


@pytest.mark.slow
def test_settled_cycle_with_memory_against_solve_ivp():
    for name, value in worst(check_settled(remembering(200, 13))).items():
        assert value < STATED[name], (name, value)


def breathing(count, seed, *more):
    """Random cases with effort and the further features named, each in its usual range."""
    rng = np.random.default_rng(seed)
    cases = draw(count, seed)
    for case in cases:
        for name in ("effort_pressure", "effort_rate", "effort_duration", *more):
            entry = PARAMETERS[name]
            case[name] = rng.uniform(entry.usual_low, entry.usual_high)
    return cases


@pytest.mark.slow
def test_cycles_with_effort_against_solve_ivp():
    closing = ("recruitable_share", *(name for name in NAMES if name.startswith(MEMORY)))
    cases = breathing(24, 18, "valve_time", *closing)
    values = together(cases)
    clock = np.random.default_rng(19).uniform(0.0, 0.9, len(cases)) * 60.0 / values["effort_rate"]
    start = stepped.settle(**values | {"effort_pressure": np.zeros(len(cases))})
    start = start._replace(clock=clock, fresh=np.zeros(len(cases)))
    ours, after = stepped.cycle(start, **values)
    found = []
    for number, case in enumerate(cases):
        at = [float(field[number]) for field in start[:3]]
        end, theirs, airway, _ = Reference(case).cycle(*at, clock=float(clock[number]))
        found.append(differences(ours, theirs, case, number))
        assert abs(end[0] - after.volume[number]) < 1e-6 * scale_of(case)["mL"]
        assert airway == pytest.approx(float(after.airway_pressure[number]), abs=1e-9)
    for name, value in worst(found).items():
        assert value < STATED[name], (name, value)


@pytest.mark.slow
def test_the_mean_over_the_phase_of_the_effort_against_solve_ivp():
    """As users get it: another number of phases, another run-in, and no code in common."""
    phases = 18
    cases = [case for case in breathing(9, 21) if case["t_low"] > 0.1][:4]
    values = together(cases)
    ours = STEPPED.solve(**values)
    passive = STEPPED.solve(**values | {"effort_pressure": np.zeros(len(cases))})
    begun = stepped.settle(**values | {"effort_pressure": np.zeros(len(cases))})
    for number, case in enumerate(cases):
        run_in = int(np.ceil(2.0 * passive["cycles_to_settle"][number])) + 1
        period = 60.0 / case["effort_rate"]
        total = {}
        for phase in range(phases):
            at = [float(field[number]) for field in begun[:3]]
            clock, reference = phase / phases * period, Reference(case)
            for _ in range(run_in + 1):
                end, theirs, airway, clock = reference.cycle(*at, rtol=1e-8, clock=clock)
                at = [end[0], end[1], airway]
            for name, value in theirs.items():
                total[name] = total.get(name, 0.0) + value / phases
        for name in ("release_volume", "trapped_volume", "gas_beyond_dead_space",
                     "mean_alveolar_pressure", "mean_pleural_pressure"):  # fmt: skip
            # both means are good to some 1e-4; gas that the run-in began with adds as much
            size = max(abs(total[name]), 0.1 * scale_of(case)[OUTCOMES[name].units])
            assert abs(ours[name][number] - total[name]) < 2e-3 * size, (name, number)
        # taken from the gas of all cycles, not a mean of shares
        share = total["release_volume"] / (total["release_volume"] + total["trapped_volume"])
        assert ours["exhaled_fraction"][number] == pytest.approx(share, rel=2e-3)


def test_it_is_a_thousand_times_a_loop_of_solve_ivp():
    cases = [case | {"flow_limitation": 0.0} for case in draw(4, 14)[1:]]
    begun = time.process_time()
    for case in cases:
        reference = Reference(case)
        volume = case["compliance"] * case["p_low"]
        for _ in range(6):
            end, *_ = reference.phase([volume, 1.0, 0.0, 0.0, 0.0], 0.0, case["p_high"],
                                      case["t_high"], 1e-6, "RK45")  # fmt: skip
            end, *_ = reference.phase(end, 0.0, case["p_low"], case["t_low"], 1e-6, "RK45")
            volume = end[0]
    loop = (time.process_time() - begun) / len(cases)
    rng = np.random.default_rng(15)
    many = {name: np.full(4096, value) for name, value in USUAL.items()}
    for name in ("t_low", "t_high", "compliance", "resistance_exp", "recoil_curvature",
                 "recoil_inflection", "resistance_quadratic"):  # fmt: skip
        entry = PARAMETERS[name]
        many[name] = rng.uniform(entry.usual_low, entry.usual_high, 4096)
    STEPPED.solve(**many)
    begun = time.process_time()
    for _ in range(5):
        STEPPED.solve(**many)
    ours = (time.process_time() - begun) / (5 * 4096)
    print(f"{1.0 / ours:.0f} cases/s; {loop / ours:.0f} times a loop of solve_ivp")
    # a noisy machine may halve it; measured 1,500 to 1,900 on one core of an EPYC, 2.4 GHz
    assert loop / ours > 500.0


def test_published_facts_of_the_sigmoid():
    """Venegas et al., J Appl Physiol 1998;84:389; Narusawa, J Appl Physiol 2001;91:201."""
    # alpha 5e-5 and a span of 2500 mL: d = 1 / (alpha b) = 8, peak compliance b / (4 d) = 78
    span, width, inflection = 2500.0, 1.0 / (5e-5 * 2500.0), 14.0
    peak = span / (4.0 * width)
    assert round(width, 9) == 8.0
    assert round(peak) == 78
    lung, _ = elastances(peak, 0.0)
    p = np.linspace(-200.0, 300.0, 500_001)
    compliance = lung_compliance(p, lung, 1.0 / width, inflection)
    # on a grid of 0.001 cmH2O
    assert abs(p[np.argmax(compliance)] - inflection) <= 1e-3
    np.testing.assert_allclose(compliance.max(), peak, rtol=1e-9)
    volume = lung_volume(p, lung, 1.0 / width, inflection)
    np.testing.assert_allclose(volume[-1] - volume[0], span, rtol=1e-9)
    bend = np.gradient(compliance, p)
    # greatest change of slope at c +- 1.317 d (calculus), to the grid and the rounding of 1.317
    for edge, at in ((np.argmax(bend), -1.317), (np.argmin(bend), 1.317)):
        assert abs(p[edge] - (inflection + at * width)) < 2e-3 + 5e-4 * width


def test_the_wall_takes_its_share_at_the_steepest_point():
    """Gattinoni et al., Crit Care 2004;8:350: pleural change = airway change x E_wall / E_rs."""
    lung, wall = elastances(50.0, 0.4)
    lung, wall, one = np.array([lung]), np.array([wall]), np.ones(1)
    across = 12.0 + wall * lung_volume(12.0, lung, 0.1, 12.0)
    recoil = [
        transpulmonary_pressure(across + shift, lung, wall, 0.1 * one, 12.0 * one, one)
        for shift in (-0.01, 0.01)
    ]
    # a central difference of 0.01 cmH2O on a curve of width 10
    np.testing.assert_allclose((recoil[1] - recoil[0]) / 0.02, 0.6, rtol=1e-6)
