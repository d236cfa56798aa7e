"""Which outside check notices a wrong constant?

Changes each population centre, each constant of gas exchange and each other default of the body
by 30 % up and down, one at a time, and runs the outside checks: the published findings
(`ebbmap.validation`) and the worked examples of the files in `EXAMPLES`. Prints the table of
`external/sensitivity_of_checks.md`. With a star, the model disagrees with the paper: what is
noticed is that the recorded number moved, not that the lung became wrong. With a ring, the constant
was set by that paper.

A finding is measured in full only where a few lungs answer to the change, in any bit.

Run: .venv/bin/python tests/sensitivity_of_checks.py, with words that the names of constants have
for those alone.
"""

from __future__ import annotations

import inspect
import itertools
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np

from ebbmap.exchange import circulation, co2, load, oxygen
from ebbmap.lungs import tracheal_tube
from ebbmap.registries import derivations
from ebbmap.registries.fitted.bases import PHENOTYPES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.validation import FINDINGS
from ebbmap.validation.finding import Finding
from ebbmap.validation.measured import Draw, read_as
from external import (
    test_gas_exchange,
    test_linear_published,
    test_mechanical_power,
    test_tube_paired_published,
)
from external.record import RECORD, holds

#: Up and down by so much.
CHANGE = 0.3

#: Lungs by which it is seen whether a change reaches a finding at all.
FEW = Draw(None, 8)

#: Files of worked examples; their tests are run one by one.
EXAMPLES = (test_gas_exchange, test_tube_paired_published, test_mechanical_power)

#: Of a slower file, these.
SOME = (
    "test_predicted_body_weight",
    "test_a_worked_tidal_volume",
    "test_trapped_gas_of_a_published_simulation",
)

#: Constants of modules.
CONSTANTS = (
    (co2, "STPD_TO_TENSION"),
    (co2, "CARBONIC_PK"),
    (co2, "CO2_SOLUBILITY"),
    (oxygen, "WATER_VAPOUR"),
    (oxygen, "CURVE_SCALE"),
    (oxygen, "CURVE_LINEAR"),
    (oxygen, "BOUND"),
    (oxygen, "DISSOLVED"),
    (circulation, "CMH2O_PER_MMHG"),
    (load, "J_PER_CMH2O_ML"),
    (load, "PUBLISHED_CONSTANT"),
    (derivations, "SHARED_PART"),
    (tracheal_tube, "AIR_VISCOSITY"),
    (tracheal_tube, "TUBE_LENGTH"),
)

#: Changed together: the losses of all tubes.
TUBES = "tracheal_tube.MEASURED_LOSSES"

Setter = Callable[[float], None]


def constants() -> Iterator[tuple[str, float, Setter]]:
    """Give the name of each constant, its value, and how to set it."""
    for group in PHENOTYPES:
        for name, marginal in POPULATIONS[group].marginals.items():
            yield f"{group}: {name}", marginal.centre, setter(marginal, "centre")
    for name, entry in PARAMETERS.items():
        if entry.kind in ("gas exchange", "patient") and not entry.choices:
            yield f"default: {name}", entry.default, setter(entry, "default")
    for module, name in CONSTANTS:
        short = module.__name__.rsplit(".", 1)[-1]
        yield f"{short}.{name}", getattr(module, name), setter(module, name)
    losses = tracheal_tube.MEASURED_LOSSES

    def scale(factor: float) -> None:
        tracheal_tube.MEASURED_LOSSES = tuple(factor * loss for loss in losses)

    yield TUBES, 1.0, scale


def setter(owner, name: str) -> Setter:
    """Set an attribute, of a frozen entry too."""
    if inspect.ismodule(owner):
        return lambda value: setattr(owner, name, value)
    return lambda value: object.__setattr__(owner, name, value)


@contextmanager
def changed(value: float, put: Setter, factor: float):
    """Hold a constant at another value for a while."""
    put(value * factor)
    try:
        yield
    finally:
        put(value)


def examples() -> Iterator[tuple[str, Callable[[], object]]]:
    """Give the name and the call of each worked example, one for each set of its arguments."""
    pairs = [(m, n) for m in EXAMPLES for n in dir(m) if n.startswith("test_")]
    for module, name in (*pairs, *((test_linear_published, name) for name in SOME)):
        test = getattr(module, name)
        marks = [m for m in getattr(test, "pytestmark", []) if m.name == "parametrize"]
        rows = []
        for mark in marks:
            names, values = mark.args[:2]
            names = [n.strip() for n in names.split(",")] if isinstance(names, str) else names
            rows.append(
                [dict(zip(names, row if len(names) > 1 else (row,), strict=True)) for row in values]
            )
        for chosen in itertools.product(*rows):
            given = {key: value for row in chosen for key, value in row.items()}
            yield name.removeprefix("test_").replace("_", " "), lambda t=test, g=given: t(**g)


def noticing(checks) -> list[str]:
    """Names of the checks that fail now."""
    names = []
    for name, passes in checks:
        try:
            good = passes()
        # a lung that cannot be solved any more is noticed too
        except Exception:
            good = False
        # a test gives nothing back when it passes
        if good is not None and not good and name not in names:
            names.append(name)
    return names


def marked(finding: Finding) -> str:
    """Return the name of a finding, with a star or a ring."""
    star = "*" if finding.name in RECORD["disagrees"] else ""
    return finding.name + (star or ("°" if finding.fitted else ""))


def read_in_few(finding: Finding) -> tuple[np.ndarray, ...] | None:
    """Return what few lungs say; None of a share, which few lungs may hide, or if none can say."""
    try:
        with read_as(FEW):
            reading = finding.measure()
    except Exception:
        return None
    if reading.columns and all(np.isin(column, (0.0, 1.0)).all() for column in reading.columns):
        return None
    return reading.columns or (np.array(reading.value),)


def check_of(finding: Finding) -> Callable[[], bool]:
    """Return whether a finding holds, as a call; measured again only where a change reaches it."""
    usual = read_in_few(finding)
    held = holds(finding, finding.measure().value)

    def check() -> bool:
        now = read_in_few(finding)
        if usual is None or now is None or not all(map(same, usual, now)):
            return holds(finding, finding.measure().value)
        return held

    return check


def same(usual: np.ndarray, now: np.ndarray) -> bool:
    """Whether two columns have the same bits."""
    return np.array_equal(usual, now, equal_nan=True)


def all_checks() -> list[tuple[str, Callable[[], object]]]:
    """Published findings and worked examples, each a call that is False or raises if it fails."""
    found: list[tuple[str, Callable[[], object]]] = [
        (marked(finding), check_of(finding)) for finding in FINDINGS if finding.measure is not None
    ]
    return found + list(examples())


def short(names: list[str], shown: int = 2) -> str:
    """Return the first few names: papers that agree, then those fitted, then those that do not."""
    ordered = sorted(names, key=lambda name: "°*".find(name[-1]))
    more = f" and {len(names) - shown} more" if len(names) > shown else ""
    return "; ".join(ordered[:shown]) + more if names else "none"


def table(words: list[str]) -> Iterator[tuple[str, str]]:
    """Give each constant with its row of the table; none if no check notices it either way."""
    checks = all_checks()
    before = noticing(checks)
    if before:
        raise SystemExit(f"these fail before anything is changed: {', '.join(before)}")
    for name, value, put in constants():
        if words and not any(word in name for word in words):
            continue
        if value == 0.0:
            yield f"{name} (0)", ""
            continue
        seen = []
        for factor in (1.0 + CHANGE, 1.0 - CHANGE):
            with changed(value, put, factor):
                seen.append(noticing(checks))
        less = "the same" if seen[1] == seen[0] else short(seen[1])
        yield name, f"| {name} | {value:.4g} | {short(seen[0])} | {less} |" if any(seen) else ""


def main() -> None:
    print("| constant | value | 30 % more is noticed by | 30 % less by |")
    print("| --- | --- | --- | --- |")
    unchecked, every = [], 0
    for name, row in table(sys.argv[1:]):
        every += 1
        if row:
            print(row, flush=True)
        else:
            unchecked.append(name)
    print(f"\nUnchecked, noticed by none ({len(unchecked)} of {every}): {', '.join(unchecked)}.")


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    with np.errstate(all="ignore"):
        main()
