"""How often 90 % intervals of fitted lungs hold the truth, and wrong lungs are found out.

``PYTHONPATH=tests/support python tests/external/trace_coverage.py [PATIENTS [LUNG...]]``: patients
of each lung, 50 if absent, of all lungs if none is named; an hour of one core. ``intervals`` or
``models`` in place of a lung measures that alone: how often intervals hold, or how often half as
many patients' own lung is said to be worse than another (false alarms), and a lung that lacks what
they have is found out. After every patient the lung's part of trace_coverage.toml beside this file
is written anew, so a run that is stopped leaves what it has measured; each interval is a line of
``out/trace_coverage.csv``.
"""

import csv
import sys
import time
import tomllib
from collections import defaultdict
from pathlib import Path

import numpy as np

from bedside import random_patient, recorded, truth
from ebbmap.traces.fit import find_fit

LUNGS = ("linear", "tube", "paired", "whole")

#: A lung that lacks what the patient has.
WRONG = {"tube": "linear", "paired": "linear", "whole": "tube"}

#: What can be measured alone.
PARTS = ("intervals", "models")

RESULT = Path(__file__).with_suffix(".toml")
EACH = Path("out") / "trace_coverage.csv"


def trace_of(lung, number, stream=0):
    """Return a random patient of a lung and his trace."""
    rng = np.random.default_rng([number, stream + LUNGS.index(lung)])
    patient, how = random_patient(lung, rng)
    return patient, recorded(patient, how, seed=number)


def measure_intervals(lung, patients):
    """Fit patients with their own lung, keeping the shares after each."""
    holds, sure, seconds = defaultdict(list), [], []
    EACH.parent.mkdir(exist_ok=True)
    for number in range(patients):
        patient, table = trace_of(lung, number)
        begun = time.process_time()
        fit = find_fit(table, lung=lung, compare=False)
        seconds.append(time.process_time() - begun)
        lines = []
        for name, real in ((n, truth(patient, lung)[n]) for n in map(str, fit["property"].values)):
            one = fit.sel(property=name)
            lower, upper = float(one["lower"]), float(one["upper"])
            held, known = lower <= real <= upper, bool(int(one["identifiable"]))
            holds[name].append(held)
            sure += [held] if known else []
            below = float(np.mean(one["draws"].values < real))
            lines.append([lung, number, name, real, lower, upper, int(held), int(known), below])
        with EACH.open("a", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(lines)
        every = np.concatenate(list(holds.values()))
        found = {"patients": number + 1} | {name: share(each) for name, each in holds.items()}
        found |= {"all": share(every), "identifiable": share(sure)}
        found["identifiable_share"] = round(len(sure) / every.size, 3)
        found["seconds_each"] = round(float(np.mean(seconds)), 1)
        keep(lung, found)
    return found


def measure_models(lung, patients):
    """Fit patients with their own lung and a wrong one, keeping the shares after each."""
    alarms, told, doubted = [], [], []
    for number in range(patients):
        _, table = trace_of(lung, number)
        alarms.append(bool(find_fit(table, lung=lung).attrs["better_lung"]))
        found = {"right_compared": len(alarms), "false_alarms": share(alarms)}
        if lung in WRONG:
            _, table = trace_of(lung, number, stream=9)
            fit = find_fit(table, lung=WRONG[lung])
            told.append(bool(fit.attrs["better_lung"]))
            doubted.append(told[-1] or bool(fit.attrs["disagreeing"]))
            found |= {"wrong_lung": WRONG[lung], "wrong_tried": len(told)}
            found["wrong_found_out"] = share(told)
            found["wrong_found_out_or_doubted"] = share(doubted)
        keep(lung, found)
    return found


def share(seen):
    """Return the share of what is true, to three digits."""
    return round(float(np.mean(seen)), 3) if len(seen) else 0.0


def keep(lung, found):
    """Put shares of one lung beside others."""
    table = tomllib.loads(RESULT.read_text(encoding="utf-8")) if RESULT.is_file() else {}
    table[lung] = table.get(lung, {}) | found
    lines = ["# written by trace_coverage.py; shares of random patients"]
    for name in (one for one in LUNGS if one in table):
        lines += ["", f"[{name}]", *(f"{key} = {value!r}" for key, value in table[name].items())]
    RESULT.write_text("\n".join([*lines, ""]), encoding="utf-8")


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    asked = sys.argv[2:]
    for one in [name for name in asked if name not in PARTS] or LUNGS:
        if "models" not in asked:
            print(one, measure_intervals(one, size), flush=True)
        if "intervals" not in asked:
            print(one, measure_models(one, max(size // 2, 5)), flush=True)
