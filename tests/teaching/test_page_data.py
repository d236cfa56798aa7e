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
    "paco2",
    "time_constant_exp",
    "release_in_time_constants",
)
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
        "paco2": "reciprocal",
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
                whole = {
                    "logarithm": np.log,
                    "reciprocal": lambda v: 0.0 if np.isnan(v) else 1 / v,
                    "itself": float,
                }[form](value)
                # single precision
                assert told[i, j, k] == pytest.approx(whole, rel=1e-6, abs=1e-6)


_CASES = {}


def solved(r, c, t):
    if (r, c, t) not in _CASES:
        _CASES[r, c, t] = simulate(
            p_high=26.0,
            p_low=2.0,
            t_high=4.0,
            t_low=t,
            compliance=c,
            resistance_exp=r,
            resistance_insp=r,
        )
    return _CASES[r, c, t]


def test_margins_are_those_of_the_limits_that_are_named(data):
    told = decoded(data, "margin")
    sets = [limit_set(name) for name in ("pressure", "volume", "auto_peep", *RULES)]
    bounds = [b for limits in sets for b in limits.hard]
    assert data["bounds"] == [
        {"rule": b.outcome if b.outcome in RULES else "both", "text": b.sentence} for b in bounds
    ]
    assert told.shape[-1] == len(bounds)
    for i, r in enumerate(data["axes"]["resistance_exp"]):
        for k, t in enumerate(data["axes"]["t_low"]):
            case = solved(r, data["axes"]["compliance"][2], t)
            for number, bound in enumerate(bounds):
                margin = margin_by_hand(bound, float(case[bound.outcome]))
                assert told[i, 2, k, number] == pytest.approx(margin, rel=1e-5, abs=1e-6)


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
    assert data["set"] == {"t_high": 4.0, "p_high": 26.0, "p_low": 2.0}
    for text in ("P high 26 cmH₂O", "P low 2 cmH₂O", "T high 4 s"):
        assert text in data["fixed"]
    assert data["lung"] == "linear"
    assert data["source"] == small.attrs["source"]


def test_middle_lungs_are_those_of_the_populations_without_a_tube(data):
    assert set(data["lungs"]) == {n for n in POPULATIONS if not n.endswith("_with_tube")}
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
    with pytest.raises(EbbmapError, match="one compartment"):
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
