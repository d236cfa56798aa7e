"""Sensitivity of the exhaled fraction in the linear lung, against quadrature."""

import numpy as np
import pytest

from ebbmap.analyses.shapley import Shapley, find_shapley
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.cases.question import Question
from ebbmap.registries.populations import Marginal, Population

COMPLIANCE, RESISTANCE = (50.0, 0.35), (15.0, 0.5)
T_LOW = np.array([0.3, 0.7, 1.5])
NODES = 60


def question(correlation=0.0):
    """Lungs with lognormal compliance and expiratory resistance; nothing else varies."""
    marginals = {
        "compliance": Marginal("lognormal", *COMPLIANCE, "invented for this test"),
        "resistance_exp": Marginal("lognormal", *RESISTANCE, "invented for this test"),
    }
    pairs = {("compliance", "resistance_exp"): correlation} if correlation else {}
    lungs = Population("two", "two properties", "invented for this test", marginals, pairs)
    fixed = {"p_high": 25.0, "p_low": 0.0, "t_high": 5.0, "resistance_insp": 10.0}
    return Question(lung="linear", fixed=fixed, populations=(lungs,), seed=3)


def closed_shares(t_low, correlation=0.0):
    """Var(E[f | z_j]) / Var(f) of compliance and resistance, by Gauss-Hermite quadrature.

    The linear lung lets out the fraction f = 1 - exp(-T / (R C)) of a full exhalation. With
    ln C = ln C0 + s_C z_C and ln R = ln R0 + s_R z_R, where z_C and z_R are standard normal with
    correlation r, it depends on u = s_C z_C + s_R z_R alone: f = 1 - exp(-(T / (R0 C0)) e^-u).

    Given z_C = z, u is normal with mean (s_C + r s_R) z and variance s_R^2 (1 - r^2), so that
    E[f | z] is one integral over a normal, and its variance over z is another. Var(f) is an
    integral over u, whose variance is s_C^2 + s_R^2 + 2 r s_C s_R.

    With r = 0 these shares are first-order Sobol indices; with two factors the total index of one
    is one minus the first-order index of the other. For any r the Shapley effect of one is half
    of its own share plus half of what the other leaves.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    weights = weights / weights.sum()
    (c, s_c), (r, s_r) = COMPLIANCE, RESISTANCE
    ratio = t_low / (c * r / 1000.0)

    def fraction(u):
        return -np.expm1(-ratio * np.exp(-u))

    def variance(values):
        return weights @ values**2 - (weights @ values) ** 2

    spread = np.sqrt(s_c**2 + s_r**2 + 2.0 * correlation * s_c * s_r)
    whole = variance(fraction(spread * nodes))
    shares = []
    for own, other in ((s_c, s_r), (s_r, s_c)):
        left = other * np.sqrt(1.0 - correlation**2)
        given = fraction((own + correlation * other) * nodes[:, None] + left * nodes) @ weights
        shares.append(variance(given) / whole)
    return np.array(shares)


def test_the_quadrature_has_converged():
    """Against plain sampling, whose noise of a variance is 0.3 % at this size."""
    (c, s_c), (r, s_r) = COMPLIANCE, RESISTANCE
    z, y = np.random.default_rng(0).standard_normal((2, 2, 200_000))

    def fraction(z_c, z_r):
        return -np.expm1(-0.7 / (c * r / 1000.0) * np.exp(-s_c * z_c - s_r * z_r))

    one, with_c, with_r = fraction(*z), fraction(z[0], y[1]), fraction(y[0], z[1])
    sampled = [np.cov(one, other)[0, 1] / one.var() for other in (with_c, with_r)]
    assert closed_shares(0.7) == pytest.approx(np.array(sampled), abs=0.01)


def test_sobol_indices_of_the_exhaled_fraction():
    found = find_sobol(
        question(),
        Sobol(along="t_low", base_size=4096, outcomes=("exhaled_fraction",), pawn=False),
        axes={"t_low": T_LOW},
    ).sel(population="two", outcome="exhaled_fraction")
    for place, t_low in enumerate(T_LOW):
        first = closed_shares(t_low)
        one = found.isel(t_low=place)
        total = 1.0 - first[::-1]
        # rows 4096: a half width is 0.01, and the estimates are well inside
        assert one["first"].values == pytest.approx(first, abs=0.02)
        assert one["total"].values == pytest.approx(total, abs=0.02)
        low, high = one["total_interval"].transpose("ci_bound", "parameter").values
        half = (high - low) / 2.0
        # one and a half half widths, for there are a dozen 95 % intervals in this test
        assert (np.abs(one["total"].values - total) < 1.5 * half).all()
        pair = float(one["second"][0, 1])
        assert pair == pytest.approx(1.0 - first.sum(), abs=0.03)


@pytest.mark.parametrize("correlation", [-0.6, 0.5])
def test_shapley_effects_of_the_exhaled_fraction(correlation):
    found = find_shapley(
        question(correlation),
        Shapley(along="t_low", base_size=2048, outcomes=("exhaled_fraction",)),
        axes={"t_low": T_LOW},
    ).sel(population="two", outcome="exhaled_fraction")
    for dependence, r in (("correlated", correlation), ("independent", 0.0)):
        for place, t_low in enumerate(T_LOW):
            share = closed_shares(t_low, r)
            exact = (share + 1.0 - share[::-1]) / 2.0
            one = found.sel(dependence=dependence).isel(t_low=place)
            assert one["effect"].values == pytest.approx(exact, abs=0.02)
            assert one["first"].values == pytest.approx(share, abs=0.03)
            half = np.diff(one["effect_interval"].values)[:, 0] / 2.0
            assert (np.abs(one["effect"].values - exact) < 1.5 * half).all()


def test_a_held_property_moves_the_others():
    """With compliance fixed above its median, a correlated resistance is larger and tighter."""
    lungs = question(0.8)
    held = Question(
        lung="linear",
        fixed={**lungs.fixed, "compliance": 80.0},
        populations=lungs.populations,
        samples={"p_high": Marginal("uniform", 20.0, 30.0, "invented")},
        seed=1,
    )
    del held.fixed["p_high"]
    from ebbmap.analyses.common.factors import factors_of

    found = factors_of(held, lungs.populations[0], "t_low")
    score = np.log(80.0 / COMPLIANCE[0]) / COMPLIANCE[1]
    assert found.names == ["resistance_exp", "p_high"]
    assert found.mean == pytest.approx([0.8 * score, 0.0])
    assert found.covariance == pytest.approx(np.array([[1 - 0.64, 0.0], [0.0, 1.0]]))
