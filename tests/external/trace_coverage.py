"""How often 90 % intervals of fitted lungs hold the truth, and wrong lungs are found out.

``PYTHONPATH=tests/support python tests/external/trace_coverage.py [PATIENTS]``: patients of each
lung, 50 if absent; writes trace_coverage.toml beside this file. Half an hour of one core.
"""

import sys
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

from bedside import random_patient, recorded, truth
from ebbmap.traces.fit import find_fit

LUNGS = ("linear", "tube", "paired", "whole")

#: A lung that lacks what the patient has.
WRONG = {"tube": "linear", "paired": "linear", "whole": "tube"}


def covered(lung, number):
    """Return which intervals of one random patient hold the truth, and which are identifiable."""
    patient, how = random_patient(lung, np.random.default_rng([number, LUNGS.index(lung)]))
    table = recorded(patient, how, seed=number)
    fit = find_fit(table, lung=lung, compare=False)
    real = truth(patient, lung)
    inside = {}
    for name in map(str, fit["property"].values):
        one = fit.sel(property=name)
        inside[name] = (
            bool(float(one["lower"]) <= real[name] <= float(one["upper"])),
            bool(int(one["identifiable"])),
        )
    return inside


def found_out(lung, number):
    """Return whether a lung that lacks a part is said to be worse than another."""
    patient, how = random_patient(lung, np.random.default_rng([number, 9 + LUNGS.index(lung)]))
    fit = find_fit(recorded(patient, how, seed=number), lung=WRONG[lung])
    return bool(fit.attrs["better_lung"])


def main(patients):
    lines = ["# written by trace_coverage.py; shares of random patients", ""]
    for lung in LUNGS:
        begun, hits, known = time.process_time(), defaultdict(list), []
        for number in range(patients):
            for name, (inside, sure) in covered(lung, number).items():
                hits[name].append(inside)
                known += [inside] if sure else []
        lines += [f"[{lung}]", f"patients = {patients}"]
        lines += [f"{name} = {np.mean(inside):.3f}" for name, inside in hits.items()]
        every = np.concatenate(list(hits.values()))
        lines += [f"all = {every.mean():.3f}", f"identifiable = {np.mean(known):.3f}"]
        seconds = (time.process_time() - begun) / patients
        lines += [f"seconds_each = {seconds:.1f}"]
        if lung in WRONG:
            some = max(patients // 3, 5)
            said = np.mean([found_out(lung, number) for number in range(some)])
            lines += [f"wrong_lung = {WRONG[lung]!r}", f"wrong_tried = {some}"]
            lines += [f"wrong_found_out = {said:.3f}"]
        print("\n".join(lines), flush=True)
        lines.append("")
    Path(__file__).with_suffix(".toml").write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
