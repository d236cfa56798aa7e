"""Every number and text that the page carries, decoded and held against solved cases."""

import base64
import json
from html.parser import HTMLParser

import numpy as np
import pytest

from committee_case import margin_by_hand
from ebbmap.cases.simulate import simulate
from ebbmap.cases.waveforms import waveforms
from ebbmap.errors import EbbmapError
from ebbmap.lungs.tracheal_tube import tracheal_tube
from ebbmap.registries.limits import limit_set
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.populations import POPULATIONS
from ebbmap.registries.signals import SIGNALS
from ebbmap.teaching import grid as grids
from ebbmap.teaching import page as pages
from ebbmap.teaching import teaching_grid
from ebbmap.units import display

NUMBERS = (
    "release_volume",
    "trapped_volume",
    "auto_peep",
    "flow_ratio",
    "exhaled_fraction",
    "time_constant_exp",
    "release_in_time_constants",
)
LEVELS = (0.0, 2.0, 4.0)
TUBE = tracheal_tube(7.5)[1]
CURVES = ("alveolar_pressure", "flow", "volume")
RULES = ("flow_ratio", "exhaled_fraction")


class Parts(HTMLParser):
    """Text of a page by tag and id."""

    def __init__(self):
        super().__init__()
        self.parts, self.inside = {}, ("", None)

    def handle_starttag(self, tag, attrs):
        self.inside = (tag, dict(attrs).get("id"))

    def handle_endtag(self, tag):
        self.inside = ("", None)

    def handle_data(self, data):
        self.parts[self.inside] = self.parts.get(self.inside, "") + data


@pytest.fixture(scope="module")
def small():
    with pytest.MonkeyPatch.context() as patch:
        axes = {
            "resistance_exp": np.geomspace(6.0, 40.0, 3),
            "compliance": np.geomspace(20.0, 90.0, 5),
            "t_low": np.geomspace(0.3, 1.5, 4),
        }
        patch.setattr(grids, "AXES", axes)
        return teaching_grid(p_high=26.0, p_low=2.0, t_high=4.0)


@pytest.fixture(scope="module")
def data(small):
    return json.loads(json.dumps(pages.page_data(small)))


def decoded(data, name):
    """Return an array of the page, in the form in which it is interpolated."""
    numbers = np.frombuffer(base64.b64decode(data["numbers"]), dtype="<f4")
    shape = [len(data["axes"][axis]) for axis in ("resistance_exp", "compliance", "t_low")]
    entry = data["arrays"][name]
    size = entry["size"]
    flat = numbers[entry["start"] : entry["start"] + int(np.prod(shape)) * size]
    return flat.reshape(*shape, size)


def test_axes_run_evenly_in_the_logarithm(data):
    assert list(data["axes"]) == ["resistance_exp", "compliance", "t_low"]
    for name, ends in (
        ("resistance_exp", (6.0, 40.0, 3)),
        ("compliance", (20.0, 90.0, 5)),
        ("t_low", (0.3, 1.5, 4)),
    ):
        np.testing.assert_allclose(data["axes"][name], np.geomspace(*ends))


@pytest.mark.parametrize("name", NUMBERS)
def test_numbers_are_those_of_solved_cases(data, name):
    told = decoded(data, name)[..., 0]
    form = data["arrays"][name]["form"]
    expected_form = {
        "release_volume": "logarithm",
        "time_constant_exp": "logarithm",
        "release_in_time_constants": "logarithm",
    }
    assert form == expected_form.get(name, "itself")
    entry = OUTCOMES[name]
    assert data["arrays"][name]["text"] == entry.long_name
    assert data["arrays"][name]["units"] == display(entry.units)
    for i, r in enumerate(data["axes"]["resistance_exp"]):
        for j, c in enumerate(data["axes"]["compliance"]):
            for k, t in enumerate(data["axes"]["t_low"]):
                value = float(solved(r, c, t)[name])
                whole = {"logarithm": np.log, "itself": float}[form](value)
                # single precision
                assert told[i, j, k] == pytest.approx(whole, rel=1e-6, abs=1e-6)


_CASES = {}


def solved(r, c, t, own=0.0):
    if (r, c, t, own) not in _CASES:
        _CASES[r, c, t, own] = simulate(
            spontaneous_alveolar_ventilation=own,
            fio2=0.6,
            resistance_quadratic=TUBE,
            p_high=26.0,
            p_low=2.0,
            t_high=4.0,
            t_low=t,
            compliance=c,
            resistance_exp=r,
            resistance_insp=r,
        )
    return _CASES[r, c, t, own]


def test_carbon_dioxide_and_oxygen_follow_own_breathing(data):
    assert data["levels"] == ["0", "2", "4"]
    assert data["arrays"]["paco2"]["form"] == "reciprocal"
    for name in ("paco2", "spo2"):
        told = decoded(data, name)
        for level, own in enumerate(LEVELS):
            for i, r in enumerate(data["axes"]["resistance_exp"]):
                case = solved(r, data["axes"]["compliance"][1], data["axes"]["t_low"][2], own)
                value = float(case[name])
                if name == "paco2":
                    # by hand, in steady state or not
                    ventilated = float(case["alveolar_ventilation"])
                    whole = ventilated / (0.863 * float(case["co2_production"]))
                    assert np.isnan(value) or whole == pytest.approx(1 / value)
                else:
                    whole = value
                # single precision
                assert told[i, 1, 2, level] == pytest.approx(whole, rel=1e-6, abs=1e-6)


def test_margins_are_those_of_the_limits_that_are_named(data):
    told = decoded(data, "margin")
    bounds = limit_set("harm").hard
    assert data["bounds"] == [bound.sentence for bound in bounds]
    assert told.shape[-1] == len(bounds) * len(LEVELS)
    for level, own in enumerate(LEVELS):
        for i, r in enumerate(data["axes"]["resistance_exp"]):
            for k, t in enumerate(data["axes"]["t_low"]):
                case = solved(r, data["axes"]["compliance"][2], t, own)
                for number, bound in enumerate(bounds):
                    margin = margin_by_hand(bound, float(case[bound.outcome]))
                    place = number * len(LEVELS) + level
                    if np.isnan(margin):
                        # no steady state is outside, at least as far as the limit is wide
                        assert told[i, 2, k, place] <= -1.0
                    else:
                        assert told[i, 2, k, place] == pytest.approx(margin, rel=1e-5, abs=1e-6)


def test_rules_stand_beside_the_verdict_with_their_ends(data):
    ends = {name: [(b.low, b.high) for b in limit_set(name).limits] for name in RULES}
    assert {r["name"]: [(r["low"], r["high"])] for r in data["rules"]} == ends


def test_curves_are_drawn_at_their_places(data):
    place = np.array(data["place"])
    half = place.size // 2
    np.testing.assert_allclose(place[half:], np.linspace(0.0, 1.0, half))
    np.testing.assert_allclose(place[:half], np.linspace(0.0, 1.0, half) ** 2)
    for name in CURVES:
        told = decoded(data, name)
        assert data["arrays"][name]["text"] == SIGNALS[name].long_name
        assert data["arrays"][name]["units"] == display(SIGNALS[name].units)
        for k, t_low in enumerate(data["axes"]["t_low"]):
            times = np.concatenate([place[:half] * 4.0, 4.0 + place[half:] * t_low])
            # a hair inside each phase, where the pressure does not jump
            times += np.where(np.arange(place.size) < half, -1e-7 * place, 1e-7 * (1 - 2 * place))
            r, c = data["axes"]["resistance_exp"][1], data["axes"]["compliance"][3]
            drawn = waveforms(
                times=times,
                resistance_quadratic=TUBE,
                p_high=26.0,
                p_low=2.0,
                t_high=4.0,
                t_low=t_low,
                compliance=c,
                resistance_exp=r,
                resistance_insp=r,
            )
            # a hair of time, and single precision
            scale = np.abs(drawn[name].values).max()
            np.testing.assert_allclose(told[1, 3, k], drawn[name].values.ravel(), atol=1e-4 * scale)


def test_what_is_held_is_said(data, small):
    assert data["set"] == {"t_high": 4.0, "p_low": 2.0}
    for text in ("P high 26 cmH₂O", "P low 2 cmH₂O", "T high 4 s"):
        assert text in data["fixed"]
    assert data["lung"] == "whole"
    assert np.all(decoded(data, "p_high") == 26.0)
    assert data["source"] == small.attrs["source"]


def test_p_high_follows_the_plateau_unless_it_is_given():
    with pytest.MonkeyPatch.context() as patch:
        axes = {name: np.geomspace(*ends, 2) for name, ends in AXES_ENDS.items()}
        patch.setattr(grids, "AXES", axes)
        grid = teaching_grid()
    for compliance in axes["compliance"]:
        told = grid["p_high"].sel(compliance=compliance).values
        np.testing.assert_allclose(told, min(10.0 + 6.0 * 65.0 / compliance, 30.0))


AXES_ENDS = {"resistance_exp": (6.0, 40.0), "compliance": (18.0, 90.0), "t_low": (0.3, 1.5)}


def test_middle_lungs_are_those_whose_slow_part_is_small(data):
    assert set(data["lungs"]) == set(POPULATIONS) - {"severe_asthma"}
    for name, (resistance, compliance) in data["lungs"].items():
        middle = POPULATIONS[name].median
        assert (resistance, compliance) == (middle["resistance_exp"], middle["compliance"])


def test_arrays_lie_behind_each_other_and_nothing_is_left_over(data):
    cells = np.prod([len(axis) for axis in data["axes"].values()])
    start = 0
    for entry in data["arrays"].values():
        assert entry["start"] == start
        start += cells * entry["size"]
    assert len(base64.b64decode(data["numbers"])) == 4 * start


@pytest.mark.parametrize("name", ["t_low", "resistance_exp", "resistance_insp", "compliance"])
def test_what_a_slider_moves_is_not_given(name):
    with pytest.raises(EbbmapError, match=f"{name} is set by a slider"):
        teaching_grid(**{name: 20.0})


def test_lungs_that_the_page_cannot_move_are_refused():
    with pytest.raises(EbbmapError, match="needs a lung that takes"):
        teaching_grid("paired")
    with pytest.raises(EbbmapError, match="p_high must be above p_low"):
        teaching_grid(p_high=10.0, p_low=12.0)


def test_the_page_holds_its_data_and_the_caution(small):
    from ebbmap.caution import CAUTION

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pages, "page_data", lambda grid: {"text": "</script> é", "grid": True})
        text = pages.build_page(small)
    assert '{"text":"<\\/script> é","grid":true}' in text
    # the caution is read, the data are not
    reader = Parts()
    reader.feed(text)
    assert reader.parts["footer", None] == CAUTION
    assert json.loads(reader.parts["script", "data"]) == {"text": "</script> é", "grid": True}
    assert "__PAGE_DATA__" not in text and "__CAUTION__" not in text
