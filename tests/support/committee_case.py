"""Three small drafts, checked once for all tests that read what a check says.

`RULED` has everything that can go wrong between a case and a sentence: rules with ends and with
errors of measurement, lungs that do not get the mode, cases that cannot be computed. `PLAIN` has
two free settings, so that there are maps and indices; `SINGLE` has one, so that every box of it
can be looked at by hand.
"""

from functools import lru_cache

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.committee import (
    boxes,
    certificates,
    comparison,
    drivers,
    maps,
    own_setting,
    windows,
)
from ebbmap.committee.check import check_protocol
from ebbmap.files.protocol import parse_protocol

DATE = "2026-01-01"

_LIMITS = """
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
high = 12.0
why = "invented"
[[limits.own]]
outcome = "auto_peep"
high = 7.0
severity = "caution"
why = "invented"
[[limits.own]]
rule = "own"
outcome = "flow_ratio"
low = 0.25
high = 0.75
why = "invented"
"""

RULED = (
    """
title = "A ruled draft"
lung = "linear"
seed = 5
lungs = 96
settings_drawn = 16
wanted = 0.5
[settings]
p_low = { low = 0.0, high = 10.0 }
t_high = 5.0
[settings.p_high]
rule = "plateau"
volume_per_kg = 4.5
peep = 2.0
plus = 1.5
error = 0.3
at_most = 24.0
[settings.t_low]
rule = "time_constant"
multiple = { low = 0.3, high = 0.9 }
error = 0.2
at_least = 0.35
at_most = 0.8
[[groups]]
population = "normal"
weight = 1.0
[[groups]]
population = "obstructive"
weight = 3.0
wanted = 0.4
[eligible]
time_constant_exp = { high = 1.8 }
compliance = { low = 35.0 }
"""
    + _LIMITS
)

PLAIN = (
    """
title = "A plain draft"
lung = "linear"
question = "Does it hold?"
institution = "Nowhere Hospital (invented)"
seed = 3
lungs = 128
settings_drawn = 32
wanted = 0.7
[settings]
p_high = { low = 16.0, high = 20.0 }
p_low = 0.0
t_high = 5.0
t_low = { low = 0.35, high = 0.45 }
[[groups]]
population = "normal"
weight = 0.4
[[groups]]
population = "obstructive"
weight = 0.6
"""
    + _LIMITS
)

SINGLE = """
title = "One free setting"
lung = "linear"
seed = 7
lungs = 64
settings_drawn = 8
wanted = 0.6
[settings]
p_high = 18.0
p_low = 1.0
t_high = 5.0
t_low = { low = 0.25, high = 0.9 }
[fixed]
cardiac_output = 6.5
[[groups]]
population = "normal"
weight = 2.0
[[groups]]
population = "obstructive"
weight = 1.0
""" + _LIMITS.replace("low = 3.0\nhigh = 10.0", "low = 3.5\nhigh = 9.0")

#: Sizes small enough for a check in seconds; where a number below depends on one it is read here.
SIZES = {
    (boxes, "SEARCH_LUNGS"): 96,
    (certificates, "CERTIFICATE_LUNGS"): 160,
    (certificates, "CERTIFICATE_SETTINGS"): 8,
    (own_setting, "ENOUGH"): 128,
    (comparison, "CHOICE_LUNGS"): 64,
    (comparison, "TRIED_LUNGS"): 128,
    (windows, "LUNGS"): 96,
    (windows, "RESAMPLES"): 50,
    (maps, "LUNGS"): 64,
    (maps, "PLACES"): 9,
    (drivers, "BASE_SIZE"): 64,
    (drivers, "PLACES"): 3,
    (comparison, "TIMES"): np.round(np.geomspace(0.1, 4.0, 15), 4),
    (comparison, "MULTIPLES"): np.round(np.geomspace(0.05, 3.0, 15), 4),
    (comparison, "RATIOS"): np.round(np.arange(0.06, 0.96, 0.1), 2),
}


def small_sizes(patch):
    """Make searches and certificates small."""
    for (module, name), value in SIZES.items():
        patch.setattr(module, name, value)
    patch.setattr(
        comparison,
        "_TARGETS",
        {
            "fixed": comparison.TIMES,
            "time_constant": comparison.MULTIPLES,
            "flow_ratio": comparison.RATIOS,
        },
    )


@lru_cache
def protocol_of(text):
    return parse_protocol(text)


@lru_cache
def check_of(text):
    """Return the check of a draft with small sizes, made once."""
    with pytest.MonkeyPatch.context() as patch:
        small_sizes(patch)
        return check_protocol(protocol_of(text), date=DATE)


# what a draft does to lungs, from the words of its file alone


def margin_by_hand(bound, value):
    """Distance inside a bound, in its widths."""
    return (value - bound.value if bound.side == "low" else bound.value - value) / bound.width


def verdicts(limits, outcomes):
    """Judge cases bound by bound: verdict codes, margins of the hard bounds, shape (k, ...)."""
    hard, mild = (
        np.stack(np.broadcast_arrays(*(margin_by_hand(b, outcomes[b.outcome]) for b in bounds)))
        for bounds in (limits.hard, limits.caution)
    )
    broken, warned = (hard < 0).any(axis=0), (mild < 0).any(axis=0)
    lost = np.isnan(hard).any(axis=0)
    unclear = np.isnan(mild).any(axis=0)
    code = np.select([broken, lost, warned, unclear], [2, 3, 1, 3], 0)
    return code, hard


def solved(protocol, lungs, settings):
    """Solve n lungs at m settings, each setting of shape (m,), (n, m) or ()."""
    n = next(iter(lungs.values())).size
    m = max((np.shape(v)[-1] for v in settings.values() if np.ndim(v)), default=1)
    fixed = {k: np.asarray(float(v)) for k, v in protocol.fixed.items()}
    values = {k: np.broadcast_to(v[:, None], (n, m)) for k, v in lungs.items()}
    values |= {k: np.broadcast_to(v, (n, m)) for k, v in {**fixed, **settings}.items()}
    found = evaluate(protocol.lung, values, protocol.limits.outcomes)
    return {k: np.broadcast_to(v, (n, m)) for k, v in found.outcomes.items()}


def wilson_by_hand(mean, trials, level):
    """Interval of a share: the two roots of (p - mean)^2 = z^2 p (1 - p) / trials."""
    from scipy.stats import norm

    z2 = norm.ppf(0.5 + level / 2) ** 2
    roots = np.roots([1 + z2 / trials, -(2 * mean + z2 / trials), mean**2])
    return tuple(np.clip(np.sort(roots.real), 0.0, 1.0))
