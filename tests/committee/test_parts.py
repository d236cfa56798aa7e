"""The entries of the parts of a check: what they declare is what results hold."""

from dataclasses import replace

import pytest

from ebbmap.cases.pieces import single
from ebbmap.committee.base import Part
from ebbmap.committee.check import check_parts, join_check
from ebbmap.committee.parts import PARTS


def test_results_come_in_the_order_of_the_entries(small_check):
    assert list(small_check.results) == [name for name in PARTS if name in small_check.results]
    assert {"verdict", "lungs", "parting"} <= set(small_check.results)


@pytest.fixture(scope="module")
def breathed(small_check):
    """The protocol of the small check, asked again at two levels of own breathing."""
    return replace(small_check.protocol, own_breathing=(0.0, 2.0))


@pytest.fixture(scope="module")
def results(small_check, breathed):
    part = PARTS["breathing"]
    again = part.result(breathed, part.pieces(breathed).whole())
    return {**small_check.results, "breathing": again}


@pytest.mark.parametrize("name", [name for name in PARTS if name not in ("drivers", "knowledge")])
def test_every_variable_of_a_result_is_declared_and_says_so(name, results):
    """Those of the drivers are declared by the analysis of that kind; knowledge is not asked."""
    result, declared = results[name], PARTS[name].variables
    assert set(result.data_vars) <= set(declared)
    assert set(declared) <= set(result.variables)
    for variable, entry in declared.items():
        attrs = result[variable].attrs
        assert {key: attrs[key] for key in entry.attributes()} == entry.attributes(), variable


def test_a_part_without_pieces_is_made_of_those_of_another(breathed):
    cut = check_parts(breathed)
    for name, part in PARTS.items():
        assert part.name == name
        assert (part.pieces is None) == bool(part.needs)
        if part.needs:
            assert PARTS[part.needs].pieces is not None
            assert name not in cut
    made = {name for name, part in PARTS.items() if part.pieces is not None}
    assert set(cut) == made - {"knowledge"}


def test_a_new_part_is_one_entry(small_check, monkeypatch):
    """It is cut, joined and stamped with what it holds, without a word anywhere else."""
    given = small_check.results["parting"]
    toy = Part(
        name="toy",
        pieces=lambda protocol: single(lambda progress: given[["gap"]]),
        result=lambda protocol, found: found * 2,
        lays_out=lambda draft: ("t_low",),
    )
    monkeypatch.setattr("ebbmap.committee.check.PARTS", {"toy": toy})
    pieces = check_parts(small_check.protocol)
    found = {name: part.whole() for name, part in pieces.items()}
    done = join_check(small_check.protocol, "2026-03-04", found).results["toy"]
    assert (done["gap"].fillna(-1) == (given["gap"] * 2).fillna(-1)).all()
    assert done.attrs["title"] == f"{small_check.protocol.title}: toy"
    assert done.attrs["history"].startswith("2026-03-04 ")
    assert done.attrs["protocol"] == small_check.protocol.text
