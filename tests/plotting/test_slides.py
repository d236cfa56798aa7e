"""Slides: 16:9, text of 24 points, the finding above, the limits and the caution below."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from matplotlib.figure import Figure
from matplotlib.text import Text

from ebbmap.analyses.map import Map, find_map
from ebbmap.analyses.profile import Profile, find_profile
from ebbmap.analyses.registry import ANALYSES
from ebbmap.analyses.window import find_window
from ebbmap.cases.question import Question
from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError
from ebbmap.plotting import headlines
from ebbmap.plotting.languages import _FOLDER, catalogue, languages, numbers_in
from ebbmap.plotting.pages import save_page
from ebbmap.plotting.sentences import translated
from ebbmap.plotting.slides import FOOT, HEAD, SIZE, TEXT, slides_of
from ebbmap.plotting.speaking import speak, speaking
from ebbmap.registries.limits import limit_set
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.report.figures import Drawing, draw_result
from plotting.drawn import layout_problems

FIXED = {"plateau_peep": 10.0, "fio2": 0.6, "spontaneous_alveolar_ventilation": 2.0}
GROUPS = tuple(POPULATIONS[name] for name in ("normal", "obstructive"))
QUESTION = Question("linear", FIXED, {}, GROUPS, {"harm": limit_set("harm")}, lungs=12)


@pytest.fixture(scope="module")
def windows():
    return find_window(QUESTION)


@pytest.fixture(scope="module")
def slides(windows):
    axes = {"t_low": np.linspace(0.2, 1.2, 6), "compliance": np.linspace(20.0, 80.0, 5)}
    drawn = find_map(QUESTION, Map(x="t_low", y="compliance"), axes=axes)
    return [*slides_of("window", windows), *slides_of("map", drawn)]


def test_a_slide_is_wide_and_large(slides):
    assert len(slides) == 3
    for name, figure, _ in slides:
        width, height = figure.get_size_inches()
        assert (width, height) == SIZE and width / height == pytest.approx(16 / 9, rel=1e-4)
        sizes = {
            text.get_fontsize()
            for text in figure.findobj(Text)
            if text.get_text() and text.get_visible()
        }
        assert sizes == {TEXT, HEAD, FOOT}, name
        assert TEXT >= 24.0


def test_the_finding_stands_above_and_limits_and_caution_below(slides, windows):
    for name, figure, text in slides:
        head, foot = (" ".join(t.get_text().split()) for t in figure.texts)
        assert text.startswith(f"{head}.")
        assert CAUTION in foot and CAUTION in text
        assert "release volume per kg predicted body weight at most 8 mL/kg" in foot
        # what only asks for a second look stands beside the slide
        assert "(caution)" not in foot and "(caution)" in text, name
    served = windows["served_share"].sel(rule="harm", population="obstructive")
    said = f"{100 * float(served.max()):.0f} %"
    assert said in slides[0][2].split(".")[0]


def test_nothing_on_a_slide_lies_over_something_else(slides):
    for name, figure, _ in slides:
        assert layout_problems(figure) == [], name


@pytest.mark.parametrize("code", [code for code in languages() if code != "en"])
def test_a_catalogue_names_every_parameter_and_outcome(code):
    words = catalogue(code)
    entries = (*PARAMETERS.values(), *OUTCOMES.values())
    assert {entry.long_name for entry in entries} - set(words) == set()
    assert {words_of(name) for name in POPULATIONS} - set(words) == set()
    # a slide whose analysis has no finding to tell is headed by the name of the analysis
    assert {entry.long_name for entry in ANALYSES.values()} - set(words) == set()
    assert CAUTION in words
    for template in headlines.TEMPLATES:
        # the same places to fill, in any order
        assert template in words
        names = [part.partition("}")[0] for part in template.split("{")[1:]]
        assert sorted(names) == sorted(p.partition("}")[0] for p in words[template].split("{")[1:])


@pytest.mark.parametrize("code", [code for code in languages() if code != "en"])
def test_a_catalogue_says_everything_once(code):
    lines = (_FOLDER / f"{code}.po").read_text(encoding="utf-8").splitlines()
    said = [line for line in lines if line.startswith("msgid ")]
    assert len(said) == len(set(said)) > 100


def words_of(name):
    return name.replace("_", " ")


def test_every_headline_is_a_template_for_translators(windows):
    template, _ = headlines._HEADLINES["window"](windows.sel(rule="harm"))
    assert template in headlines.TEMPLATES
    assert set(headlines._HEADLINES) <= set(ANALYSES)


def test_german_has_its_words_and_its_comma():
    assert translated("auto-PEEP [cmH₂O]", "de") == "Auto-PEEP [cmH₂O]"
    assert translated("T low 0.35 s", "de") == "T low 0,35 s"
    assert translated("flow\nratio", "de") == "Flussverhältnis"
    assert translated("nobody knows this", "de") == "nobody knows this"
    assert numbers_in("0.5", "en") == "0.5"
    assert numbers_in("N = 12,000 at 0.125", "de") == "N = 12\u00a0000 at 0,125"
    said = headlines.TEMPLATES[2].format(share="53 %", lungs="obstructive", t_low="0.8 s")
    assert (
        translated(said, "de")
        == "kein einzelnes T low passt für mehr als 53 % der Lungen (obstruktiv; am besten 0,8 s)"
    )


def test_numbers_on_axes_are_written_as_the_language_does():
    figure = Figure()
    ax = figure.add_subplot()
    ax.plot([0.0, 1.0], [0.0, 0.5])
    ax.set_xlabel("T low [s]")
    ax.set_ylabel("closed share of the lung")
    with speaking("de"):
        speak(figure)
    figure.draw_without_rendering()
    ticks = [label.get_text() for label in ax.get_yticklabels()]
    assert "0,2" in ticks and not any("." in tick for tick in ticks)
    assert ax.get_ylabel() == "geschlossener Anteil der Lunge"


def test_files_hold_text_that_can_be_edited(tmp_path, windows):
    _, figure, _ = next(slides_of("window", windows, "de"))
    save_page(figure, tmp_path / "one.svg")
    assert "<text" in (tmp_path / "one.svg").read_text(encoding="utf-8")
    save_page(figure, tmp_path / "one.pdf")
    assert b"/CIDFontType2" in (tmp_path / "one.pdf").read_bytes()
    assert b"/Type3" not in (tmp_path / "one.pdf").read_bytes()


def test_a_drawing_writes_slides_and_the_long_text_beside_them(tmp_path):
    asked = Profile(along="t_low", outcomes=["auto_peep"])
    found = find_profile(replace(QUESTION, rules={}), asked, axes={"t_low": np.array([0.3, 0.6])})
    written = draw_result("profile", found, tmp_path, "x", ["svg"], Drawing("slides", "de"))
    assert [path.name for path in written] == ["x_slide_profile.svg", "x_slide_profile.txt"]
    assert "Was T low bewirkt" in written[0].read_text(encoding="utf-8")
    assert translated(CAUTION, "de") in written[1].read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("look", "language", "text"),
    [("slide", "en", "did you mean 'slides'"), ("paper", "fr", "unknown language 'fr'")],
)
def test_a_look_or_language_that_there_is_not_is_named(look, language, text):
    with pytest.raises(EbbmapError, match=text):
        Drawing(look, language)


def of_one(variables, **coords):
    return xr.Dataset(variables, coords={"population": "restrictive", "rule": "harm", **coords})


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ("T low +0.05 s", "Restrictive lung: of all single steps T low +0.05 s clears most CO₂"),
        ("none: pH", "Restrictive lung: no one step clears CO₂ and keeps the limits"),
    ],
)
def test_the_headline_of_steps_names_the_best_one(step, said):
    assert headlines.headline("adjust", of_one({"best_single": step})) == said


@pytest.mark.parametrize(
    ("gained", "said"),
    [
        ([0.1, 0.42], "SpO₂ alone keeps 42 % of restrictive lungs from being safe"),
        ([0.0, 0.0], "No limit alone keeps restrictive lungs from being safe"),
    ],
)
def test_the_headline_of_limits_names_the_one_that_decides(gained, said):
    limits = of_one({"gained_share": ("bound", gained)}, bound=["release volume", "SpO₂"])
    assert headlines.headline("limits", limits) == said


def test_the_headline_of_boxes_says_what_most_unsafe_lungs_have():
    sentences = ["compliance above 50 covers 80 % of the cases (unsafe) at density 0.9", ""]
    boxes = xr.Dataset(
        {
            "share": (("event", "population"), [[0.3, 0.1]]),
            "sentence": (("event", "population"), [sentences]),
        },
        coords={"event": ["unsafe"], "population": ["restrictive", "normal"]},
    )
    said = headlines.headline("boxes", boxes)
    assert said == "Of restrictive cases 30 % are unsafe: most have compliance above 50"
    boxes["sentence"][0, 0] = "fewer than 8 cases: unsafe"
    said = headlines.headline("boxes", boxes)
    assert said == "No box of properties holds the 30 % of restrictive cases that are unsafe"
