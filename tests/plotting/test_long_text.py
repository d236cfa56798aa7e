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
from ebbmap.plotting.languages import catalogue, languages, translated
from ebbmap.plotting.long_text import ITEMS, LEFT, RULE, SENTENCES, in_language, sentences_of
from ebbmap.plotting.pages.caption import conditions, limits_text, made_from
from ebbmap.plotting.slides import slides_of
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
            said = in_language(texts, "de")
            assert catalogue("de")[LEFT] not in said, said[said.index(catalogue("de")[LEFT]) :]
            assert len(said) == sum(len(sentences_of(text)) for text in texts)
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
    assert in_language([english], "de") == [german]


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
def test_a_catalogue_has_every_sentence_with_its_places(code):
    for form in (*SENTENCES, *ITEMS, RULE, LEFT):
        said = catalogue(code).get(form, "")
        assert sorted(re.findall(r"\{\w+\}", said)) == sorted(re.findall(r"\{\w+\}", form)), form
        assert said
