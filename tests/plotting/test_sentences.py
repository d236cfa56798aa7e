"""The long method text in other languages: whole sentences, nothing mixed without a word."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.common.knowledge import _ASKED, NOT_ASKED
from ebbmap.analyses.window import find_window
from ebbmap.cases.question import Question
from ebbmap.cases.uses import Use, left_text, use_words
from ebbmap.caution import CAUTION
from ebbmap.files.study import load_study
from ebbmap.plotting.languages import catalogue, languages
from ebbmap.plotting.pages.caption import conditions, limits_text, made_from
from ebbmap.plotting.sentences import BUNDLED, LEFT, in_language, own_names, translated
from ebbmap.plotting.slides import slides_of
from ebbmap.plotting.speaking import speaking, spoken
from ebbmap.registries.limits import limit_set
from ebbmap.registries.populations import POPULATIONS

STUDIES = sorted((Path(__file__).parents[2] / "studies").glob("*.toml"))

#: What is said of the same question by analyses that lay out, follow middle lungs or average.
USES = (
    Use(),
    Use(middle=True),
    Use(("t_low",)),
    Use(("t_low",), averaged={"t_low": np.linspace(0.2, 1.2, 5)}),
    Use(laid_out=("t_low", "resistance_exp", "compliance")),
)

#: What a study's author wrote, in his own language.
VERBATIM = "Lungen gezogen nach den Angaben der Studie"

#: English words that no German sentence holds.
ENGLISH = re.compile(r"\b(of|the|and|lungs|at most|at least|share|with|held|drawn|limits)\b")


def long_text(question, use):
    attrs = use_words(question, use) | {
        "left_bounds": left_text(replace(question, lungs=64), {}),
        "lung": question.lung,
        "knowledge": f"{_ASKED.format('95 %', 39)} {NOT_ASKED}",
    }
    said = xr.Dataset(attrs=attrs)
    return [*conditions(said), limits_text(said, "*"), *made_from(said)]


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: path.stem)
def test_every_sentence_of_a_bundled_study_is_said_in_german(path):
    study = load_study(path)
    assert STUDIES
    with study.catalogue.active():
        for use in USES:
            texts = [text for text in long_text(study.question, use) if text]
            named = (*study.question.rules, *(g.name for g in study.question.groups() if g))
            names = frozenset(name.replace("_", " ") for name in named)
            said = in_language(texts, "de", names)
            assert catalogue("de")[LEFT] not in said, said[said.index(catalogue("de")[LEFT]) :]
            assert len(said) >= len(texts)
            for sentence in said:
                if not sentence.startswith(VERBATIM):
                    assert not ENGLISH.search(sentence), sentence
                    assert not re.search(r"\d\.\d", sentence), sentence


def test_what_german_lacks_stands_last_behind_one_remark():
    texts = ["Held: a thing 3 s.", "One lung, as measured.", "Held: P low 0.5 cmH₂O, b 2."]
    assert in_language(texts, "de") == [
        "Eine Lunge, wie gemessen.",
        "Auf Englisch:",
        "Held: a thing 3 s.",
        "Held: P low 0.5 cmH₂O, b 2.",
    ]
    assert in_language(texts, "en") == texts


@pytest.mark.parametrize(
    ("english", "german"),
    [
        (
            "Held: P low 0.5 cmH₂O (default, normal).",
            "Festgehalten: P low 0,5 cmH₂O (Vorgabe, normal).",
        ),
        (
            "Limits: auto-PEEP at most 9.1 cmH₂O (caution), flow ratio 26 to 76 %.",
            "Grenzen: Auto-PEEP höchstens 9,1 cmH₂O (Vorsicht), Flussverhältnis 26 bis 76 %.",
        ),
        (
            "Averaged over P high evenly between 16 and 20.5 cmH₂O.",
            "Gemittelt über: P high gleichverteilt zwischen 16 und 20,5 cmH₂O.",
        ),
        (
            # what a user wrote, and names of a user's own lungs, stay as they were written
            "Lungs drawn from what the study states: my lungs: Smith et al. 2.5 of.",
            "Lungen gezogen nach den Angaben der Studie: my lungs: Smith et al. 2.5 of.",
        ),
        (
            "Out of the registry's bounds, marked: compliance in 1,024 of 12,000 (stiff).",
            "Außerhalb der zulässigen Wertebereiche, gekennzeichnet: "
            "Compliance in 1\u00a0024 von 12\u00a0000 (stiff).",
        ),
    ],
)
def test_sentences_are_said_whole(english, german):
    assert in_language([english], "de", BUNDLED | {"stiff"}) == [german]


def test_a_slide_has_its_long_text_in_german_from_end_to_end():
    groups = (POPULATIONS["normal"], POPULATIONS["obstructive"])
    fixed = {"plateau_peep": 10.5, "fio2": 0.6, "spontaneous_alveolar_ventilation": 2.0}
    question = Question("linear", fixed, {}, groups, {"harm": limit_set("harm")}, lungs=12)
    for _, _, text in slides_of("window", find_window(question), "de"):
        assert catalogue("de")[LEFT] not in text
        assert "10,5 cmH₂O" in text and "Grenzen:" in text and "Lungenmodell: linear." in text
        assert not ENGLISH.search(text), text
        assert text.endswith(translated(CAUTION, "de"))


@pytest.mark.parametrize("code", [code for code in languages() if code != "en"])
def test_a_sentence_has_the_same_places_in_every_language(code):
    entries = catalogue(code)
    assert LEFT in entries
    assert sum("{" in text for text in entries) > 100
    for text, said in entries.items():
        assert set(re.findall(r"\{\w+\}", said)) == set(re.findall(r"\{\w+\}", text)), text


@pytest.mark.parametrize(
    ("english", "german"),
    [
        # a list may stand in a sentence, and a sentence in a list
        (
            "never: auto-PEEP at most 15 cmH₂O and flow ratio at least 50 %",
            "nie: Auto-PEEP höchstens 15 cmH₂O und Flussverhältnis mindestens 50 %",
        ),
        ("all limits hold together", "alle Grenzen zusammen einhaltbar"),
        # a name may hold what else divides a list or states a bound
        (
            "P high from the plateau, at most 30 cmH₂O (default), T low 0.5 s",
            "P high aus dem Plateau, höchstens 30 cmH₂O (Vorgabe), T low 0,5 s",
        ),
        ("Normal lung: release windows", "Normale Lunge: Release-Fenster"),
        # half a sentence is no language
        ("never: auto-PEEP at most 15 cmH₂O and nobody knows this", ""),
    ],
)
def test_a_text_is_translated_as_a_whole_or_not_at_all(english, german):
    assert translated(english, "de") == (german or english)


def test_a_users_name_stays_and_is_no_sentence():
    result = xr.Dataset(coords={"population": ["stiff_lungs"]}, attrs={"lung": "mine"})
    names = own_names(result)
    assert {"stiff lungs", "mine", "linear"} <= names
    assert translated("stiff lungs: 0.5 s", "de", names) == "stiff lungs: 0,5 s"
    assert translated("no names: T low 0.5 s", "de", names) == "no names: T low 0,5 s"


def test_lines_stay_where_each_is_known_and_are_broken_anew_elsewhere():
    assert translated("safety margin\n(flow ratio rule)", "de").split("\n") == [
        "Sicherheitsabstand",
        "(Regel nach dem Flussverhältnis)",
    ]
    # no word is broken
    assert translated("common\nstart:\n0.5 to\n1 s", "de") == "üblicher\nBeginn:\n0,5 bis\n1 s"


def test_a_pages_language_ends_with_it():
    with speaking("de"):
        assert spoken("T low 0.125 s") == "T low 0,125 s"
        # what has been said is not taken for English: 0,125 would be a large number
        assert spoken("T low 0,125 s") == "T low 0,125 s"
    assert spoken("T low 0.125 s") == "T low 0.125 s"
