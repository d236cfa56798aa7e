"""What follows from a fitted lung."""

import numpy as np
import pytest
from typer.testing import CliRunner

from bedside import Bedside, Patient, recorded
from ebbmap.analyses.window import find_window
from ebbmap.cli import app
from ebbmap.plotting.pages.fit import pages
from ebbmap.report.fit import save_fit
from ebbmap.tables.fit import fit_document, fit_table
from ebbmap.traces.fit import find_fit
from ebbmap.traces.follow import (
    AGAIN,
    SAME,
    find_follow,
    find_next,
    fitted_population,
    fitted_question,
)


@pytest.fixture(scope="module")
def fit():
    how = Bedside(t_low=0.5, noise=0.03, cycles=3)
    return find_fit(recorded(Patient(), how, seed=1), lung="linear", compare=False)


def test_draws_are_a_population(fit):
    drawn = fitted_population(fit).sample(3000, seed=0)
    rows = {tuple(row) for row in fit["draws"].values}
    assert set(zip(*drawn.values(), strict=True)) <= rows
    assert "posterior" in fitted_population(fit).source


def test_a_window_gives_probabilities_that_single_cases_give_too(fit):
    question = fitted_question(fit, lungs=200)
    served = find_window(question)["served_share"].squeeze()
    followed = find_follow(fit, lungs=200)
    # that of the trace, a little off 0.5 s, is no line of its own
    assert np.min(np.diff(followed["t_low"])) > 0.04
    for t_low in (0.3, 0.4, 0.5, 0.6, 0.9):
        near = float(served.interp(t_low=t_low))
        # windows are known at looks 12 % apart
        assert float(followed["inside"].sel(t_low=t_low)) == pytest.approx(near, abs=0.12)


def test_the_same_again_narrows_as_it_must_and_a_longer_release_more(fit):
    found = find_next(fit)
    assert float(found["mean_reduction"].sel(measurement=SAME)) == pytest.approx(AGAIN, abs=0.01)
    longer = found["mean_reduction"].sel(measurement="longer release")
    assert float(longer) > AGAIN
    assert np.all(found["reduction"] < 1.0)


def test_a_step_out_of_its_bounds_has_no_probability(fit):
    zero = fit.assign_attrs(set_p_low=0.0)
    after = find_follow(zero, lungs=20)["safe_after"]
    assert np.isnan(float(after.sel(move="p_low -2 cmH₂O")))


def test_the_page_shows_every_sample_and_property(fit, tmp_path):
    ((name, figure, text),) = pages(fit, "words.")
    curves = figure.axes[0].lines
    assert name == "fit"
    assert np.array_equal(curves[0].get_ydata(), fit["flow"])
    assert len(figure.axes) == 2 + fit.sizes["property"]
    assert text.startswith("words.")
    assert "Research and teaching only" in fit.attrs["caution"]
    written = save_fit(fit, tmp_path / "out")
    assert [path.name for path in written] == ["fit.nc", "fit.png", "fit.txt"]


def test_the_table_and_the_document_say_the_same(fit):
    rows = {row[0]: row[1] for row in fit_table(fit).rows}
    told = fit_document(fit)
    for name, one in told["properties"].items():
        assert rows[name] == (one["estimate"], one["lower"], one["upper"])
        assert one["units"].startswith(("mL cmH2O-1", "cmH2O s L-1"))
    assert told["better_lung"] is None
    assert set(told["identifiable"]) == set(told["properties"])


def test_the_command_names_a_wrong_unit(tmp_path):
    table = recorded(Patient(), Bedside(cycles=3), seed=1)
    path = tmp_path / "trace.csv"
    rows = zip(table["time"], 60.0 * table["flow"], table["pressure"], strict=True)
    lines = ["time_s,flow_L_per_s,pressure_cmH2O", *(",".join(map(str, row)) for row in rows)]
    path.write_text("\n".join(lines), encoding="utf-8")
    done = CliRunner().invoke(app, ["fit", str(path), "--lung", "linear"])
    assert done.exit_code != 0
    assert "looks like L/min" in done.output + str(done.stderr)
