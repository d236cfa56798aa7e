"""Every page of every lung model with every bundled population, solved at tiny sizes."""

from collections.abc import Iterator
from functools import cache

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analyses.registry import ANALYSES
from ebbmap.files.study import parse_study
from ebbmap.plotting.pages import pages_of
from ebbmap.registries.populations import POPULATIONS
from ebbmap.runs.sources import Task, plan_tasks

#: Analyses whose results are drawn; a sweep holds cases.
DRAWN = set(ANALYSES) - {"sweep"}

ALL = tuple(POPULATIONS)
BOTH, LONGER = ("flow_ratio", "exhaled_fraction"), ("exhaled_fraction",)

#: Lung model, populations and rules of each study.
STUDIES = {
    "linear, all": ("linear", ALL, LONGER),
    "linear, one": ("linear", ALL[2:3], LONGER),
    "tube, three": ("tube", ALL[1:], BOTH),
    "paired, three": ("paired", ALL[:3], LONGER),
    "stepped, one": ("stepped", ALL[3:], LONGER),
}

#: The rest of every lung with every population: fewer factors or shorter names than those above.
MORE_STUDIES = {
    "tube, one": ("tube", ALL[:1], BOTH),
    "paired, one": ("paired", ALL[3:], BOTH),
    "stepped, three": ("stepped", ALL[:3], BOTH),
    "whole, all": ("whole", ALL, LONGER),
    "breathing, all": ("breathing", ALL, LONGER),
}

HEAD = """
title = "every page"
lung = "{lung}"
seed = 1
lungs = {lungs}
populations = [{populations}]
[fixed]
p_high = 24.0
p_low = 0.0
spontaneous_alveolar_ventilation = 3.0
{more}
[limits]
sets = [{sets}]
rules = [{rules}]
"""

ALONG = """
[axes]
t_low = {{ start = 0.2, stop = 1.4, count = 3 }}
resistance_exp = {{ start = 8.0, stop = 40.0, count = 3 }}
compliance = {{ start = 20.0, stop = 80.0, count = 3 }}
[[analyses.map]]
x = "t_low"
y = "resistance_exp"
[[analyses.map]]
x = "compliance"
y = "resistance_exp"
average_over = ["t_low"]
[analyses.sobol]
along = "t_low"
base_size = 16
replicates = 8
resamples = 100
outcomes = ["release_volume_per_kg", "auto_peep", "paco2", "spo2"]
drop_failed = true
[analyses.screening]
along = "t_low"
trajectories = 4
resamples = 100
outcomes = ["release_volume_per_kg", "auto_peep", "paco2", "spo2"]
[analyses.mapping]
along = "t_low"
resamples = 50
[analyses.edge]
over = ["t_low"]
points = 100
[analyses.robust]
over = ["t_low"]
[analyses.rare]
along = "t_low"
cases = 100
replicates = 4
[analyses.boxes]
over = ["t_low"]
resamples = 10
[analyses.profile]
along = "t_low"
outcomes = ["auto_peep", "paco2", "flow_ratio"]
"""

FEW_LUNGS = """
[axes]
t_low = { start = 0.2, stop = 1.4, count = 2 }
[analyses.window]
[analyses.shapley]
along = "t_low"
base_size = 32
replicates = 2
outcomes = ["auto_peep", "release_volume_per_kg", "release_minute_volume"]
drop_failed = true
"""

MANY_LUNGS = """
[axes]
t_low = { start = 0.2, stop = 1.4, count = 2 }
[analyses.given]
along = "t_low"
outcomes = ["auto_peep", "release_volume_per_kg"]
drop_failed = true
[analyses.slopes]
along = "t_low"
outcomes = ["auto_peep", "release_volume_per_kg"]
resamples = 100
drop_failed = true
"""

TRADE = """
[axes]
t_low = { start = 0.2, stop = 1.4, count = 4 }
t_high = { start = 2.0, stop = 6.0, count = 3 }
[analyses.trade]
"""

ONE_SETTING = """
[analyses.compare]
[analyses.startup]
cycles = 3
[analyses.course]
change = {{ t_low = 0.8 }}
[analyses.adjust]
[analyses.limits]
[analyses.wean]
p_high_end = 16.0
p_high_step = 4.0
{inside}
"""

COLLAPSE = """
[axes]
t_low = { start = 0.2, stop = 1.4, count = 3 }
[analyses.collapse]
t_low = [0.3, 1.2]
"""

RULES = """
[axes]
t_low_in_time_constants = { start = 0.1, stop = 2.5, count = 8 }
[analyses.rules]
models = ["linear", "tube"]
"""

FORETELL = """
[axes]
t_low = { start = 0.2, stop = 1.4, count = 4 }
[analyses.foretell]
ways = { flow_ratio = [0.75, 0.5, 0.25], t_low = [0.3, 0.9] }
own_breathing = [0.0, 3.0]
resamples = 20
"""

TOGETHER = """
[axes]
t_low = { start = 0.2, stop = 1.4, count = 4 }
[analyses.together]
"""

STRATEGIES = """
[analyses.strategies]
strategies = ["low_volume", "consensus_2026", "textbook"]
own_breathing = [0.0, 3.0]
"""

#: What strategies set themselves.
SETTINGS = "p_high = 24.0\np_low = 0.0\n"

UNKNOWNS = """
[axes]
t_low = { start = 0.2, stop = 1.4, count = 7 }
[analyses.unknowns]
t_low = 0.5
"""

ROBUST = """
[axes]
t_low = { start = 0.2, stop = 1.4, count = 7 }
[analyses.robust]
over = ["t_low"]
width = { t_low = 0.2 }
sure = 0.8
"""

#: Outer draws: the fewest that rank all numbers of these lungs, and that have an interval of 95 %.
KNOWLEDGE = {UNKNOWNS: 73, ROBUST: 39}

GASES, FEW = ("pressure", "auto_peep", "co2", "oxygen"), ("pressure", "volume", "auto_peep")


def _studies(lung: str) -> list[tuple[str, tuple[str, ...], str, int]]:
    """Return what no single study can hold: fixed values, limit sets, analyses, lungs."""
    held = "t_high = 5.0"
    inside = "[analyses.inside]" if lung == "paired" else ""
    studies = [
        (held, GASES, ALONG.format(), 80),
        (held, FEW, FEW_LUNGS, 12),
        (held, FEW, MANY_LUNGS, 128),
        ("", GASES, TRADE, 8),
        (f"{held}\nt_low = 0.5", GASES, ONE_SETTING.format(inside=inside), 8),
    ]
    if lung == "breathing":  # a costly lung, whose pages differ by what is held alone
        return studies[-2:]
    if lung in ("linear", "tube"):
        studies += [
            (held, FEW, FORETELL, 8),
            (held, FEW, TOGETHER, 8),
            ("", GASES, STRATEGIES, 8),
            (held, FEW, UNKNOWNS, 40),
            (held, FEW, ROBUST, 40),
        ]
    if lung == "stepped":
        studies.append((f"{held}\nrecruitable_share = 0.3", FEW, COLLAPSE, 8))
    if lung == "tube":
        studies.append((held, FEW, RULES, 8))
    return studies


def tasks(name: str) -> list[Task]:
    """Return every analysis of a study, not yet solved."""
    lung, populations, rules = (STUDIES | MORE_STUDIES)[name]
    found = []
    for more, sets, analyses, lungs in _studies(lung):
        head = HEAD.format(
            lung=lung,
            lungs=lungs,
            more=more,
            sets=_listed(sets),
            populations=_listed(populations),
            rules=_listed(rules),
        )
        if "own_breathing" in analyses:  # lays it out itself
            head = head.replace("spontaneous_alveolar_ventilation = 3.0\n", "")
        if analyses is STRATEGIES:
            head = head.replace(SETTINGS, "")
        if analyses in KNOWLEDGE:
            head = head.replace("seed = 1\n", f"seed = 1\nknowledge = {KNOWLEDGE[analyses]}\n")
        found += plan_tasks(parse_study(head + analyses))
    return found


@cache
def results(name: str) -> tuple[tuple[str, xr.Dataset], ...]:
    """Return the kind and the result of every analysis of a study."""
    return tuple((task.kind, task.run(lambda cases: None)) for task in tasks(name))


def pages(name: str) -> Iterator[tuple[str, str, Figure]]:
    """Give kind, name and figure of every page of a study; a thousand figures are not kept."""
    for kind, result in results(name):
        for page, figure, _ in pages_of(kind, result):
            yield kind, page, figure


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(f'"{name}"' for name in names)
