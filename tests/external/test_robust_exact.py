"""Robust settings beside closed forms: linear lungs with a lognormal time constant.

The flow ratio of a linear lung is exp(-T low / tau). Between two bounds of it a T low serves the
lungs with tau between two of its multiples: a share of the normal distribution, which is largest
where ln T low lies in the middle. What is not known of the centre widens it.
"""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr

from ebbmap.analyses.robust import Robust, find_robust
from ebbmap.cases.question import Question
from ebbmap.cases.uncertain import outer_scores
from ebbmap.registries.limits import Limit, LimitSet
from ebbmap.registries.populations import Marginal, Population

RESISTANCE, SPREAD, ERROR = 10.0, 0.25, 0.2
LOW, HIGH = 0.3, 0.7
RULE = LimitSet("both", "both", (Limit("flow_ratio", "invented", low=LOW, high=HIGH),))

#: T low over tau at either bound, and tau in seconds for a compliance.
AT_HIGH, AT_LOW = -np.log(HIGH), -np.log(LOW)
MIDDLE = np.sqrt(AT_HIGH * AT_LOW)
PER_ML = RESISTANCE / 1000.0


@dataclass(frozen=True)
class Known:
    """One number behind a population: the centre of its compliance, off by a standard error."""

    group: str
    median: float
    name: str = "stated"

    @property
    def numbers(self):
        return (SimpleNamespace(name="centre", confirmed="assumption", source="invented"),)

    def population(self, scores=None):
        off = 0.0 if scores is None else ERROR * float(scores[0])
        compliance = Marginal("lognormal", self.median * np.exp(off), SPREAD, "invented")
        return Population(self.group, self.group, "", {"compliance": compliance}, known=self)


def group(name, median):
    made = Known(name, median).population()
    return Population(name, name, "invented", made.marginals, known=made.known)


def share(t_low, median, off=0.0, spread=SPREAD):
    """Return the share of lungs that a T low serves, in closed form."""
    centre = np.log(median * PER_ML) + off
    at = np.log(np.asarray(t_low))
    longest, shortest = at - np.log(AT_HIGH), at - np.log(AT_LOW)
    return ndtr((longest - centre) / spread) - ndtr((shortest - centre) / spread)


def asked(*groups, lungs=4000, knowledge=0):
    return Question(
        lung="linear",
        fixed={"resistance_exp": RESISTANCE},
        populations=groups,
        rules={"both": RULE},
        lungs=lungs,
        knowledge=knowledge,
        seed=5,
    )


GRID = np.geomspace(0.1, 1.6, 61)
#: A share counted on 4,000 lungs is off by 0.008, and flat near its top.
NEAR = 0.02


def test_one_group_is_served_best_in_the_middle_of_its_bounds():
    found = find_robust(asked(group("one", 50.0)), axes={"t_low": GRID}).squeeze()
    best = 50.0 * PER_ML * MIDDLE
    # the top is flat: within a tenth of the spread of ln T low it falls by less than the error
    assert np.log(found["chosen_t_low"].values[0] / best) == pytest.approx(0.0, abs=0.1)
    truth = share(best, 50.0)
    assert truth == pytest.approx(2 * ndtr(0.5 * np.log(AT_LOW / AT_HIGH) / SPREAD) - 1, abs=1e-12)
    low, high = found["reached_share_interval"].values
    assert low < share(found["chosen_t_low"].values[0], 50.0) < high
    assert found["goal_share"] == pytest.approx(truth, abs=NEAR)


def test_two_groups_meet_between_theirs():
    """Alike but for their centres, the worse of two is served best where both are alike."""
    two = asked(group("quick", 40.0), group("slow", 80.0))
    found = find_robust(two, axes={"t_low": GRID}).squeeze()
    best = np.sqrt(40.0 * 80.0) * PER_ML * MIDDLE
    chosen = dict(zip(found["choice"].values, found["chosen_t_low"].values[:, 0], strict=True))
    # beside the best the worse share falls steeply: a step of the grid is 4.7 %
    assert np.log(chosen["all groups"] / best) == pytest.approx(0.0, abs=0.05)
    for name, median in (("quick", 40.0), ("slow", 80.0)):
        own = found.sel(population=name)
        truth = share(median * PER_ML * MIDDLE, median) - share(chosen["all groups"], median)
        low, high = own["loss_interval"].values
        assert own["loss"] == pytest.approx(truth, abs=NEAR) and low < truth < high
    low, high = found["goal_share_interval"].sel(choice="all groups").values
    worst = min(share(chosen["all groups"], 40.0), share(chosen["all groups"], 80.0))
    assert low < worst < high


@pytest.mark.parametrize("sure", [None, 0.8])
def test_what_is_not_known_is_met_as_its_draws_say(sure):
    draws = 60
    groups = group("quick", 40.0), group("slow", 80.0)
    two = asked(*groups, lungs=2000, knowledge=draws)
    found = find_robust(two, Robust(sure=sure), axes={"t_low": GRID}).squeeze()
    # the goal of every T low in every draw that was searched, in closed form
    offs = [ERROR * outer_scores(one, 2 * draws, two.seed)[:, 0] for one in groups]
    exact = np.array(
        [share(GRID[:, None], m, off) for m, off in zip((40.0, 80.0), offs, strict=True)]
    )
    goal = exact.min(axis=0)
    seen, unseen = goal[:, :draws], goal[:, draws:]

    def over(draws_of_goal):
        if sure is None:
            return draws_of_goal.mean(axis=1)
        return np.sort(draws_of_goal, axis=1)[:, ::-1][:, int(np.ceil(sure * draws)) - 1]

    exact_best = over(seen).max()
    one = found.sel(choice="all groups")
    at = int(np.argmin(np.abs(GRID - one["chosen_t_low"].values[0])))
    # the choice reaches what the best choice does, but for what counting 2,000 lungs leaves open
    assert exact_best - over(seen)[at] < 0.01
    assert float(one["searched_share"]) == pytest.approx(exact_best, abs=NEAR)
    # the interval of knowledge is that of draws that were not searched
    ends = np.sort(unseen[at])[[0, -1]]
    low, high = one["goal_share_knowledge"].values
    assert low >= ends[0] - NEAR and high <= ends[1] + NEAR and high - low > 0.1
    lost = seen.max(axis=0) - seen[at]
    assert float(one["lost"]) == pytest.approx(lost.mean(), abs=NEAR)
    assert float(one["lost_most"]) == pytest.approx(lost.max(), abs=2 * NEAR)
    near = (lost <= 0.01 - 0.005).mean(), (lost <= 0.01 + 0.02).mean()
    assert near[0] - 0.1 <= float(one["near_draws"]) <= near[1]


def test_a_range_serves_the_lungs_that_both_of_its_ends_serve():
    """Margins rise and fall once along T low, so a range is safe where its ends are."""
    axis = np.linspace(0.1, 1.1, 51)
    width = 0.2
    found = find_robust(
        asked(group("one", 50.0)), Robust(width={"t_low": width}), axes={"t_low": axis}
    ).squeeze()

    def exact(start):
        centre = np.log(50.0 * PER_ML)
        top, bottom = np.log(start / AT_HIGH), np.log((start + width) / AT_LOW)
        return np.maximum(ndtr((top - centre) / SPREAD) - ndtr((bottom - centre) / SPREAD), 0.0)

    low, high = found["chosen_t_low"].values
    assert high - low == pytest.approx(width, abs=1e-12)
    assert exact(axis[:-10]).max() - exact(low) < 0.01
    ends = found["goal_share_interval"].values
    assert ends[0] < exact(low) < ends[1]


def test_lungs_that_did_not_choose_hold_their_promise():
    """Where 30 lungs choose among many settings, they promise too much; fresh ones do not."""
    promised, kept, held = [], [], []
    for seed in range(60):
        few = replace(asked(group("one", 50.0), lungs=30), seed=seed)
        found = find_robust(few, axes={"t_low": GRID}).squeeze()
        truth = float(share(found["chosen_t_low"].values[0], 50.0))
        low, high = found["goal_share_interval"].values
        promised.append(float(found["searched_share"]) - truth)
        kept.append(float(found["goal_share"]) - truth)
        held.append(low <= truth <= high)
    errors = [np.std(own, ddof=1) / np.sqrt(len(own)) for own in (promised, kept)]
    assert np.mean(promised) > 5 * errors[0] and abs(np.mean(kept)) < 3 * errors[1]
    assert abs(np.mean(kept)) < np.mean(promised) / 2
    assert np.mean(held) > 0.88
