"""Rare events with known probability: subset simulation against closed forms.

Run as a script it prints how often the intervals hold the truth (a minute):
`python tests/external/test_rare_exact.py`.
"""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri
from scipy.stats import chi2, multivariate_normal

from ebbmap.kernels.rare import rare_share


def plane(probability, d):
    """Return a plane far from the origin: P = Phi(-beta)."""
    beta = -ndtri(probability)
    return lambda z: beta - z.sum(axis=1) / np.sqrt(d), d, probability


def two_sides(probability, d):
    """Return two opposite planes, of which the one is harm by too much, the other by too little."""
    beta = -ndtri(probability / 2.0)
    return lambda z: beta - np.abs(z[:, 0]), d, probability


def ball(probability, d):
    """Return the outside of a ball: P of chi-squared."""
    radius = chi2.isf(probability, d)
    return lambda z: radius - (z**2).sum(axis=1), d, probability


def curved(probability, d):
    """Return a parabola, whose probability is an integral of planes over the other score."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)
    weights = weights / weights.sum()

    def excess(beta):
        return float(weights @ ndtr(-beta - 0.3 * nodes**2)) - probability

    beta = brentq(excess, -1.0, 8.0)
    return lambda z: beta + 0.3 * z[:, 1] ** 2 - z[:, 0], d, probability


def steeper(factor):
    """Return two independent bounds, the second margin steeper by a factor: 1 - (1 - p)^2."""

    def two_bounds(probability, d):
        beta = -ndtri(1.0 - np.sqrt(1.0 - probability))

        def margins(z):
            # what is nearest to the first bound lies far from where the second is broken
            return np.stack([np.minimum(beta - z[:, 0], 4.0), factor * (beta - z[:, 1])])

        return margins, d, probability

    return two_bounds


def uneven(probability, d):
    """Return two bounds that hang together, the second broken a fifth as often as the first."""
    places, along = -ndtri([probability, probability / 5.0]), 0.5
    both = multivariate_normal([0.0, 0.0], [[1.0, along], [along, 1.0]]).cdf(-places)

    def margins(z):
        second = along * z[:, 0] + np.sqrt(1.0 - along**2) * z[:, 1]
        return np.stack([places[0] - z[:, 0], 3.0 * (places[1] - second)])

    return margins, d, 1.2 * probability - float(both)


def hidden(probability, d):
    """Return the least of two margins as if of one bound: a far region behind a near one."""
    margins, d, truth = steeper(2.0)(probability, d)
    return lambda z: margins(z).min(axis=0), d, truth


SHAPES = {
    "plane": plane,
    "two sides": two_sides,
    "ball": ball,
    "curved": curved,
    "two limits": steeper(2.0),
    "steep limit": steeper(10.0),
    "uneven limits": uneven,
    "hidden region": hidden,
}


def coverage(shape, probability, d, *, repeats, cases=500, replicates=16):
    """Return how often the interval, where there is one, holds the truth, how often there is one,
    the error in shares of the truth, and the cost."""
    margin, d, truth = SHAPES[shape](probability, d)
    found = [
        rare_share(margin, d, cases=cases, replicates=replicates, rng=seed)
        for seed in range(repeats)
    ]
    given = np.array([np.isfinite([one.low, one.high]).all() for one in found])
    covered = np.mean([one.low <= truth <= one.high for one in found], where=given)
    error = np.sqrt(np.mean([(one.share / truth - 1.0) ** 2 for one in found]))
    return covered, given.mean(), error, np.mean([one.cases for one in found])


@pytest.mark.parametrize("shape", [name for name in SHAPES if name != "hidden region"])
@pytest.mark.parametrize("probability", [1e-2, 1e-4])
def test_intervals_hold_what_the_closed_form_gives(shape, probability):
    covered, given, error, cases = coverage(shape, probability, 8, repeats=40)
    # 40 repeats of a true 95 % stray by 3.4 %, three of these below; 400 repeats are in the table
    assert covered >= 0.85 and given == 1.0
    # plain draws: the error of a share of n cases is sqrt((1 - p) / (n p))
    assert probability > 1e-3 or error < 0.5 * np.sqrt((1 - probability) / (cases * probability))


def test_a_common_event_is_plain_draws():
    found = rare_share(lambda z: 0.5 - z[:, 0], 3, cases=200, replicates=4, rng=2)
    scores = np.concatenate(
        [
            np.random.default_rng(child).standard_normal((200, 3))
            for child in np.random.SeedSequence(2).spawn(4)
        ]
    )
    assert found.share == pytest.approx((scores[:, 0] > 0.5).mean())
    assert found.low < ndtr(-0.5) < found.high and found.cases == 800 and found.levels == 1


def test_scores_given_the_event_are_those_of_a_tail():
    found = rare_share(lambda z: 3.0 - z[:, 0], 2, cases=1000, rng=3)
    # mean of a standard normal above 3: density over tail
    truth = np.exp(-4.5) / np.sqrt(2 * np.pi) / ndtr(-3.0)
    mean = found.scores.mean(axis=0)
    se = found.scores.std(axis=0, ddof=1) / np.sqrt(len(found.scores))
    assert abs(mean[0] - truth) < 4 * se[0] and abs(mean[1]) < 4 * se[1]


def test_what_never_happens_has_the_exact_bound_of_plain_draws():
    found = rare_share(lambda z: 1.0 + z[:, 0] ** 2, 2, cases=100, replicates=4)
    assert (found.share, found.low, found.bounds) == (0.0, 0.0, ())
    # no event in 400 draws is this unlikely at the bound
    assert (1.0 - found.high) ** 400 == pytest.approx(0.05)
    assert np.isnan(found.scores).all() and np.isnan(found.error)


def test_a_bound_that_hardly_adds_is_looked_at_by_two_replicates_only():
    def margins(z):
        never, flat = 9.0 - z[:, 1], np.full(len(z), 2.0)
        return np.stack([flat, never, 3.0 - z[:, 0], 6.0 - 2.0 * z[:, 0]])

    found = rare_share(margins, 3, cases=200, rng=5)
    # the third and the last are broken together, so one of them is enough
    assert found.bounds in ((2,), (3,))
    alone = rare_share(lambda z: 3.0 - z[:, 0], 3, cases=200, rng=5)
    assert found.low < ndtr(-3.0) < found.high and alone.cases < found.cases < 2 * alone.cases


def test_what_breaks_two_bounds_counts_once():
    margin, d, truth = uneven(0.4, 2)
    found = rare_share(margin, d, cases=1000, rng=6)
    assert found.levels == 1.0 and set(found.bounds) == {0, 1}
    assert found.low < truth < found.high
    margin, d, truth = uneven(0.02, 2)
    found = rare_share(margin, d, cases=1000, level=0.999, rng=6)
    assert found.bounds == (0, 1) and found.low < truth < found.high


def test_a_share_that_few_replicates_hold_has_no_interval():
    # three of sixteen replicates have a plain draw beyond a jump that no falling margin leads to
    found = rare_share(lambda z: np.where(z[:, 0] > 3.1, -1.0, 1.0), 1, cases=100, rng=1)
    assert np.isfinite(found.scores).all(axis=1).sum() == 3 and found.share > 0.0
    assert np.isnan([found.low, found.high]).all()


def test_what_is_not_known_is_no_event_and_is_counted():
    def margin(z):
        return np.where(z[:, 1] > 0, np.nan, 2.0 - z[:, 0])

    found = rare_share(margin, 2, cases=1000, level=0.999, rng=4)
    assert found.low < ndtr(-2.0) / 2 < found.high
    assert found.undetermined == pytest.approx(0.5, abs=0.02)


def test_seeds_decide_all():
    margin, d, _ = plane(1e-3, 3)
    one, other, third = (rare_share(margin, d, cases=100, rng=seed) for seed in (1, 1, 2))
    assert one.share == other.share != third.share


def main() -> None:
    """Print coverage, relative error and cost."""
    for shape in SHAPES:
        for probability in (1e-2, 1e-3, 1e-4, 1e-6):
            for d in (8, 20):
                covered, given, error, cases = coverage(shape, probability, d, repeats=200)
                plain = (1 - probability) / (probability * error**2)
                print(
                    f"{shape:13s} P {probability:g} d {d:2d}: coverage {covered:.3f}, given "
                    f"{given:.3f}, relative error {error:.3f}, {cases:,.0f} cases, plain draws "
                    f"{plain:,.0f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
