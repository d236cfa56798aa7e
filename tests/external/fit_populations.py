r"""Fit each phenotype to what was published, measured as it was measured; some ten minutes.

    PYTHONPATH=tests OMP_NUM_THREADS=1 .venv/bin/python tests/external/fit_populations.py \
        [FOLDER [PHENOTYPE ...]]

Writes one file for each phenotype into FOLDER, by default where the package reads them. The same
code gives the same bytes: lungs are points of a scrambled sequence with a fixed seed, and numbers
are kept to six digits.
"""

import json
import sys
from pathlib import Path

import numpy as np

from ebbmap.cases.calibration import even_lungs, readings, statistics
from ebbmap.caution import CAUTION
from ebbmap.kernels.fitting import fit_numbers
from ebbmap.registries import fitted
from ebbmap.registries.fitted import breath_of, population_of
from ebbmap.registries.fitted.assumed import assumed, unprobed
from ebbmap.registries.fitted.bases import PHENOTYPES
from ebbmap.registries.fitted.published import targets
from external.fit_folds import KEPT, fold

#: Lungs of a fit, fewer where few patients were measured; the slopes are taken with a quarter.
FINE, FEWER = 1024, 256

#: Where a fit starts, other than at what is assumed: where one with fewer lungs, or fewer unknowns,
#: ended. Logarithms, and Fisher's z.
STARTS = {
    "normal": {
        "centre: compliance": 4.03,
        "spread: compliance": -1.32,
        "centre: resistance_insp": 1.6,
        "spread: resistance_insp": -0.37,
        "centre: resistance_exp": 1.97,
        "spread: resistance_exp": -1.11,
        "centre: slow_volume_share": 0.16,
        "spread: slow_volume_share": -2.58,
        "centre: time_constant_slow": 1.0,
        "spread: time_constant_slow": -0.82,
        "breath: volume_per_kg": 2.06,
        "breath: rate": 2.7,
        "correlation: compliance, resistance_insp": -0.46,
        "correlation: compliance, resistance_exp": -0.09,
        "correlation: resistance_insp, resistance_exp": 0.88,
        "correlation: slow_volume_share, resistance_exp": -0.15,
        "correlation: slow_volume_share, compliance": -0.05,
        "correlation: slow_volume_share, time_constant_slow": -0.06,
        "breath: flow": -0.26,
        "breath: valve_time": -3.06,
    },
    "restrictive": {
        "centre: compliance": 3.75,
        "spread: compliance": -1.09,
        "centre: resistance_insp": 1.2,
        "spread: resistance_insp": -0.6,
        "centre: resistance_exp": 1.9,
        "spread: resistance_exp": -1.22,
        "centre: slow_volume_share": 0.19,
        "spread: slow_volume_share": -2.76,
        "centre: time_constant_slow": 1.22,
        "spread: time_constant_slow": -0.89,
        "breath: volume_per_kg": 1.92,
        "breath: rate": 2.99,
        "correlation: compliance, resistance_insp": 0.28,
        "correlation: compliance, resistance_exp": -0.07,
        "correlation: resistance_insp, resistance_exp": 0.76,
        "correlation: slow_volume_share, resistance_exp": 0.19,
        "correlation: slow_volume_share, compliance": -0.04,
        "correlation: slow_volume_share, time_constant_slow": 0.06,
        "breath: flow": -0.18,
        "breath: valve_time": -2.99,
    },
    "severe_asthma": {
        "centre: compliance": 3.74,
        "spread: compliance": -1.27,
        "centre: resistance_insp": 2.41,
        "spread: resistance_insp": -0.51,
        "centre: resistance_exp": 3.56,
        "spread: resistance_exp": -0.51,
        "centre: slow_volume_share": 0.47,
        "spread: slow_volume_share": -2.53,
        "centre: time_constant_slow": 2.48,
        "spread: time_constant_slow": -0.69,
        "breath: volume_per_kg": 2.16,
        "breath: rate": 2.48,
        "correlation: compliance, resistance_insp": 0.0,
        "correlation: compliance, resistance_exp": 0.0,
        "correlation: resistance_insp, resistance_exp": 0.87,
        "correlation: slow_volume_share, resistance_exp": 0.0,
        "correlation: slow_volume_share, compliance": 0.0,
        "correlation: slow_volume_share, time_constant_slow": 0.0,
        "breath: flow": -0.22,
        "breath: valve_time": -2.86,
    },
    "obstructive": {
        "centre: resistance_insp": 2.6,
        "spread: resistance_insp": 0.06,
        "centre: resistance_exp": 3.09,
        "spread: resistance_exp": 0.08,
        "centre: upstream_resistance": 2.88,
        "spread: upstream_resistance": 0.15,
        "correlation: resistance_insp, resistance_exp": 1.5,
        "correlation: resistance_exp, upstream_resistance": 1.0,
    },
}

#: Lungs with which folds are found.
FOLDING = 256

SEED = 15

#: Distance over which slopes are taken: in logarithms and z, and in standard errors of others.
STEP, STEP_IN_ERRORS = 0.08, 0.5

DIGITS = 6


def rounded(value: float) -> float:
    """Keep six digits: last bits depend on the processor."""
    return float(f"{value:.{DIGITS}g}")


def step(phenotype: str, name: str, one) -> float:
    """Return the distance over which a slope is taken."""
    # three mean plateaus say next to nothing of spreads and correlations
    silent = phenotype == "severe_asthma" and name.startswith(("spread", "correlation"))
    if silent or not one.probed:
        return 0.0
    # of the normal marginals only centres are not logarithms
    plain = name in ("centre: slow_volume_share", "centre: resistance_quadratic") or name.endswith(
        "predicted_body_weight"
    )
    return STEP_IN_ERRORS * one.error if plain and name.startswith("centre") else STEP


def model(phenotype: str, names, n: int):
    """Return the function from unknowns to what would be published of n lungs."""
    asked = targets(phenotype)

    def printed(values):
        unknowns = dict(zip(names, values.tolist(), strict=True))
        lungs = even_lungs(population_of(phenotype, unknowns), n, seed=SEED)
        read = readings(lungs, breath_of(unknowns), plateaus=phenotype == "severe_asthma")
        return statistics(read, asked)

    return printed


def fine_lungs(phenotype: str) -> int:
    """Return with how many lungs a phenotype is fitted."""
    return FINE if phenotype in ("normal", "restrictive") else FEWER


def fit(phenotype: str) -> dict:
    """Fit a phenotype; return what its file holds."""
    asked = targets(phenotype)
    given = {**assumed(phenotype), **unprobed(phenotype)}
    names = tuple(given)
    arguments = (
        np.array([one.value for one in asked]),
        np.array([one.error for one in asked]),
        np.array([one.value for one in given.values()]),
        np.array([one.error for one in given.values()]),
        np.array([step(phenotype, name, one) for name, one in given.items()]),
    )
    start = np.array([STARTS[phenotype].get(name, one.value) for name, one in given.items()])
    n = fine_lungs(phenotype)
    most, fewer = (model(phenotype, names, size) for size in (n, max(n // 4, 128)))
    fine = fit_numbers(most, *arguments, start=start, renew=4, cheaper=fewer)
    print(phenotype, fine.settled, fine.residual.round(2), flush=True)
    return written(phenotype, asked, given, fine)


def written(phenotype: str, asked, given, fine) -> dict:
    """Return what the file of a phenotype holds."""
    errors = np.sqrt((fine.response**2).sum(axis=1))
    known = [(one.name, one) for one in asked] + list(given.items())
    numbers = []
    for column, (name, one) in enumerate(known):
        if not np.isfinite(one.error):
            continue
        moves = zip(given, fine.response[:, column], errors, strict=True)
        numbers.append(
            {
                "name": name,
                "value": rounded(one.value),
                "error": rounded(one.error),
                "confirmed": one.confirmed,
                "source": one.source,
                "moves": {n: rounded(m) for n, m, e in moves if abs(m) > 1e-4 * e},
            }
        )
    return {
        "comment": f"{fitted.COMMENT} {CAUTION}",
        "made_by": "tests/external/fit_populations.py",
        "lungs": fine_lungs(phenotype),
        "seed": SEED,
        "settled": fine.settled,
        "unknowns": {
            name: {"value": rounded(value), "standard_error": rounded(error)}
            for name, value, error in zip(given, fine.values, errors, strict=True)
        },
        "residuals": [
            {
                "name": one.name,
                "published": rounded(one.value),
                "fitted": rounded(one.value + off * one.error),
                "standard_errors_off": round(float(off), 3),
            }
            for one, off in zip(asked, fine.residual, strict=True)
        ],
        "folds": folds(phenotype, given, fine.values),
        "numbers": numbers,
    }


def folds(phenotype: str, given, values) -> dict:
    """Return what changes for lungs that lack a part, to six digits."""
    unknowns = {name: rounded(value) for name, value in zip(given, values, strict=True)}
    group, breath = population_of(phenotype, unknowns), breath_of(unknowns)
    found = {}
    for kind in KEPT:
        changes = fold(kind, group, breath, n=FOLDING, seed=SEED)
        found[kind] = {
            what: {name: rounded(change) for name, change in of.items()}
            if isinstance(of, dict)
            else of
            for what, of in changes.items()
        }
    return found


def main(folder: str | None = None, *phenotypes: str) -> None:
    """Fit some phenotypes, or all, and write their files."""
    place = Path(folder) if folder else Path(fitted.__file__).parent
    for phenotype in phenotypes or PHENOTYPES:
        text = json.dumps(fit(phenotype), indent=1, ensure_ascii=False) + "\n"
        (place / f"{phenotype}.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
