"""The report: complete, escaped, accessible, the same bytes every time."""

import csv
import dataclasses
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

from ebbmap.caution import CAUTION
from ebbmap.cli import app
from ebbmap.committee.check import check_protocol
from ebbmap.files.protocol import load_protocol
from ebbmap.files.protocol.load import parse_protocol
from ebbmap.registries.glossary import GLOSSARY
from ebbmap.report import build, pictures
from ebbmap.report.answer import answer_document
from ebbmap.report.build import write_report
from ebbmap.report.unanswered import unanswered
from ebbmap.tables.committee.check import check_tables
from ebbmap.tables.csv import to_csv
from ebbmap.tables.model import NUMBER, SHARE, Column, table

FILES = Path(__file__).parents[1] / "files" / "protocol"


class Reader(HTMLParser):
    """Tags with their attributes, text by tag, and whether every tag is closed."""

    VOID = frozenset({"meta", "link", "img", "br", "hr"})

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.text = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)

    def of(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.fixture(scope="module")
def check(small_check):
    return small_check


@pytest.fixture(scope="module")
def folder(check, tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    write_report(check, folder, "2026-01-01")
    return folder


@pytest.fixture(scope="module")
def page(folder):
    return Reader((folder / "report.html").read_text(encoding="utf-8"))


def test_page_is_whole_and_every_tag_is_closed(page):
    assert page.open == []
    assert page.of("html")[0]["lang"] == "en"
    headings = [tag for tag, _ in page.tags if tag in ("h1", "h2", "h3")]
    assert headings[0] == "h1"
    assert headings.count("h1") == 1


def test_texts_of_the_file_are_escaped(page):
    assert not page.of("b")
    assert "A <b>small</b> draft" in page.text


def test_nothing_is_loaded_from_elsewhere(page):
    for _, attrs in page.tags:
        for name in ("src", "href", "action", "data"):
            assert attrs.get(name, "#").startswith(("#", "data:")), attrs
    assert not page.of("script")
    assert "default-src 'none'" in page.of("meta")[2]["content"]


def test_pictures_have_alternative_text_and_tables_have_heads(page):
    assert len(page.of("img")) >= 5
    assert all(len(attrs["alt"]) > 20 for attrs in page.of("img"))
    assert len(page.of("table")) == len(page.of("caption"))
    assert all(attrs.get("scope") in ("col", "row") for attrs in page.of("th"))
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for attrs in page.of("a"):
        assert attrs["href"].lstrip("#") in ids
    scrolled = [attrs for attrs in page.of("div") if attrs.get("class") == "scroll"]
    assert all(a["tabindex"] == "0" and a["aria-label"] for a in scrolled)


def test_caution_stands_on_every_printed_page(folder, page):
    text = (folder / "report.html").read_text(encoding="utf-8")
    assert f'<div class="running" aria-hidden="true">{CAUTION}</div>' in text
    assert ".running { display: block; position: fixed;" in text
    # the running line, one below the title, one at the end
    assert sum(CAUTION in part for part in page.text) == 3


def test_page_answers_every_question(page):
    text = " ".join(page.text)
    for part in (
        "The draft does not hold.",
        "What would hold",
        "Fixed range or rule?",
        "Release windows",
        "What drives it",
        "invented",
        "seed",
        "not for setting",
        'Is it "safe" & sound?',
        "Nowhere Hospital",
    ):
        assert part in text


def test_csv_holds_the_numbers_of_the_datasets(check, folder):
    rows = list(csv.DictReader(io.StringIO((folder / "verdict.csv").read_text())))
    saved = xr.load_dataset(folder / "verdict.nc", engine="h5netcdf")
    assert [row["group"] for row in rows] == list(saved["group"].values)
    for row in rows:
        one = saved.sel(group=row["group"])
        assert float(row["safe, caution included"]) == float(one["safe_share"])
        low, high = one["safe_share_interval"].values
        assert float(row["safe, caution included, lower"]) == low
        assert float(row["safe, caution included, upper"]) == high
        assert row["grade"] == str(one["grade"].values)
    for name, made in check_tables(check).items():
        lines = list(csv.reader(io.StringIO((folder / f"{name}.csv").read_text())))
        assert len(lines) == len(made.rows) + 1


FORMULAS = [
    "=1+1",
    '=HYPERLINK("x")',
    "+1 @SUM(1)",
    "-2+3",
    "@SUM(1)",
    "\t=1",
    "\r=1",
    " =1",
    "＝1",
]


@pytest.mark.parametrize("text", FORMULAS, ids=repr)
def test_no_text_of_a_file_is_computed_by_a_spreadsheet(text):
    columns = ("head", Column("number", NUMBER), Column("share", SHARE, interval=True))
    made = table("caption", columns, ((text, -1.5, (-0.5, -1.0, 0.5)), ("-", 3, (0, 0, 1))))
    _, row, last = csv.reader(io.StringIO(to_csv(made), newline=""))
    assert row == ["'" + text.replace("\r", " "), "-1.5", "-0.5", "-1.0", "0.5"]
    assert last == ["'-", "3", "0", "0", "1"]


def test_a_formula_in_a_draft_is_text_in_every_csv_file(check):
    formula = '=HYPERLINK("http://example.invalid")'
    text = check.protocol.text.replace('why = "invented"', f"why = '{formula}'")
    protocol = parse_protocol(text.replace('title = "A', 'title = "=A'))
    seen = set()
    for made in check_tables(dataclasses.replace(check, protocol=protocol)).values():
        for row in csv.reader(io.StringIO(to_csv(made), newline="")):
            seen.update(row)
            for cell in row:
                assert not cell.startswith(("=", "+", "@", "\t", "\r")), (made.name, cell)
                assert not cell.startswith("-") or float(cell) < 0
    assert f"'{formula}" in seen


def test_datasets_carry_units_and_provenance(folder):
    saved = xr.load_dataset(folder / "windows.nc", engine="h5netcdf")
    assert saved["best_t_low"].attrs["units"] == "s"
    assert saved.attrs["seed"] == 3
    assert "[settings]" in saved.attrs["protocol"]


@pytest.mark.slow
def test_same_inputs_give_the_same_bytes_but_for_the_date(folder, tmp_path):
    again = check_protocol(load_protocol(FILES / "small_draft.toml"), date="2026-01-02")
    write_report(again, tmp_path, "2026-01-02")
    for path in sorted(folder.iterdir()):
        one, other = path.read_bytes(), (tmp_path / path.name).read_bytes()
        if path.suffix == ".nc":
            a, b = (xr.load_dataset(f, engine="h5netcdf") for f in (path, tmp_path / path.name))
            assert a.drop_attrs().identical(b.drop_attrs())
        else:
            assert one == other.replace(b"2026-01-02", b"2026-01-01"), path.name
    write_report(again, tmp_path / "twice", "2026-01-02")
    for path in sorted((tmp_path / "twice").iterdir()):
        assert path.read_bytes() == (tmp_path / path.name).read_bytes(), path.name


def invoke(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.slow
def test_exit_status_tells_the_verdict(tmp_path, smaller_searches):
    # one worker: another process would search as always
    alone = ("--workers", "1", "--out")
    fails = invoke("check", FILES / "small_draft.toml", *alone, tmp_path / "a")
    assert fails.exit_code == 1
    assert "The draft does not hold." in fails.stdout
    holds = invoke("check", FILES / "small_revision.toml", *alone, tmp_path / "b")
    assert holds.exit_code == 0
    assert (tmp_path / "b" / "report.html").exists()


def test_a_wrong_file_is_status_2_and_writes_nothing(tmp_path):
    wrong = tmp_path / "wrong.toml"
    text = (FILES / "small_draft.toml").read_text(encoding="utf-8")
    wrong.write_text(text.replace("p_low", "p_lo"), encoding="utf-8")
    told = invoke("check", wrong, "--out", tmp_path / "out")
    assert told.exit_code == 2
    assert "did you mean 'p_low'" in told.stderr
    assert not (tmp_path / "out").exists()
    assert invoke("check", FILES / "small_draft.toml", "--date", "1.2.2026").exit_code == 2
    assert invoke("diff", wrong, wrong).exit_code == 2


def test_diff_prints_changes_and_gains():
    told = invoke("diff", FILES / "small_draft.toml", FILES / "small_revision.toml")
    assert told.exit_code == 0
    assert "who gets the mode: everybody -> expiratory time constant at most 3 s" in told.stdout
    assert "obstructive" in told.stdout


def test_schema_of_protocol_files_is_printed():
    told = invoke("schema", "--protocol")
    assert told.exit_code == 0
    assert '"settings_drawn"' in told.stdout


def test_a_share_of_nothing_is_a_dash():
    assert SHARE.write((np.nan, np.nan, np.nan)) == "–"


def test_a_picture_that_fails_costs_the_picture_and_is_said(check, tmp_path, monkeypatch):
    def fail(*_):
        raise ValueError("'yerr' must not contain negative values")

    monkeypatch.setattr(pictures, "ways_figure", fail)
    page, *_ = write_report(check, tmp_path, "2026-01-01")
    text = page.read_text(encoding="utf-8")
    assert "could not be drawn (ValueError: &#39;yerr&#39; must not contain" in text
    assert len(Reader(text).of("img")) >= 4


def test_numbers_are_written_before_the_page(check, tmp_path, monkeypatch):
    def fail(*_):
        raise RuntimeError("no page")

    monkeypatch.setattr(build, "page", fail)
    with pytest.raises(RuntimeError, match="no page"):
        write_report(check, tmp_path, "2026-01-01")
    assert not (tmp_path / "report.html").exists()
    told = json.loads((tmp_path / "answer.json").read_text(encoding="utf-8"))
    assert told["holds"] == check.holds
    assert (tmp_path / "verdict.csv").exists()
    assert (tmp_path / "verdict.nc").exists()


def test_the_first_page_names_owner_version_and_expiry(check):
    def facts(**stated):
        protocol = dataclasses.replace(check.protocol, **stated)
        return dict(build.facts(protocol, "2026-11-27"))

    bare = facts()
    assert bare["Owner"] == bare["Version"] == bare["Valid until"] == "not stated"
    told = facts(owner="committee", version="0.3", valid_until="2027-01-31")
    assert (told["Owner"], told["Version"], told["Valid until"]) == (
        "committee",
        "0.3",
        "2027-01-31",
    )
    assert told["Checked on"] == "2026-11-27"
    assert told["File"] == check.protocol.digest
    assert facts(valid_until="2026-11-26")["Valid until"] == "2026-11-26, expired"
    assert facts(valid_until="2026-11-27")["Valid until"] == "2026-11-27"


def test_the_page_never_recommends_and_has_no_endless_number(folder):
    text = (folder / "report.html").read_text(encoding="utf-8")
    bare = re.sub(r"<pre>.*?</pre>|data:image[^\"]*", "", text, flags=re.DOTALL)
    assert "recommend" not in bare.lower()
    assert not re.findall(r"\d\.\d{8,}", bare)


def test_terms_are_explained_where_they_are_met(page):
    for name in ("always", "never", "broken", "certificate", "box", "combination", "margin"):
        assert GLOSSARY[name].text in page.text


def test_sentences_of_the_glossary_are_short():
    """At most 30 words each, 16 on average: the reading level that is stated in DEVELOPERS.md."""
    sentences = [
        part.split() for term in GLOSSARY.values() for part in re.split(r"(?<=[.:;]) ", term.text)
    ]
    lengths = [len(one) for one in sentences]
    assert max(lengths) <= 30
    assert sum(lengths) / len(lengths) <= 16.0


def test_the_answer_has_the_same_keys_before_and_after(check):
    assert unanswered().keys() == answer_document(check, Path("report.html")).keys()
