"""Legal protocols at random: own lungs, weight bands, rules, exclusions, limits nobody meets."""

import os
import random

#: How many are tried through to the finished report.
PROTOCOLS = int(os.environ.get("EBBMAP_PROTOCOLS", "20"))

#: The least of everything, so that one check takes a fraction of a second.
LEAST_SIZES = """
[sizes]
search_lungs = 16
search_settings = 16
own_settings = 64
certificate_lungs = 64
certificate_settings = 8
choice_lungs = 16
tried_lungs = 64
window_lungs = 16
map_lungs = 16
map_places = 5
driver_rows = 64
"""

_P_HIGH = (
    "{ low = 16.0, high = 26.0 }",
    "24.0",
    '{ rule = "plateau", volume_per_kg = 6.0, peep = 5.0, plus = 2.0, error = 0.1, '
    "at_least = 14.0, at_most = 30.0 }",
)
_T_LOW = (
    "{ low = 0.3, high = 0.8 }",
    "0.5",
    '{ rule = "flow_ratio", ratio = 0.75, error = 0.1, at_least = 0.2, at_most = 1.2 }',
    '{ rule = "flow_ratio", ratio = 0.5 }',
    '{ rule = "time_constant", multiple = { low = 0.4, high = 1.0 }, error = 0.2 }',
    '{ rule = "time_constant", multiple = 0.7, at_least = 0.2, at_most = 1.5 }',
    *(
        f'{{ rule = "either", take = "{take}", of = [{{ rule = "flow_ratio", ratio = 0.75 }}, '
        '{ rule = "time_constant", multiple = { low = 0.4, high = 1.0 }, error = 0.1, '
        "at_most = 1.0 }] }"
        for take in ("any", "shorter", "longer")
    ),
)
_P_LOW = (
    "0.0",
    "{ low = 0.0, high = 5.0 }",
    "{ low = 2.0, high = 10.0 }",
    '{ rule = "share_of_p_high", share = { low = 0.1, high = 0.3 }, start = 4.0 }',
    '{ rule = "auto_peep", wanted = 4.0, error = 0.1, step = 1.0, at_most = 10.0, start = 0.0 }',
    '{ rule = "peep_table", fio2 = [0.4, 0.6, 0.8], peep = [5.0, 8.0, 12.0] }',
)
_T_HIGH = (
    "5.0",
    "{ low = 3.0, high = 6.0 }",
    '{ rule = "frequency", per_minute = { low = 9.0, high = 14.0 }, start = 5.0 }',
    '{ rule = "release_share", share = 0.1, start = 5.0 }',
    '{ rule = "inflation", multiple = 6.0 }',
)

#: Whom the draft is for: everybody, nearly everybody, few, one or two, nobody.
_ELIGIBLE = (
    "",
    "compliance = { low = 1.0 }",
    "time_constant_exp = { high = 1.5 }",
    "compliance = { low = 30.0, high = 60.0 }",
    "compliance = { low = 95.0 }",
    "compliance = { low = 130.0 }",
    "predicted_body_weight = { high = 45.0 }",
    "time_constant_exp = { high = 0.011 }",
    "compliance = { low = 1900.0 }",
)

#: What counts as safe: usual sets; what all lungs meet; what none does; cautions beside.
_LIMITS = (
    'sets = ["harm"]\nrules = []',
    'sets = ["pressure", "volume", "auto_peep"]\nrules = ["flow_ratio"]',
    'sets = ["pressure"]\nrules = ["exhaled_fraction"]',
    'sets = ["co2", "oxygen"]\nrules = []',
    'sets = []\nrules = []\n[[limits.own]]\noutcome = "end_high_pressure"\nhigh = 79.0\n'
    'why = "invented, met by all"',
    'sets = []\nrules = []\n[[limits.own]]\noutcome = "end_high_pressure"\nhigh = 6.0\n'
    'why = "invented, met by none"',
    'sets = ["volume"]\nrules = ["mine"]\n[[limits.own]]\nrule = "mine"\n'
    'outcome = "flow_ratio"\nlow = 0.4\nhigh = 0.8\nwhy = "invented"\n'
    '[[limits.own]]\noutcome = "auto_peep"\nhigh = 5.0\nseverity = "caution"\nwhy = "invented"',
)

_BUNDLED = ("normal", "restrictive", "obstructive")


def random_protocol(number):
    """Return the text of a legal protocol; the same number gives the same text."""
    rng = random.Random(number)
    pick = rng.choice
    groups, own = [], []
    for place in range(rng.randint(1, 3)):
        name = _BUNDLED[place]
        if rng.random() < 0.4:
            name = f"band_{place}"
            own.append(_own_population(rng, name, _BUNDLED[place]))
        wanted = f"wanted = {pick((0.1, 0.5, 0.8, 0.95))}\n" if rng.random() < 0.4 else ""
        groups.append(
            f'[[groups]]\npopulation = "{name}"\nweight = {pick((0.01, 1.0, 3.0))}\n{wanted}'
        )
    p_high, t_low = pick(_P_HIGH), pick(_T_LOW)
    breathing = pick(("", "", "own_breathing = [0.0, 3.0]"))
    eligible = pick(_ELIGIBLE)
    settings = (p_high, pick(_P_LOW), pick(_T_HIGH), t_low)
    parts = [
        f'title = "Random draft {number}"\nlung = "linear"',
        f"seed = {rng.randint(0, 999)}\nlungs = {pick((64, 65, 100))}\nsettings_drawn = 8",
        f"wanted = {pick((0.05, 0.5, 0.9, 0.99))}\n{breathing}",
        LEAST_SIZES,
        "[settings]\np_high = {}\np_low = {}\nt_high = {}\nt_low = {}".format(*settings),
        f"[fixed]\nfio2 = 0.6\nspontaneous_alveolar_ventilation = {pick((0.0, 2.0, 4.0))}",
        *groups,
        *own,
        f"[eligible]\n{eligible}" if eligible else "",
        f"[limits]\n{pick(_LIMITS)}",
    ]
    return "\n".join(parts) + "\n"


def _own_population(rng, name, base):
    """Return a population of one's own: a weight band, or stiffer lungs."""
    low = rng.choice((42.0, 60.0, 75.0))
    changed = rng.choice(
        (
            f'predicted_body_weight = {{ family = "uniform", low = {low}, high = {low + 12.0}, '
            'source = "invented band" }',
            'compliance = { family = "lognormal", median = 40.0, log_sd = 0.2, '
            'source = "invented" }',
        )
    )
    return f'[population.{name}]\nbase = "{base}"\n[population.{name}.properties]\n{changed}'
