"""The stepped lung against a general-purpose integrator and against published facts."""

import time

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import minimize_scalar
from scipy.special import ndtr

from ebbmap.lungs import lung_model, stepped
from ebbmap.lungs.stepped.cases import NAMES
from ebbmap.lungs.stepped.recoil import (
    elastances,
    lung_compliance,
    lung_volume,
    transpulmonary_pressure,
)
from ebbmap.parameters import PARAMETERS

STEPPED = lung_model("stepped")
USUAL = {name: PARAMETERS[name].default for name in NAMES}


class Reference:
    """One case, written out again in scalars, for `solve_ivp`; state: volume, openness, integrals.

    The equations are those of Rohrer (airway) and Venegas et al. 1998 (recoil), the opening and
    closing laws those of the module; nothing is shared with the code under test.
    """

    def __init__(self, case):
        self.__dict__.update(case)
        self.lung_compliance = self.compliance / (1.0 - self.chest_wall_share)
        self.wall = self.chest_wall_share / self.compliance

    def recoil(self, unit):
        k, c = self.recoil_curvature, self.recoil_inflection
        if k == 0.0:
            return unit / self.lung_compliance
        b = 4.0 * self.lung_compliance / k
        a = -b / (1.0 + np.exp(k * c))
        return c - np.log(b / (unit - a) - 1.0) / k

    def look(self, t, state, start, target):
        volume, openness = state[0], state[1]
        paw = target
        if self.valve_time > 0.0:
            paw = target + (start - target) * np.exp(-t / self.valve_time)
        lung = self.recoil(volume / (1.0 - self.recruitable_share * (1.0 - openness)))
        alveolar = lung + self.wall * volume
        drop = abs(paw - alveolar)
        inward = paw >= alveolar
        r = self.resistance_insp if inward else self.resistance_exp
        if not inward:
            r *= 1.0 + self.flow_limitation * drop / lung
        k = self.resistance_quadratic
        q = drop / r if k == 0.0 else (np.sqrt(r * r + 4.0 * k * drop) - r) / (2.0 * k)
        return (q if inward else -q), alveolar, lung

    def slope(self, t, state, start, target):
        flow, alveolar, lung = self.look(t, state, start, target)
        opening = 0.0
        if self.recruitable_share > 0.0:
            static = lung + self.wall * state[0]
            up = ndtr((static - self.opening_pressure) / self.opening_spread) - state[1]
            down = state[1] - ndtr((static - self.closing_pressure) / self.closing_spread)
            opening = (max(up, 0.0) / self.opening_time_constant
                       - max(down, 0.0) / self.closing_time_constant)  # fmt: skip
        return [1000.0 * flow, opening, alveolar, self.wall * state[0]]

    def phase(self, state, start, target, duration, rtol, method="LSODA"):
        args = (start, target)
        run = solve_ivp(
            self.slope, (0.0, duration), state, method=method, args=args, rtol=rtol,
            atol=[1e-9, 1e-12, 1e-8, 1e-8] if rtol < 1e-8 else 1e-6, dense_output=True,
            first_step=min(duration, 1e-7) if rtol < 1e-8 else None,
        )  # fmt: skip
        assert run.success
        return run

    def cycle(self, volume, openness, airway, rtol=1e-11):
        immediate = self.valve_time == 0.0
        first = self.p_high if immediate else airway
        high = self.phase([volume, openness, 0.0, 0.0], first, self.p_high, self.t_high, rtol)
        top = high.y[:, -1]
        after = self.p_high
        if not immediate:
            after += (first - self.p_high) * np.exp(-self.t_high / self.valve_time)
        second = self.p_low if immediate else after
        low = self.phase(top, second, self.p_low, self.t_low, rtol)
        end = low.y[:, -1]
        _, top_alveolar, top_lung = self.look(self.t_high, top, first, self.p_high)
        end_flow, end_alveolar, _ = self.look(self.t_low, end, second, self.p_low)
        immediate_peak = -self.look(0.0, top, self.p_low, self.p_low)[0]
        peak = immediate_peak if immediate else self.peak(low, second, self.t_low)
        period = self.t_high + self.t_low
        return end, {
            "release_volume": top[0] - end[0],
            "end_high_pressure": top_alveolar,
            "end_release_pressure": end_alveolar,
            "peak_expiratory_flow": peak,
            "end_release_flow": -end_flow,
            "mean_alveolar_pressure": end[2] / period,
            "mean_pleural_pressure": end[3] / period,
            "end_high_transpulmonary_pressure": top_lung,
            "closed_per_release": self.recruitable_share * (top[1] - end[1]),
        }

    def peak(self, run, start, duration):
        """Greatest outward flow of a release: the best of many samples, then refined."""

        def inward(t):
            return self.look(t, run.sol(t), start, self.p_low)[0]

        times = np.linspace(0.0, duration, 2001)
        best = int(np.argmin([inward(t) for t in times]))
        around = (times[max(best - 1, 0)], times[min(best + 1, 2000)])
        found = minimize_scalar(inward, bounds=around, method="bounded", options={"xatol": 1e-9})
        return -min(found.fun, inward(0.0), inward(duration))


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


def compare(ours, theirs, scale, number):
    """Hold ours to 1e-6; what is below a thousandth of its scale, to the reference's own digits."""
    for name, value in theirs.items():
        size = {"mL": scale["volume"], "L s-1": scale["flow"]}.get(UNITS_OF[name], scale["p"])
        if name == "closed_per_release":
            size = 1.0
        np.testing.assert_allclose(
            ours[name][number], value, rtol=1e-6, atol=1e-9 * size, err_msg=f"{name} of {number}"
        )


UNITS_OF = {
    "release_volume": "mL", "end_high_pressure": "cmH2O", "end_release_pressure": "cmH2O",
    "peak_expiratory_flow": "L s-1", "end_release_flow": "L s-1",
    "mean_alveolar_pressure": "cmH2O", "mean_pleural_pressure": "cmH2O",
    "end_high_transpulmonary_pressure": "cmH2O", "closed_per_release": "1",
}  # fmt: skip


def scale_of(case):
    swing = case["p_high"] - case["p_low"]
    return {"volume": case["compliance"] * swing, "p": case["p_high"],
            "flow": swing / case["resistance_exp"]}  # fmt: skip


def test_settled_cycle_against_solve_ivp():
    cases = draw(200, 11)
    values = together(cases)
    ours, state = STEPPED.solve(**values), stepped.settle(**values)
    assert np.isfinite(ours["release_volume"]).all()
    for number, case in enumerate(cases):
        reference = Reference(case)
        # two cycles and a secant find the reference's own settled cycle
        start = float(state.volume[number])
        end, _ = reference.cycle(start, 1.0, case["p_low"])
        kept = 0.01 ** (1.0 / float(ours["cycles_to_settle"][number]))
        start = start + (end[0] - start) / (1.0 - kept)
        end, theirs = reference.cycle(start, 1.0, case["p_low"])
        release = theirs["release_volume"]
        # the settled cycle is settled: what is still missing would move it by less than 1e-7
        assert abs(end[0] - start) / (1.0 - kept) < 1e-7 * scale_of(case)["volume"], number
        assert release > 0.0
        compare(ours, theirs, scale_of(case), number)


@pytest.mark.slow
def test_a_cycle_with_valve_and_closing_units_against_solve_ivp():
    rng = np.random.default_rng(12)
    cases = draw(16, 13)
    for case in cases:
        case["t_low"] = max(case["t_low"], 0.2)
        case["valve_time"] = rng.uniform(0.02, 0.15)
        for name in ("recruitable_share", "opening_pressure", "closing_pressure",
                     "opening_time_constant", "closing_time_constant"):  # fmt: skip
            entry = PARAMETERS[name]
            case[name] = rng.uniform(entry.usual_low, entry.usual_high)
    values = together(cases)
    start = stepped.rest(6.0, **values)
    ours, _ = stepped.cycle(start, **values)
    for number, case in enumerate(cases):
        _, theirs = Reference(case).cycle(
            float(start.volume[number]), float(start.openness[number]), 6.0
        )
        compare(ours, theirs, scale_of(case), number)


def test_it_is_a_thousand_times_a_loop_of_solve_ivp():
    cases = [case | {"flow_limitation": 0.0} for case in draw(4, 14)[1:]]
    begun = time.process_time()
    for case in cases:
        reference = Reference(case)
        volume = case["compliance"] * case["p_low"]
        for _ in range(6):
            end = reference.phase([volume, 1.0, 0.0, 0.0], 0.0, case["p_high"], case["t_high"],
                                  1e-6, "RK45")  # fmt: skip
            end = reference.phase(end.y[:, -1], 0.0, case["p_low"], case["t_low"], 1e-6, "RK45")
            volume = end.y[0, -1]
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


@pytest.mark.slow
def test_time_course_of_collapse():
    """Neumann et al., J Appl Physiol 1998;85:1533: mostly within 4 s, some within 0.6 s.

    A lung that empties at once, hardly any of it recruitable, so that pressure falls to P low and
    stays: the share of what will close that has closed. Default constants.
    """
    times = np.array([0.5, 0.6, 1.0, 4.0, 40.0])
    fast = USUAL | {
        "resistance_exp": 0.01, "resistance_insp": 0.01, "recruitable_share": 1e-3,
        "t_high": 60.0, "t_low": times, "p_high": 45.0,
    }  # fmt: skip
    closed = STEPPED.solve(**fast)["closed_per_release"]
    share = dict(zip(times.tolist(), (closed / closed[-1]).tolist(), strict=True))
    print({duration: round(value, 3) for duration, value in share.items()})
    assert share[4.0] > 0.9
    assert 0.1 < share[0.6] < 0.9
    # our one time constant of 1 s: 1 - exp(-t), to the time that the lung takes to empty
    np.testing.assert_allclose(share[0.5], 1.0 - np.exp(-0.5), atol=1e-2)
    np.testing.assert_allclose(share[1.0], 1.0 - np.exp(-1.0), atol=1e-2)
