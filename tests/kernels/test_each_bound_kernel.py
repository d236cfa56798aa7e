"""Counts at each bound by itself against loops over every case."""

import numpy as np
import pytest

from ebbmap.kernels.each_bound import STEP, excess_quantile
from ebbmap.kernels.tally import tally
from ebbmap.registries.limits import Limit, LimitSet

LIMITS = LimitSet(
    "invented",
    "invented",
    (
        Limit("flow_ratio", "invented", 0.5, 0.75),
        Limit("auto_peep", "invented", high=10.0),
        Limit("ph", "invented", low=7.2, width=0.4),
    ),
)
N, M = 300, 17


@pytest.fixture(scope="module")
def outcomes():
    rng = np.random.default_rng(11)
    found = {
        "flow_ratio": rng.uniform(0.4, 0.9, (N, M)),
        "auto_peep": rng.uniform(0, 13, (N, M)),
        "ph": rng.uniform(7.0, 7.6, (N, M)),
        "co2_balance": rng.uniform(-0.3, 5.0, (N, M)),
    }
    found["ph"][found["co2_balance"] < 0] = np.nan
    found["auto_peep"][rng.random((N, M)) < 0.1] = np.nan
    found["auto_peep"][3] = np.nan
    return found


@pytest.fixture(scope="module", params=[(32_768, 1), (100, 2)])
def each(request, outcomes):
    block, workers = request.param

    def solve(cut):
        return {name: array[cut] for name, array in outcomes.items()}

    return tally(solve, LIMITS, N, M, block=block, workers=workers, each=True).each


def excess_of(outcomes, i, j):
    """How far one case is beyond each bound, in the outcome's unit; None where not known."""
    flow, gas, ph = (float(outcomes[name][i, j]) for name in ("flow_ratio", "auto_peep", "ph"))
    away = outcomes["co2_balance"][i, j] < 0
    of_gas, of_ph = None if np.isnan(gas) else gas - 10.0, True if away else 7.2 - ph
    return [0.5 - flow, flow - 0.75, of_gas, of_ph]


def test_counts_are_those_of_looking_at_every_case(each, outcomes):
    names = [bound.name for bound in LIMITS.hard]
    assert names == ["flow_ratio_low", "flow_ratio_high", "auto_peep_high", "ph_low"]
    broken, alone, harmless = np.zeros((4, N), int), np.zeros(4, int), np.zeros(N, int)
    for i in range(N):
        for j in range(M):
            excess = excess_of(outcomes, i, j)
            passed = [e is not None and (e is True or e > 0) for e in excess]
            broken[:, i] += passed
            if sum(passed) == 1:
                alone[passed.index(True)] += 1
            harmless[i] += excess[2] is not None and not (passed[2] or passed[3])
    assert (each.broken == broken).all()
    assert (each.alone == alone).all()
    assert (each.harmless == harmless).all()
    assert (each.beyond.sum(axis=1) == broken.sum(axis=1)).all()


def test_least_margins_are_those_of_the_worst_case(each, outcomes):
    width = np.array([0.25, 0.25, 10.0, 0.4])
    for i in range(N):
        rows = [excess_of(outcomes, i, j) for j in range(M)]
        for bound in range(4):
            known = [row[bound] for row in rows if row[bound] is not None]
            if not known:
                assert np.isnan(each.least[bound, i])
            elif any(one is True for one in known):
                assert each.least[bound, i] == -np.inf
            else:
                expected = -max(known) / width[bound]
                assert each.least[bound, i] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("share", [0.5, 0.9])
def test_quantiles_of_the_excess_are_those_of_the_broken_cases(each, outcomes, share):
    rows = [excess_of(outcomes, i, j) for i in range(N) for j in range(M)]
    found = excess_quantile(each.beyond, share)
    for bound, width in enumerate((0.25, 0.25, 10.0)):
        passed = sorted(r[bound] / width for r in rows if r[bound] is not None and r[bound] > 0)
        expected = passed[int(np.ceil(share * len(passed))) - 1]
        # a bin's width is all that the histogram may lose
        assert found[bound] == pytest.approx(expected, abs=STEP)


def test_what_has_no_number_is_beyond_every_bin(each, outcomes):
    away = int((outcomes["co2_balance"] < 0).sum())
    assert each.beyond[3, -1] == away
    counts = each.beyond.copy()
    counts[3, :-1] = 0
    assert excess_quantile(counts, 0.5)[3] == np.inf
