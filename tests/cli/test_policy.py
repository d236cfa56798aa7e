"""A policy is checked by the command that checks a protocol."""

import csv
import json
import re
from pathlib import Path

import xarray as xr
from typer.testing import CliRunner

from ebbmap.caution import CAUTION
from ebbmap.cli import app
from ebbmap.policies.findings import KINDS
from ebbmap.tables.keys import POLICY_DIFF_KEYS, POLICY_KEYS
from json_paths import matches, paths

SMALL = Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml"


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def check_keys(told, keys=POLICY_KEYS, *, absent=()):
    found = set(paths(told))
    unknown = {path for path in found if not any(matches(path, key) for key in keys)}
    assert not unknown
    missing = {key for key in keys if not any(matches(path, key) for path in found)}
    assert missing == set(absent)


def test_a_policy_prints_one_document_with_its_documented_keys(tmp_path):
    done = call("check", SMALL, "--out", tmp_path, "--json", "--date", "2026-01-01")
    assert done.exit_code == 1, done.output
    told = json.loads(done.stdout)
    assert told["caution"] == CAUTION
    check_keys(told, absent={key for key in POLICY_KEYS if key.startswith("mended")})
    assert told["holds"] is False
    assert set(told["groups"]) == {"restrictive", "all"}
    own = told["groups"]["restrictive"]["safe_at"]
    assert list(own) == ["1", "6", "24", "48"]
    low, high = own["1"]["interval"]
    assert low <= own["1"]["share"] <= high
    assert own["6"]["share"] is None  # the file follows them for 4 h
    for one in told["findings"]:
        assert one["kind"] in KINDS
        assert re.fullmatch(r".*small_policy\.toml:\d+", one["where"])
    with xr.open_dataset(tmp_path / "policy.nc", engine="h5netcdf") as result:
        share = float(result["safe_share"].sel(group="restrictive", hour=1))
        assert share == own["1"]["share"]
        assert result.attrs["caution"] == CAUTION
        assert json.loads(result.attrs["findings"]) == told["findings"]
        assert result["safe_share"].attrs["units"] == "1"
    with (tmp_path / "findings.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.reader(file))) == 1 + len(told["findings"])
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    first = page[page.index("The answer") : page.index("Who is safe when")]
    assert first.count('class="lead') == 3
    assert page.count('class="path"') == 5
    assert all(f'href="#patient-{number}"' in page for number in range(5))
    assert (tmp_path / "policy.png").read_bytes().startswith(b"\x89PNG")


def test_a_dry_run_looks_at_the_rules_and_writes_nothing(tmp_path):
    done = call("check", SMALL, "--out", tmp_path / "none", "--json", "--dry-run")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    absent = {key for key in POLICY_KEYS if key.startswith(("groups", "mended"))}
    check_keys(told, absent=absent)
    assert told["findings"]
    assert told["holds"] is None
    assert not (tmp_path / "none").exists()


def test_the_terminal_begins_with_the_caution_and_says_what_is_ours():
    done = call("check", SMALL, "--dry-run")
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith(CAUTION)
    assert "The project's own: everything." in done.stdout
    assert "contradiction" in done.stdout


def test_a_bundled_policy_is_found_by_its_name():
    done = call("check", "hospital_guide", "--dry-run", "--json")
    assert done.exit_code == 0, done.output
    kinds = {one["kind"] for one in json.loads(done.stdout)["findings"]}
    assert {"contradiction", "gap", "never_fires", "too_rare"} <= kinds


def test_two_policies_are_compared_by_the_command_for_drafts(tmp_path):
    other = tmp_path / "other.toml"
    text = SMALL.read_text(encoding="utf-8").replace("small policy", "shorter cap")
    other.write_text(text.replace("t_low <= 1 s", "t_low <= 0.6 s"), encoding="utf-8")
    done = call("diff", other, SMALL, "--json", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    check_keys(told, POLICY_DIFF_KEYS)
    assert told["changes"] == ["rule changed: longer"]
    group = told["groups"]["restrictive"]
    assert group["change"] == group["after"]["safe"] - group["before"]["safe"]
    assert told["sentences"][0].startswith("restrictive: ")
    assert Path(told["result"]).exists()


def test_a_policy_and_a_draft_are_not_compared():
    done = call("diff", SMALL, "harbour_draft")
    assert done.exit_code == 2
    assert "must both be drafts or both be policies" in " ".join(done.output.split())


def test_a_file_with_problems_names_them(tmp_path):
    broken = tmp_path / "broken.toml"
    text = SMALL.read_text(encoding="utf-8")
    broken.write_text(text.replace("paco2 > 60 mmHg", "pco2 > 60 mmHg"), encoding="utf-8")
    done = call("check", broken)
    assert done.exit_code == 2
    assert "did you mean 'paco2'" in done.output
