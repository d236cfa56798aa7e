"""What a reader copies from a page runs as it stands: every command, every block of Python."""

import shlex

import pytest
from typer.testing import CliRunner

from ebbmap.cli import app
from ebbmap.site.blocks import FILES, PYTHON, SHELL, SOURCES, blocks_of, pages

#: Pages with more than a few seconds of work.
SLOW = {
    "first_hour/researcher.md",
    "first_hour/teacher.md",
    "how_to/fit_a_lung.md",
    "how_to/cite.md",
    "how_to/run_long_studies.md",
    "how_to/shape_pictures.md",
}

NAMES = [page.relative_to(SOURCES).as_posix() for page in pages()]


def run_command(words):
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output + done.stderr


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.slow if n in SLOW else ()) for n in NAMES]
)
def test_every_block_of_a_page_runs(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    names = {}
    for block in blocks_of(SOURCES / name):
        if block.language == SHELL:
            for command in block.commands:
                first, *words = shlex.split(command)
                assert first == "ebbmap", f"{name}:{block.line}"
                run_command(words)
        elif block.language == PYTHON:
            exec(compile(block.text, f"{name}:{block.line}", "exec"), names)
        else:
            assert block.language in FILES, f"{name}:{block.line}"
            (tmp_path / block.file).write_text(block.text)


def test_no_block_is_left_unread():
    for page in pages():
        fences = [
            line[3:]
            for line in page.read_text(encoding="utf-8").splitlines()
            if line.startswith("```") and line != "```"
        ]
        told = [language for language in fences if not language.startswith("{")]
        assert [block.language for block in blocks_of(page)] == told
        assert set(told) <= {SHELL, PYTHON, *FILES}


def test_a_file_has_a_name_to_be_saved_under():
    files = [b for page in pages() for b in blocks_of(page) if b.language in FILES]
    assert files
    assert all(block.file.endswith(f".{block.language}") for block in files)
