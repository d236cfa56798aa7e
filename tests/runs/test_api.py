"""Studies and checks from Python: whatever names a study, the same results, opened lazily."""

import datetime
import gc

import pytest
import xarray as xr

import kept_runs
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.protocol import parse_protocol
from ebbmap.files.study import parse_study
from ebbmap.runs import api
from ebbmap.runs.api import EXAMPLE, check, run
from ebbmap.runs.results import open_results


@pytest.fixture
def study_file(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(EXAMPLE, encoding="utf-8")
    return path


def test_a_path_a_text_a_name_and_a_study_are_the_same_study(study_file, tmp_path, monkeypatch):
    monkeypatch.setattr(api, "bundled_studies", lambda: tmp_path)
    asked = [study_file, str(study_file), "mine", EXAMPLE, parse_study(EXAMPLE)]
    first, *others = (run(one, out=tmp_path / str(n)) for n, one in enumerate(asked))
    assert first["profile"]["auto_peep"].shape == (1, 2)
    for other in others:
        xr.testing.assert_identical(
            other["profile"].drop_attrs(), first["profile"].drop_attrs()
        )  # the time of day is among the attributes
        assert other.study == EXAMPLE


@pytest.mark.parametrize(
    ("asked", "error", "sentence"),
    [
        (12, TypeError, r"must be a path, the name of a bundled file, .* or a Study; got 12\."),
        ("side_by", EbbmapError, "did you mean 'side_by_side'"),
        ('title = "t"\nlung = "linear"\n[analyses.profil]', StudyError, "did you mean 'profile'"),
    ],
)
def test_what_is_no_study_is_refused(asked, error, sentence, tmp_path):
    with pytest.raises(error, match=sentence):
        run(asked, out=tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_results_without_a_folder_live_as_long_as_they_are_held():
    results = run(EXAMPLE)
    folder = results.folder
    assert results["profile"]["auto_peep"].notnull().all()
    results.close()
    assert results["profile"].sizes["t_low"] == 2  # opened again
    results.close()
    del results
    gc.collect()
    assert not folder.exists()


def test_nothing_is_left_behind_by_a_study_that_fails(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with pytest.raises(StudyError):
        run('title = "t"\nlung = "linear"\n[analyses.profil]')
    assert list(tmp_path.iterdir()) == []


def test_a_store_and_its_sums_are_opened_beside_each_other(tmp_path):
    told = []
    made = run(
        kept_runs.STORE, out=tmp_path, progress=lambda name, cases: told.append((name, cases))
    )
    assert {name for name, _ in told} == {"cases"}
    assert sum(cases for _, cases in told) == 2 * 2 * 3 * 500
    opened = open_results(str(tmp_path))
    assert opened.names == list(opened) == ["cases", "cases_summary"]
    assert len(opened) == 2
    assert "cases" in opened and "profile" not in opened
    values = opened["cases"]["auto_peep"]
    assert not values.variable._in_memory
    low = opened["cases_summary"]["auto_peep_extremes"].sel(extreme="least")
    xr.testing.assert_equal(values.min(("p_high", "t_low", "sample")), low.drop_vars("extreme"))
    assert [(part.name, part.done) for part in made.status.parts] == [("cases", 4)]
    assert "2 in" in repr(opened) and "4 of 4 pieces finished" in repr(opened)
    assert "cases: auto_peep, status (" in repr(opened)


def test_a_name_that_is_not_there_and_a_folder_without_results_are_told(tmp_path):
    results = run(EXAMPLE, out=tmp_path / "out")
    with pytest.raises(KeyError, match="unknown result 'profil'; did you mean 'profile'"):
        results["profil"]
    assert results.status is None
    for folder in (tmp_path, tmp_path / "nowhere"):
        with pytest.raises(EbbmapError, match=r"must be a folder with results .* it holds none"):
            open_results(folder)


def test_a_damaged_plan_does_not_hide_the_results(tmp_path):
    run(kept_runs.SOBOL, out=tmp_path)
    (tmp_path / "pieces" / "plan.json").write_text("{}")
    assert "plan.json missing or damaged" in repr(open_results(tmp_path))


def test_a_check_keeps_its_results_where_it_is_told_to(tmp_path, monkeypatch):
    """Parts are stood in for: what a check finds has tests of its own."""
    protocol = parse_protocol(kept_runs.CHECK)
    asked = []

    def quick(given, folder, *, date, progress, **how):
        asked.append((given, folder, date, how))
        progress("verdict")(5)
        counted = {"verdict": xr.Dataset({"grade": ("group", ["safe"])}, {"group": ["all"]})}
        return api.Check(given, counted)

    monkeypatch.setattr(api, "run_check", quick)
    told = []
    done = check(
        kept_runs.CHECK,
        out=tmp_path,
        date=datetime.date(2026, 1, 2),
        progress=lambda part, cases: told.append((part, cases)),
    )
    assert done.holds
    ((given, folder, date, how),) = asked
    assert (given.text, folder, date) == (protocol.text, tmp_path, "2026-01-02")
    assert how == {"workers": 1, "cluster": None, "fresh": False, "engine": None}
    assert told == [("verdict", 5)]
    assert open_results(tmp_path).names == ["verdict"]
    assert open_results(tmp_path).study == kept_runs.CHECK
    assert check(protocol).results["verdict"]["grade"].item() == "safe"
    assert not asked[-1][1].exists()  # nothing is kept


@pytest.mark.slow
def test_a_whole_check_gives_what_the_committee_gives(tmp_path, smaller_searches):
    done = check(kept_runs.CHECK, out=tmp_path, date="2026-01-01")
    opened = open_results(tmp_path)
    assert set(opened) == set(done.results)
    for name, result in done.results.items():
        xr.testing.assert_equal(opened[name].load(), result)
    assert done.protocol.title == "check"
