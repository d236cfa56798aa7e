"""The engine in checks of drafts and policies: the same counts by either, and it is said."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import ebbmap
from ebbmap.cli import app
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.policy import parse_policy
from ebbmap.files.protocol import parse_protocol
from ebbmap.policies.compiled import compiled_work
from ebbmap.runs.run import run_difference
from random_protocols import LEAST_SIZES

DATE = "2026-01-01"

#: A mean of probabilities over the uncertainty of limits, which is no count.
WEIGHED = "averaged_share"
POLICY = (Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml").read_text(
    encoding="utf-8"
)

#: Limits away from the targets that ways of choosing T low try: a T low found for a target lies
#: on it to rounding, and rounding would say on which side. One of them moves with P high, so that
#: no two settings are equally good.
DRAFT = (
    """
title = "two engines"
lung = "linear"
seed = 3
lungs = 128
settings_drawn = 64
wanted = 0.8
[settings]
p_high = { low = 16.0, high = 20.0 }
p_low = 0.0
t_high = 5.0
t_low = { low = 0.35, high = 0.45 }
[[groups]]
population = "obstructive"
[limits]
sets = ["pressure"]
rules = ["own"]
[[limits.own]]
outcome = "release_volume_per_kg"
low = 3.0
high = 10.0
why = "invented"
[[limits.own]]
outcome = "auto_peep"
high = 9.1
severity = "caution"
why = "invented"
[[limits.own]]
rule = "own"
outcome = "flow_ratio"
low = 0.26
high = 0.76
why = "invented"
"""
    + LEAST_SIZES
)


def with_key(text, engine="jax"):
    return f'engine = "{engine}"\n{text}'


def alike(ours, theirs):
    """Check that results differ by rounding of margins and indices only."""
    assert ours.keys() == theirs.keys()
    for part, one in ours.items():
        other = theirs[part]
        for name in one.variables:
            own, found = one[name].values, other[name].values
            if own.dtype.kind != "f" or ("share" in str(name) and name != WEIGHED):
                np.testing.assert_array_equal(found, own, err_msg=f"{part}.{name}")
            else:
                np.testing.assert_allclose(
                    found, own, rtol=1e-9, atol=1e-12, err_msg=f"{part}.{name}"
                )


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def drafts():
    pytest.importorskip("jax")
    return [ebbmap.check(DRAFT, engine=one, date=DATE) for one in ("numpy", "jax")]


def test_engines_change_no_count_of_a_draft(drafts):
    ours, theirs = drafts
    alike(ours.results, theirs.results)
    assert 0.0 < float(ours.results["verdict"]["safe_share"].sel(group="obstructive")) < 1.0


def test_every_result_of_a_draft_says_its_engine(drafts):
    for one, name in zip(drafts, ("NumPy", "JAX"), strict=True):
        assert {name} == {found.attrs["engine"].split()[0] for found in one.results.values()}


@pytest.mark.slow
def test_engines_change_no_count_of_the_tube():
    pytest.importorskip("jax")
    text = DRAFT.replace('"linear"', '"tube"')
    ours, theirs = (ebbmap.check(one, date=DATE) for one in (text, with_key(text)))
    alike(ours.results, theirs.results)


def test_the_command_says_what_solved_a_draft(tmp_path):
    pytest.importorskip("jax")
    draft = tmp_path / "draft.toml"
    draft.write_text(DRAFT, encoding="utf-8")
    words = ("check", draft, "--out", tmp_path / "one", "--date", DATE, "--engine", "jax")
    done = call(*words)
    assert done.exit_code == 1, done.output
    assert "Solved by JAX" in done.stdout
    assert "solved by" in (tmp_path / "one" / "report.html").read_text(encoding="utf-8")
    kept = json.loads((tmp_path / "one" / "pieces" / "plan.json").read_text(encoding="utf-8"))
    assert kept["plan"]["protocol"]["engine"] == "jax"
    # pieces of one engine only, as in studies
    other = call(*words[:-1], "numpy")
    assert other.exit_code == 2
    assert "protocol.engine was" in other.output


def test_engines_change_no_count_of_a_policy(tmp_path):
    pytest.importorskip("jax")
    ours, theirs = (ebbmap.check(POLICY, engine=one, date=DATE) for one in ("numpy", "jax"))
    assert ours.results.keys() == theirs.results.keys()
    for name in ("safe_share", "safe_share_interval", "other_share", "settled_share"):
        one, other = (found.results["policy"][name].values for found in (ours, theirs))
        np.testing.assert_array_equal(other, one, err_msg=name)
    assert ours.results["policy"].attrs["engine"].startswith("NumPy")
    assert theirs.results["policy"].attrs["engine"].startswith("JAX")


def test_a_policy_says_whether_its_minutes_were_compiled():
    pytest.importorskip("jax")
    policy = parse_policy(POLICY)
    policy = replace(policy, hours=48, protocol=replace(policy.protocol, lungs=10**6))
    with ebbmap.use_engine("jax"):
        assert compiled_work(policy) == "settled cycles, minutes of patients"
        assert compiled_work(parse_policy(POLICY)) == "settled cycles"


def test_two_drafts_are_compared_by_one_engine(tmp_path):
    pytest.importorskip("jax")
    drafts = parse_protocol(DRAFT), parse_protocol(DRAFT.replace("high = 20.0", "high = 22.0"))
    how = {"progress": lambda part: lambda cases: None}
    ours = run_difference(*drafts, tmp_path / "one", **how)
    theirs = run_difference(*drafts, tmp_path / "two", engine="jax", **how)
    alike({"difference": ours}, {"difference": theirs})


@pytest.mark.parametrize("text", [DRAFT, POLICY])
def test_the_key_is_checked_as_that_of_a_study(text):
    with pytest.raises(StudyError, match="engine"):
        ebbmap.check(with_key(text, "abacus"))
    with pytest.raises(EbbmapError, match="unknown engine 'abacus'"):
        ebbmap.check(text, engine="abacus")


@pytest.mark.parametrize("text", [DRAFT, POLICY])
def test_what_an_engine_cannot_do_is_said_before_any_work(text, monkeypatch):
    pytest.importorskip("jax")
    with pytest.raises(EbbmapError, match="works in one process"):
        ebbmap.check(text, engine="jax", cluster="tcp://127.0.0.1:1")
    stepped = text.replace('lung = "linear"', 'lung = "stepped"')
    with pytest.raises(EbbmapError, match=r"'stepped'.*NumPy alone"):
        ebbmap.check(stepped, engine="jax")
    monkeypatch.setattr("ebbmap.engines.find_spec", lambda name: None)
    with pytest.raises(EbbmapError, match=r"Install ebbmap\[jax\]"):
        ebbmap.check(text, engine="jax")
