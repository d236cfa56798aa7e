"""Rebuilding pictures: names and texts, and telling where a folder differs."""

import pytest
from typer.testing import CliRunner

from ebbmap.caution import CAUTION
from ebbmap.cli import app

# studies are drawn whole
pytestmark = pytest.mark.slow

STUDIES = {
    "side": """
title = "side"
lung = "linear"
populations = ["normal", "restrictive"]
[fixed]
p_high = 24.0
[analyses.compare]
""",
    "start": """
title = "start"
lung = "linear"
[fixed]
p_high = 24.0
[analyses.startup]
cycles = 2
[outputs]
figures = ["gif"]
""",
}


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    root = tmp_path_factory.mktemp("figures")
    (root / "studies").mkdir()
    for name, text in STUDIES.items():
        (root / "studies" / f"{name}.toml").write_text(text)
    done = call("figures", "--studies", root / "studies", "--out", root / "out")
    assert done.exit_code == 0, done.output
    assert done.output.splitlines()[0] == CAUTION
    return root / "studies", root / "out"


def test_every_picture_has_its_text(folders):
    _, out = folders
    assert sorted(path.name for path in out.iterdir()) == [
        "side_side_by_side.png",
        "side_side_by_side.txt",
        "start_first_cycles_moving.gif",
        "start_first_cycles_moving.txt",
    ]
    assert "flow ratio" in (out / "side_side_by_side.txt").read_text()


def test_check_finds_what_is_missing_changed_or_too_much(folders):
    studies, out = folders
    check = ("figures", "--studies", studies, "--out", out, "--check")
    agreed = call(*check)
    assert agreed.exit_code == 0, agreed.output
    text = out / "side_side_by_side.txt"
    kept = text.read_text()
    text.write_text("something else\n")
    (out / "old_map.png").write_bytes(b"")
    # another command's
    (out / "validation.png").write_bytes(b"")
    picture = (out / "side_side_by_side.png").read_bytes()
    (out / "side_side_by_side.png").unlink()
    try:
        done = call(*check)
        assert done.exit_code == 1
        said = " ".join(done.output.split())
        assert "side_side_by_side.png is missing" in said
        assert "old_map.png comes from no study" in said
        assert "validation.png" not in said
        assert "side_side_by_side.txt now says" in said
    finally:
        text.write_text(kept)
        (out / "old_map.png").unlink()
        (out / "validation.png").unlink()
        (out / "side_side_by_side.png").write_bytes(picture)


def test_another_format_may_be_asked_for(folders, tmp_path):
    studies, _ = folders
    done = call("figures", "--studies", studies, "--out", tmp_path, "--format", "svg")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "start_first_cycles.svg").read_text().startswith("<?xml")


@pytest.mark.parametrize(
    ("words", "told"),
    [(("--format", "jpeg"), "unknown format"), (("--studies", "nowhere"), "must hold study files")],
    ids=str,
)
def test_what_cannot_be_drawn_is_said(folders, tmp_path, words, told):
    studies, _ = folders
    done = call("figures", "--studies", studies, "--out", tmp_path / "new", *words)
    assert done.exit_code == 2
    assert told in done.output
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    "words",
    [
        ("adjust", "--set", "t_low=0.4"),
        ("adjust", "--population", "restrictive", "--lungs", 20, "--set", "p_high=22"),
        ("wean", "--population", "obstructive", "--set", "p_high=22"),
    ],
    ids=str,
)
def test_adjust_and_wean_print_tables_after_the_caution(words):
    done = call(*words)
    assert done.exit_code == 0, done.output
    assert done.output.splitlines()[0] == CAUTION
    assert "step" in done.output


def test_adjust_as_json():
    import json

    told = json.loads(call("adjust", "--json", "--set", "t_low=0.4").stdout)
    assert told["caution"] == CAUTION
    assert told["moves"][0]["move"] == "as set"
    assert told["moves"][0]["change_paco2"] == 0.0
    assert len(told["moves"]) == 51


def test_wean_as_json():
    import json

    told = json.loads(call("wean", "--json", "--set", "p_high=20", "--p-high-end", "16").stdout)
    assert [step["route_p_high"] for step in told["routes"]["common practice"]["steps"]] == [
        20.0,
        18.0,
        16.0,
    ]


def test_wean_needs_an_end_below_the_start():
    done = call("wean", "--set", "p_high=10")
    assert done.exit_code == 2
    assert "must be below the present P high" in done.output


def test_teach_writes_the_page(tmp_path):
    done = call("teach", "--out", tmp_path / "page.html")
    assert done.exit_code == 0, done.output
    assert CAUTION in (tmp_path / "page.html").read_text(encoding="utf-8")
