"""The bundled lungs beside published findings: agreement is checked, disagreement written down."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from external.published import CHECKS
from sensitivity_of_checks import constants, disagreements


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_the_verdict_that_was_written_down_holds(check):
    value = check.measure()
    low, high = check.interval
    found = "agrees" if low <= value <= high else "disagrees"
    said = f"{value:.4g}, published {low:.4g} to {high:.4g} ({check.source}): {found}"
    # a lung that came nearer, or went further, is to be said in the list
    assert check.holds(value), f"{said}; written down: {check.verdict}, {check.record}"


def test_every_check_names_its_source_and_grade():
    assert len({check.name for check in CHECKS}) == len(CHECKS)
    for check in CHECKS:
        assert check.source and check.interval[0] < check.interval[1], check.name
        assert check.grade in ("read", "transcription", "memory", "derived"), check.name
        # a disagreement is never the doing of the number that the model was set by
        assert check.record is None or not check.fitted, check.name


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_a_check_can_fail(check):
    low, high = check.interval
    beyond = [low - 0.1 * (high - low), high + 0.1 * (high - low)]
    inside = 0.5 * (low + high)
    if check.record is None:
        assert check.holds(inside)
        assert not any(check.holds(value) for value in beyond)
    else:
        # neither agreement come by chance nor another disagreement passes
        assert check.holds(check.record)
        assert not check.holds(inside) and not check.holds(check.record * 1.05)
    assert not check.holds(np.nan)


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
        30.0,
        "obstructive: inspiratory resistance",
    ),
    "shunt in ARDS": (
        marginal("restrictive", "shunt_baseline"),
        0.30,
        "restrictive: admixture at the lower pressure",
    ),
    "flow limitation": (
        marginal("obstructive", "flow_limitation"),
        4.0,
        "obstructive: expiratory time constant with flow limitation",
    ),
    "normal compliance": (marginal("normal", "compliance"), 70.0, "normal: compliance"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_constant_does_not_pass(name):
    (owner, field), value, finding = WRONG[name]
    (check,) = (check for check in CHECKS if check.name == finding)
    assert dataclasses.is_dataclass(owner)
    usual = getattr(owner, field)
    object.__setattr__(owner, field, value)  # frozen for all others
    try:
        assert not check.holds(check.measure())
    finally:
        object.__setattr__(owner, field, usual)
    assert check.holds(check.measure())


DEVELOPERS = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", [name for name, *_ in constants()])
def test_the_docs_say_of_each_constant_what_notices_it(name):
    unchecked = DEVELOPERS.split("Unchecked, noticed by none")[1].split("): ")[1].split(". For")[0]
    listed = [entry.removesuffix(" (0)") for entry in unchecked.split(", ")]
    assert (f"| {name} | " in DEVELOPERS) != (name in listed)


@pytest.mark.parametrize("row", disagreements())
def test_the_docs_list_each_disagreement(row):
    assert row in DEVELOPERS
