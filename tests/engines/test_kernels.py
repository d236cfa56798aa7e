"""Kernels of the device: the same formulas, a case in each thread; the processor stands in."""

from functools import partial

import numpy as np
import pytest

from ebbmap.array import Picked, kernel, use_kernel, where
from ebbmap.engines import kernels
from ebbmap.engines.columns import double_precision
from ebbmap.lungs import lung_model
from ebbmap.lungs.whole import chain
from ebbmap.lungs.whole.cases import circuit, settled_drive
from ebbmap.lungs.whole.limited import lay_limited
from ebbmap.lungs.whole.mesh import lay
from ebbmap.lungs.whole.newton import COARSE, _frame, run
from ebbmap.lungs.whole.passes import take_last_pass, take_pass
from ebbmap.lungs.whole.turns import decaying, first_guess
from ebbmap.registries.parameters import PARAMETERS

jax = pytest.importorskip("jax")

interpreted = partial(kernels.run, interpret=True)


def cases(n, upstream=0.0):
    rng = np.random.default_rng(4)
    values = {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, n)
        for name in lung_model("whole").parameters
    }
    return values | {"upstream_resistance": np.full(n, upstream)}


@pytest.mark.parametrize("length", [1, 100, 128, 300])
def test_every_kind_of_row_is_read_for_every_case(length):
    one = np.linspace(1.0, 2.0, length)
    pair = np.stack([one, -one])
    rows = {
        "own": np.arange(3.0)[:, None] + one,
        "shared": np.array([[True], [False], [True]]),
        "picked": Picked(pair, np.array([0, 1, 1])),
        "none": None,
    }

    def body(known, table):
        def add(row, total):
            found = table.read(row)
            assert found["none"] is None
            value = where(found["shared"], found["own"], 10.0) * known["scale"] + found["picked"]
            table.write("each", row, value)
            return total + value

        table.write("sum", 0, table.loop(3, add, table.constant(0.5)))

    with double_precision():
        rows["own"] = np.broadcast_to(rows["own"], (3, length))
        found = interpreted(body, {"scale": one}, rows, {"each": 3, "sum": 1})
    expected = np.where(rows["shared"], rows["own"], 10.0) * one + pair[[0, 1, 1]]
    np.testing.assert_allclose(np.asarray(found["each"]), expected, rtol=1e-15)
    np.testing.assert_allclose(np.asarray(found["sum"])[0], 0.5 + expected.sum(axis=0), rtol=1e-15)


def test_products_are_fused_into_sums_that_alone_use_them():
    fused = []

    def fuse(x, y, z):
        fused.append((x, y, z))
        return x * y + z

    def function(x, y, z):
        kept = x * y
        inner = where(x > 2.0, y * z + x, 1.0)
        return x * y + z, z - x * y, x * y - z, kept, kept + z, 2.0 * x + 3.0, inner

    x, y, z = np.array([1.0, 3.0]), np.array([5.0, 7.0]), np.array([11.0, 13.0])
    with double_precision():
        given = tuple(jax.numpy.asarray(one) for one in (x, y, z))
        found = kernels._with_fused_products(function, given, fuse)
    assert len(fused) == 5  # the product that is handed out too is not fused
    inner = np.where(x > 2.0, y * z + x, 1.0)
    expected = x * y + z, z - x * y, x * y - z, x * y, x * y + z, 2.0 * x + 3.0, inner
    for own, other in zip(found, expected, strict=True):
        assert np.array_equal(np.asarray(own), other)


def test_maps_chain_the_same_one_by_one():
    rng = np.random.default_rng(2)
    matrices = rng.uniform(-0.6, 0.6, (2, 2, 11, 4))
    added = rng.uniform(-1.0, 1.0, (2, 11, 4))

    class Plain:
        def __init__(self):
            self.volume, self.spread, self.whole = {}, {}, {}

        def write(self, name, row, value):
            getattr(self, name)[row] = value

        def loop(self, times, step, carry):
            for number in range(times):
                carry = step(number, carry)
            return carry

        def constant(self, value):
            return np.full(4, value)

    table, seen = Plain(), []
    chain.walk(
        table,
        11,
        lambda step: ([*matrices[0, :, step], *matrices[1, :, step]], added[:, step], step),
        lambda number, kept, volume, spread: seen.append((number, kept)),
    )
    links = chain.chain(matrices)
    expected = chain.follow(links, added)
    for own, other in zip((table.volume, table.spread), expected, strict=True):
        np.testing.assert_allclose([own[row] for row in range(12)], other, rtol=1e-12)
    whole = np.array([table.whole[row] for row in range(4)]).reshape(2, 2, 4)
    np.testing.assert_allclose(whole, links.whole, rtol=1e-12, atol=1e-15)
    assert seen == [(number, number) for number in range(11)]


def plain(body, known, rows, results):
    """Run a kernel's function by NumPy, all cases in one block."""
    length = max(np.size(value) for value in known.values())
    out = {name: np.zeros((*np.atleast_1d(shape), length)) for name, shape in results.items()}

    def one(leaf, row):
        if isinstance(leaf, Picked):
            return leaf.values[leaf.which[row]]
        if leaf is None:
            return None
        return list(leaf[:, row]) if leaf.ndim == 3 else leaf[row]

    class Table:
        def read(self, row):
            return {name: one(leaf, row) for name, leaf in rows.items()}

        def write(self, name, row, value):
            out[name][row] = value

        def loop(self, times, step, carry):
            for number in range(times):
                carry = step(number, carry)
            return carry

        def call(self, function, *arguments):
            return function(*arguments)

        def constant(self, value):
            return np.full(length, value)

    body(known, Table())
    return out


@pytest.mark.parametrize(("upstream", "effort"), [(0.0, {"free": True}), (20.0, {})])
def test_two_passes_with_their_own_derivatives_settle_what_three_with_kept_ones_do(
    upstream, effort
):
    values = cases(400, upstream)
    network, drive = circuit(values), settled_drive(values)
    kept = run(network, drive, **effort)
    with use_kernel(plain):
        own = run(network, drive, **effort)
    # a case at the edge of what counts as settled may lie on either side of it
    assert (own.settled != kept.settled).mean() <= 0.005
    assert own.settled.mean() > 0.98
    both = own.settled & kept.settled
    greatest = np.abs(kept.flow[-1]).max(axis=0)
    off = np.abs(own.flow[-1] - kept.flow[-1]).max(axis=0) / greatest
    # settled is to 1e-6 of the greatest flow, of which either may use up all
    assert off[both].max() <= 2e-6
    # where flows come near nought they follow from terms 1e3 times as large
    assert np.median(off[both]) <= 1e-11


@pytest.mark.slow
@pytest.mark.parametrize("upstream", [0.0, 20.0])
def test_a_pass_step_by_step_is_that_by_whole_arrays(upstream):
    values = cases(150, upstream)

    def start(of):
        network, drive = circuit(of), settled_drive(of)
        if not upstream:
            drive = drive._replace(atmosphere=None)
        turn, first_flow = first_guess(network, drive, None)
        plan = lay(network, drive, turn, first_flow)
        if upstream:
            plan, turn = lay_limited(network, drive, turn, first_flow)
        guess = list(decaying(network, drive, plan, turn, first_flow, COARSE.stages))
        return _frame(COARSE, network, drive, plan, turn), network, drive, guess

    def both(of):
        given = start(of)
        first = take_pass(*given, None)
        # what keeps nothing takes derivatives of its own
        return first[:4], again(*given, first)[:4]

    def again(frame, network, drive, guess, first):
        if first.kept is None:
            return take_last_pass(frame, network, drive, guess, first, None)
        return take_pass(frame, network, drive, first.flow, None)

    expected = both(values)
    with double_precision(), use_kernel(interpreted):
        found = jax.jit(both)(values)
    for own, other in zip(found, expected, strict=True):
        for ours, theirs in zip(own, other, strict=True):
            largest = np.abs(theirs).max()
            # flows follow from sums whose terms are up to 1e3 times as large
            np.testing.assert_allclose(np.asarray(ours), theirs, rtol=0.0, atol=1e-12 * largest)


def test_a_device_that_runs_no_kernels_is_told_once(monkeypatch):
    monkeypatch.setattr(jax, "default_backend", lambda: "gpu")

    def fails(*args, **kwargs):
        raise NotImplementedError("no such instruction")

    monkeypatch.setattr(kernels, "run", fails)
    kernels.device_runs_kernels.cache_clear()
    with pytest.warns(RuntimeWarning, match=r"slower.*no such instruction.*Answers are the same"):
        assert not kernels.device_runs_kernels()
    assert not kernels.device_runs_kernels()
    kernels.device_runs_kernels.cache_clear()


def test_processors_run_no_kernels():
    with double_precision(), kernels.kernels_of_device():
        assert kernel() is None
