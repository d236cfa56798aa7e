"""How a file was understood, before anything is computed."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from ebbmap.caution import CAUTION
from ebbmap.cli import app
from ebbmap.files.bundled import bundled_policies, bundled_protocols, files_in
from ebbmap.files.explained import explain_policy, explain_protocol
from ebbmap.files.policy import load_policy
from ebbmap.files.protocol import load_protocol, parse_protocol

TEXT = """
title = "start on day one"
lung = "linear"
own_breathing = [0.0, 3.0]
[settings]
p_high = { rule = "plateau", volume_per_kg = 6, peep = 8, at_most = "3 kPa" }
p_low = 0
t_high = { low = 4, high = 6 }
t_low = { rule = "time_constant", multiple = 0.6, error = 0.1 }
[fixed]
spontaneous_alveolar_ventilation = 1.5
[[groups]]
population = "mine"
weight = 3
wanted = 0.5
[[groups]]
population = "normal"
weight = 1
[population.mine]
base = "normal"
properties.compliance = { family = "lognormal", median = 40.0, log_sd = 0.3 }
[eligible]
time_constant_exp = { high = 2.0 }
[limits]
sets = ["volume"]
[[limits.own]]
outcome = "ph"
low = 7.2
high = 7.6
why = "invented"
[[limits.own]]
outcome = "auto_peep"
high = "1 kPa"
why = "invented"
severity = "caution"
"""


def said_of(text):
    return {one.title: " ".join(one.sentences) for one in explain_protocol(parse_protocol(text))}


def test_a_protocol_is_said_in_sentences_with_units():
    said = said_of(TEXT)
    # the quartiles of a lognormal lie 0.6745 of its spread either way: 40 exp(-+0.2023)
    assert "Group 1, mine: 75 % of the patients; 50 % of the combinations" in said["for whom"]
    assert "Half of these lungs have compliance 32.7 to 49 mL/cmH₂O" in said["for whom"]
    assert "Group 2, normal: 25 % of the patients; 90 % of the" in said["for whom"]
    assert "expiratory time constant at most 2 s" in said["for whom"]
    assert "P high: plateau pressure at 6 mL/kg and PEEP 8 cmH₂O" in said["what is set"]
    assert "at most 30.5915 cmH₂O" in said["what is set"]
    assert "T low: 0.6 x expiratory time constant, measured to 10 %" in said["what is set"]
    assert said["own breathing"].startswith("1.5 L/min of alveolar ventilation")
    assert "counted again at 0 and 3 L/min" in said["own breathing"]
    assert "arterial pH below 7.2; arterial pH above 7.6" in said["what is judged"]
    assert "A warning: auto-PEEP above 10.1972 cmH₂O" in said["what is judged"]
    assert "oxygenation" in said["what is not judged"]
    assert "CO₂ clearance" not in said["what is not judged"]
    assert "4,096 lungs of each group, each at 512 settings; seed 0." in said["how much is drawn"]
    assert "default: seed = 0, wanted = 0.9." in said["what the file does not say"]
    assert "Plasma bicarbonate 24 mmol/L (default)." in said["what the file does not say"]


def test_own_breathing_that_nobody_states_is_told():
    said = said_of(TEXT.replace("[fixed]\nspontaneous_alveolar_ventilation = 1.5\n", ""))
    assert "0 L/min" in said["own breathing"]
    assert "The patient is passive. This is the default" in said["own breathing"]


@pytest.mark.parametrize("path", files_in(bundled_protocols()), ids=lambda path: path.stem)
def test_every_bundled_protocol_can_be_explained(path):
    for one in explain_protocol(load_protocol(path)):
        assert one.sentences, one.title
        assert all(sentence[0].isupper() or sentence[0].isdigit() for sentence in one.sentences)


@pytest.mark.parametrize("path", files_in(bundled_policies()), ids=lambda path: path.stem)
def test_every_bundled_policy_can_be_explained(path):
    policy = load_policy(path)
    said = {one.title: one.sentences for one in explain_policy(policy)}
    assert len(said["what is measured"]) == len(policy.readings)
    for rule in policy.rules:
        whole = " ".join(sentence for part in said.values() for sentence in part)
        assert rule.name.casefold() in whole.casefold()


def test_the_command_explains_and_computes_nothing(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(TEXT, encoding="utf-8")
    done = CliRunner().invoke(app, ["check", str(path), "--explain"])
    assert done.exit_code == 0
    assert done.stdout.startswith(CAUTION)
    assert "\nWhat is judged\n" in done.stdout
    assert "nothing was computed" in done.stdout
    told = json.loads(CliRunner().invoke(app, ["check", str(path), "--explain", "--json"]).stdout)
    assert told["explained"][0]["title"] == "what is asked"
    assert told["holds"] is None
    assert list(tmp_path.iterdir()) == [path]


def test_an_explanation_loads_nothing_that_only_a_run_needs():
    name = Path(files_in(bundled_protocols())[0]).stem
    program = (
        "import sys; from typer.testing import CliRunner; from ebbmap.cli import app; "
        f"assert CliRunner().invoke(app, ['check', '{name}', '--explain']).exit_code == 0; "
        "print([n for n in ('xarray', 'pandas', 'scipy.stats', 'matplotlib', 'zarr', 'SALib') "
        "if n in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
