"""What a result rests on is what the registries say, no more and no less."""

import re

import pytest
from typer.testing import CliRunner

from ebbmap.analyses.profile import Profile, find_profile
from ebbmap.analyses.window import find_window
from ebbmap.cases.question import Question
from ebbmap.cli import app
from ebbmap.errors import EbbmapError
from ebbmap.files.writing import save_dataset
from ebbmap.registries.citations import citations
from ebbmap.registries.limits import LIMIT_SETS, limit_set
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.cite import bibtex, cite_lines, rests_of

FIXED = {"p_high": 22.0, "fio2": 0.6, "spontaneous_alveolar_ventilation": 2.0}


@pytest.fixture(scope="module")
def rests():
    group = (POPULATIONS["restrictive"],)
    question = Question("whole", FIXED, {}, group, {"harm": limit_set("harm")}, lungs=2)
    return rests_of([find_window(question)])


def test_limits_populations_and_parameters_bring_their_sources(rests):
    limits = {limit.why for limit in LIMIT_SETS["harm"].limits}
    group = POPULATIONS["restrictive"]
    behind = {number.source for number in group.known.numbers}
    own = {marginal.source for marginal in group.marginals.values()}
    held = {PARAMETERS[name].source for name in FIXED}
    assert {" ".join(text.split()) for text in limits | behind | own | held} <= set(rests.uses)
    # and of an outcome that no limit asks for, nothing
    assert OUTCOMES["intracranial_pressure_change"].source not in rests.uses


def test_every_field_of_an_entry_stands_in_a_registry(rests):
    texts = " ".join(rests.uses)
    entries = bibtex(rests, "0").split("\n\n")[1:]
    assert len(entries) == len(rests.papers) > 5
    for entry in entries:
        fields = dict(re.findall(r"^  (\w+) = \{(.*)\},$", entry, re.M))
        assert {"year", "note"} <= set(fields)
        for name in ("journal", "year", "volume", "pages", "doi"):
            assert fields.get(name, "") in texts
        assert fields.get("author", "").removesuffix(" and others") in texts


def test_papers_are_told_from_what_names_none():
    found = [
        one.text
        for entry in (*PARAMETERS.values(), *OUTCOMES.values())
        for one in citations(entry.source)
    ]
    assert "Chelucci et al., Eur Respir J 1993;6:785" in found
    assert not any(text.startswith(("assumption", "common")) for text in found)
    assert list(citations("Henderson-Hasselbalch; textbook")) == []
    (one,) = citations("Vandenbunder et al., Crit Care 2021, doi 10.1186/s13054-020-03433-0")
    assert (one.year, one.volume, one.doi) == ("2021", "", "10.1186/s13054-020-03433-0")


def test_lines_keep_their_width_and_end_with_a_warning(rests):
    told = list(cite_lines(rests, 80))
    assert max(map(len, told)) <= 80
    assert told[0].startswith(f"This result rests on {len(rests.papers)} papers")
    assert told[-1].endswith("Read a source before you cite it.")


def test_a_file_is_cited_and_another_file_is_refused(tmp_path):
    asked = Profile(along="t_low", outcomes=["auto_peep"])
    found = find_profile(Question("linear"), asked, axes={"t_low": [0.3, 0.6]})
    save_dataset(found, tmp_path / "profile.nc")
    done = CliRunner().invoke(app, ["cite", str(tmp_path / "profile.nc"), "--bibtex"])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("@software{ebbmap,")
    (tmp_path / "other.nc").write_text("no result")
    done = CliRunner().invoke(app, ["cite", str(tmp_path / "other.nc")])
    assert done.exit_code == 2
    assert "must be a result (NetCDF) or the folder of a run" in done.stderr


def test_a_result_without_anything_known_is_refused():
    with pytest.raises(EbbmapError, match="must hold parameters or outcomes"):
        rests_of([])
