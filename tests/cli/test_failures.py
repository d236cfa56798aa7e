"""A command that fails through no fault of its user says so, with a status of its own."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from ebbmap.cli import app
from ebbmap.cli.failures import STATUSES, is_of_output
from ebbmap.runs import costs

DRAFT = Path(__file__).parents[1] / "files" / "protocol" / "small_draft.toml"


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def broken(monkeypatch):
    """The forecast of a check divides by zero."""

    def fail(*_):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(costs, "check_costs", fail)


def test_an_internal_error_of_a_check_is_not_taken_for_its_answer(broken, tmp_path):
    done = call("check", DRAFT, "--out", tmp_path / "out")
    assert done.exit_code == 3
    assert "internal error (ZeroDivisionError: division by zero)" in done.stderr
    assert "--debug" in done.stderr
    assert "Traceback" not in done.output
    assert not (tmp_path / "out").exists()


def test_the_traceback_is_shown_when_it_is_asked_for(broken, tmp_path):
    done = call("--debug", "check", DRAFT, "--out", tmp_path / "out")
    assert done.exit_code == 3
    assert "Traceback (most recent call last)" in done.stderr
    assert "ZeroDivisionError: division by zero" in done.stderr
    # and is not shown by the next command
    assert "Traceback" not in call("check", DRAFT).stderr


def test_json_stays_empty(broken, tmp_path):
    done = call("check", DRAFT, "--json", "--out", tmp_path / "out")
    assert (done.exit_code, done.stdout) == (3, "")


def test_a_file_that_cannot_be_read_is_no_fault_of_the_output():
    assert is_of_output(BrokenPipeError(32, "broken pipe"))
    assert is_of_output(OSError(28, "No space left on device"))
    assert not is_of_output(OSError(28, "No space left on device", "result.nc"))
    assert not is_of_output(FileNotFoundError(2, "No such file", "constants.toml"))


def test_help_lists_every_status():
    told = call("--help").stdout
    for status, text in STATUSES.items():
        assert f"{status}: {text}" in told
