"""Obstructive lungs with limited flow: the data file is what its lungs measure."""

import tomllib

import numpy as np
import pytest

from external.fit_obstructive_limited import DATA, measured

FIT = tomllib.loads(DATA.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def found():
    return measured(FIT["fitted"], FIT["lungs"], FIT["seed"])


def test_the_data_file_is_what_its_lungs_measure(found):
    for name, value in FIT["measured"].items():
        # three digits stand in the file; a lung that grazes the limit may settle or not
        assert found[name] == pytest.approx(value, rel=0.02, abs=2e-3 if name != "unsettled" else 2)
    # at most 1 in 100 lungs could not be measured
    assert found["unsettled"] <= 0.01 * 2 * FIT["lungs"]


def test_what_was_fitted_has_the_published_quartiles(found):
    published = FIT["published"]
    for name in ("resistance_insp", "time_constant_exp"):
        off = np.log(np.divide(found[name], published[name]))
        # quartiles of 40 lungs are known to about 1.3 SD / sqrt(40): a fifth of their log-SDs of
        # 0.54 and 0.85; the upper quartile of the time constant misses by a sixth
        assert np.abs(off).max() < 0.2, (name, off)
    # two standard errors of 12 in 32
    assert found["limited"] == pytest.approx(12 / 32, abs=0.17)


def test_what_was_not_fitted(found):
    # Crit Care cc12580, Table 1: dynamic auto-PEEP 1.8 in 30 obstructive patients, assisted breaths
    low, _, high = found["auto_peep"]
    assert low < 1.8 < high
    # a set PEEP downstream takes limitation away
    assert found["limited_at_peep"] < found["limited"]
