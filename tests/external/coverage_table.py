"""How often every kind of interval holds the truth, and what an error costs, as one table.

Run as a script it writes `out/coverage.csv` and `out/cost.csv`, and the page of the site that shows
them (ten minutes of processor time; `quick` takes one, and leaves the page alone):
`PYTHONPATH=tests python tests/external/coverage_table.py [quick]`.
"""

import csv
import datetime
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from ebbmap.analyses.common.factors import factors_of, solve_places
from ebbmap.analyses.common.surrogate import fit_surrogate, fresh_cases
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.cases.question import Question
from ebbmap.kernels.chaos import fit_chaos
from ebbmap.kernels.given_data import given_data_indices
from ebbmap.kernels.tally import clustered_interval, paired_interval
from ebbmap.registries.populations import POPULATIONS
from external import test_interval_coverage as sobol
from external import test_rare_exact as rare
from external import test_refining_exact as edge
from external import test_small_groups as small

PAGE = Path(__file__).parents[2] / "src" / "ebbmap" / "site" / "sources" / "coverage.md"

#: Coverage within which an interval is called good, and seeds behind a full table.
GOOD, REPEATS = (0.92, 0.98), 200

HEADS = ("interval of", "case", "size", "coverage, nominal 0.95", "share that have an interval")


def of_sobol_indices(repeats):
    """Yield the rows of first-order and total indices."""
    for name, function in sobol.FUNCTIONS.items():
        for n in sobol.SIZES:
            held, given, *_ = sobol.coverage(function, n, repeats)
            d = len(held) // 2
            for order, part in (("first", slice(0, d)), ("total", slice(d, None))):
                # what one design in twenty has is no coverage over the seeds
                judged = np.where(given[part] >= 0.05, held[part], np.nan)
                mean = np.nanmean(judged) if np.isfinite(judged).any() else np.nan
                yield f"{order} Sobol index", name, n, mean, np.mean(given[part])


def of_small_groups(repeats):
    """Yield the rows of shares of a group and of paired differences."""
    for name in small.LUNGS:
        for n in (5, 10, 100):
            held = small.share_coverage(clustered_interval, name, n, 10 * repeats)
            yield "share of a group", name, n, held, 1.0
    for n in (10, 100, 1000):
        held, given = small.pair_coverage(paired_interval, n, repeats=10 * repeats)
        yield "paired difference", "5 % of lungs move", n, held, given


def of_rare_shares(repeats):
    """Yield the rows of rare shares; their size is the cases solved."""
    for shape in rare.SHAPES:
        for probability in (1e-2, 1e-3, 1e-4, 1e-5, 1e-6):
            held, given, _, cases = rare.coverage(shape, probability, 8, repeats=repeats)
            yield "rare share", f"{shape}, {probability:g}", round(cases), held, given


def of_volumes(repeats):
    """Yield the rows of volumes of a region."""
    for margin, d, truth in edge.CASES:
        held = [
            one.low <= truth <= one.high
            for one in (edge.volume(margin, d, seed)[1] for seed in range(max(5, repeats // 10)))
        ]
        yield "volume of a region", margin.__name__, d, np.mean(held), 1.0


def coverages(repeats):
    """Yield the rows of the table of coverage."""
    for rows in (of_sobol_indices, of_small_groups, of_rare_shares, of_volumes):
        yield from rows(repeats)


ASKED = Question(
    "linear",
    fixed={"p_high": 24.0, "p_low": 0.0, "t_high": 5.0},
    populations=(POPULATIONS["obstructive"],),
)
OUTCOMES, PLACE = ("auto_peep",), 0.8


def costs(repeats):
    """Yield method, cases, and error of first-order indices of auto-PEEP at T low 0.8 s."""
    how = {"at": [PLACE], "outcomes": list(OUTCOMES), "resamples": 100, "pawn": False}
    truth = find_sobol(ASKED, Sobol(base_size=2**16, replicates=1, **how))["first"].values.ravel()
    factors = factors_of(ASKED, ASKED.populations[0], "t_low", OUTCOMES, place=PLACE)
    d = len(factors.names)

    def error(found):
        return float(np.sqrt(np.mean([(one - truth) ** 2 for one in found])))

    for n in (64, 256, 1024):
        found = []
        for seed in range(repeats):
            asked = replace(ASKED, seed=seed)
            found.append(find_sobol(asked, Sobol(base_size=n, **how))["first"].values.ravel())
        yield "sobol, 16 replicates", n * (2 * d + 2), error(found)
    for n in (512, 2048, 8192):
        found = []
        for seed in range(repeats):
            unit = np.random.default_rng(seed).random((n, d))
            solved = solve_places(
                ASKED,
                factors.from_unit(unit),
                along="t_low",
                grid=np.array([PLACE]),
                outcomes=OUTCOMES,
            )
            indices = given_data_indices(unit, solved["auto_peep"].values, correlation=np.eye(d))
            found.append(indices.first[:, 0])
        yield "given data", n, error(found)
    for runs in (64, 128, 256):
        found = []
        for seed in range(repeats):
            asked = replace(ASKED, seed=seed)
            fitted = fit_surrogate(
                asked,
                factors,
                along="t_low",
                place=PLACE,
                outcomes=OUTCOMES,
                runs=runs,
                fit_to=fit_chaos,
                least=0.0,
            ).fits["auto_peep"]
            scores = np.random.default_rng(seed).standard_normal((2**15, d))
            indices = given_data_indices(
                scores, fitted.predict(scores)[:, None], correlation=np.eye(d)
            )
            found.append(indices.first[:, 0])
        yield "surrogate", runs + fresh_cases(runs), error(found)


def verdict(coverage, given):
    """Return in words whether the intervals of a row hold as often as they say."""
    if not given or np.isnan(coverage):
        return "no interval is given"
    if coverage < GOOD[0]:
        return "too narrow"
    return "wider than needed" if coverage > GOOD[1] else "good"


def page(cost, coverage):
    """Return the page of the site, from the rows of both tables as texts."""
    date = datetime.datetime.now(datetime.UTC).date()
    lines = [
        "# Cost, error and coverage",
        "",
        f"Measured on {date} by `tests/external/coverage_table.py`.",
        "",
        "## What an error costs",
        "",
        f"First-order indices of auto-PEEP of obstructive linear lungs at T low {PLACE:g} s: root "
        f"mean square error over {REPEATS // 10} seeds.",
        "",
        "| method | cases | error |",
        "| --- | --- | --- |",
        *(f"| {' | '.join(row)} |" for row in cost),
        "",
        "## How often 95 % intervals hold the truth",
        "",
        f"{REPEATS} seeds each, ten times as many for shares and differences, a tenth for volumes. "
        f"Good is {GOOD[0]:g} to {GOOD[1]:g}. Where too few rows or events carry an "
        "index, or few replicates a rare share, there is no interval; the last column but one says "
        "how often there is one, and coverage is that of those, where one design in twenty has it. "
        "The size of a rare share is the cases solved. A hidden region is one of two behind the "
        "same limit, far from the other.",
        "",
        "| interval of | case | size | coverage | given | verdict |",
        "| --- | --- | --- | --- | --- | --- |",
        *(f"| {' | '.join(row)} | {verdict(float(row[3]), float(row[4]))} |" for row in coverage),
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write both tables, and the page of a full run."""
    repeats = 20 if "quick" in sys.argv else REPEATS
    written = []
    folder = Path("out")
    folder.mkdir(exist_ok=True)
    for name, heads, rows in (
        ("cost", ("method", "cases", "error (RMSE)"), costs(max(3, repeats // 10))),
        ("coverage", HEADS, coverages(repeats)),
    ):
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(heads)
            said = []
            for row in rows:
                said.append(
                    [f"{cell:.3g}" if isinstance(cell, float) else str(cell) for cell in row]
                )
                writer.writerow(said[-1])
                print(*said[-1], sep=", ", flush=True)
        written.append(said)
    if repeats == REPEATS:
        PAGE.write_text(page(*written), encoding="utf-8")


if __name__ == "__main__":
    main()
