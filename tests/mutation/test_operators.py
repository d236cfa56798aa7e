"""The operators plant what they say, and the sample stays while other code changes."""

import ast

import pytest

from mutation.operators import mutants_of, planted
from mutation.rooms import ROOMS, TESTS, best_match, room_of

SOURCE = '''
"""A docstring with 1 < 2."""
LABELS = {"low": "below", "high": "above"}
STEPS = (0.5, 2)

def share(ds, wanted: float = 0.9, flag=True):
    """More words."""
    if not flag and wanted > 0.5:
        raise ValueError(f"{wanted + 1}")
    total = ds["safe_share"].min() - ds["wanted_share"]
    total += 1
    return [x for x in total if x > 0] if flag else None
'''

PLANTED = [
    ("swap values", "{'low': 'below', 'high': 'above'}", "{'low': 'above', 'high': 'below'}"),
    ("number", "0.5", "0.625"),
    ("swap entries", "(0.5, 2)", "(2, 0.5)"),
    ("off by one", "2", "3"),
    ("number", "0.9", "1.125"),
    ("flip", "True", "False"),
    ("and/or", "not flag and wanted > 0.5", "not flag or wanted > 0.5"),
    ("drop a term", "not flag and wanted > 0.5", "not flag"),
    ("drop a sign", "not flag", "flag"),
    ("boundary", "wanted > 0.5", "wanted >= 0.5"),
    ("direction", "wanted > 0.5", "wanted < 0.5"),
    ("other column", "'safe_share'", "'wanted_share'"),
    ("other column", "'wanted_share'", "'safe_share'"),
    ("min/max", "ds['safe_share'].min()", "ds['safe_share'].max()"),
    (
        "arithmetic",
        "ds['safe_share'].min() - ds['wanted_share']",
        "ds['safe_share'].min() + ds['wanted_share']",
    ),
    ("drop a statement", "total += 1", "pass"),
    ("drop a filter", "for x in total if x > 0", "for x in total"),
    (
        "swap branches",
        "[x for x in total if x > 0] if flag else None",
        "None if flag else [x for x in total if x > 0]",
    ),
]


@pytest.mark.parametrize(("operator", "old", "new"), PLANTED)
def test_each_operator_makes_its_fault(operator, old, new):
    found = [" ".join((m.operator, m.old, m.new)).split() for m in mutants_of("a.py", SOURCE)]
    assert " ".join((operator, old, new)).split() in found


def test_texts_of_errors_and_docstrings_are_left_alone():
    found = mutants_of("a.py", SOURCE)
    assert not any("wanted + 1" in m.old for m in found if m.operator == "arithmetic")
    assert not any("docstring" in m.old or "words" in m.old for m in found if m.line < 3)


def test_a_planted_module_differs_in_one_place_and_still_parses():
    whole = ast.unparse(ast.parse(SOURCE)).splitlines()
    for mutant in mutants_of("a.py", SOURCE):
        text = planted(SOURCE, mutant.number)
        ast.parse(text)
        lines = ast.unparse(ast.parse(text)).splitlines()
        assert lines != whole
        if mutant.operator != "negate":
            assert sum(a != b for a, b in zip(whole, lines, strict=False)) == 1


def test_keys_stay_while_lines_move():
    before = {m.key for m in mutants_of("a.py", SOURCE)}
    after = {m.key for m in mutants_of("a.py", f"import os\n\n{SOURCE}\nX = 7\n")}
    assert before < after
    assert len(before) == len(mutants_of("a.py", SOURCE))


def test_every_module_of_a_room_has_its_tests():
    assert room_of("committee/verdict.py") == "committee"
    assert room_of("kernels/sobol.py") == "kernels"
    assert room_of("analyses/wean.py") == "analyses"
    assert room_of("lungs/linear.py") is None
    for starts in ROOMS.values():
        for start in starts:
            assert best_match(start, TESTS) or start.endswith(".py")
