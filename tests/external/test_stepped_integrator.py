"""The stepped lung against a general-purpose integrator and against published facts."""

import numpy as np
import pytest

from ebbmap.lungs import stepped
from ebbmap.lungs.stepped.cases import NAMES
from ebbmap.lungs.stepped.recoil import (
    elastances,
    lung_compliance,
    lung_volume,
    transpulmonary_pressure,
)
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from external.stepped_reference import (
    STATED,
    STEPPED,
    Reference,
    differences,
    draw,
    scale_of,
    together,
    worst,
)


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
        for name in (
            "release_volume",
            "trapped_volume",
            "gas_beyond_dead_space",
            "mean_alveolar_pressure",
            "mean_pleural_pressure",
        ):
            # both means are good to some 1e-4; gas that the run-in began with adds as much
            size = max(abs(total[name]), 0.1 * scale_of(case)[OUTCOMES[name].units])
            assert abs(ours[name][number] - total[name]) < 2e-3 * size, (name, number)
        # taken from the gas of all cycles, not a mean of shares
        share = total["release_volume"] / (total["release_volume"] + total["trapped_volume"])
        assert ours["exhaled_fraction"][number] == pytest.approx(share, rel=2e-3)


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
