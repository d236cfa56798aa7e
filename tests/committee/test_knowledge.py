"""How far knowledge could move a verdict, against a population with a closed form."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from ebbmap.committee.knowledge import PART, SHARES, asked_again, knowledge_pieces
from ebbmap.committee.protocol import Group
from ebbmap.errors import EbbmapError
from ebbmap.files.protocol import parse_protocol
from ebbmap.tables.committee.verdict import knowledge_table
from support.known import RESISTANCE, TOTAL, share_at, stated

T_LOW = 0.35
DRAFT = f"""
title = "One setting"
lung = "linear"
lungs = 400
settings_drawn = 8
[settings]
p_high = 25.0
p_low = 0.0
t_high = 5.0
t_low = {T_LOW}
[[groups]]
population = "normal"
[limits]
sets = []
rules = ["own"]
[[limits.own]]
rule = "own"
outcome = "flow_ratio"
low = 0.5
why = "invented"
"""


@pytest.fixture(scope="module")
def protocol():
    return replace(
        parse_protocol(DRAFT),
        groups=(Group(stated(), 1.0, 0.9),),
        fixed={"resistance_exp": RESISTANCE, "resistance_insp": RESISTANCE},
        knowledge=100,
    )


@pytest.fixture(scope="module")
def found(protocol):
    return PART.result(protocol, knowledge_pieces(protocol).whole())


def test_the_interval_of_knowledge_is_that_of_the_closed_form(found):
    own = found.sel(group="stated")
    exact = share_at(T_LOW, TOTAL * ndtri(np.array([0.025, 0.975])))
    # 400 lungs know a share to 0.025, 100 draws an end of the interval to 0.04
    np.testing.assert_allclose(own["safe_share_knowledge"], exact, atol=0.12)
    assert float(own["safe_share"]) == pytest.approx(share_at(T_LOW), abs=0.075)
    # one setting: safe there is safe over the whole range
    for end in ("safe_share", "whole_share"):
        np.testing.assert_allclose(found[end].sel(group="all"), own[end])
    assert list(found["safe_share_knowledge"].dims) == ["ci_bound", "group"]


def test_every_share_is_declared_and_told_with_both_intervals(found):
    for name in SHARES:
        for variable in (name, f"{name}_interval", f"{name}_knowledge"):
            declared = PART.variables[variable].attributes()
            assert {key: found[variable].attrs[key] for key in declared} == declared
    told = knowledge_table(found)
    assert all(column.knowledge for column in told.columns[1:])
    assert told.column("group") == ["stated", "all"]


def test_what_is_not_asked_for_costs_nothing(protocol):
    quiet = replace(protocol, knowledge=0)
    assert knowledge_pieces(quiet) is None and PART.cases(quiet) == 0
    assert PART.cases(protocol) == 101 * 400
    again = asked_again(protocol, 3)
    assert (again.groups[0].name, again.knowledge) == ("stated", 0)
    assert len(knowledge_pieces(protocol).wanted({})) == 101


def test_too_few_draws_or_lungs_that_nobody_knows_are_refused(protocol):
    with pytest.raises(EbbmapError, match="at least 39 outer draws"):
        knowledge_pieces(replace(protocol, knowledge=10))
    unknown = replace(protocol.groups[0].population, known=None)
    with pytest.raises(EbbmapError, match="'stated' are known is not stated"):
        replace(protocol, groups=(Group(unknown, 1.0, 0.9),))
