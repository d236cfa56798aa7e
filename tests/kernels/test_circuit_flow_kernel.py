"""The fast kernel of traces against the lungs' own solvers, which it does not use."""

import numpy as np
import pytest

from ebbmap.kernels.circuit_flow import Phase, mesh, settled, weights
from ebbmap.kernels.descent import descend
from ebbmap.lungs import lung_model
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import population
from ebbmap.traces.models import circuit_of

T_HIGH, T_LOW, DROP, P_LOW = 4.0, 0.7, 20.0, 5.0
STEP = 0.06


def lungs(name, n=20):
    model = lung_model(name)
    values = {key: np.full(n, PARAMETERS[key].default) for key in model.parameters}
    drawn = population("normal").sample(n, seed=1)
    values |= {key: one for key, one in drawn.items() if key in model.parameters}
    return model, values | {
        "p_high": np.full(n, P_LOW + DROP),
        "p_low": np.full(n, P_LOW),
        "t_high": np.full(n, T_HIGH),
        "t_low": np.full(n, T_LOW),
    }


@pytest.mark.parametrize("name", ["linear", "tube", "whole"])
def test_flow_agrees_with_the_lung(name):
    model, values = lungs(name)
    times = np.arange(0.013, T_HIGH + T_LOW - 0.01, 0.02)
    real = np.asarray(model.waveform(model.settle(**values), times, **values)["flow"])
    phases = (Phase(T_HIGH, 0.0, DROP, 0.0), Phase(T_LOW, DROP, 0.0, 0.0))
    nodes = settled(circuit_of(name, values), phases, STEP, P_LOW)
    later = times >= T_HIGH
    place, of_flow, of_slope = weights(
        phases, STEP, later.astype(int), np.where(later, times - T_HIGH, times)
    )
    flow = sum(
        of_flow[:, [i]] * nodes.flow[place + i] + of_slope[:, [i]] * nodes.slope[place + i]
        for i in (0, 1)
    )
    # measured: 7 mL/s at most, at 2 L/s where flow falls fastest, less than noise of 10 mL/s
    assert flow.T == pytest.approx(real, abs=1e-2)
    assert np.sqrt(np.mean((flow.T - real) ** 2)) < 1e-3


def test_nodes_are_dense_at_first_and_reach_the_end():
    nodes = mesh(3.0, 0.1)
    assert nodes[-1] == pytest.approx(3.0)
    assert np.all(np.diff(nodes) <= 0.1 + 1e-12)
    assert nodes[1] < 0.01


def test_descents_stay_in_their_box_and_find_the_best_there():
    def residuals(places):
        x, y = places.T
        return np.stack([10.0 * (y - x * x), 1.0 - x], axis=1)

    box = np.array([[-2.0, -2.0], [2.0, 2.0]])
    starts = np.array([[-1.5, 1.5], [1.5, -1.5], [0.0, 0.0]])
    found = descend(residuals, starts, box, steps=200)
    # Rosenbrock's valley ends at (1, 1)
    assert found.place == pytest.approx(np.ones((3, 2)), abs=1e-2)
    narrow = np.array([[-2.0, -2.0], [0.5, 2.0]])
    walled = descend(residuals, starts[:1], narrow, steps=200)
    assert walled.place[0] == pytest.approx([0.5, 0.25], abs=1e-3)


def test_a_held_unknown_stays():
    box = np.array([[-5.0, -5.0], [5.0, 5.0]])
    free = np.array([[True, False]])
    found = descend(lambda x: x - [1.0, 2.0], np.zeros((1, 2)), box, free=free)
    assert found.place.tolist() == [[pytest.approx(1.0), 0.0]]
