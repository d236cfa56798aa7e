"""Windows and verdicts at levels of own breathing, beside a run at each level by itself."""

from dataclasses import replace

import numpy as np
import pytest

from ebbmap.analyses.window import Window, find_window
from ebbmap.cases.question import Question
from ebbmap.committee.breathing import breathing_pieces
from ebbmap.committee.counting import count_groups
from ebbmap.committee.verdict import find_verdict
from ebbmap.errors import StudyError
from ebbmap.files.protocol import parse_protocol
from ebbmap.files.study import parse_study
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.registries.populations import POPULATIONS

LEVELS = [0.0, 3.0]

DRAFT = """
title = "t"
lung = "linear"
lungs = 64
settings_drawn = 8
own_breathing = [0.0, 3.0]
[settings]
p_high = { low = 16.0, high = 20.0 }
p_low = 0.0
t_high = 5.0
t_low = { low = 0.3, high = 0.6 }
[[groups]]
population = "normal"
[[groups]]
population = "restrictive"
[limits]
sets = ["harm"]
rules = []
"""


def asked(**fixed):
    return Question(
        lung="linear",
        fixed={"plateau_peep": 10.0, "fio2": 0.6, **fixed},
        populations=(POPULATIONS["normal"], POPULATIONS["obstructive"]),
        rules={"limits": LIMIT_SETS["harm"]},
        lungs=12,
        seed=4,
    )


def test_windows_at_a_level_are_those_with_that_much_breathing_held():
    swept = find_window(asked(), Window(own_breathing=LEVELS))
    assert swept["rule"].values.tolist() == ["no own breathing", "own breathing 3 L/min"]
    assert "own breathing" not in swept.attrs["fixed"]
    for name, level in zip(swept["rule"].values, LEVELS, strict=True):
        alone = find_window(asked(**{SPONTANEOUS: level})).sel(rule="limits")
        own = swept.sel(rule=name)
        np.testing.assert_array_equal(own["window_share"], alone["window_share"])
        for side in ("lower", "upper"):
            both = np.stack([np.sort(one[side].values.ravel()) for one in (own, alone)])[
                :, : own["pieces"].sum().item()
            ]
            np.testing.assert_array_equal(both[0], both[1])
    # more breathing lets shorter releases clear enough
    assert (swept["window_share"][:, 1] >= swept["window_share"][:, 0]).all()


def test_a_coarser_look_finds_the_same_wide_windows():
    fine = find_window(asked(**{SPONTANEOUS: 3.0}))
    coarse = find_window(asked(**{SPONTANEOUS: 3.0}), Window(resolution=0.05))
    assert coarse.attrs["resolution"] == 0.05
    # edges are found to rounding, whatever the look
    np.testing.assert_allclose(coarse["best_margin"], fine["best_margin"], rtol=1e-6)


def test_own_breathing_that_is_swept_is_not_held_too():
    head = 'title = "t"\nlung = "linear"\npopulations = ["normal"]\n[analyses.window]\n'
    study = parse_study(f"{head}own_breathing = [0.0, 2.0]")
    assert study.file.analyses.window.own_breathing == [0.0, 2.0]
    with pytest.raises(StudyError, match="own_breathing"):
        parse_study(f"{head}own_breathing = [-1.0]")


def test_the_verdict_at_a_level_is_that_of_the_draft_with_it():
    protocol = parse_protocol(DRAFT)
    found = breathing_pieces(protocol).whole()
    assert found[SPONTANEOUS].values.tolist() == LEVELS
    for level in LEVELS:
        at = replace(protocol, fixed={**protocol.fixed, SPONTANEOUS: level})
        alone = find_verdict(at, count_groups(at))
        own = found.sel({SPONTANEOUS: level})
        for name in ("safe_share", "safe_share_interval"):
            np.testing.assert_array_equal(own[name], alone[name])
        assert own["grade"].values.tolist() == alone["grade"].values.tolist()
    assert (found["safe_share"].values[1] >= found["safe_share"].values[0]).all()


def test_without_levels_there_is_no_such_part():
    assert (
        breathing_pieces(parse_protocol(DRAFT.replace("own_breathing = [0.0, 3.0]\n", ""))) is None
    )
