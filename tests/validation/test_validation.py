"""The model beside published findings: as a result, as words, as tables, as a picture."""

from functools import partial

import numpy as np
import pytest
from matplotlib.figure import Figure

from ebbmap.cases.uncertain import outer_scores
from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError
from ebbmap.plotting.validation import MARKS, legend_of_verdicts, plot_validation, reach
from ebbmap.registries.fitted import fitted
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.csv import to_csv
from ebbmap.tables.validation import full_table, tables, validation_data
from ebbmap.validation import FINDINGS, SUBJECTS, measured, validate
from ebbmap.validation.finding import VERDICTS, Finding, of_mean, of_median, of_share
from ebbmap.validation.measured import Draw, read_as
from ebbmap.validation.reading import Reading, exact, mean_of, median_of
from ebbmap.validation.validate import VARIABLES, find_validation, steps
from ebbmap.validation.words import counts, counts_text, digits, page_text, verdict_text
from external.record import RECORD

#: Findings that were told as done while the result was made.
DONE: list[int] = []


@pytest.fixture(scope="module")
def result():
    # knowledge takes minutes: tests of its own
    found = find_validation(draws=0, progress=DONE.append)
    known = found.copy(deep=True)
    drawn = known["lungs_drawn"].notnull().all("ci_bound")
    # intervals to be drawn and written: invented, twice as wide as those of the lungs
    wide = known["value"] + 2.0 * (known["lungs_drawn"] - known["value"])
    known["knowledge"].values[:] = wide.where(drawn).transpose(*known["knowledge"].dims).values
    return known


def test_an_interval_of_the_lungs_drawn_is_that_of_theory():
    column = np.random.default_rng(1).normal(3.0, 2.0, 4000)
    low, high = mean_of(column).lungs_drawn()
    error = column.std() / np.sqrt(column.size)
    # 500 resamples know the ends of an interval to a tenth of its half width
    assert low == pytest.approx(column.mean() - 1.96 * error, abs=0.2 * error)
    assert high == pytest.approx(column.mean() + 1.96 * error, abs=0.2 * error)
    low, high = median_of(column).lungs_drawn()
    # of a normal sample's median: the standard error is sqrt(pi / 2) times that of the mean, and
    # the density at the median is itself an estimate
    assert high - low == pytest.approx(3.92 * error * np.sqrt(np.pi / 2.0), rel=0.2)


def test_readings():
    column = np.array([1.0, 2.0, 6.0, np.nan])
    assert median_of(column).value == 2.0
    assert (mean_of(column[:3]).value, mean_of(column[:3]).lungs) == (3.0, 3)
    both = Reading(lambda a, b: (a - b).mean(axis=-1), (column[:3], column[:3]))
    # resampled together, as pairs
    assert both.lungs_drawn() == (0.0, 0.0)
    assert (exact(4.0).value, exact(4.0).lungs) == (4.0, 0)
    assert np.isnan(exact(4.0).lungs_drawn()).all()


def test_intervals_of_papers():
    assert of_mean(10.0, 3.0, 9) == (8.0, 12.0)
    assert of_median(10.0, 8.0, 12.0, 4) == pytest.approx((6.86, 13.14))
    assert of_share(1, 4) == pytest.approx((0.25 - np.sqrt(0.1875), 0.25 + np.sqrt(0.1875)))


def doubled(value, times=2.0):
    """Return a number, doubled."""
    return exact(times * value)


HEART = Finding("pulse", "invented", "memory", (60.0, 80.0), partial(doubled, 35.0), "min-1")


def test_a_finding_says_how_it_was_measured_and_what_came_of_it():
    assert HEART.how == "a number, doubled: 35.0"
    assert [HEART.verdict(value) for value in (60.0, 80.0, 80.1, np.nan)] == [
        "agrees",
        "agrees",
        "disagrees",
        "disagrees",
    ]
    assert [HEART.distance(value) for value in (60.0, 70.0, 100.0)] == [-1.0, 0.0, 3.0]


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"grade": "rumour"}, "unknown grade"),
        ({"interval": (2.0, 1.0)}, "low < high"),
        ({"source": ""}, "must have a source"),
        ({"measure": None}, "Say why"),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_a_finding_that_cannot_be_told_is_refused(changes, told):
    given = {
        "name": "pulse",
        "source": "invented",
        "grade": "read",
        "interval": (1.0, 2.0),
        "measure": partial(doubled, 1.0),
    }
    with pytest.raises(EbbmapError, match=told):
        Finding(**given | changes)


def test_the_result_says_of_every_finding_what_the_model_says(result):
    assert result["finding"].values.tolist() == [finding.name for finding in FINDINGS]
    assert set(VARIABLES) == set(result.data_vars)
    assert all(result[name].attrs["long_name"] for name in VARIABLES)
    for number, finding in enumerate(FINDINGS):
        row = result.isel(finding=number)
        verdict = VERDICTS[int(row["verdict"])]
        assert finding.name in RECORD[verdict]
        assert str(row["subject"].values) in SUBJECTS
        assert bool(row["why"]) == (verdict in ("disagrees", "not comparable"))
        assert np.isnan(row["value"]) == (finding.measure is None)
        low, high = row["lungs_drawn"].values
        if int(row["lungs"]):
            assert low < float(row["value"]) < high
        else:
            assert np.isnan([low, high]).all()


def test_progress_counts_every_step(result):
    assert sum(DONE) == len(FINDINGS) == steps(0)
    assert steps(40) == len(FINDINGS) + 41


def test_a_disagreement_within_reach_of_both_intervals_is_told_apart(result):
    drawn, known = np.array([84.0, 94.0]), np.array([86.0, 92.0])
    # 5 below by independent errors of 4 and 3, as 3-4-5; neither reaches alone
    lungs, knowledge = np.array([81.0, 90.0]), np.array([82.0, 91.0])
    assert HEART.reached(85.0, lungs, knowledge)
    assert not HEART.reached(85.1, lungs + 0.1, knowledge + 0.1)
    assert not HEART.reached(85.0, lungs, np.full(2, np.nan))
    assert not HEART.reached(90.0, drawn, known)
    assert HEART.reached(70.0) and not HEART.reached(81.0)
    row = result.sel(finding=next(iter(RECORD["disagrees"]))).copy(deep=True)
    row["verdict"].values[...] = VERDICTS.index("disagrees")
    for within, text in (
        (0, "disagrees"),
        (1, "disagrees, but no further than its intervals reach"),
    ):
        row["within_reach"].values[...] = within
        assert verdict_text(row) == text


def test_knowledge_is_read_from_populations_as_they_may_be():
    group = "restrictive"
    central = measured.middle(group, "compliance").value
    with read_as(Draw(3, 50)):
        drawn = measured.middle(group, "compliance").value
        assert measured.lungs(group)["compliance"].size == 50
        assert measured.breath_of(group) != fitted(group).breath()
    scores = outer_scores(POPULATIONS[group], 4, seed=0)[3]
    assert drawn == fitted(group).population(scores).median["compliance"] != central
    assert measured.middle(group, "compliance").value == central


def test_knowledge_moves_what_hangs_on_a_population(monkeypatch):
    named = [
        Finding(name, "invented", "memory", (1.0, 2.0), partial(measured.middle, "normal", name))
        for name in ("compliance", "predicted_body_weight")
    ]
    findings = (*named, HEART)
    monkeypatch.setattr(validate, "SUBJECTS", {"some": findings})
    monkeypatch.setattr(validate, "FINDINGS", findings)
    found = validate.find_validation(draws=400)
    value = float(found["value"][0])
    low, high = np.log(found["knowledge"][0] / value).values
    error = fitted("normal").standard_errors["centre: compliance"]
    # 400 draws know an end to a tenth of a standard error
    assert [low, high] == pytest.approx([-1.96 * error, 1.96 * error], abs=0.4 * error)
    assert np.isnan(found["knowledge"][2]).all()
    assert found["within_reach"].values.tolist() == [0, 0, 1]


def test_the_counts_are_those_of_the_record(result):
    assert counts(result) == {
        name.replace(" ", "_"): len(listed) for name, listed in RECORD.items()
    }


def test_numbers_have_three_digits_and_the_unit_of_the_bedside():
    assert digits(54.0, "mL cmH2O-1") == "54 mL/cmH₂O"
    assert (digits(0.14676), digits(-0.28764), digits(2191.3)) == ("0.147", "-0.288", "2190")


def test_every_finding_is_a_row_and_a_line(result):
    whole = full_table(result)
    names = [finding.name for finding in FINDINGS]
    assert whole.column("finding") == names
    assert len(to_csv(whole).splitlines()) == len(names) + 1
    *by_subject, last = tables(result)
    assert [one.title for one in by_subject] == list(SUBJECTS)
    assert [row[0] for one in by_subject for row in one.rows] == names
    assert counts_text(result) in last.notes
    lines = page_text(result).splitlines()
    assert lines[0] == counts_text(result)
    assert lines[-1] == CAUTION
    assert [line.partition(": published")[0] for line in lines[2:-1]] == names
    assert [one["name"] for one in validation_data(result)["findings"]] == names


def test_the_picture_shows_every_finding_and_tells_verdicts_apart_without_colour(result):
    ax = plot_validation(result, labels=[one.name for one in FINDINGS], ax=Figure().subplots())
    assert [text.get_text() for text in ax.get_yticklabels()] == [one.name for one in FINDINGS]
    assert len(ax.patches) == len(FINDINGS)
    assert {(bar.get_x(), bar.get_width()) for bar in ax.patches} == {(-1.0, 2.0)}
    drawn = [line for line in ax.lines if line.get_marker() in ("o", "X")]
    capped = [line for line in ax.lines if line.get_marker() == "|"]
    assert len(capped) == len(drawn)
    assert all(
        thin.get_ydata()[0] < dot.get_ydata()[0] for thin, dot in zip(capped, drawn, strict=True)
    )
    compared = [one for one in FINDINGS if one.measure is not None]
    assert len(drawn) == len(compared)
    low, high = ax.get_xlim()
    for line, finding in zip(drawn, compared, strict=True):
        (place,) = line.get_xdata()
        assert low < place < high
        verdict = next(name for name, listed in RECORD.items() if finding.name in listed)
        assert (abs(place) > 1.0) == (verdict == "disagrees")
        assert line.get_marker() == MARKS[verdict][0]
        assert (line.get_markerfacecolor() == "white") == (verdict == "set by it")
    # ten times further is beyond the last tick, which alone would do here
    further = result.assign(distance=10.0 * result["distance"])
    assert reach(further) > reach(result)
    for shown in (result, further):
        assert reach(shown) > float(abs(shown["distance"]).max())
    said = [text.get_text() for text in ax.texts]
    assert said.count("not comparable") == len(RECORD["not comparable"])
    assert len({(mark, inside) for mark, _, inside in MARKS.values()}) == len(MARKS)
    handles, names = legend_of_verdicts()
    assert len(handles) == len(names) == len(MARKS) + 1
