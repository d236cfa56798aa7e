"""Policies from Python: a check, and the path of a patient."""

import json
from pathlib import Path

import numpy as np
import pytest

import ebbmap
from ebbmap.errors import EbbmapError
from ebbmap.runs.policies import PolicyCheck
from ebbmap.runs.results import open_results

SMALL = Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("policy")


@pytest.fixture(scope="module")
def found(folder):
    return ebbmap.check(SMALL, out=folder, date="2026-01-01")


def test_a_policy_is_checked_from_python(found, folder):
    assert isinstance(found, PolicyCheck)
    assert found.holds is False
    assert {one.kind for one in found.findings} == {"contradiction", "gap", "too_rare"}
    opened = open_results(folder)
    assert opened.names == ["paths", "policy"]
    assert opened.study == SMALL.read_text(encoding="utf-8")
    said = json.loads(opened["policy"].attrs["findings"])
    assert [one["kind"] for one in said] == [one.kind for one in found.findings]


def test_a_patients_path_is_that_of_the_check(found):
    paths = found.results["paths"]
    number = int(paths["patient"][2])
    path = ebbmap.patient_path(SMALL, "restrictive", number)
    for name in ("t_low", "paco2", "flow_ratio_read", "safe"):
        np.testing.assert_array_equal(path[name].values, paths[name].isel(patient=2).values)


def test_a_draft_has_no_paths():
    with pytest.raises(EbbmapError, match="must be a policy"):
        ebbmap.patient_path("harbour_draft", "normal", 0)
