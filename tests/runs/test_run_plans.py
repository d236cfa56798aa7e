"""What each analysis of a study is asked: every option of the file, and how many cases it takes."""

from dataclasses import replace
from pathlib import Path

import pytest
import xarray as xr

from ebbmap.analyses.registry import ANALYSES
from ebbmap.cases.pieces import single
from ebbmap.files.protocol import load_protocol
from ebbmap.files.study import parse_study
from ebbmap.runs import run, sources

START = """
title = "plans"
lung = "linear"
lungs = 30
populations = ["restrictive", "obstructive"]
[axes]
"""

T_LOW, COMPLIANCE, P_HIGH = [0.3, 0.5, 0.8], [30.0, 60.0], [20.0, 24.0]
AXES = {"t_low": T_LOW, "compliance": COMPLIANCE, "p_high": P_HIGH}
LUNGS = 2 * 30


def planned(table, kind, head=START, axes=AXES):
    """Return the study, its only task, and what its analysis is given once the task is run."""
    calls, result = [], xr.Dataset({"done": 1})

    def record(question, options, given):
        calls.append((question, options, given))
        return single(lambda progress: result)

    entries = {**ANALYSES, kind: replace(ANALYSES[kind], pieces=record)}
    laid_out = [f"{name} = {values}" for name, values in axes.items() if f"'{name}'" in table]
    study = parse_study("\n".join([head, *laid_out, table]), analyses=entries)
    (task,) = sources.plan_tasks(study)
    assert int(task.run(None)["done"]) == 1
    ((question, options, given),) = calls
    assert question is study.question and given is study.axes and options is task.options
    return study, task, options


#: Table of the study, options that its analysis must be given, name of the task, cases.
PLANS = [
    ("[analyses.window]\nalong = 'compliance'", {"along": "compliance"}, "window", 0),
    (
        "[analyses.profile]\nalong = 't_low'\noutcomes = ['auto_peep']",
        {"along": "t_low", "outcomes": ["auto_peep"]},
        "profile",
        0,
    ),
    (
        "[analyses.trade]\naxes = ['t_low', 'p_high']\ncosts = ['paco2', 'auto_peep']",
        {"axes": ["t_low", "p_high"], "costs": ["paco2", "auto_peep"]},
        "trade",
        0,
    ),
    (
        "[analyses.course]\nminutes = 12.0\nchange = { t_high = 2.0 }",
        {"change": {"t_high": 2.0}, "minutes": 12.0},
        "course",
        0,
    ),
    (
        "[analyses.compare]\nmodels = ['linear', 'tube']\noutcomes = ['auto_peep']",
        {"models": ["linear", "tube"], "outcomes": ["auto_peep"]},
        "compare",
        0,
    ),
    (
        "[analyses.startup]\ncycles = 9\nlonger_cycle = 3",
        {"cycles": 9, "longer_cycle": 3},
        "startup",
        0,
    ),
    ("[analyses.adjust]\nsteps = { t_low = 0.1 }", {"steps": {"t_low": 0.1}}, "adjust", 0),
    (
        "[analyses.wean]\np_high_end = 14.0\np_high_step = 1.0",
        {"p_high_end": 14.0, "p_high_step": 1.0},
        "wean",
        0,
    ),
    (
        "[analyses.rules]\nalong = 't_low'\nmodels = ['linear', 'tube']",
        {"models": ["linear", "tube"], "along": "t_low"},
        "rules",
        0,
    ),
    (
        "[[analyses.map]]\nx = 't_low'\ny = 'compliance'\naverage_over = ['p_high']",
        {"x": "t_low", "y": "compliance", "average_over": ["p_high"]},
        "map_t_low_compliance",
        3 * 2 * 2 * LUNGS,
    ),
    (
        "[analyses.sobol]\nbase_size = 64\nresamples = 150\noutcomes = ['auto_peep']\nlevel = 0.9\n"
        "pawn = false\nat = [0.4, 0.9]",
        {
            "base_size": 64,
            "resamples": 150,
            "outcomes": ["auto_peep"],
            "level": 0.9,
            "pawn": False,
            "along": "t_low",
            "at": [0.4, 0.9],
            "drop_failed": False,
        },
        "drivers_t_low",
        0,
    ),
    (
        "[analyses.screening]\ntrajectories = 12\nlevels = 6\nfix_below = 0.1\ndrop_failed = true\n"
        "along = 't_low'",
        {
            "trajectories": 12,
            "levels": 6,
            "fix_below": 0.1,
            "drop_failed": True,
            "outcomes": None,
            "level": 0.95,
        },
        "screening_t_low",
        0,
    ),
    (
        "[analyses.shapley]\nbase_size = 32\nalong = 'p_high'",
        {"base_size": 32, "along": "p_high"},
        "shapley_p_high",
        0,
    ),
    (
        "[analyses.edge]\nover = ['t_low', 'p_high']\nwanted = 0.7\ntolerance = 0.1\n"
        "budget = 2000\npoints = 200\nlevel = 0.9",
        {
            "over": ["t_low", "p_high"],
            "wanted": 0.7,
            "tolerance": 0.1,
            "budget": 2000,
            "points": 200,
            "level": 0.9,
        },
        "edge_t_low_p_high",
        0,
    ),
    (
        "[analyses.robust]\nover = ['t_low', 'p_high']\nwidth = { t_low = 0.1 }\n"
        "goal = 'mean'\nsure = 0.9\nnear = 0.02\nlevel = 0.9",
        {
            "over": ["t_low", "p_high"],
            "width": {"t_low": 0.1},
            "goal": "mean",
            "sure": 0.9,
            "near": 0.02,
            "level": 0.9,
        },
        "robust_t_low_p_high",
        0,
    ),
    (
        "[analyses.rare]\ncases = 200\nreplicates = 8\nat = [0.4]",
        {"cases": 200, "replicates": 8, "at": [0.4], "level": 0.95},
        "rare_t_low",
        0,
    ),
    (
        "[analyses.mapping]\nresamples = 60\nlevel = 0.8\nalong = 't_low'",
        {"resamples": 60, "level": 0.8, "along": "t_low"},
        "mapping_t_low",
        3 * LUNGS,
    ),
    (
        "[analyses.boxes]\nover = ['t_low', 'p_high']\ndensity = 0.8\nresamples = 15",
        {"over": ["t_low", "p_high"], "density": 0.8, "resamples": 15, "level": 0.95},
        "boxes_t_low_p_high",
        LUNGS,
    ),
    (
        "[analyses.sweep]\noutcomes = ['auto_peep']\njudged = false  # 't_low' 'p_high'",
        {"outcomes": ["auto_peep"], "judged": False},
        "cases",
        3 * 2 * LUNGS,
    ),
]


@pytest.mark.parametrize(
    ("table", "given", "name", "cases"), PLANS, ids=[plan[2] for plan in PLANS]
)
def test_every_option_reaches_its_analysis(table, given, name, cases):
    kind = table.split("analyses.")[1].split("]")[0]
    _, task, options = planned(table, kind)
    assert (task.name, task.kind, task.cases, task.streams) == (name, kind, cases, False)
    assert {key: getattr(options, key) for key in given} == given


@pytest.mark.parametrize(
    ("head", "tail", "given"),
    [
        ("lung = 'paired'", "[analyses.inside]\nseconds = 3.0", {"seconds": 3.0}),
        (
            "lung = 'stepped'\n[fixed]\nrecruitable_share = 0.3\n[axes]\nt_low = [0.3, 0.5, 0.8]",
            "[analyses.collapse]\nt_low = [0.4, 0.6]",
            {"t_low": [0.4, 0.6]},
        ),
    ],
    ids=["inside", "collapse"],
)
def test_what_needs_a_lung_of_its_own_is_asked_what_the_file_says(head, tail, given):
    kind = tail[10:].split("]")[0]
    start = f"title = 'own'\npopulations = ['restrictive']\n{head}"
    _, task, options = planned(tail, kind, start, {})
    # a middle lung is solved: no case is counted beforehand
    assert (task.name, task.kind, task.cases, task.streams) == (kind, kind, 0, False)
    assert {key: getattr(options, key) for key in given} == given


@pytest.mark.parametrize(
    ("text", "lungs"),
    [("", 1), ("populations = ['normal']", 30), ("populations = ['normal', 'obstructive']", 60)],
)
def test_lungs_are_counted_by_group(text, lungs):
    study = parse_study(
        f"title = 'n'\nlung = 'linear'\nlungs = 30\n{text}\n[axes]\nt_low = [0.3, 0.5]\n"
        "compliance = [30.0, 50.0]\n"
        "[[analyses.map]]\nx = 't_low'\ny = 'compliance'"
    )
    assert sources.plan_tasks(study)[0].cases == 4 * lungs


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

    monkeypatch.setattr(sources.Ledger, "begun", begun)
    with pytest.raises(Begun) as asked:
        begin(tmp_path, **how)
    assert asked.value.args == told


def test_a_sweep_to_a_store_is_done_with_the_workers_that_it_is_given(monkeypatch, tmp_path):
    calls, result = [], xr.Dataset({"done": 1})

    def record(self, part, **how):
        calls.append((self, part, how))
        return [(result, tmp_path / "cases.zarr")]

    monkeypatch.setattr(sources.Work, "finish", record)
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
    ("kind", "texts"),
    [("study", 4), ("check", 3), ("comparison", 3)],
)
def test_a_worker_makes_the_source_again_and_does_the_piece_that_it_is_given(
    monkeypatch, tmp_path, kind, texts
):
    """Every word sent away is a text: files, groups of a part, engine, precision and lung."""
    study = parse_study(f"{START}t_low = {T_LOW}\n[analyses.mapping]\nalong = 't_low'")
    drafts = [load_protocol(SMALL / f"small_{name}.toml") for name in ("draft", "revision")]
    kinds = {
        "study": lambda: sources.study_source(study),
        "check": lambda: sources.check_source(drafts[0].solved_by("auto")),
        "comparison": lambda: sources.comparison_source(*drafts),
    }
    source = kinds[kind]()
    function, words = source.work(tmp_path, "run 1").task("part.000001")
    assert all(type(word) is str for word in words)
    assert len(source.texts) == texts
    asked = []

    def record(self, name):
        asked.append((self.ledger.key, self.ledger.run, self.folder, list(self.parts), name))
        return 12

    monkeypatch.setattr(sources.Work, "run", record)
    assert function(*words) == 12
    key = source.work(tmp_path).ledger.key
    assert asked == [(key, "run 1", tmp_path, [t.name for t in source.tasks], "part.000001")]
