"""Persons, limits and the criterion of a check against loops over every lung and combination."""

import math

import numpy as np
import pytest
import xarray as xr

from committee_case import PLAIN, RULED, check_of, protocol_of, verdicts
from ebbmap.committee.counting import count_groups
from ebbmap.committee.criterion import Criterion, choose, judge_criterion
from ebbmap.committee.lungs import VERDICT, corners, draw_lungs, solver, unit_settings
from ebbmap.committee.patients import KINDS, find_patients

TEXTS = {"ruled": RULED, "plain": PLAIN}


@pytest.fixture(scope="module", params=TEXTS)
def case(request):
    """A protocol, what was found of its patients and limits, and every combination by group."""
    protocol = protocol_of(TEXTS[request.param])
    check = check_of(TEXTS[request.param])
    groups = {}
    for group in protocol.groups:
        drawn = draw_lungs(protocol, group, protocol.lungs, VERDICT)
        unit = unit_settings(protocol, protocol.draft, protocol.settings_drawn, "", VERDICT)
        judged = []
        for places in (unit, corners(protocol.draft)):
            solve, m = solver(protocol, protocol.draft, drawn, protocol.draft.places(places))
            found = solve(slice(None))
            shape = (drawn.size, m)
            full = {n: np.broadcast_to(found[n], shape) for n in protocol.limits.outcomes}
            judged.append((*verdicts(protocol.limits, full), full))
        groups[group.name] = (group.weight * drawn.size / drawn.asked, drawn, *judged)
    return protocol, check.results["patients"], check.results["broken"], groups


def test_every_lung_is_counted_as_what_it_is(case):
    _, patients, _, groups = case
    everybody = dict.fromkeys(KINDS, 0.0)
    whole = sum(weight for weight, *_ in groups.values())
    for name, (weight, _, inside, corner) in groups.items():
        counts = dict.fromkeys(KINDS, 0)
        for row, edge in zip(inside[0], corner[0], strict=True):
            every = [*row.tolist(), *edge.tolist()]
            if all(code in (0, 1) for code in every):
                counts["always"] += 1
            elif any(code in (0, 1) for code in every):
                counts["set_well"] += 1
            else:
                counts["never" if all(code == 2 for code in every) else "open"] += 1
        n = sum(counts.values())
        assert n > 2
        for kind, count in counts.items():
            found = float(patients[f"{kind}_share"].sel(group=name))
            assert found == pytest.approx(count / n)
            low, high = patients[f"{kind}_share_interval"].sel(group=name).values
            assert low <= found <= high
            everybody[kind] += weight / whole * count / n
    for kind, share in everybody.items():
        assert float(patients[f"{kind}_share"].sel(group="all")) == pytest.approx(share)
    assert sum(everybody.values()) == pytest.approx(1.0)


def test_limits_are_counted_at_all_worst_and_alone(case):
    protocol, _, broken, groups = case
    names = [bound.name for bound in protocol.limits.hard]
    seen = 0
    for name, (_, _, (_, margins, _), _) in groups.items():
        passed = margins < 0
        cases = passed[0].size
        worst = np.where(passed.any(axis=0), np.nanargmin(np.where(passed, margins, 9.0), 0), -1)
        for place, bound in enumerate(names):
            here = broken.sel(group=name, bound=bound)
            assert float(here["any_share"]) == pytest.approx(passed[place].sum() / cases)
            assert float(here["worst_share"]) == pytest.approx((worst == place).sum() / cases)
            alone = passed[place] & (passed.sum(axis=0) == 1)
            assert float(here["alone_share"]) == pytest.approx(alone.sum() / cases)
            assert float(here["alone_share"]) <= float(here["worst_share"])
            seen += bool(passed[place].any()) and float(here["any_share"]) > float(
                here["worst_share"]
            )
    # a limit that is broken more often than it is broken worst: what a table of the worst hides
    assert seen


def test_the_excess_is_in_the_unit_of_the_outcome(case):
    protocol, _, broken, groups = case
    for name, (_, _, (_, _, outcomes), _) in groups.items():
        for bound in protocol.limits.hard:
            values = outcomes[bound.outcome]
            over = bound.value - values if bound.side == "low" else values - bound.value
            over = np.sort(over[over > 0])
            here = broken.sel(group=name, bound=bound.name)
            if not over.size:
                assert math.isnan(here["excess_middle"])
                continue
            for share, key in ((0.5, "excess_middle"), (0.9, "excess_tenth")):
                expected = over[math.ceil(share * over.size) - 1]
                assert float(here[key]) == pytest.approx(expected, abs=0.0101 * bound.width)


def test_harm_is_counted_apart_from_the_rule(case):
    protocol, _, broken, groups = case
    ruled = [bound.outcome == "flow_ratio" for bound in protocol.limits.hard]
    assert broken["of_a_rule"].values.astype(bool).tolist() == ruled
    for name, (_, _, (_, margins, _), _) in groups.items():
        harm = margins[~np.array(ruled)]
        expected = (harm >= 0).all(axis=0).mean()
        assert float(broken["harmless_share"].sel(group=name)) == pytest.approx(expected)


def test_the_worst_tenth_is_that_of_the_lungs_at_their_worst_combination(case):
    protocol, patients, _, groups = case
    for name, (_, _, (_, _, outcomes), _) in groups.items():
        for bound in protocol.limits.hard:
            values = outcomes[bound.outcome]
            worst = np.nanmin(values, axis=1) if bound.side == "low" else np.nanmax(values, axis=1)
            worst = np.sort(worst) if bound.side == "low" else -np.sort(-worst)
            expected = worst[math.ceil(0.1 * worst.size) - 1]
            found = float(patients["worst_tenth"].sel(group=name, bound=bound.name))
            assert found == pytest.approx(expected)


def test_the_criterion_is_chosen_on_one_half_and_judged_on_the_other():
    """A draft that cannot suit soft lungs: more than 6 mL/kg leaves it."""
    protocol = protocol_of(PLAIN.replace("high = 10.0", "high = 6.0"))
    counted = count_groups(protocol)
    patients = find_patients(protocol, counted)
    for one in counted:
        here = patients.sel(group=one.group.name)
        name = str(here["criterion_property"].values)
        if not name:
            continue
        never = (one.inside.by_lung[2] == one.inside.by_setting.shape[1]) & (
            one.corner.by_lung[2] == one.corner.by_setting.shape[1]
        )
        assert name in (
            "compliance",
            "resistance_exp",
            "predicted_body_weight",
            "time_constant_exp",
        )
        if name == "time_constant_exp":
            continue
        values, side = one.drawn.values[name], str(here["criterion_side"].values)
        line = float(here["criterion_threshold"])
        assert line == round(line)
        pointed = values <= line if side == "below" else values >= line
        assert float(here["sensitivity"]) == pytest.approx(pointed[1::2][never[1::2]].mean())
        assert float(here["specificity"]) == pytest.approx(1 - pointed[1::2][~never[1::2]].mean())
        assert float(here["pointed_never_share"]) == pytest.approx(
            never[1::2][pointed[1::2]].mean()
        )
        return
    pytest.fail("no group has a criterion by a property that was drawn")


def test_the_threshold_is_the_best_of_all():
    rng = np.random.default_rng(4)
    values = {"compliance": rng.uniform(20, 90, 200), "resistance_exp": rng.uniform(5, 30, 200)}
    meant = values["compliance"] + rng.normal(0, 12, 200) < 45
    best = -1.0
    for known in values.values():
        for line in range(4, 92):
            for side in ("below", "above"):
                pointed = known <= line if side == "below" else known >= line
                best = max(best, pointed[meant].mean() + (~pointed)[~meant].mean() - 1.0)
    worth = judge_criterion(choose(values, meant), values, meant, 0.95)
    assert worth.sensitivity[0] + worth.specificity[0] - 1.0 == pytest.approx(best)


def test_few_lungs_of_a_kind_give_no_criterion():
    values = {"compliance": np.arange(20.0, 60.0)}
    assert choose(values, values["compliance"] < 29) is None
    assert choose(values, values["compliance"] < 30) == Criterion("compliance", "below", 29.0)


def test_results_can_be_kept(case, tmp_path):
    _, patients, broken, _ = case
    for name, found in (("patients", patients), ("broken", broken)):
        found.to_netcdf(tmp_path / f"{name}.nc", engine="h5netcdf")
        with xr.open_dataset(tmp_path / f"{name}.nc", engine="h5netcdf") as again:
            assert set(again.data_vars) == set(found.data_vars)
