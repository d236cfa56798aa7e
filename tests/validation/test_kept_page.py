"""The kept page of validation, and what the README and the guide say of it."""

import csv
import io
import re
from pathlib import Path

import pytest

from ebbmap.report.validation import write_validation
from ebbmap.validation import FINDINGS
from ebbmap.validation.validate import find_validation
from ebbmap.validation.words import counts, counts_text

#: The populations as they may be are measured again and again.
pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def result():
    return find_validation()


def test_the_kept_page_is_that_of_today(result, tmp_path):
    write_validation(result, tmp_path)
    kept, made = ROOT / "figures", tmp_path
    assert (kept / "validation.png").is_file()
    words = [(place / "validation.txt").read_text(encoding="utf-8") for place in (kept, made)]
    assert words[0] == words[1], "ebbmap validate --out figures"
    tables = [(place / "validation.csv").read_text(encoding="utf-8") for place in (kept, made)]
    for old, new in zip(*(csv.reader(io.StringIO(text)) for text in tables), strict=True):
        for before, now in zip(old, new, strict=True):
            # other machines round the last digits elsewhere
            assert before == now or float(now) == pytest.approx(float(before), rel=1e-6)


def test_the_guide_counts_as_the_page_does(result):
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = re.search(
        r"holds (\d+) published findings.* (\d+) agree, (\d+) of them .*; (\d+) disagree; (\d+) ",
        guide,
    )
    every, agree, *others = map(int, told.groups())
    of = counts(result)
    assert every == len(FINDINGS)
    assert agree == of["agrees"] + of["set_by_it"]
    assert others == [of["set_by_it"], of["disagrees"], of["not_comparable"]]


def test_the_readme_counts_as_the_page_does(result):
    assert counts_text(result) in README


#: Numbers of the README, the findings that they are, and the factor of their unit.
TOLD = {
    r"COPD 1.07 s \| ([\d.]+),": ("restrictive: expiratory time constant", 1),
    r"COPD 1.07 s \| [\d.]+, ([\d.]+),": ("normal: expiratory time constant", 1),
    r"COPD 1.07 s \| [\d.]+, [\d.]+, ([\d.]+) s": ("obstructive: expiratory time constant", 1),
    r"they empty with ([\d.]+),": ("normal: expiratory time constant", 1),
    r"they empty with [\d.]+, ([\d.]+) and": ("restrictive: expiratory time constant", 1),
    r"they empty with [\d.]+, [\d.]+ and ([\d.]+) s": ("obstructive: expiratory time constant", 1),
    r"\(13 to 38\) \| \+(\d+) \|": ("restrictive: P/F for 3.1 cmH2O more mean pressure", 1),
    r"\| (\d+) % of what can close": ("share of the collapse within 0.5 s", 100),
}


@pytest.mark.parametrize("pattern", TOLD)
def test_the_readme_tells_the_numbers_of_the_page(result, pattern):
    (told,) = re.findall(pattern, README)
    name, factor = TOLD[pattern]
    value = factor * float(result["value"].sel(finding=name))
    decimals = len(told.partition(".")[2])
    assert told == f"{value:.{decimals}f}"
