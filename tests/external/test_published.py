"""The bundled lungs beside published findings: agreement is checked, disagreement written down."""

import numpy as np
import pytest

from external.published import CHECKS


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
