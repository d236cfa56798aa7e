"""The bundled lungs beside published findings: agreement is checked, disagreement written down."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.validation import FINDINGS
from ebbmap.validation.finding import VERDICTS
from external.record import RECORD, holds, said
from sensitivity_of_checks import constants


@pytest.mark.slow
@pytest.mark.parametrize("finding", FINDINGS, ids=lambda finding: finding.name)
def test_the_verdict_that_was_written_down_holds(finding):
    value = np.nan if finding.measure is None else finding.measure().value
    low, high = finding.interval
    found = f"{value:.4g}, published {low:.4g} to {high:.4g} ({finding.source})"
    # a lung that came nearer, or went further, is to be said in the list
    assert holds(finding, value), f"{found}: {finding.verdict(value)}; {said(finding)}"


def test_every_finding_has_one_verdict_and_every_verdict_its_finding():
    names = [finding.name for finding in FINDINGS]
    assert len(set(names)) == len(names)
    assert sorted(name for listed in RECORD.values() for name in listed) == sorted(names)
    assert set(RECORD) == set(VERDICTS)


def test_every_disagreement_has_its_reason():
    for finding in FINDINGS:
        if finding.name in RECORD["disagrees"]:
            assert finding.why, finding.name
            # a disagreement is never the doing of the number that the model was set by
            assert not finding.fitted, finding.name


COMPARED = [finding for finding in FINDINGS if finding.measure is not None]


@pytest.mark.parametrize("finding", COMPARED, ids=lambda finding: finding.name)
def test_a_finding_can_fail(finding):
    low, high = finding.interval
    beyond = [low - 0.1 * (high - low), high + 0.1 * (high - low)]
    inside, recorded = 0.5 * (low + high), RECORD["disagrees"].get(finding.name)
    if recorded is None:
        assert holds(finding, inside)
        assert not any(holds(finding, value) for value in beyond)
    else:
        # neither agreement come by chance nor another disagreement passes
        assert holds(finding, recorded)
        assert not holds(finding, inside) and not holds(finding, recorded * 1.05)
    assert not holds(finding, np.nan)


def marginal(group, name):
    return POPULATIONS[group].marginals[name], "centre"


#: A wrong value of each, and one finding that must not let it pass.
WRONG = {
    "half-closing pressure": (
        marginal("restrictive", "half_closed_pressure"),
        12.5,
        "restrictive: admixture at the lower pressure",
    ),
    "gradient loss": (
        (PARAMETERS["gradient_loss_share"], "default"),
        0.9,
        "venous return when mean pressure falls from 18 to 12",
    ),
    "obstructive resistance": (
        marginal("obstructive", "resistance_insp"),
        22.0,
        "obstructive: inspiratory resistance",
    ),
    "shunt in ARDS": (
        marginal("restrictive", "shunt_baseline"),
        0.30,
        "restrictive: admixture at the lower pressure",
    ),
    "flow limitation": (
        marginal("obstructive", "upstream_resistance"),
        60.0,
        "obstructive: lungs with flow limitation",
    ),
    "normal compliance": (marginal("normal", "compliance"), 70.0, "normal: compliance"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_constant_does_not_pass(name):
    (owner, field), value, finding = WRONG[name]
    (asked,) = (one for one in FINDINGS if one.name == finding)
    assert dataclasses.is_dataclass(owner)
    usual = getattr(owner, field)
    object.__setattr__(owner, field, value)  # frozen for all others
    try:
        assert not holds(asked, asked.measure().value)
    finally:
        object.__setattr__(owner, field, usual)
    assert holds(asked, asked.measure().value)


NOTICED = Path(__file__).with_name("sensitivity_of_checks.md").read_text(encoding="utf-8")
UNNOTICED = NOTICED.split("Unchecked, noticed by none (")[1]


@pytest.mark.parametrize("name", [name for name, *_ in constants()])
def test_the_table_says_of_each_constant_what_notices_it(name):
    listed = UNNOTICED.split("): ")[1].split(". For")[0].split(", ")
    assert (f"| {name} | " in NOTICED) != (name in [one.removesuffix(" (0)") for one in listed])


def test_the_guide_counts_what_nothing_notices_as_the_table_does():
    guide = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    none, every = UNNOTICED.split("):")[0].split(" of ")
    assert f"{none} of {every} constants are noticed by none" in guide
    assert int(every) == len(list(constants()))
