"""What a file from elsewhere can do: nothing is unpickled, run, fetched, or written elsewhere."""

import ast
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

import ebbmap
from ebbmap.cli import app

ROOT = Path(ebbmap.__file__).parent
CODE = {str(path.relative_to(ROOT)): path for path in sorted(ROOT.rglob("*.py"))}
PAGES = sorted(ROOT.rglob("*.html"))

#: Modules that turn bytes into running code, start programs, or talk to a network.
FORBIDDEN = {
    "pickle",
    "cPickle",
    "dill",
    "cloudpickle",
    "shelve",
    "marshal",
    "subprocess",
    "pty",
    "socket",
    "ssl",
    "urllib",
    "http",
    "requests",
    "httpx",
    "aiohttp",
    "ftplib",
    "smtplib",
    "telnetlib",
    "webbrowser",
    "yaml",
    "xml",
}

#: Built-in functions that run text, and functions of os that start programs.
RUNNING = {"eval", "exec", "compile", "__import__", "system", "popen", "spawnv", "execv"}

#: What a page may load. Scripts and styles are part of the page; nothing comes from elsewhere.
POLICIES = {
    "files/new/form.html": "default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'",
    "report/base.html": "default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
    "base-uri 'none'; form-action 'none'",
    "web/parts/page.html": "default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'",
}


def nodes(name):
    return ast.walk(ast.parse(CODE[name].read_text(encoding="utf-8")))


@pytest.mark.parametrize("name", CODE)
def test_no_code_unpickles_runs_text_starts_programs_or_talks_to_a_network(name):
    for node in nodes(name):
        if isinstance(node, ast.Import):
            assert not {alias.name.split(".")[0] for alias in node.names} & FORBIDDEN
        elif isinstance(node, ast.ImportFrom) and not node.level:
            assert node.module.split(".")[0] not in FORBIDDEN
        elif isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name):
                assert called.id not in RUNNING
            elif isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name):
                assert (called.value.id, called.attr) not in {("os", word) for word in RUNNING}


def test_every_array_file_is_read_and_written_without_pickle():
    calls = [
        node
        for name in CODE
        for node in nodes(name)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in ("load", "save", "savez", "savez_compressed", "to_pickle", "dump")
        and isinstance(node.func.value, ast.Name)
        and node.func.value.id in ("np", "numpy", "joblib")
    ]
    for call in calls:
        given = {word.arg: word.value for word in call.keywords}
        assert ast.unparse(given["allow_pickle"]) == "False", ast.unparse(call)


def test_every_page_that_is_written_has_a_policy():
    head = '{% extends "base.html" %}'
    own = {page for page in PAGES if not page.read_text(encoding="utf-8").startswith(head)}
    # what is put into a page stands in a frame with a policy, and brings no script
    bodies = {page for page in own if "<html" not in page.read_text(encoding="utf-8")}
    assert {str(page.relative_to(ROOT)) for page in own - bodies} == set(POLICIES)
    for body in bodies:
        text = body.read_text(encoding="utf-8")
        assert not re.search(r"<(script|style|link|html|meta|iframe|object|embed)|https?:", text)


@pytest.mark.parametrize("name", POLICIES)
def test_a_page_may_load_nothing(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    assert policy == POLICIES[name]
    # it holds from where it stands on, so only metas and the title may come before
    before = text[: text.index("Content-Security-Policy")]
    assert not re.search(r"<(script|style|link|img|body)", before)
    assert not re.search(
        r"https?:|wss?:|//[a-z]+\.[a-z]|@import|url\(|<iframe|<object|<embed", text
    )


def test_a_study_writes_into_its_output_folder_and_nowhere_else(tmp_path, monkeypatch):
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    (work / "mine.toml").write_text(
        'title = "../../elsewhere"\nlung = "linear"\nquestion = "/etc/passwd"\nlungs = 5\n'
        'populations = ["own one"]\n[population."own one"]\nbase = "normal"\n'
        'long_name = "../up"\n[limits]\nrules = ["my rule"]\n'
        '[[limits.own]]\nrule = "my rule"\noutcome = "flow_ratio"\nlow = 0.5\nwhy = "../why"\n'
        "[analyses.window]\n"
    )
    done = CliRunner().invoke(app, ["run", "mine.toml", "--out", "results"])
    assert done.exit_code == 0, done.output
    assert {path.name for path in tmp_path.iterdir()} == {"work"}
    assert {path.name for path in work.iterdir()} == {"mine.toml", "results"}


@pytest.mark.parametrize("name", ["../x", "a/b", "/etc/x", "..", ".hidden", "a\\\\b", "x\\u0000"])
def test_no_name_of_a_study_or_draft_leads_out_of_the_folder(name, tmp_path):
    for command, text in (
        (
            "run",
            'title = "t"\nlung = "linear"\n'
            f'populations = ["{name}"]\n[population."{name}"]\nbase = "normal"\n'
            "[analyses.window]",
        ),
        (
            "run",
            'title = "t"\nlung = "linear"\n'
            f'[limits]\nrules = ["{name}"]\n[[limits.own]]\nrule = "{name}"\n'
            'outcome = "flow_ratio"\nlow = 0.5\nwhy = "w"\n[analyses.window]',
        ),
        (
            "check",
            'title = "t"\nlung = "linear"\n'
            f'[[groups]]\npopulation = "{name}"\n[population."{name}"]\n'
            'base = "normal"\n[settings]\np_high = 20.0\np_low = 0.0\nt_high = 5.0\n'
            "t_low = 0.5\n",
        ),
    ):
        (tmp_path / "bad.toml").write_text(text)
        out = tmp_path / "results"
        done = CliRunner().invoke(app, [command, str(tmp_path / "bad.toml"), "--out", str(out)])
        assert done.exit_code == 2
        assert "has a character that cannot stand there" in done.stderr
        assert {path.name for path in tmp_path.iterdir()} == {"bad.toml"}
