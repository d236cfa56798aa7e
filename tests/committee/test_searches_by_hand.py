"""Boxes, ways of choosing T low, windows, maps and differences, each looked up place by place.

What was drawn is recorded, so that a search and its certificate are seen to meet other lungs.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest
import xarray as xr
from scipy.stats import norm, t

from committee_case import (
    PLAIN,
    RULED,
    SINGLE,
    SIZES,
    check_of,
    protocol_of,
    small_sizes,
    solved,
    verdicts,
    wilson_by_hand,
)
from ebbmap.committee import boxes, certificates, comparison, drivers, each_limit, maps, windows
from ebbmap.committee.difference import MOVED, compare_drafts
from ebbmap.committee.draft import Span
from ebbmap.committee.lungs import CERTIFICATES, VERDICT, draw_lungs, unit_settings
from ebbmap.files.protocol import parse_protocol

ROUNDING = 1e-12

#: Lungs of a search and of a certificate.
SEARCHED, FRESH = SIZES[boxes, "SEARCH_LUNGS"], SIZES[certificates, "CERTIFICATE_LUNGS"]


@dataclass(frozen=True)
class Draw:
    """What was asked for, and what came."""

    group: str
    n: int
    purpose: int
    lungs: dict
    scores: np.ndarray


@lru_cache
def recorded(module, function, text):
    """Return what a search found, and every draw of lungs that it made, in order."""
    draws = []

    def record(protocol, group, n, purpose):
        drawn = draw_lungs(protocol, group, n, purpose)
        draws.append(Draw(group.name, n, purpose, drawn.values, drawn.scores))
        return drawn

    with pytest.MonkeyPatch.context() as patch:
        small_sizes(patch)
        for drawing in {module, certificates} if module is boxes else {module}:
            patch.setattr(drawing, "draw_lungs", record)
        return getattr(module, function)(protocol_of(text)), draws


def held(text, **settings):
    """Settings of SINGLE or PLAIN, some of them named."""
    fixed = {"p_high": 18.0, "p_low": 1.0} if text is SINGLE else {"p_high": 18.0, "p_low": 0.0}
    return {**fixed, "t_high": 5.0, **settings}


def safe_at(text, lungs, **settings):
    """Whether each lung is safe at each setting, and its least margin, both (n, m)."""
    protocol = protocol_of(text)
    code, margins = verdicts(protocol.limits, solved(protocol, lungs, held(text, **settings)))
    return code <= 1, np.where(code == 3, -np.inf, np.fmin.reduce(margins, axis=0))


def longest_run(safe, need):
    """Longest run of places, all of them safe for at least `need` lungs, safe of shape (n, m)."""
    best = 0
    for start in range(safe.shape[1]):
        for stop in range(start, safe.shape[1]):
            if safe[:, start : stop + 1].all(axis=1).sum() >= need:
                best = max(best, stop - start + 1)
    return best


# boxes

PLACES = 65


@pytest.mark.parametrize("text", [SINGLE, PLAIN, RULED], ids=["one", "plain", "ruled"])
def test_boxes_are_certified_on_lungs_that_no_search_and_no_other_try_has_met(text):
    found, draws = recorded(boxes, "find_boxes", text)
    searched = [d for d in draws if d.n == SEARCHED]
    certified = [d for d in draws if d.n == FRESH]
    assert len(searched) + len(certified) == len(draws)
    assert {d.group for d in searched} == {"normal", "obstructive"}
    for group in ("normal", "obstructive"):
        seen = np.concatenate([d.lungs["compliance"] for d in searched if d.group == group])
        own = [d for d in certified if d.group == group]
        for draw in own:
            assert not np.isin(draw.lungs["compliance"], seen).any()
        # the whole and the group, and every try within a range of search, name streams of their
        # own; the default and the box of one range too
        purposes = {d.purpose for d in own}
        tries = int(found["attempts"].sel(group=[group, "all"]).max())
        assert len(purposes) >= tries + 2
        assert not purposes & {d.purpose for d in searched}


def test_each_try_at_a_certificate_gets_its_part_of_the_doubt():
    tries = len(boxes.EXTRA)
    assert tries > 1
    found, _ = recorded(boxes, "find_boxes", SINGLE)
    interval = found["certified_share_interval"]
    assert interval.attrs["ci_level"] == pytest.approx(1 - 0.05 / tries, abs=ROUNDING)
    assert found["default_share_interval"].attrs["ci_level"] == 0.95
    assert found["own_setting_share_interval"].attrs["ci_level"] == 0.95
    # lungs of which it is open whether they have a safe setting count as served above
    own = found.sel(scope="inside the draft", group="normal")
    n = SEARCHED
    share, doubt = (float(own[f"own_setting_{k}"]) for k in ("share", "doubtful"))
    low, high = own["own_setting_share_interval"].values
    assert low == pytest.approx(wilson_by_hand(share, n, 0.95)[0], abs=1e-9)
    assert high == pytest.approx(wilson_by_hand(share + doubt, n, 0.95)[1], abs=1e-9)
    sizes = {"certified_share": FRESH, "default_share": FRESH}
    for name, n in sizes.items():
        level = found[f"{name}_interval"].attrs["ci_level"]
        one = found.sel(scope="inside the draft", group="normal")
        share = float(one[name])
        assert share * n == pytest.approx(round(share * n), abs=1e-9)
        told = one[f"{name}_interval"].values
        # roots of a quadratic against the closed form
        np.testing.assert_allclose(told, wilson_by_hand(share, n, level), atol=1e-9)


@lru_cache
def single_search(group):
    """Lungs of the search of SINGLE, and whether each place of its grid is safe for them."""
    _, draws = recorded(boxes, "find_boxes", SINGLE)
    (lungs,) = {
        id(d.lungs): d.lungs for d in draws if d.n == SEARCHED and d.group == group
    }.values()
    t_low = np.linspace(0.25, 0.9, PLACES)
    return lungs, t_low, *safe_at(SINGLE, lungs, t_low=t_low)


@pytest.mark.parametrize("group", ["normal", "obstructive"])
def test_own_settings_and_trade_off_are_those_of_looking_at_every_place(group):
    found, _ = recorded(boxes, "find_boxes", SINGLE)
    one = found.sel(scope="inside the draft", group=group)
    lungs, _, safe, _ = single_search(group)
    fine, _ = safe_at(SINGLE, lungs, t_low=np.linspace(0.25, 0.9, 4000))
    # a lung whose safe settings are narrower than a step of this grid: one at most
    assert float(one["own_setting_share"]) == pytest.approx(
        fine.any(axis=1).mean(), abs=1.01 / safe.shape[0]
    )
    for served in found["served"].values:
        need = int(np.ceil(served * safe.shape[0] - 1e-9))
        told = float(one["trade_off"].sel(served=served))
        assert told == pytest.approx(longest_run(safe, need) / PLACES, abs=ROUNDING)
    np.testing.assert_allclose(found["served"], np.arange(0.05, 1.0, 0.05), atol=1e-9)


def test_the_whole_is_a_mixture_by_weight():
    found, _ = recorded(boxes, "find_boxes", SINGLE)
    # 2 to 1: of 96 lungs at most, 64 normal and 32 obstructive ones
    safe = np.concatenate([single_search("normal")[2][:64], single_search("obstructive")[2][:32]])
    one = found.sel(scope="inside the draft", group="all")
    assert float(one["own_setting_share"]) == pytest.approx(safe.any(axis=1).mean(), abs=2.01 / 96)
    for served in (0.3, 0.6):
        told = float(one["trade_off"].sel(served=served, method="nearest"))
        assert told == longest_run(safe, int(np.ceil(served * 96 - 1e-9))) / PLACES


@pytest.mark.parametrize("group", ["normal", "obstructive"])
def test_the_default_keeps_the_largest_margin_for_the_wanted_share(group):
    found, draws = recorded(boxes, "find_boxes", SINGLE)
    one = found.sel(scope="inside the draft", group=group)
    _, t_low, safe, margin = single_search(group)
    rank = int(np.ceil(0.6 * safe.shape[0]))
    kept = -np.sort(-margin, axis=0)[rank - 1]
    if kept.max() >= 0:
        best = {kept.argmax()}
    else:
        # where no setting serves enough, the one that serves most
        best = set(np.flatnonzero(safe.sum(axis=0) == safe.sum(axis=0).max()))
    default = one["default"].sel(parameter="t_low")
    # set to a step of the bedside, 0.05 s, which the draft's range from 0.25 to 0.9 s begins on
    nearest = [0.05 * round(t_low[b] / 0.05) for b in best]
    assert any(float(default) == pytest.approx(value, abs=1e-9) for value in nearest)
    assert one["default"].sel(parameter=["p_high", "p_low", "t_high"]).values.tolist() == [18, 1, 5]
    # tried on its own lungs: the first certificate of the group
    fresh = next(d for d in draws if d.group == group and d.n == FRESH)
    safe, margin = (a[:, 0] for a in safe_at(SINGLE, fresh.lungs, t_low=np.array([default])))
    assert float(one["default_share"]) == pytest.approx(safe.mean(), abs=ROUNDING)
    kept = -np.sort(-margin)[int(np.ceil(0.6 * margin.size)) - 1]
    assert float(one["default_margin"]) == pytest.approx(kept, rel=1e-9)


def certificate(text, group, scope=0):
    """Return the box, the last lungs it was tried on, and its share of them."""
    found, draws = recorded(boxes, "find_boxes", text)
    one = found.isel(scope=scope).sel(group=group)
    first = [d for d in draws if d.group == group and d.n == FRESH]
    # of the first range of search: the default's lungs, then one draw for each try
    lungs = first[int(one["attempts"])].lungs
    box = {str(p): one["box"].sel(parameter=p).values for p in found["parameter"].values}
    return box, lungs, float(one["certified_share"])


@pytest.mark.parametrize("text", [SINGLE, PLAIN], ids=["one", "plain"])
def test_a_certificate_tries_fresh_settings_and_every_corner(text):
    box, lungs, told = certificate(text, "normal")
    protocol = protocol_of(text)
    free = protocol.draft.free
    draft = protocol.draft.within({name: Span(*box[name]) for name in free})
    unit = unit_settings(
        protocol, draft, SIZES[certificates, "CERTIFICATE_SETTINGS"], "normal", CERTIFICATES
    )
    edges = np.array(np.meshgrid(*[(0.0, 1.0)] * len(free))).reshape(len(free), -1).T
    shares = []
    for places in (np.concatenate([unit, edges]), unit):
        columns = {
            name: box[name][0] + (box[name][1] - box[name][0]) * places[:, i]
            for i, name in enumerate(free)
        }
        shares.append(safe_at(text, lungs, **columns)[0].all(axis=1).mean())
    assert told == pytest.approx(shares[0], abs=ROUNDING)
    # the settings between the corners alone would have said more
    assert shares[1] > shares[0]


def test_a_box_is_as_large_as_the_grid_has_and_serves_its_sample():
    box, _, _ = certificate(SINGLE, "normal")
    found, _ = recorded(boxes, "find_boxes", SINGLE)
    attempt = int(found["attempts"].sel(group="normal")[0])
    share = 0.6 + boxes.EXTRA[attempt - 1]
    lungs, t_low, safe, _ = single_search("normal")
    need = int(np.ceil(share * safe.shape[0] - 1e-9))
    step = t_low[1] - t_low[0]
    low, high = box["t_low"]
    run = longest_run(safe, need)
    # refined within one place of the grid on either side
    assert (run - 1) * step - 1e-9 <= high - low <= (run + 1) * step + 1e-9
    inside, _ = safe_at(SINGLE, lungs, t_low=np.linspace(low, high, 200))
    # the search looks at 65 places, so that a lung may slip through between two of them
    assert inside.all(axis=1).sum() >= need - 1
    for name, value in (("p_high", 18.0), ("p_low", 1.0), ("t_high", 5.0)):
        assert box[name].tolist() == [value, value]


@pytest.mark.parametrize("text", [SINGLE, PLAIN, RULED], ids=["one", "plain", "ruled"])
def test_verdicts_on_boxes_and_defaults_follow_from_their_intervals(text):
    found, _ = recorded(boxes, "find_boxes", text)
    protocol = protocol_of(text)
    wanted = {**{g.name: g.wanted for g in protocol.groups}, "all": protocol.wanted}
    for scope in found["scope"].values:
        for group in found["group"].values:
            one = found.sel(scope=scope, group=group)
            for verdict, share in (
                ("box_verdict", "certified_share"),
                ("default_verdict", "default_share"),
            ):
                low, high = one[f"{share}_interval"].values
                if np.isnan(low):
                    assert (verdict, str(one[verdict].values)) == ("box_verdict", "unsafe")
                    assert np.isnan(one["box"]).all()
                    continue
                said = (
                    "safe"
                    if low >= wanted[group]
                    else "unsafe"
                    if high < wanted[group]
                    else "undetermined"
                )
                assert str(one[verdict].values) == said
            needs = str(found["needs"].sel(group=group).values)
            safe = [str(v) == "safe" for v in found["box_verdict"].sel(group=group).values]
            assert needs.startswith("a box inside") == safe[0]
            assert needs.startswith("a box outside") == (safe[1] and not safe[0])


# ways of choosing T low


def test_targets_are_chosen_on_some_lungs_and_tried_on_others():
    for text in (SINGLE, PLAIN, RULED):
        _, draws = recorded(comparison, "compare_ways", text)
        for group in ("normal", "obstructive"):
            chosen, tried = (
                [d for d in draws if d.group == group and d.n == SIZES[comparison, name]]
                for name in ("CHOICE_LUNGS", "TRIED_LUNGS")
            )
            assert chosen and tried
            seen = np.concatenate([d.lungs["compliance"] for d in chosen])
            assert not any(np.isin(d.lungs["compliance"], seen).any() for d in tried)


def t_low_by(kind, target, error, draw):
    """T low of every lung by one way, from the closed forms of a lung with one time constant."""
    tau = draw.lungs["resistance_exp"] * draw.lungs["compliance"] / 1000.0
    blur = np.exp(error * draw.scores)
    return {
        "fixed": np.full(tau.size, target),
        "time_constant": target * tau * blur,
        "flow_ratio": -np.log(target) * tau * blur,
    }[kind]


def served(draw, t_low):
    return safe_at(SINGLE, {k: v for k, v in draw.lungs.items()}, t_low=t_low[:, None])[0][:, 0]


@pytest.mark.parametrize("group", ["normal", "obstructive"])
def test_every_way_serves_what_counting_gives(group):
    found, draws = recorded(comparison, "compare_ways", SINGLE)
    chosen, tried = (
        next(d for d in draws if d.group == group and d.n == SIZES[comparison, name])
        for name in ("CHOICE_LUNGS", "TRIED_LUNGS")
    )
    searched = {
        "fixed": SIZES[comparison, "TIMES"],
        "time_constant": SIZES[comparison, "MULTIPLES"],
        "flow_ratio": SIZES[comparison, "RATIOS"],
    }
    ways = [
        ("one T low for all, best", "fixed", None),
        ("T low from the time constant, best multiple", "time_constant", None),
        ("T low from the flow ratio, best ratio", "flow_ratio", None),
        ("T low from the time constant, 1 times", "time_constant", 1.0),
        ("T low from the flow ratio, 50 % of peak", "flow_ratio", 0.5),
        ("T low from the flow ratio, 75 % of peak", "flow_ratio", 0.75),
    ]
    assert list(found["way"].values) == [name for name, _, _ in ways]
    assert found["error"].values.tolist() == [0.0, 0.1, 0.2, 0.3]
    for name, kind, common in ways:
        for error in found["error"].values:
            one = found.sel(group=group, way=name, error=error)
            target = float(one["target"])
            if common is None:
                counts = [
                    served(chosen, t_low_by(kind, t, error, chosen)).sum() for t in searched[kind]
                ]
                assert target == searched[kind][int(np.argmax(counts))]
            else:
                assert target == common
            yes = served(tried, t_low_by(kind, target, error, tried))
            assert float(one["served_share"]) == pytest.approx(yes.mean(), abs=ROUNDING)
            expected = wilson_by_hand(yes.mean(), yes.size, 0.95)
            np.testing.assert_allclose(one["served_share_interval"], expected, atol=1e-9)


# windows


@lru_cache
def on_a_fine_grid(group):
    """Lungs of the windows of SINGLE, T low, and who is safe there, by brute force."""
    found, draws = recorded(windows, "find_group_windows", SINGLE)
    (draw,) = [d for d in draws if d.group == group]
    places = found["t_low"].values
    return draw.lungs, places, safe_at(SINGLE, draw.lungs, t_low=places)[0]


@pytest.mark.parametrize("group", ["normal", "obstructive"])
def test_who_is_served_by_a_t_low_is_who_is_safe_there(group):
    found, _ = recorded(windows, "find_group_windows", SINGLE)
    lungs, places, safe = on_a_fine_grid(group)
    one = found.sel(group=group)
    # an edge of a window may fall on a place, to the tolerance of the root that it is
    assert np.mean(one["served_share"].values == safe.mean(axis=0)) > 0.99
    np.testing.assert_allclose(one["served_share"], safe.mean(axis=0), atol=1.5 / safe.shape[0])
    for at in (20, 60, 110):
        share = float(one["served_share"][at])
        expected = wilson_by_hand(share, safe.shape[0], 0.95) if 0 < share < 1 else None
        if expected is not None:
            told = one["served_share_interval"][:, at]
            np.testing.assert_allclose(told, expected, atol=1e-9)
    # the best is chosen on the first half and tried on the second
    half = safe.shape[0] // 2
    first = safe[:half].sum(axis=0)
    best = float(one["best_t_low"])
    assert first[np.abs(places - best).argmin()] == first.max()
    there = safe_at(SINGLE, lungs, t_low=np.array([best]))[0][half:, 0]
    assert float(one["best_served_share"]) == pytest.approx(there.mean(), abs=ROUNDING)
    low, high = one["best_t_low_interval"].values
    assert low <= best <= high
    # brute force on a fine grid misses windows narrower than its step
    close = safe_at(SINGLE, lungs, t_low=np.geomspace(0.05, 5.0, 4000))[0].any(axis=1)
    assert float(one["window_share"]) == pytest.approx(close.mean(), abs=1.5 / safe.shape[0])


def test_windows_of_the_whole_are_weighted():
    found, _ = recorded(windows, "find_group_windows", SINGLE)
    weights = np.array([2 / 3, 1 / 3])
    for name in ("served_share", "window_share"):
        own = found[name].sel(group=["normal", "obstructive"]).values
        np.testing.assert_allclose(found[name].sel(group="all"), weights @ own, atol=ROUNDING)
    share = found["served_share"].values
    spread = norm.ppf(0.975) * np.sqrt(
        weights**2 @ (share[:2] * (1 - share[:2])) / SIZES[windows, "LUNGS"]
    )
    expected = np.clip([share[2] - spread, share[2] + spread], 0, 1)
    np.testing.assert_allclose(
        found["served_share_interval"].sel(group="all"), expected, atol=ROUNDING
    )
    best = float(found["best_t_low"].sel(group="all"))
    half = SIZES[windows, "LUNGS"] // 2
    safe = [on_a_fine_grid(g) for g in ("normal", "obstructive")]
    there = [safe_at(SINGLE, s[0], t_low=np.array([best]))[0][half:, 0].mean() for s in safe]
    assert float(found["best_served_share"].sel(group="all")) == pytest.approx(
        weights @ there, abs=ROUNDING
    )


def test_overlap_is_the_share_of_pairs_with_a_common_t_low():
    found, _ = recorded(windows, "find_group_windows", SINGLE)
    fine = np.geomspace(0.05, 5.0, 4000)
    safe = {
        g: safe_at(SINGLE, on_a_fine_grid(g)[0], t_low=fine)[0] for g in ("normal", "obstructive")
    }
    for one in safe:
        for other in safe:
            both = (safe[one].astype(np.float32) @ safe[other].T.astype(np.float32)) > 0
            told = float(found["overlap"].sel(population=one, other=other))
            # a common part narrower than the grid's step is missed in a pair in a hundred
            assert told == pytest.approx(both.mean(), abs=0.01)


# maps


def test_a_map_shows_the_share_of_safe_lungs_and_what_breaks_most():
    found, draws = recorded(maps, "map_draft", PLAIN)
    assert found["safe_share"].dims == ("group", "p_high", "t_low")
    size = SIZES[maps, "PLACES"]
    np.testing.assert_allclose(found["t_low"], np.linspace(0.2, 1.8, size), rtol=ROUNDING)
    np.testing.assert_allclose(found["p_high"], np.linspace(15.0, 35.0, size), rtol=ROUNDING)
    protocol = protocol_of(PLAIN)
    for draw in draws:
        one = found.sel(group=draw.group)
        for row, p_high in enumerate(found["p_high"].values):
            outcomes = solved(
                protocol, draw.lungs, held(PLAIN, p_high=p_high, t_low=found["t_low"].values)
            )
            code, margins = verdicts(protocol.limits, outcomes)
            np.testing.assert_allclose(
                one["safe_share"][row], (code <= 1).mean(axis=0), atol=ROUNDING
            )
            assert (one["undetermined_share"][row] == 0).all()
            for column in range(size):
                unsafe = code[:, column] == 2
                worst = margins[:, unsafe, column].argmin(axis=0)
                counts = np.bincount(worst, minlength=len(protocol.limits.hard))
                told = str(one["commonest_bound"].values[row, column])
                if not counts.any():
                    assert told == "none"
                else:
                    best = {
                        protocol.limits.hard[k].name for k in np.flatnonzero(counts == counts.max())
                    }
                    assert told in best


# differences

NARROW = PLAIN.replace("{ low = 0.35, high = 0.45 }", "{ low = 0.45, high = 0.6 }").replace(
    "[limits]", "[eligible]\ncompliance = { high = 55.0 }\n[limits]", 1
)


def test_gains_and_losses_are_those_of_each_lung_under_both_drafts():
    old, new = protocol_of(PLAIN), parse_protocol(NARROW)
    for pair in ((old, new), (new, old)):
        found = compare_drafts(*pair)
        for number, group in enumerate(("normal", "obstructive")):
            one = found.sel(group=group)
            lungs = draw_lungs(old, old.groups[number], old.lungs, VERDICT).values
            unit = unit_settings(old, old.draft, old.settings_drawn, "", VERDICT)
            shares = {}
            for protocol, low, high in ((old, 0.35, 0.45), (new, 0.45, 0.6)):
                settings = held(
                    PLAIN, p_high=16 + 4 * unit[:, 0], t_low=low + (high - low) * unit[:, 1]
                )
                code, _ = verdicts(protocol.limits, solved(protocol, lungs, settings))
                shares[protocol is new] = (code <= 1).mean(axis=1)
            gets = {False: np.ones(lungs["compliance"].size, bool), True: lungs["compliance"] <= 55}
            before, after = pair[0] is new, pair[1] is new
            both = gets[before] & gets[after]
            moved = (shares[after] - shares[before])[both]
            expected = {
                "gain": np.mean(moved >= MOVED),
                "lose": np.mean(moved <= -MOVED),
                "let_in": np.mean(gets[after] & ~gets[before]),
                "left_out": np.mean(gets[before] & ~gets[after]),
                "difference": moved.mean(),
            }
            for name, value in expected.items():
                assert float(one[name]) == pytest.approx(value, abs=ROUNDING), name
            assert np.count_nonzero(moved) >= 10
            spread = t.ppf(0.975, moved.size - 1) * moved.std(ddof=1) / np.sqrt(moved.size)
            np.testing.assert_allclose(
                one["difference_interval"],
                [moved.mean() - spread, moved.mean() + spread],
                atol=ROUNDING,
            )
            for name, of in (("gain", moved.size), ("left_out", both.size)):
                np.testing.assert_allclose(
                    one[f"{name}_interval"], wilson_by_hand(expected[name], of, 0.95), atol=1e-9
                )
            for draft, is_new in (("old", before), ("new", after)):
                told = float(one["safe_share"].sel(draft=draft))
                assert told == pytest.approx(shares[is_new][gets[is_new]].mean(), abs=ROUNDING)
    assert MOVED == 0.05


def test_what_both_drafts_hold_is_said_once_and_what_differs_twice():
    old, new = protocol_of(PLAIN), parse_protocol(PLAIN.replace("p_low = 0.0", "p_low = 3.0"))
    same, moved = (compare_drafts(old, other).attrs for other in (old, new))
    keys = ("fixed", "averaged_over", "conditioned_on", "lungs_from")
    assert not any(same[key].startswith("old: ") for key in keys)
    assert "P low 0 cmH₂O" in same["fixed"]
    before, after = moved["fixed"].removeprefix("old: ").split("; new: ")
    assert before == same["fixed"]
    assert "P low 3 cmH₂O" in after and "P low 0" not in after
    for key in keys[1:]:
        assert moved[key] == same[key], key


@pytest.mark.parametrize(
    ("sizes", "expected"),
    [
        # 2 normal patients to 1 obstructive, of whom half and all get the mode: one to one
        ({"normal": 40, "obstructive": 80}, {"normal": 40, "obstructive": 40}),
        # all and a quarter get it: eight to one
        ({"normal": 80, "obstructive": 20}, {"normal": 80, "obstructive": 10}),
        # one lung is no sample
        ({"normal": 80, "obstructive": 1}, {"normal": 80}),
    ],
)
def test_a_mixture_has_the_groups_as_often_as_they_get_the_mode(sizes, expected):
    assert boxes._mixture(protocol_of(SINGLE), sizes) == expected


@pytest.mark.parametrize(
    ("p_high", "t_low", "share"),
    [
        # of 16 to 20 cmH2O and 0.35 to 0.45 s
        ((16.0, 20.0), (0.35, 0.45), 1.0),
        ((17.0, 19.0), (0.35, 0.375), 0.125),
        # a side of no width counts as a hundredth
        ((18.0, 18.0), (0.40, 0.45), 0.005),
    ],
)
def test_the_volume_of_a_box_is_its_share_of_the_ranges(p_high, t_low, share):
    box = {"p_high": Span(*p_high), "t_low": Span(*t_low)}
    # a handful of roundings of numbers near one
    assert boxes._volume(protocol_of(PLAIN).draft, box, 0.01) == pytest.approx(share, rel=1e-12)


def test_each_part_of_a_check_is_what_its_search_finds():
    results = check_of(PLAIN).results
    searches = {
        "boxes": boxes.find_boxes,
        "ways": comparison.compare_ways,
        "map": maps.map_draft,
        "windows": windows.find_group_windows,
        "limits": each_limit.find_each_limit,
        "drivers": drivers.drive_margin,
    }
    assert set(results) == {*searches, "verdict", "lungs", "parting", "patients", "broken"}
    with pytest.MonkeyPatch.context() as patch:
        small_sizes(patch)
        for name, search in searches.items():
            found = search(protocol_of(PLAIN))
            assert set(found.data_vars) <= set(results[name].data_vars), name
            for key, values in found.data_vars.items():
                # what is held stands beside it in a check
                told = results[name][key].reset_coords(drop=True)
                xr.testing.assert_equal(values.reset_coords(drop=True), told)
