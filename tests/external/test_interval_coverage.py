"""How often the intervals of Sobol indices hold the truth: six functions with exact indices.

Run as a script it prints the table of coverage and error (a few minutes):
`python tests/external/test_interval_coverage.py`.

Ishigami T, Homma T. ISUMA 1990 (a = 7, b = 0.1). Saltelli A, Sobol' IM. Reliab Eng Syst Saf
1995;50:225 (G). Bratley P, Fox BL, Niederreiter H. ACM Trans Model Comput Simul 1992;2:195 (the
alternating sum of products; citation from memory). The others are derived where they stand.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import multivariate_normal

from ebbmap.cases.design import draw_sobol_design
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.kernels.sobol import sobol_indices

SEEDS = 200
SIZES = (256, 1024)


@dataclass(frozen=True)
class Function:
    """A function on the unit cube with d factors and its exact indices, each of shape (d,)."""

    evaluate: Callable[[np.ndarray], np.ndarray]
    first: np.ndarray
    total: np.ndarray


def ishigami() -> Function:
    def evaluate(unit):
        x = np.pi * (2.0 * unit - 1.0)
        sine = np.sin(x)
        return sine[:, 0] + 7.0 * sine[:, 1] ** 2 + 0.1 * x[:, 2] ** 4 * sine[:, 0]

    one, two = 0.5 * (1.0 + 0.1 * np.pi**4 / 5.0) ** 2, 7.0**2 / 8.0
    pair = 0.1**2 * np.pi**8 * (1.0 / 18.0 - 1.0 / 50.0)
    whole = one + two + pair
    return Function(
        evaluate, np.array([one, two, 0.0]) / whole, np.array([one + pair, two, pair]) / whole
    )


def of_a_product(evaluate, own: np.ndarray) -> Function:
    """A product of independent factors of mean one and variances `own`."""
    variance = np.prod(1.0 + own) - 1.0
    return Function(evaluate, own / variance, own * np.prod(1.0 + own) / (1.0 + own) / variance)


def sobol_g() -> Function:
    weights = np.array([0.0, 1.0, 4.5, 9.0])
    return of_a_product(
        lambda unit: np.prod((np.abs(4.0 * unit - 2.0) + weights) / (1.0 + weights), axis=1),
        1.0 / (3.0 * (1.0 + weights) ** 2),
    )


def lognormal_product() -> Function:
    spread = np.array([0.3, 0.6, 0.9, 0.5])
    # each factor over its mean exp(s^2 / 2), which shares nothing out differently
    return of_a_product(lambda unit: np.exp(ndtri(unit) @ spread), np.exp(spread**2) - 1.0)


def bratley(factors: int = 6) -> Function:
    signs = (-1.0) ** np.arange(1, factors + 1)

    def evaluate(unit):
        return np.cumprod(unit, axis=1) @ signs

    # linear in each factor: Gauss points of order two are exact for its square
    nodes = np.array(list(product([0.5 - 12.0**-0.5, 0.5 + 12.0**-0.5], repeat=factors)))
    variance = evaluate(nodes).var()
    first, total = np.empty(factors), np.empty(factors)
    for j in range(factors):
        low, high = nodes.copy(), nodes.copy()
        low[:, j], high[:, j] = 0.0, 1.0
        slope = evaluate(high) - evaluate(low)
        first[j], total[j] = slope.mean() ** 2 / 12.0, np.square(slope).mean() / 12.0
    return Function(evaluate, first / variance, total / variance)


def rare_event(share: float) -> Function:
    """Whether a sum of normal factors passes its own quantile, in a share of the cases."""
    weights = np.array([1.0, 1.0, 0.7, 0.4]) / np.sqrt(2.65)
    place = -float(ndtri(share))

    def both(correlation: float) -> float:
        joint = multivariate_normal([0.0, 0.0], [[1.0, correlation], [correlation, 1.0]])
        return float(joint.cdf([-place, -place])) - share**2

    variance = share * (1.0 - share)
    return Function(
        lambda unit: (ndtri(unit) @ weights > place).astype(float),
        np.array([both(w**2) for w in weights]) / variance,
        1.0 - np.array([both(1.0 - w**2) for w in weights]) / variance,
    )


def with_jumps() -> Function:
    def evaluate(unit):
        both = (unit[:, 0] > 0.5) & (unit[:, 1] > 0.3)
        return both + 0.5 * (unit[:, 2] > 0.8) + unit[:, 3]

    # shares 0.5 and 0.7 of a product of two indicators
    one, two, pair = 0.25 * 0.7**2, 0.21 * 0.5**2, 0.25 * 0.21
    alone = np.array([one, two, 0.25 * 0.16, 1.0 / 12.0])
    variance = alone.sum() + pair
    return Function(evaluate, alone / variance, (alone + pair * np.array([1, 1, 0, 0])) / variance)


FUNCTIONS = {
    "Ishigami": ishigami(),
    "G": sobol_g(),
    "Bratley": bratley(),
    "lognormal product": lognormal_product(),
    **{f"event of {100 * share:g} %": rare_event(share) for share in (0.005, 0.01, 0.02, 0.05)},
    "with jumps": with_jumps(),
}


@lru_cache(maxsize=1)
def drawn_designs(d: int, n: int, seeds: int) -> list[np.ndarray]:
    """Designs of seed 0, 1, ..., each of shape (rows, d): drawing them is most of the work."""
    names = [f"x{j}" for j in range(d)]
    return [
        draw_sobol_design(names, n, seed=seed, replicates=REPLICATES).unit.values
        for seed in range(seeds)
    ]


def coverage(function: Function, n: int, seeds: int = SEEDS):
    """Coverage and share of intervals given, for each index, and the errors' root mean square."""
    d = len(function.first)
    outputs = np.stack([function.evaluate(unit) for unit in drawn_designs(d, n, seeds)], axis=1)
    found = sobol_indices(outputs, factors=d, replicates=REPLICATES)
    truth = np.concatenate([function.first, function.total])[:, None]
    bounds = np.concatenate([found.first_interval, found.total_interval])
    given = np.isfinite(bounds).all(axis=-1)
    inside = (bounds[..., 0] <= truth) & (truth <= bounds[..., 1])
    with np.errstate(invalid="ignore"):
        covered = (inside & given).sum(axis=1) / given.sum(axis=1)
    error = np.concatenate([found.first, found.total]) - truth
    return covered, given.mean(axis=1), np.sqrt(np.square(error).mean(axis=1))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_exact_indices_are_those_of_a_large_design(name):
    function = FUNCTIONS[name]
    d = len(function.first)
    unit = draw_sobol_design([f"x{j}" for j in range(d)], 2**15, seed=1).unit.values
    found = sobol_indices(function.evaluate(unit)[:, None], factors=d, resamples=2, rng=0)
    # 32,768 scrambled points; the event of 2 % and the lognormal product are the roughest
    assert found.first[:, 0] == pytest.approx(function.first, abs=0.02)
    assert found.total[:, 0] == pytest.approx(function.total, abs=0.02)


#: Cases for CI, those on the same designs together; the script tries all.
CASES = [
    *((name, 256) for name in FUNCTIONS if name != "event of 0.5 %"),
    *((name, 1024) for name in ("Bratley", "lognormal product", "event of 0.5 %", "event of 2 %")),
]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "n"), CASES)
def test_a_95_percent_interval_covers_91_to_98_percent(name, n):
    """Over 200 seeds; where an interval cannot be trusted there is none (`kernels.carrying`).

    The coverage of one index over 200 seeds has a noise of 1.5 %, that of a mean over eight
    about half a point: means are held to 92 to 98 % less two such noises, single ones to 88 %
    less one of theirs.
    An index that all but a few designs leave without an interval is not judged.
    """
    covered, given, _ = coverage(FUNCTIONS[name], n)
    first, total = np.split(np.where(given >= 0.05, covered, np.nan), 2)
    for values in (first, total):
        if np.isfinite(values).any():
            assert 0.91 <= np.nanmean(values) <= 0.98
            assert np.nanmin(values) >= 0.865
    assert np.isfinite(total).any()


def test_an_interval_of_an_event_needs_events_in_the_design():
    """Of 256 rows: 5 events of 0.5 % and 10 of 1 %, on average; before, the latter held 86 %."""
    shares = []
    for event in ("0.5 %", "1 %", "2 %"):
        covered, given, _ = coverage(FUNCTIONS[f"event of {event}"], 256, seeds=100)
        shares.append(given.mean())
        # 100 seeds of a true 90 % stray by 3 %, three of these below, more where few have one
        assert event == "0.5 %" or (covered >= 0.8).all()
    assert shares[0] < 0.05 < shares[1] < 0.5 < shares[2]


def in_words(order: str, columns) -> str:
    covered, given, error = columns
    share = f"{given.mean():.2f} given, error {error.mean():.4f}"
    if not np.isfinite(covered).any():
        return f"{order}: {share}"
    return f"{order}: covers {np.nanmean(covered):.3f}, least {np.nanmin(covered):.2f}, {share}"


def main() -> None:
    """Print coverage, the share of intervals given, and the error."""
    print(f"{SEEDS} seeds, {REPLICATES} replicates, nominal 0.95")
    for name, function in FUNCTIONS.items():
        for n in SIZES:
            columns = zip(*(np.split(values, 2) for values in coverage(function, n)), strict=True)
            words = "  |  ".join(map(in_words, ("first", "total"), columns))
            print(f"{name:18s} N {n:5d}  {words}", flush=True)


if __name__ == "__main__":
    main()
