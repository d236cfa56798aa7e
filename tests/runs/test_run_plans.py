"""What each analysis of a study is asked: every option of the file, and how many cases it takes."""

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from ebbmap.cases.pieces import Pieces
from ebbmap.files.protocol import load_protocol
from ebbmap.files.study import parse_study
from ebbmap.runs import run

START = """
title = "plans"
lungs = 30
populations = ["restrictive", "obstructive"]
[axes]
"""

T_LOW, COMPLIANCE, P_HIGH = [0.3, 0.5, 0.8], [30.0, 60.0], [20.0, 24.0]
AXES = {"t_low": T_LOW, "compliance": COMPLIANCE, "p_high": P_HIGH}
LUNGS = 2 * 30


def planned(table):
    """Return the study and its only task; it lays out the axes that its table names."""
    axes = [f"{name} = {values}" for name, values in AXES.items() if f"'{name}'" in table]
    study = parse_study("\n".join([START, *axes, table]))
    (task,) = run.plan_tasks(study)
    return study, task


#: Table of the study, function that it calls, options that it must be given, name, cases.
PLANS = [
    (
        "[analyses.window]\nalong = 'compliance'",
        "window_pieces",
        {1: {"compliance": COMPLIANCE}},
        "window",
        0,
    ),
    (
        "[analyses.profile]\nalong = 't_low'\noutcomes = ['auto_peep']",
        "profile_outcomes",
        {"along": "t_low", "grid": T_LOW, "outcomes": ("auto_peep",)},
        "profile",
        0,
    ),
    (
        "[analyses.trade]\naxes = ['t_low', 'p_high']\ncosts = ['paco2', 'auto_peep']",
        "map_trade",
        {1: {"t_low": T_LOW, "p_high": P_HIGH}, 2: ("paco2", "auto_peep")},
        "trade",
        0,
    ),
    (
        "[analyses.course]\nminutes = 12.0\nchange = { t_high = 2.0 }",
        "co2_course",
        {"change": {"t_high": 2.0}, "minutes": 12.0},
        "course",
        0,
    ),
    (
        "[analyses.compare]\nmodels = ['linear', 'tube']\noutcomes = ['auto_peep']",
        "compare_lungs",
        {"models": ("linear", "tube"), "outcomes": ("auto_peep",)},
        "compare",
        0,
    ),
    (
        "[analyses.startup]\ncycles = 9\nlonger_cycle = 3",
        "follow_start",
        {"cycles": 9, "longer_cycle": 3},
        "startup",
        0,
    ),
    (
        "[analyses.adjust]\nsteps = { t_low = 0.1 }",
        "adjust_settings",
        {"steps": {"t_low": 0.1}},
        "adjust",
        0,
    ),
    (
        "[analyses.wean]\np_high_end = 14.0\np_high_step = 1.0",
        "plan_weaning",
        {"p_high_end": 14.0, "p_high_step": 1.0},
        "wean",
        0,
    ),
    (
        "[analyses.rules]\nalong = 't_low'\nmodels = ['linear', 'tube']",
        "compare_rules",
        {"models": ("linear", "tube"), "along": "t_low", "grid": T_LOW},
        "rules",
        0,
    ),
    (
        "[[analyses.map]]\nx = 't_low'\ny = 'compliance'\naverage_over = ['p_high']",
        "map_pieces",
        {
            1: {"t_low": T_LOW, "compliance": COMPLIANCE, "p_high": P_HIGH},
            "x": "t_low",
            "y": "compliance",
        },
        "map_t_low_compliance",
        3 * 2 * 2 * LUNGS,
    ),
    (
        "[analyses.sobol]\nbase_size = 64\nresamples = 150\noutcomes = ['auto_peep']\nlevel = 0.9\n"
        "pawn = false\nat = [0.4, 0.9]",
        "driver_pieces",
        {
            "base_size": 64,
            "resamples": 150,
            "outcomes": ("auto_peep",),
            "level": 0.9,
            "pawn": False,
            "along": "t_low",
            "grid": [0.4, 0.9],
            "drop_failed": False,
        },
        "drivers_t_low",
        0,
    ),
    (
        "[analyses.screening]\ntrajectories = 12\nlevels = 6\nfix_below = 0.1\ndrop_failed = true\n"
        "along = 't_low'",
        "screening_pieces",
        {
            "trajectories": 12,
            "levels": 6,
            "fix_below": 0.1,
            "drop_failed": True,
            "grid": T_LOW,
            "outcomes": None,
            "level": 0.95,
        },
        "screening_t_low",
        0,
    ),
    (
        "[analyses.shapley]\nbase_size = 32\nalong = 'p_high'",
        "shapley_pieces",
        {"base_size": 32, "along": "p_high", "grid": P_HIGH},
        "shapley_p_high",
        0,
    ),
    (
        "[analyses.mapping]\nresamples = 60\nlevel = 0.8\nalong = 't_low'",
        "mapping_pieces",
        {"resamples": 60, "level": 0.8, "along": "t_low", "grid": T_LOW},
        "mapping_t_low",
        3 * LUNGS,
    ),
    (
        "[analyses.boxes]\nover = ['t_low', 'p_high']\ndensity = 0.8\nresamples = 15",
        "box_pieces",
        {1: {"t_low": T_LOW, "p_high": P_HIGH}, "density": 0.8, "resamples": 15, "level": 0.95},
        "boxes_t_low_p_high",
        LUNGS,
    ),
]


def agree(told, expected):
    """Tell whether an argument is what was asked, arrays by value."""
    if isinstance(expected, dict):
        return list(told) == list(expected) and all(agree(told[k], expected[k]) for k in expected)
    if isinstance(expected, list):
        return np.array_equal(np.asarray(told, float), expected)
    return told == expected and type(told) is type(expected)


@pytest.mark.parametrize(
    ("table", "function", "given", "name", "cases"), PLANS, ids=[plan[3] for plan in PLANS]
)
def test_every_option_reaches_its_analysis(monkeypatch, table, function, given, name, cases):
    calls = []

    def record(*args, **kwargs):
        calls.append((args, kwargs))
        result = xr.Dataset({"done": 1})
        return (
            Pieces(lambda f: [], lambda *a: result, lambda f: result)
            if "pieces" in function
            else result
        )

    monkeypatch.setattr(run, function, record)
    study, task = planned(table)
    assert (task.name, task.cases, task.streams) == (name, cases, False)
    assert table.split("analyses.")[1].split("]")[0] == task.kind
    assert int(task.run(None)["done"]) == 1
    ((args, kwargs),) = calls
    assert args[0] is study.question
    for key, expected in given.items():
        assert agree(args[key] if isinstance(key, int) else kwargs[key], expected), key


def test_a_sweep_takes_every_axis_by_every_lung(monkeypatch):
    calls = []
    monkeypatch.setattr(run, "sweep", lambda *args, **how: calls.append((args, how)))
    study = parse_study(
        "\n".join(
            [
                START,
                *(f"{name} = {values}" for name, values in AXES.items()),
                "[analyses.sweep]",
                "outcomes = ['auto_peep']",
                "judged = false",
            ]
        )
    )
    (task,) = run.plan_tasks(study)
    assert (task.name, task.kind, task.cases) == ("cases", "sweep", 3 * 2 * 2 * LUNGS)
    task.run(None)
    ((args, how),) = calls
    assert args[0] is study.question
    assert {k: list(v) for k, v in args[1].items()} == {
        "t_low": T_LOW,
        "compliance": COMPLIANCE,
        "p_high": P_HIGH,
    }
    assert how == {"outcomes": ("auto_peep",), "judged": False, "progress": None}


@pytest.mark.parametrize(
    ("text", "lungs"),
    [("", 1), ("populations = ['normal']", 30), ("populations = ['normal', 'obstructive']", 60)],
)
def test_lungs_are_counted_by_group(text, lungs):
    study = parse_study(
        f"title = 'n'\nlungs = 30\n{text}\n[axes]\nt_low = [0.3, 0.5]\ncompliance = [30.0, 50.0]\n"
        "[[analyses.map]]\nx = 't_low'\ny = 'compliance'"
    )
    assert run.plan_tasks(study)[0].cases == 4 * lungs


@pytest.mark.parametrize(
    ("head", "tail", "function", "given"),
    [
        ("lung = 'paired'", "[analyses.inside]\nseconds = 3.0", "look_inside", {"seconds": 3.0}),
        (
            "lung = 'stepped'\n[fixed]\nrecruitable_share = 0.3\n[axes]\nt_low = [0.3, 0.5, 0.8]",
            "[analyses.collapse]\nt_low = [0.4, 0.6]",
            "follow_collapse",
            {"grid": T_LOW, "t_low": (0.4, 0.6)},
        ),
    ],
    ids=["inside", "collapse"],
)
def test_what_needs_a_lung_of_its_own_is_asked_what_the_file_says(
    monkeypatch, head, tail, function, given
):
    calls = []
    monkeypatch.setattr(run, function, lambda *args, **how: calls.append((args, how)))
    study = parse_study(f"title = 'own'\npopulations = ['restrictive']\n{head}\n{tail}")
    (task,) = run.plan_tasks(study)
    # a middle lung is solved: no case is counted beforehand
    assert (task.name, task.kind, task.cases, task.streams) == (
        *[tail[10:].split("]")[0]] * 2,
        0,
        False,
    )
    task.run(None)
    (((question,), how),) = calls
    assert question is study.question
    assert list(how) == list(given) and all(agree(how[key], given[key]) for key in given)


class Begun(Exception):
    """What was asked of the ledger, before any work."""


SMALL = Path(__file__).parents[1] / "files" / "protocol"


def begin_study(folder, **how):
    study = parse_study(
        START.replace("lungs = 30", "lungs = 4") + "t_low = [0.3]\n"
        "[analyses.mapping]\nalong = 't_low'"
    )
    list(run.run_study(study, folder, progress=lambda task: lambda cases: None, **how))


def begin_check(folder, **how):
    run.run_check(
        load_protocol(SMALL / "small_draft.toml"),
        folder,
        date="2026-01-01",
        progress=lambda part: lambda cases: None,
        **how,
    )


def begin_difference(folder, **how):
    old, new = (load_protocol(SMALL / f"small_{name}.toml") for name in ("draft", "revision"))
    run.run_difference(old, new, folder, progress=lambda part: lambda cases: None, **how)


@pytest.mark.parametrize("begin", [begin_study, begin_check, begin_difference])
@pytest.mark.parametrize(
    ("how", "told"),
    [({}, (1, False)), ({"workers": 3}, (3, False)), ({"fresh": True}, (1, True))],
    ids=["plain", "workers", "fresh"],
)
def test_a_run_works_alone_and_forgets_nothing_unless_it_is_told_to(
    monkeypatch, tmp_path, begin, how, told
):
    def begun(self, workers, *, fresh=False):
        raise Begun(workers, fresh)

    monkeypatch.setattr(run.Ledger, "begun", begun)
    with pytest.raises(Begun) as asked:
        begin(tmp_path, **how)
    assert asked.value.args == told


def test_a_sweep_to_a_store_is_done_with_the_workers_that_it_is_given(monkeypatch, tmp_path):
    calls, result = [], xr.Dataset({"done": 1})

    def record(self, part, **how):
        calls.append((self, part, how))
        return [(result, tmp_path / "cases.zarr")]

    monkeypatch.setattr(run.Work, "finish", record)
    study = parse_study(f"{START}t_low = {T_LOW}\n[analyses.sweep]\nstore = 'zarr'")
    told = []
    done = list(
        run.run_study(
            study,
            tmp_path,
            workers=2,
            cluster="tcp://a",
            progress=lambda task: told.append(task.name) or len,
        )
    )
    ((task, found, path),) = done
    assert (task.name, task.streams, found, path) == (
        "cases",
        True,
        result,
        tmp_path / "cases.zarr",
    )
    ((work, part, how),) = calls
    assert part == "cases"
    assert work.ledger.path.is_relative_to(tmp_path)
    assert how == {"workers": 2, "cluster": "tcp://a", "progress": len}
    assert told == ["cases"]


@pytest.mark.parametrize(
    ("kind", "files"),
    [("study", 1), ("check", 1), ("comparison", 2)],
)
def test_a_worker_makes_the_source_again_and_does_the_piece_that_it_is_given(
    monkeypatch, tmp_path, kind, files
):
    """Every word that a task sends away is a text; together they name the same work."""
    study = parse_study(f"{START}t_low = {T_LOW}\n[analyses.mapping]\nalong = 't_low'")
    drafts = [load_protocol(SMALL / f"small_{name}.toml") for name in ("draft", "revision")]
    sources = {
        "study": lambda: run.study_source(study),
        "check": lambda: run.check_source(drafts[0]),
        "comparison": lambda: run.comparison_source(*drafts),
    }
    source = sources[kind]()
    function, words = source.work(tmp_path, "run 1").task("part.000001")
    assert all(type(word) is str for word in words)
    assert len(source.texts) == files
    asked = []

    def record(self, name):
        asked.append((self.ledger.key, self.ledger.run, self.folder, list(self.parts), name))
        return 12

    monkeypatch.setattr(run.Work, "run", record)
    assert function(*words) == 12
    key = source.work(tmp_path).ledger.key
    assert asked == [(key, "run 1", tmp_path, [t.name for t in source.tasks], "part.000001")]
