"""A policy beside others on the same patients, in pieces, with what is not known of populations."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from ebbmap.cases.cohort import rows_population
from ebbmap.committee.knowledge import asked_again
from ebbmap.committee.verdict import ALL
from ebbmap.errors import EbbmapError
from ebbmap.files.policy import parse_policy
from ebbmap.kernels.judging import bound_margins
from ebbmap.policies import pieces
from ebbmap.policies.against import ALONE, CONVENTIONAL, FIXED, find_against
from ebbmap.policies.body import Bodies
from ebbmap.policies.cohort import draw_cohort
from ebbmap.policies.fixed import best_first, safe_shares, settings_looked_at
from ebbmap.policies.knowledge import knowledge_pieces
from ebbmap.policies.on_lungs import settle
from ebbmap.policies.settling import settling_pieces
from ebbmap.policies.simulate import courses, left_alone
from ebbmap.runs.run import run_policies, run_policy

TEXT = (Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml").read_text(
    encoding="utf-8"
)
OTHER = TEXT.replace('cap = ["t_low <= 1 s"]', 'cap = ["t_low <= 0.6 s"]').replace(
    'title = "small policy"', 'title = "shorter cap"'
)
TWO = TEXT.replace(
    'population = "restrictive"',
    'population = "restrictive"\nweight = 3.0\n\n[[groups]]\npopulation = "normal"\nweight = 1.0',
)


def silent(_):
    return lambda cases: None


@pytest.fixture(scope="module")
def policy():
    return parse_policy(TWO)


@pytest.fixture(scope="module")
def compared(policy):
    alone = left_alone(policy)
    return find_against(policy, courses(policy), {ALONE: courses(alone)}), alone


def test_gains_less_losses_are_the_difference_of_the_shares(policy, compared):
    found, alone = compared
    own, other = list(courses(policy)), list(courses(alone))
    for hour in found["hour"].values:
        here = found.sel(other=ALONE, hour=hour)
        moved = []
        for one, two in zip(own, other, strict=True):
            gains = one.safe_at[hour] & ~two.safe_at[hour]
            losses = two.safe_at[hour] & ~one.safe_at[hour]
            group = here.sel(group=one.group)
            assert group["gained_share"] == gains.mean()
            assert group["forgone_share"] == losses.mean()
            assert group["other_share"] == two.safe_at[hour].mean()
            moved.append(one.safe_at[hour].mean() - two.safe_at[hour].mean())
        np.testing.assert_allclose(here["difference"].values[:2], moved, atol=1e-12)
        np.testing.assert_allclose(here["difference"].sel(group=ALL), np.dot([0.75, 0.25], moved))
    assert (found["gained_share"].isel(hour=-1) > 0.0).all()
    assert all(one.changes.sum() == 0 for one in other)


def test_a_policy_beside_itself_moves_nobody(policy):
    found = find_against(policy, courses(policy), {"itself": courses(policy)})
    for name in ("gained_share", "forgone_share", "difference", "more_changes"):
        assert not found[name].any()
    # nobody of n moved: at most 1 - 0.05^(1 / n) of all would
    most = 1.0 - 0.05 ** (1.0 / 64.0)
    ends = found["difference_interval"].sel(group="normal").values
    np.testing.assert_allclose(ends[..., 1], most)


def test_other_patients_are_refused(policy):
    protocol = replace(policy.protocol, lungs=80)
    with pytest.raises(EbbmapError, match="must treat the same patients"):
        find_against(policy, courses(policy), {"more": courses(replace(policy, protocol=protocol))})


def test_the_best_fixed_setting_is_the_best_of_those_looked_at(policy):
    settings = settings_looked_at(policy)
    found = safe_shares(policy, 0, [3, 200], 640)
    bodies = Bodies(policy)
    assert found.shape == (2,)
    # on patients of its own, but the same way of judging as by hand on the policy's
    cohort = draw_cohort(policy, policy.protocol.groups[0], 640)
    here = cohort.at({name: float(values[3]) for name, values in settings.items()})
    now = settle(bodies, here, here.settings).now
    safe = np.all(bound_margins(policy.protocol.limits.hard, now) >= 0.0, axis=0).mean()
    # another 640 of the same population: 3.6 standard errors of the difference at most
    assert abs(safe - found[0]) < 0.1
    shares = np.array([[0.1, 0.9, 0.5], [0.9, 0.2, 0.5]])
    assert best_first(shares, np.array([0.5, 0.5])).tolist() == [1, 0, 2]
    assert best_first(shares, np.array([0.0, 1.0])).tolist() == [0, 2, 1]
    assert (settings["p_high"] >= settings["p_low"] + 1.0).all()


@pytest.fixture(scope="module")
def usual():
    path = Path(__file__).parents[2] / "studies" / "policies" / "conventional_6.toml"
    return parse_policy(path.read_text(encoding="utf-8"))


def test_nobody_is_ventilated_by_a_weight_that_is_not_known(policy, usual):
    """Lungs of a trace have none; the check of their policy ended in an internal error."""
    assert "conventional" in pieces.policy_parts(policy, usual)
    first = policy.protocol.groups[0]
    rows = np.random.default_rng(0).uniform(30.0, 60.0, (20, 1))
    lungs = rows_population("fitted", ("compliance",), rows, np.ones(20), "invented")
    group = replace(first, population=lungs)
    light = replace(policy, protocol=replace(policy.protocol, groups=(group,)))
    assert "conventional" not in pieces.policy_parts(light, usual)


def test_a_check_puts_all_beside_and_goes_on_where_it_stopped(tmp_path, policy, usual):
    how = {"date": "2026-01-01", "progress": silent}
    found = run_policy(policy, usual, tmp_path / "one", **how)
    assert found["policy"]["other"].values.tolist() == [ALONE, FIXED, CONVENTIONAL]
    assert found["paths"].sizes["patient"] == 10
    done = sorted((tmp_path / "one" / "pieces").glob("*"))
    assert sum(path.name.startswith("fixed.") for path in done) == 6
    again = run_policy(policy, usual, tmp_path / "one", **how)
    fresh = run_policy(policy, usual, tmp_path / "two", workers=2, **how)
    for name, one in found.items():
        xr.testing.assert_identical(one, again[name])
        xr.testing.assert_identical(one, fresh[name])


def test_two_policies_are_compared_on_the_same_patients(tmp_path):
    old, new = parse_policy(OTHER), parse_policy(TEXT)
    found = run_policies(old, new, tmp_path, date="2026-01-01", progress=silent)
    by_hand = find_against(new, courses(new), {"shorter cap": courses(old)})
    xr.testing.assert_equal(found["difference"], by_hand["difference"])
    with pytest.raises(EbbmapError, match="must have the same seed"):
        pieces.difference_parts(old, parse_policy(f"seed = 3\n{TEXT}"))


def test_knowledge_has_an_interval_around_the_share():
    policy = parse_policy(TEXT.replace("lungs = 64", "lungs = 64\nknowledge = 39"))
    policy = replace(policy, hours=1)
    drawn = knowledge_pieces(policy).whole()
    assert drawn.sizes["draw"] == 39
    parts = {
        "policy": list(courses(policy)),
        "alone": list(courses(left_alone(policy))),
        "fixed": (dict.fromkeys(("p_high", "p_low", "t_high", "t_low", "fio2"), 1.0), []),
        "settling": settling_pieces(policy).whole(),
        "knowledge": drawn,
    }
    parts["fixed"] = (parts["fixed"][0], parts["alone"])
    yields = pieces.join_policy(policy, parts, "2026-01-01")["policy"]
    low, high = yields["safe_share_knowledge"].sel(hour=1, group="restrictive").values
    share = float(yields["safe_share"].sel(hour=1, group="restrictive"))
    assert low < high
    # with as many patients as in the outer draws, the share itself is their centre
    moved = drawn["safe_share"].sel(hour=1, group="restrictive").values
    assert low == pytest.approx(np.clip(share + moved, 0, 1).min())
    assert high == pytest.approx(np.clip(share + moved, 0, 1).max())
    assert np.ptp(moved) > 0.0
    # each draw is what the policy does for that population, with the same random numbers
    for draw in (0, 25):
        (one,) = courses(replace(policy, protocol=asked_again(policy.protocol, draw)))
        np.testing.assert_allclose(share + moved[draw], one.safe_at[1].mean(), atol=1e-12)
