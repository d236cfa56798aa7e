"""Rare events with known probability: subset simulation against closed forms.

Run as a script it prints how often the intervals hold the truth (a minute):
`python tests/external/test_rare_exact.py`.
"""

import numpy as np
import pytest
from scipy.special import ndtr, ndtri
from scipy.stats import chi2

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


def kinked(probability, d):
    """Return the least of two independent margins: 1 - (1 - p)^2, flat where both are good."""
    beta = -ndtri(1.0 - np.sqrt(1.0 - probability))
    return (
        lambda z: np.minimum(np.minimum(beta - z[:, 0], 2.0 * (beta - z[:, 1])), 4.0),
        d,
        (probability),
    )


def skewed(probability, d):
    """Return a lognormal product above a threshold."""
    beta = -ndtri(probability)
    return lambda z: np.exp(beta) - np.exp(z[:, :4].sum(axis=1) / 2.0), d, probability


SHAPES = {"plane": plane, "two sides": two_sides, "ball": ball, "kinked": kinked, "skewed": skewed}


def coverage(shape, probability, d, *, repeats, cases=500, replicates=16):
    """Return how often the interval holds the truth, the error in shares of it, and the cost."""
    margin, d, truth = SHAPES[shape](probability, d)
    found = [
        rare_share(margin, d, cases=cases, replicates=replicates, rng=seed)
        for seed in range(repeats)
    ]
    covered = np.mean([one.low <= truth <= one.high for one in found])
    error = np.sqrt(np.mean([(one.share / truth - 1.0) ** 2 for one in found]))
    return covered, error, np.mean([one.cases for one in found])


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("probability", [1e-2, 1e-4])
def test_intervals_hold_what_the_closed_form_gives(shape, probability):
    covered, error, cases = coverage(shape, probability, 8, repeats=40)
    # 40 repeats of a true 93 % stray by 4 %, three of these below
    assert covered >= 0.81
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


def test_what_never_happens_has_no_interval_above():
    found = rare_share(lambda z: 1.0 + z[:, 0] ** 2, 2, cases=100, replicates=4)
    assert (found.share, found.low) == (0.0, 0.0) and np.isnan(found.high)


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
                covered, error, cases = coverage(shape, probability, d, repeats=200)
                plain = (1 - probability) / (probability * error**2)
                print(
                    f"{shape:10s} P {probability:g} d {d:2d}: coverage {covered:.3f}, relative "
                    f"error {error:.3f}, {cases:,.0f} cases, plain draws {plain:,.0f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
