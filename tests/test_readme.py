"""Numbers of the README that a case or two can tell, beside the case.

Shares of populations stand beside their pictures, which `ebbmap figures --check` makes anew;
published findings are in `tests/validation`.
"""

import math
import re
from pathlib import Path

import pytest

import ebbmap
from ebbmap.cases.question import Question, middle_lung
from ebbmap.registries.populations import POPULATIONS

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")

#: What the pictures hold beside P high from the plateau.
HELD = {"plateau_peep": 10.0, "p_low": 0.0, "t_high": 5.0, "fio2": 0.6}


def told(pattern):
    """Numbers of the one place of the README that a pattern with groups finds."""
    (found,) = re.findall(pattern, README)
    return [float(number) for number in found]


def middle(lung, name, *outcomes, **settings):
    group = POPULATIONS[name]
    properties = middle_lung(Question(lung, HELD, populations=(group,)), group, {})
    values = {name: float(value) for name, value in properties.items()}
    case = ebbmap.simulate(lung, outcomes=outcomes, **{**values, **HELD, **settings})
    return [float(case[outcome]) for outcome in outcomes]


def test_time_constants_at_which_a_whole_range_keeps_each_rule():
    shortest, longest, single = told(r"from ([\d.]+) to ([\d.]+) s, and the exhal.*?, ([\d.]+) s\.")
    # flow falls as exp(-T low / tau): at 1 s not below one half, at 0.5 s not above three quarters
    assert shortest == round(1.0 / math.log(2.0), 2)
    assert longest == round(0.5 / math.log(4.0 / 3.0), 2)
    # half of the gas at 0.5 s and three quarters at 1 s are the same time constant
    assert single == round(0.5 / math.log(2.0), 2) == round(1.0 / math.log(4.0), 2)


def test_what_half_a_second_leaves_in_an_obstructive_lung():
    kept, tension = told(r"which keeps ([\d.]+) L and whose PaCO2 is at (\d+) mmHg")
    settings = {"t_low": 0.5, "spontaneous_alveolar_ventilation": 2.0}
    volume, paco2 = middle("whole", "obstructive", "trapped_volume", "paco2", **settings)
    assert (kept, tension) == (round(volume / 1000.0, 2), round(paco2))


@pytest.mark.parametrize("breathes", [False, True])
def test_what_t_low_does_to_a_patient_who_breathes_and_to_one_who_does_not(breathes):
    tensions = told(r"falls from (\d+) to (\d+) mmHg in a passive patient and from (\d+) to (\d+)")
    tensions = tensions[2:] if breathes else tensions[:2]
    efforts = told(r"effort\*\*, ([\d.]+) cmH2O at the shorter release and ([\d.]+)")
    gain = told(r"each mmHg of CO2 above (42) adds ([\d.]+) cmH2O")[1] if breathes else 0.0
    outcomes = "paco2", "peak_muscle_pressure"
    for place, t_low in enumerate((0.35, 0.6)):
        settings = {"t_low": t_low, "effort_gain": gain}
        paco2, effort = middle("breathing", "restrictive", *outcomes, **settings)
        assert tensions[place] == round(paco2)
        assert not breathes or efforts[place] == round(effort, 1)
