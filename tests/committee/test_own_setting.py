"""The search for a lung's own setting, against a dense one on a bundled protocol."""

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import qmc

from ebbmap.cases.evaluate import evaluate
from ebbmap.committee.lungs import SEARCH, Drawn, draw_lungs
from ebbmap.committee.needs import EXCLUSION, RULE, UNSETTLED, what_holds
from ebbmap.committee.own_setting import OwnSettings, find_own_settings, own_share
from ebbmap.files.protocol import parse_protocol
from ebbmap.kernels.judging import judge

BUNDLED = Path(__file__).parents[2] / "studies" / "protocols" / "published_ranges.toml"
FOUR = parse_protocol(BUNDLED.read_text(encoding="utf-8"))

#: Lungs of each group; settings of the dense search, many times what the search itself takes.
LUNGS = 96
DENSE = 16384


def safe_at(drawn: Drawn, lungs, unit):
    """Judge lungs at settings (n, m, d) or (m, d) by plain evaluation, shape (n, m)."""
    places = FOUR.draft.widened().places(unit)
    case = {name: value[lungs, None] for name, value in drawn.values.items()}
    case |= {name: np.atleast_2d(value) for name, value in (FOUR.fixed | places).items()}
    solved = evaluate(FOUR.lung, case, FOUR.limits.outcomes)
    return judge(FOUR.limits, solved.outcomes).verdict <= 1


@pytest.fixture(scope="module", params=FOUR.groups, ids=lambda group: group.name)
def searched(request):
    drawn = draw_lungs(FOUR, request.param, LUNGS, SEARCH)
    return drawn, find_own_settings(FOUR, FOUR.draft.widened(), drawn, request.param.name)


def test_every_setting_that_was_found_is_safe(searched):
    drawn, found = searched
    at = np.flatnonzero(found.served)
    assert safe_at(drawn, at, found.setting[at, None]).all()


def test_a_dense_search_serves_no_lung_that_was_ruled_out(searched):
    drawn, found = searched
    unit = qmc.Sobol(4, rng=np.random.default_rng(99)).random(DENSE)
    ruled_out = np.flatnonzero(~found.served & ~found.doubtful)
    assert not safe_at(drawn, ruled_out, unit).any()
    # and hardly any lung is left in doubt: one of these, about one of a hundred
    assert found.doubtful.sum() <= 1
    assert not found.gain.any()


def test_more_of_the_search_changes_no_answer(searched):
    drawn, found = searched
    other = find_own_settings(FOUR, FOUR.draft.widened(), drawn, "another stream")
    sure = ~found.doubtful & ~other.doubtful
    np.testing.assert_array_equal(found.served[sure], other.served[sure])


def test_a_needle_that_a_grid_misses_is_found():
    """A safe region 0.2 % of the range wide on every axis, between the places of six."""
    text = BUNDLED.read_text(encoding="utf-8").replace(
        'sets = ["pressure", "volume", "auto_peep"]\nrules = ["flow_ratio"]',
        "sets = []\nrules = []\n"
        'own = [{ outcome = "auto_peep", low = 6.0, high = 6.02, why = "invented", width = 1 },\n'
        '  { outcome = "mean_airway_pressure", low = 18.0, high = 18.02, why = "invented", '
        "width = 1 }]",
    )
    protocol = parse_protocol(text)
    drawn = draw_lungs(protocol, protocol.groups[0], 32, SEARCH)
    found = find_own_settings(protocol, protocol.draft.widened(), drawn, "normal")
    assert (found.served | found.doubtful).all()
    assert found.served.mean() > 0.9


def test_the_interval_holds_the_error_of_the_search():
    served = np.repeat([True, False], [80, 20])
    doubtful = np.repeat([False, True, False], [80, 15, 5])
    nothing, setting = np.zeros(100, bool), np.zeros((100, 0))
    sure = own_share(OwnSettings(served, nothing, setting, 64, nothing), 0.95)
    open_ = own_share(OwnSettings(served, doubtful, setting, 64, nothing), 0.95)
    assert sure[:2] == open_[:2] == pytest.approx((0.8, 0.7112), abs=5e-5)  # Wilson, by hand
    assert sure[2] == pytest.approx(0.8666, abs=5e-5)
    assert open_[2] == pytest.approx(0.9785, abs=5e-5)  # of 95 in 100


@pytest.mark.parametrize(
    ("interval", "words"),
    [((0.81, 0.84), RULE), ((0.60, 0.79), EXCLUSION), ((0.79, 0.84), UNSETTLED)],
)
def test_words_follow_from_the_interval(interval, words):
    assert what_holds("unsafe", "unsafe", interval, 0.8) == words


def test_a_draft_without_ranges_is_looked_at_once():
    text = BUNDLED.read_text(encoding="utf-8")
    for low, high in (("20.0", "30.0"), ("0.0", "5.0"), ("4.0", "6.0"), ("0.5", "0.8")):
        text = text.replace(f"{{ low = {low}, high = {high} }}", low)
    protocol = parse_protocol(text)
    drawn = draw_lungs(protocol, protocol.groups[0], 64, SEARCH)
    found = find_own_settings(protocol, protocol.draft, drawn, "normal")
    assert found.settings == 1
    assert 0 < found.served.sum() < 64
    assert not found.doubtful[found.served].any()
