"""Tables of a dear lung: near the solver where they say so, silent outside, refused where not."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.chebyshev import Side, coefficients, read
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import limit_set
from ebbmap.web.tables import BOX, Held, make_table, settings_at

HARM = limit_set("harm")

#: Two invented lungs; the rest is at the registry's defaults.
OWN = {
    "compliance": np.array([40.0, 70.0]),
    "resistance_insp": np.array([12.0, 8.0]),
    "resistance_exp": np.array([14.0, 10.0]),
}


@pytest.fixture(scope="module")
def table():
    return make_table("tube", OWN, ("paco2",), HARM)


def test_a_polynomial_is_read_to_rounding():
    sides = (Side("x", -1.0, 3.0, 4), Side("y", 0.1, 10.0, 3, logarithmic=True))
    x, y = np.meshgrid(*(side.places for side in sides), indexing="ij")

    def function(x, y):
        return np.stack([x**3 - 2.0 * x + np.log(y) ** 2, np.log(y) * x], axis=-1)

    made = coefficients(function(x, y), sides)[None]
    at = np.array([-0.7, 2.9]), np.array([0.2, 9.0])
    told = read(np.repeat(made, 2, axis=0), sides, at)
    np.testing.assert_allclose(told, function(*at), rtol=1e-12)


def test_a_smooth_function_gains_digits_with_nodes():
    errors = []
    for nodes in (4, 8, 12):
        side = Side("x", 0.0, 2.0, nodes)
        made = coefficients(np.exp(side.places)[:, None], [side])
        at = np.linspace(0.0, 2.0, 101)
        told = read(np.repeat(made[None], 101, axis=0), [side], [at])[:, 0]
        errors.append(np.max(np.abs(told - np.exp(at))))
    # the error of such a function falls faster than any power of the number of nodes
    assert errors[1] < 1e-3 * errors[0] and errors[2] < 1e-3 * errors[1]


def test_a_table_is_as_near_as_it_says(table):
    stream = np.random.default_rng(7)
    lungs = stream.integers(0, 2, 1000)
    at = {side.name: side.drawn(stream.random(1000)) for side in BOX}
    own = {name: values[lungs] for name, values in OWN.items()}
    exact = evaluate(lung_model("tube"), settings_at(own, at), table.names).outcomes
    told = table.read(lungs, at)
    for name in table.names:
        # coefficients are kept in 16 bits, and some hundred of them are added up
        spread = np.ptp(exact[name])
        assert np.quantile(np.abs(told[name] - exact[name]), 0.95) < 0.01 * spread, name
    assert table.held.near and table.held.cases == 2000


def test_nothing_is_said_outside_the_box(table):
    inside = {"p_low": 0.0, "drop": 20.0, "t_high": 5.0, "t_low": 0.5}
    for name, value in (("p_low", 10.5), ("drop", 3.9), ("t_high", 8.1), ("t_low", 3.05)):
        at = {side: np.array([number]) for side, number in {**inside, name: value}.items()}
        assert np.isnan(table.read(np.array([0]), at)["release_volume"]).all()
    at = {side: np.array([number]) for side, number in inside.items()}
    assert np.isfinite(table.read(np.array([0]), at)["release_volume"]).all()


def test_a_lung_that_did_not_settle_has_no_table():
    own = {**OWN, "compliance": np.array([40.0, np.nan])}
    made = make_table("tube", own, ("paco2",), HARM)
    at = {side.name: side.drawn(np.array([0.4, 0.4])) for side in BOX}
    told = made.read(np.array([0, 1]), at)["release_volume"]
    assert np.isfinite(told).tolist() == [True, False]


def test_a_table_that_is_not_near_is_refused_with_what_was_measured():
    with pytest.raises(EbbmapError, match=r"with 2 x 2 x 2 x 2 nodes .* % of 2000 verdicts differ"):
        make_table("tube", OWN, ("paco2",), HARM, levels=((2, 2, 2, 2),))


@pytest.mark.parametrize(
    ("differing", "usual", "near"), [(0.0, 0.02, True), (0.006, 0.0, False), (0.0, 0.021, False)]
)
def test_what_decides_whether_a_table_may_be_used(differing, usual, near):
    assert Held(1000, differing, {"ph": (usual, 1.0, 1.0)}).near is near
