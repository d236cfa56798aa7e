"""How often 90 % intervals of fitted lungs hold the truth, and wrong lungs are found out.

``PYTHONPATH=tests/support python tests/external/trace_coverage.py [PATIENTS [LUNG...]]``: patients
of each lung, 50 if absent, or their numbers as FIRST-LAST, of all lungs if none is named; an hour
of one core. ``intervals`` or ``models`` in place of a lung measures that alone: how often intervals
hold, or how often a patient's own lung is called worse than another (a false alarm), and one that
lacks what he has is found out. After every patient the lung's part of trace_coverage.toml beside
this file is written anew, so a run that is stopped leaves what it has measured; each interval is a
line of ``out/trace_coverage.csv``, each comparison one of ``out/trace_models.csv``.
"""

import csv
import sys
import time
import tomllib
from collections import defaultdict
from pathlib import Path

import numpy as np

from bedside import random_patient, recorded, truth
from ebbmap.lungs import lung_model
from ebbmap.traces.best import find_best
from ebbmap.traces.compare import better_lung, compare_lungs, doubtful_lungs
from ebbmap.traces.cycles import find_cycles
from ebbmap.traces.disturbances import SUPPOSITIONS
from ebbmap.traces.fit import find_fit
from ebbmap.traces.models import RIVALS, fitted_of, scale_of
from ebbmap.traces.trace import read_trace

LUNGS = ("linear", "tube", "paired", "whole")

#: A lung that lacks what the patient has.
WRONG = {"tube": "linear", "paired": "linear", "whole": "tube"}

#: Lungs that have what a patient has: a doubt counts if it names one of them.
RIGHT = {"tube": ("tube", "whole"), "paired": ("paired", "whole"), "whole": ("whole",)}

#: What can be measured alone.
PARTS = ("intervals", "models")

RESULT = Path(__file__).with_suffix(".toml")
EACH, COMPARED = Path("out") / "trace_coverage.csv", Path("out") / "trace_models.csv"


def trace_of(lung, number, stream=0):
    """Return a random patient of a lung and his trace."""
    rng = np.random.default_rng([number, stream + LUNGS.index(lung)])
    patient, how = random_patient(lung, rng)
    return patient, recorded(patient, how, seed=number)


def measure_intervals(lung, patients):
    """Fit patients with their own lung, keeping the shares after each."""
    holds, sure, seconds = defaultdict(list), [], []
    EACH.parent.mkdir(exist_ok=True)
    for number in patients:
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
        found = {"patients": len(seconds)} | {name: share(each) for name, each in holds.items()}
        found |= {"all": share(every), "identifiable": share(sure)}
        found["identifiable_share"] = round(len(sure) / every.size, 3)
        found["seconds_each"] = round(float(np.mean(seconds)), 1)
        keep(lung, found)
    return found


def compared(table):
    """Return how all lungs explain a trace; what `find_fit` says of one follows from it alone.

    The posterior of the lung that was asked for has no part in it, so none is drawn.
    """
    richest = lung_model(RIVALS[-1])
    scale = scale_of(fitted_of(richest, None, None), None, richest.name)
    judge = find_best(richest, scale, find_cycles(read_trace(table)), {}, wide=SUPPOSITIONS[-1])
    return compare_lungs(judge, judge)


def measure_models(lungs, patients):
    """Ask of each patient for his own lung and a wrong one, keeping the shares after each."""
    seen = {lung: defaultdict(list) for lung in lungs}
    COMPARED.parent.mkdir(exist_ok=True)
    for number, lung in ((n, lung) for n in patients for lung in lungs):
        _, table = trace_of(lung, number)
        found, here = compared(table), seen[lung]
        here["false_alarms"].append(bool(better_lung(lung, found)))
        here["right_doubted"].append(bool(doubtful_lungs(lung, found)))
        wrong = WRONG.get(lung)
        if wrong:
            named = set(doubtful_lungs(wrong, found)) & set(RIGHT[lung])
            here["wrong_found_out"].append(bool(better_lung(wrong, found)))
            here["wrong_found_out_or_doubted"].append(here["wrong_found_out"][-1] or bool(named))
        terms = [
            f"{n} {e.likelihood:.2f} {e.evidence:.2f} {e.compliances[e.likeliest]:.2f}"
            for n, e in found.items()
        ]
        with COMPARED.open("a", encoding="utf-8", newline="") as file:
            csv.writer(file).writerow(
                [lung, number, *(int(each[-1]) for each in here.values()), *terms]
            )
        shares = {name: share(each) for name, each in here.items()}
        keep(
            lung,
            {"compared": len(here["false_alarms"])}
            | ({"wrong_lung": wrong} if wrong else {})
            | shares,
        )


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
    first, last = ("0-" + sys.argv[1]).split("-")[-2:] if len(sys.argv) > 1 else (0, 50)
    numbers = range(int(first), int(last))
    asked = sys.argv[2:]
    wanted = [name for name in asked if name not in PARTS] or LUNGS
    if "models" not in asked:
        for one in wanted:
            print(one, measure_intervals(one, numbers), flush=True)
    if "intervals" not in asked:
        measure_models(wanted, numbers)
