"""Every number of a verdict, counted again case by case from the words of the draft's file."""

from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm, t

from committee_case import (
    PLAIN,
    RULED,
    SINGLE,
    check_of,
    protocol_of,
    solved,
    verdicts,
    wilson_by_hand,
)
from ebbmap.committee.counting import count_groups, count_pieces
from ebbmap.committee.drivers import SERVED, part_lungs
from ebbmap.committee.lungs import VERDICT, draw_lungs, unit_settings
from ebbmap.committee.verdict import find_verdict, holds
from ebbmap.files.protocol import parse_protocol

every_draft = pytest.mark.parametrize("text", [RULED, PLAIN, SINGLE], ids=["ruled", "plain", "one"])

#: Sums of the same terms in another order.
ROUNDING = 1e-12


def everybody(protocol, number, purpose, n):
    """Lungs of a group before anybody is left out, and the scores of their errors."""
    table = protocol.text.partition("[eligible]")
    rest = table[2].partition("\n[")[2]
    open_to_all = parse_protocol(f"{table[0]}\n[{rest}" if table[1] else protocol.text)
    drawn = draw_lungs(open_to_all, open_to_all.groups[number], n, purpose)
    assert drawn.size == n
    return drawn.values, drawn.scores


def chosen(text, lungs):
    """Who gets the mode, from the words of the file."""
    tau = lungs["resistance_exp"] * lungs["compliance"] / 1000.0
    if text is RULED:
        return (tau <= 1.8) & (lungs["compliance"] >= 35.0)
    return np.ones(tau.size, bool)


def settings_for(text, lungs, scores, unit):
    """What the draft sets for each lung at each place of its ranges, from the words of the file."""
    if text is PLAIN:
        return {
            "p_high": 16.0 + 4.0 * unit[:, 0],
            "p_low": 0.0,
            "t_high": 5.0,
            "t_low": 0.35 + 0.1 * unit[:, 1],
        }
    if text is SINGLE:
        return {"p_high": 18.0, "p_low": 1.0, "t_high": 5.0, "t_low": 0.25 + 0.65 * unit[:, 0]}
    rise = 4.5 * lungs["predicted_body_weight"] / lungs["compliance"] * np.exp(0.3 * scores)
    tau = lungs["resistance_exp"] * lungs["compliance"] / 1000.0 * np.exp(0.2 * scores)
    return {
        "p_high": np.minimum(2.0 + rise + 1.5, 24.0)[:, None],
        "p_low": 10.0 * unit[:, 0],
        "t_high": 5.0,
        "t_low": np.clip(tau[:, None] * (0.3 + 0.6 * unit[:, 1]), 0.35, 0.8),
    }


@lru_cache
def cases_of(text, number):
    """Verdicts (n, m), margins (k, n, m) and lungs of a group, all by hand."""
    protocol = protocol_of(text)
    lungs, scores = everybody(protocol, number, VERDICT, protocol.lungs)
    kept = chosen(text, lungs)
    lungs, scores = {k: v[kept] for k, v in lungs.items()}, scores[kept]
    unit = unit_settings(protocol, protocol.draft, protocol.settings_drawn, "", VERDICT)
    outcomes = solved(protocol, lungs, settings_for(text, lungs, scores, unit))
    return (*verdicts(protocol.limits, outcomes), lungs, kept)


@lru_cache
def corner_cases(text, number):
    """Verdicts (n, corners), margins, outcomes of a group in the corners of the ranges."""
    protocol = protocol_of(text)
    free = {RULED: 2, PLAIN: 2, SINGLE: 1}[text]
    edges = np.array(np.meshgrid(*[(0.0, 1.0)] * free)).reshape(free, -1).T
    lungs, scores = everybody(protocol, number, VERDICT, protocol.lungs)
    kept = chosen(text, lungs)
    lungs, scores = {k: v[kept] for k, v in lungs.items()}, scores[kept]
    outcomes = solved(protocol, lungs, settings_for(text, lungs, scores, edges))
    return (*verdicts(protocol.limits, outcomes), outcomes)


def interval_by_hand(shares, weights, level=0.95):
    """Wilson's interval at the trials that have the variance of the lungs' shares, Student's t."""
    mean = sum(w * s.mean() for w, s in zip(weights, shares, strict=True))
    parts = [w**2 * s.var(ddof=1) / s.size for w, s in zip(weights, shares, strict=True)]
    variance, free = sum(parts), [s.size - 1 for s in shares]
    trials = mean * (1 - mean) / variance if variance else sum(s.size for s in shares)
    # Satterthwaite
    degrees = (
        variance**2 / sum(v**2 / f for v, f in zip(parts, free, strict=True))
        if variance
        else sum(free)
    )
    # the level at which a normal quantile is as large as Student's
    wider = 1 - 2 * norm.sf(t.ppf(0.5 + level / 2, degrees))
    return (mean, *wilson_by_hand(mean, trials, wider))


def weights_by_hand(text):
    """Share of each group among those who get the mode."""
    patients = {RULED: (0.25, 0.75), PLAIN: (0.4, 0.6), SINGLE: (2 / 3, 1 / 3)}[text]
    offered = np.array([w * cases_of(text, n)[3].mean() for n, w in enumerate(patients)])
    return patients, offered


@every_draft
def test_the_fixture_has_what_it_is_for(text):
    codes = np.concatenate([cases_of(text, n)[0].ravel() for n in (0, 1)])
    wanted = {0, 1, 2, 3} if text is RULED else {0, 1, 2}
    assert set(codes) == wanted
    if text is RULED:
        assert all(0.03 < 1 - cases_of(text, n)[3].mean() < 0.8 for n in (0, 1))


@every_draft
def test_shares_and_intervals_of_every_group_and_of_the_whole(text):
    found = check_of(text).results["verdict"]
    codes = [cases_of(text, n)[0] for n in (0, 1)]
    patients, offered = weights_by_hand(text)
    # the whole range is safe for a lung only if its corners are
    everywhere = [np.hstack([c, corner_cases(text, n)[0]]) for n, c in enumerate(codes)]
    rows = [([0], [1.0]), ([1], [1.0]), ([0, 1], offered / offered.sum())]
    assert list(found["group"].values) == ["normal", "obstructive", "all"]
    for row, (numbers, weights) in enumerate(rows):
        one = found.isel(group=row)
        parts = [codes[n] for n in numbers]
        every = [everywhere[n] for n in numbers]
        shares = [
            sum(w * (c == v).mean() for w, c in zip(weights, parts, strict=True)) for v in range(4)
        ]
        np.testing.assert_allclose(one["verdict_share"], shares, atol=ROUNDING)
        safe = [(c <= 1).mean(axis=1) for c in parts]
        for name, values in (
            ("safe", safe),
            ("whole", [(e <= 1).all(axis=1).astype(float) for e in every]),
            ("none", [(e == 2).all(axis=1).astype(float) for e in every]),
        ):
            expected = interval_by_hand(values, weights)
            # roots of a quadratic against the closed form
            np.testing.assert_allclose(
                [float(one[f"{name}_share"]), *one[f"{name}_share_interval"].values],
                expected,
                atol=1e-9,
                err_msg=name,
            )
    np.testing.assert_allclose(found["weight"], [*patients, 1.0], rtol=ROUNDING)
    np.testing.assert_allclose(
        found["excluded_share"],
        [*(1 - cases_of(text, n)[3].mean() for n in (0, 1)), 1 - offered.sum()],
        atol=ROUNDING,
    )
    sizes = [c.shape[0] for c in codes]
    assert found["lungs"].values.tolist() == [*sizes, sum(sizes)]
    assert found["safe_share_interval"].attrs["ci_level"] == 0.95


@every_draft
def test_what_breaks_most_and_by_how_much(text):
    found = check_of(text).results["verdict"]
    limits = protocol_of(text).limits
    assert list(found["bound"].values) == [f"{b.outcome}_{b.side}" for b in limits.hard]
    parts = [cases_of(text, n) for n in (0, 1)]
    _, offered = weights_by_hand(text)
    weights = offered / offered.sum()
    share, beyond = np.zeros((2, len(limits.hard))), [[[], []] for _ in limits.hard]
    for number, (code, margins, _, _) in enumerate(parts):
        least = np.nanmin(np.where(np.isnan(margins), np.inf, margins), axis=0)
        worst = np.where(np.isnan(margins), np.inf, margins).argmin(axis=0)
        for k in range(len(limits.hard)):
            cases = (code == 2) & (worst == k)
            share[number, k] = cases.mean()
            beyond[k][number] = -least[cases]
    expected = np.vstack([share, weights @ share])
    np.testing.assert_allclose(found["broken_share"], expected, atol=ROUNDING)
    for k, groups in enumerate(beyond):
        for row, values in enumerate([*groups, np.concatenate(groups)]):
            told = float(found["shortfall"][row, k])
            if not values.size:
                assert np.isnan(told)
            else:
                # told to half of a bin of 0.01; bins end at 4 widths
                assert told == pytest.approx(
                    min(np.quantile(values, 0.5, method="inverted_cdf"), 3.995), abs=0.0051
                )


@every_draft
def test_what_each_limit_decides(text):
    protocol = protocol_of(text)
    found = check_of(text).results["limits"]
    unit = unit_settings(protocol, protocol.draft, protocol.settings_drawn, "", VERDICT)
    for number, group in enumerate(("normal", "obstructive")):
        lungs, scores = everybody(protocol, number, VERDICT, protocol.lungs)
        kept = chosen(text, lungs)
        lungs, scores = {k: v[kept] for k, v in lungs.items()}, scores[kept]
        outcomes = solved(protocol, lungs, settings_for(text, lungs, scores, unit))
        code, margins = verdicts(protocol.limits, outcomes)
        one = found.sel(group=group)
        safe = code <= 1
        assert float(one["safe_share"]) == pytest.approx(safe.mean(), abs=ROUNDING)
        interval = interval_by_hand([safe.mean(axis=1)], [1.0])
        np.testing.assert_allclose(one["safe_share_interval"], interval[1:], atol=1e-9)
        for place, bound in enumerate(protocol.limits.hard):
            # a limit so wide that nothing breaks it, unknown or not
            never = {**outcomes, "never": np.full(code.shape, 0.0)}
            wide = replace(bound, outcome="never", side="low", value=-1.0)
            hard = tuple(wide if b is bound else b for b in protocol.limits.hard)
            loose = SimpleNamespace(hard=hard, caution=protocol.limits.caution)
            without = verdicts(loose, never)[0] <= 1
            own, beyond = one.sel(bound=bound.name), -margins[place]
            broken, other = beyond > 0, np.delete(margins, place, axis=0) < 0
            most = broken & (margins[place] == np.fmin.reduce(margins))
            known = beyond[~np.isnan(beyond)]
            for name, share in (
                ("without_share", without.mean()),
                ("gained_share", (without & ~safe).mean()),
                ("any_broken_share", broken.mean()),
                ("broken_share", most.mean()),
                ("alone_share", (broken & ~other.any(axis=0)).mean()),
                ("expected_excess", np.maximum(known, 0.0).mean()),
            ):
                assert float(own[name]) == pytest.approx(share, abs=ROUNDING), (name, bound.name)
            for past in (0.10, 0.25):
                share = (beyond > past).mean()
                assert float(own["past_share"].sel(past=past)) == pytest.approx(share, abs=ROUNDING)


@every_draft
def test_quantiles_over_lungs_and_the_share_of_each_lung(text):
    check = check_of(text)
    found = check.results["verdict"]
    for number in (0, 1):
        code, _, _, kept = cases_of(text, number)
        share = (code <= 1).mean(axis=1)
        for q in found["quantile"].values:
            told = float(found["range_share"].isel(group=number).sel(quantile=q))
            assert told == pytest.approx(np.quantile(share, q), abs=ROUNDING)
        each = check.results["lungs"]["range_safe_share"].isel(group=number).values
        np.testing.assert_array_equal(each[kept], share)
        assert np.isnan(each[~kept]).all()
    assert found["range_share"].sel(group="all").isnull().all()


@every_draft
def test_the_worst_corner_is_the_one_that_is_safe_for_the_fewest(text):
    protocol, found = protocol_of(text), check_of(text).results["verdict"]
    told = []
    for number in (0, 1):
        code, margins, outcomes = corner_cases(text, number)
        share = (code <= 1).mean(axis=0)
        one = found.isel(group=number)
        assert float(one["corner_share"]) == pytest.approx(share.min(), abs=ROUNDING)
        # a case of which any margin is unknown and none is broken has no margin
        least = np.where(code == 3, np.nan, np.fmin.reduce(margins, axis=0))
        at = share.argmin()
        if (share == share.min()).sum() == 1:
            lung = np.nanargmin(least[:, at])
            assert float(one["corner_margin"]) == pytest.approx(least[lung, at], rel=1e-9)
            bound = protocol.limits.hard[int(np.nanargmin(margins[:, lung, at]))]
            reached = outcomes[bound.outcome][lung, at]
            assert str(one["corner_failing"].values) == f"{bound.sentence}: {reached:.4g}"
        told.append(share.min())
    whole = found.sel(group="all")
    assert float(whole["corner_share"]) == min(told)
    lowest = found.isel(group=int(np.argmin(told)))
    for key in ("corner_settings", "corner_failing", "corner_line"):
        assert str(whole[key].values) == str(lowest[key].values)


@lru_cache
def counts_of(text):
    return count_groups(protocol_of(text))


def graded(text, wanted, of=0):
    """Grade of a group when this much is wanted of it."""
    counted = list(counts_of(text))
    counted[of] = replace(counted[of], group=replace(counted[of].group, wanted=wanted))
    return str(find_verdict(protocol_of(text), counted)["grade"].values[of])


@pytest.mark.parametrize(("text", "number"), [(PLAIN, 0), (SINGLE, 0), (RULED, 0), (PLAIN, 1)])
def test_a_grade_needs_the_bound_of_the_interval_and_not_the_estimate(text, number):
    code = cases_of(text, number)[0]
    strict, strict_low, _ = interval_by_hand([(code == 0).mean(axis=1)], [1.0])
    share, low, high = interval_by_hand([(code <= 1).mean(axis=1)], [1.0])
    assert strict_low < strict - 0.001
    assert low < share < high
    little = 1e-6
    assert graded(text, strict_low - little, number) == "safe"
    assert graded(text, strict_low + little, number) != "safe"
    assert graded(text, (strict + strict_low) / 2, number) != "safe"
    if low > strict_low + little:
        assert graded(text, low - little, number) == "caution"
    assert graded(text, low + little, number) == "undetermined"
    assert graded(text, share, number) == "undetermined"
    assert graded(text, high - little, number) == "undetermined"
    assert graded(text, high + little, number) == "unsafe"


def test_what_is_wanted_is_the_groups_own_or_the_files():
    wanted = check_of(RULED).results["verdict"]["wanted_share"].values
    assert wanted.tolist() == [0.5, 0.4, 0.5]
    assert check_of(PLAIN).results["verdict"]["wanted_share"].values.tolist() == [0.7] * 3


@pytest.mark.parametrize(
    ("grades", "said"),
    [
        (["safe", "caution", "safe"], True),
        (["safe", "excluded", "caution"], True),
        (["safe", "unsafe", "safe"], False),
        (["safe", "undetermined", "safe"], False),
        (["excluded", "excluded", "excluded"], False),
    ],
)
def test_a_draft_holds_only_if_every_grade_does(grades, said):
    found = check_of(PLAIN).results["verdict"].copy()
    found["grade"] = ("group", grades)
    assert holds(found) is said


@pytest.mark.parametrize("piece", [1, 200])
def test_pieces_of_any_size_count_the_same(piece):
    protocol = protocol_of(RULED)
    whole, parts = counts_of(RULED), count_pieces(protocol, piece).whole()
    for one, other in zip(whole, parts, strict=True):
        np.testing.assert_array_equal(one.inside.by_lung, other.inside.by_lung)
        np.testing.assert_array_equal(one.corner.by_setting, other.corner.by_setting)


@pytest.mark.parametrize("text", [PLAIN, SINGLE], ids=["plain", "one"])
def test_what_parts_served_lungs_from_the_others(text):
    from scipy.stats import ks_2samp

    found = check_of(text).results["parting"]
    looked = 0
    for number in (0, 1):
        code, _, lungs, _ = cases_of(text, number)
        yes = (code <= 1).mean(axis=1) >= SERVED
        one = found.isel(group=number)
        for name, values in lungs.items():
            here = one.sel(property=name)
            if min(yes.sum(), (~yes).sum()) < 10:
                assert here.isnull().to_array().all()
                continue
            looked += 1
            assert float(here["served_median"]) == np.median(values[yes])
            assert float(here["other_median"]) == np.median(values[~yes])
            gap = ks_2samp(values[yes], values[~yes]).statistic
            assert float(here["gap"]) == pytest.approx(gap, abs=ROUNDING)
    assert looked >= 3
    assert SERVED == 0.5


def test_few_lungs_on_a_side_are_not_compared():
    found = part_lungs(counts_of(PLAIN))
    served = [(cases_of(PLAIN, n)[0] <= 1).mean(axis=1) >= SERVED for n in (0, 1)]
    few = [min(s.sum(), (~s).sum()) < 10 for s in served]
    assert found["gap"].isnull().all("property").values.tolist() == few


def test_groups_have_streams_of_their_own():
    """Two groups that moved together would make the interval of the whole too narrow."""
    protocol = protocol_of(PLAIN)
    n = 2000
    draws = [draw_lungs(protocol, group, n, VERDICT) for group in protocol.groups]
    for name in ("compliance", "resistance_exp"):
        scores = [
            g.population.marginals[name].score(d.values[name])
            for g, d in zip(protocol.groups, draws, strict=True)
        ]
        # 5 standard errors of a correlation of nothing
        assert abs(np.corrcoef(*scores)[0, 1]) < 5 / np.sqrt(n)
    assert abs(np.corrcoef(*(d.scores for d in draws))[0, 1]) < 5 / np.sqrt(n)


def test_errors_of_measurement_hang_on_nothing_else():
    protocol = protocol_of(PLAIN)
    drawn = draw_lungs(protocol, protocol.groups[0], 2000, VERDICT)
    lung = protocol.groups[0].population.marginals["compliance"].score(drawn.values["compliance"])
    assert abs(np.corrcoef(lung, drawn.scores)[0, 1]) < 5 / np.sqrt(2000)
    # a standard normal: 5 standard errors of its mean and SD
    assert abs(drawn.scores.mean()) < 5 / np.sqrt(2000)
    assert abs(drawn.scores.std() - 1) < 5 / np.sqrt(4000)
    assert norm.cdf(drawn.scores).max() < 1


def test_a_group_and_a_purpose_meet_the_same_lungs_in_every_draft():
    one, other = protocol_of(PLAIN), parse_protocol(PLAIN.replace("high = 20.0", "high = 22.0"))
    first, again = (draw_lungs(p, p.groups[1], 16, VERDICT).values for p in (one, other))
    np.testing.assert_array_equal(first["compliance"], again["compliance"])
    elsewhere = draw_lungs(one, one.groups[1], 16, VERDICT + 1).values
    assert not np.isin(first["compliance"], elsewhere["compliance"]).any()
