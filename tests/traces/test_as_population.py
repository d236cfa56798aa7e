"""A saved fit as a population: of a study, of a protocol, and of commands."""

import json
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

from bedside import Bedside, Patient, recorded
from ebbmap.cases.cohort import cohort
from ebbmap.cli import app
from ebbmap.files.protocol import parse_protocol
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.report.fit import save_fit
from ebbmap.runs.api import run
from ebbmap.traces.fit import find_fit
from ebbmap.traces.follow import fitted_population

STUDY = """
title = "one fitted lung"
lung = "linear"
lungs = 40
populations = ["this"]
[population.this]
table = "fit.nc"
[fixed]
p_low = 5
t_high = 4
[limits]
sets = ["pressure", "volume", "auto_peep"]
[axes]
t_low = [0.3, 0.5, 0.8]
"""

MAP = """p_high = [20, 25]
[[analyses.map]]
x = "t_low"
y = "p_high"
"""

INDICES = """
[analyses.sobol]
along = "t_low"
at = [0.5]
outcomes = ["release_volume"]
base_size = 32
resamples = 100
second_order = false
"""

PROTOCOL = """
title = "a draft for one fitted lung"
institution = "Invented House"
lung = "linear"
lungs = 64
[limits]
sets = ["pressure", "volume"]
[fixed]
chest_wall_share = 0.2
[settings]
p_high = 25
p_low = 5
t_high = 4
t_low = 0.5
[population.this]
table = {table!r}
[[groups]]
population = "this"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    how = Bedside(t_low=0.5, noise=0.03, cycles=3)
    fit = find_fit(recorded(Patient(), how, seed=1), lung="linear", compare=False)
    folder = tmp_path_factory.mktemp("fit")
    save_fit(fit, folder)
    return folder


def test_a_saved_fit_is_the_population_of_its_draws(folder):
    group = cohort(folder / "fit.nc", "this")
    with xr.open_dataset(folder / "fit.nc", engine="h5netcdf") as fit:
        same = fitted_population(fit.load())
    assert group.properties == same.properties
    assert np.array_equal(group.rows, same.rows)
    assert "probabilities of its posterior" in group.source


def test_a_fit_that_finds_no_slow_part_is_a_population_too(tmp_path):
    """Slow parts of no size lay outside the registry's range, which refused them."""
    how = Bedside(t_low=0.5, noise=0.01, cycles=3)
    fit = find_fit(recorded(Patient(), how, seed=1), lung="paired", compare=False)
    save_fit(fit, tmp_path)
    group = cohort(tmp_path / "fit.nc", "this")
    assert group.rows.shape == (1000, 6)
    for name, column in zip(group.properties, group.rows.T, strict=True):
        assert PARAMETERS[name].low <= column.min() <= column.max() <= PARAMETERS[name].high
        # what is smoothed for independent properties stays within it too, so protocols take it
        end = PARAMETERS[name].low, PARAMETERS[name].high
        assert group.marginals[name].outside(*end) < 1e-9
    assert "compliance" not in fit.attrs["held"]


@pytest.mark.parametrize("asked", [MAP, INDICES], ids=["map", "indices"])
def test_a_study_takes_it(folder, asked):
    held = "p_high = 25\n" if asked is INDICES else ""
    path = folder / "study.toml"
    path.write_text(STUDY.replace("[fixed]\n", f"[fixed]\n{held}") + asked, encoding="utf-8")
    done = run(path, out=folder / ("map" if asked is MAP else "indices"))
    named = [done[name] for name in done if "population" in done[name]]
    assert all("this" in np.atleast_1d(one["population"].values) for one in named)
    if asked is MAP:
        assert named


def test_a_protocol_takes_it_and_draws_of_another_are_another_question(folder, tmp_path):
    protocol = parse_protocol(PROTOCOL.format(table=str(folder / "fit.nc")))
    (group,) = protocol.groups
    assert group.population.rows.shape[0] == 1000
    assert "probabilities of its posterior" in group.population.source
    other = tmp_path / "fit.nc"
    with xr.open_dataset(folder / "fit.nc", engine="h5netcdf") as fit:
        fit.load().assign(draws=1.01 * fit["draws"]).to_netcdf(other, engine="h5netcdf")
    again = parse_protocol(PROTOCOL.format(table=str(folder / "fit.nc")))
    assert again.digest == protocol.digest
    assert replace(protocol, groups=_groups(other)).digest != protocol.digest


def _groups(path):
    return parse_protocol(PROTOCOL.format(table=str(path))).groups


def test_commands_take_it(folder):
    words = ["--set", "p_high=25", "--set", "p_low=5", "--set", "t_high=4"]
    limits = ["--limits", "pressure", "--limits", "volume", "--lung", "linear", "--json"]
    table = ["--population", str(folder / "fit.nc")]
    done = CliRunner().invoke(app, ["window", *words, *limits, *table, "--middle"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)
