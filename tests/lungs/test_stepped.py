"""The stepped lung: what it equals when switched off, what it conserves, what each switch does."""

import numpy as np
import pytest

from ebbmap.lungs import lung_model
from ebbmap.lungs.linear import LINEAR
from ebbmap.parameters import PARAMETERS

STEPPED = lung_model("stepped")


def draw(count, seed, *features, wide=False):
    """Random legal cases: settings and plain mechanics, and the named features, all others off."""
    rng = np.random.default_rng(seed)
    values = {}
    for name in STEPPED.parameters:
        entry = PARAMETERS[name]
        if name in features or name in LINEAR.parameters or name == "chest_wall_share":
            low, high = (entry.low, entry.high) if wide else (entry.usual_low, entry.usual_high)
            values[name] = rng.uniform(low, high, count)
        else:
            values[name] = np.full(count, entry.default)
    values["p_low"] = np.minimum(values["p_low"], values["p_high"] - 1.0).clip(0.0)
    return values


@pytest.mark.parametrize("wide", [False, True])
def test_with_all_off_it_is_the_linear_lung(wide):
    values = draw(500, 1, wide=wide)
    ours = STEPPED.solve(**values)
    exact = LINEAR.solve(**{name: values[name] for name in LINEAR.parameters})
    for name, expected in exact.items():
        # rounding: the shortest wide phases are 1e-5 time constants, which costs five digits
        np.testing.assert_allclose(ours[name], expected, rtol=1e-9, err_msg=name)
