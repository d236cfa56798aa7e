"""Tables of what a dear lung solves, for pages: made once, read there, judged there.

What the solver finds is kept at Chebyshev nodes of the settings, never a margin or a verdict; all
else follows in the page by traced formulas. A table is used only if it is near the solver at
settings that it was not made of. Sizes: n lungs, m settings held out, k solved outcomes.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import prod
from typing import Any

import numpy as np

from ebbmap.cases.evaluate import evaluate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.chebyshev import Side, coefficients, read
from ebbmap.kernels.judging import judge_bounds
from ebbmap.lungs import Lung, lung_model
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES, plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: P high less P low [cmH2O]: a lung follows this rather than either, so the table does too.
DROP = "drop"

#: The box of settings that a table covers: name, ends [cmH2O or s] and whether it is logarithmic.
BOX = (
    Side("p_low", 0.0, 10.0, 2),
    Side(DROP, 4.0, 40.0, 4),
    Side("t_high", 2.0, 8.0, 3, logarithmic=True),
    Side("t_low", 0.1, 3.0, 10, logarithmic=True),
)

#: Nodes along each side of the box, the smallest table first (assumption, from trials).
LEVELS = ((2, 5, 3, 12), (3, 6, 4, 16), (4, 6, 5, 20))

#: Lungs on which levels are tried, and settings that are held out.
TRIED, HELD_OUT = 12, 2000

#: Largest share of settings held out in which a verdict may differ, and largest error of an
#: outcome in 95 % of them, as a share of its range there (assumptions).
DIFFERING, ERROR = 0.005, 0.02

#: Largest whole number of a table's coefficients: they are kept in 16 bits.
LARGEST = 32767

Values = Mapping[str, np.ndarray]
Told = Callable[[str], None]


@dataclass(frozen=True)
class Held:
    """How near a table is at settings that it was not made of.

    Parameters
    ----------
    cases : int
        Settings held out, each of one lung.
    differing : float
        Share of them in which the verdict differs.
    errors : mapping of str to tuple of float
        Of each outcome the error that 95 % of them keep to, the worst, and the range in which
        90 % of the outcome's own values lie, in its unit.
    """

    cases: int
    differing: float
    errors: Mapping[str, tuple[float, float, float]]

    @property
    def near(self) -> bool:
        """Whether the table may be used."""
        within = (usual <= ERROR * size for usual, _, size in self.errors.values())
        return self.differing <= DIFFERING and all(within)

    def sentence(self) -> str:
        """Return the verdicts that differ, and the outcome that is farthest off."""
        name = max(self.errors, key=lambda one: self.errors[one][0] / (self.errors[one][2] or 1.0))
        usual, worst, _ = self.errors[name]
        units = display(OUTCOMES[name].units)
        most, all_of_them = (f"{value:.2g} {units}".rstrip() for value in (usual, worst))
        return (
            f"{100.0 * self.differing:.2g} % of {self.cases} verdicts differ, and "
            f"{OUTCOMES[name].long_name} is off by up to {most} in 95 % of them and by "
            f"{all_of_them} at worst"
        )


@dataclass(frozen=True)
class Table:
    """What a lung model solves, of n lungs over a box of settings.

    Parameters
    ----------
    sides : tuple of Side
        The box.
    names : tuple of str
        What is solved, k registry names.
    steps : ndarray of int16, shape (n, n1, .., nd, k)
        Coefficients as whole numbers.
    scales : ndarray, shape (n, k)
        What one of them is worth, in the outcome's unit; NaN of a lung that did not settle at
        every node, so that nothing is said of it.
    held : Held
        How near it is.
    """

    sides: tuple[Side, ...]
    names: tuple[str, ...]
    steps: np.ndarray
    scales: np.ndarray
    held: Held

    def read(self, lungs: np.ndarray, at: Values) -> dict[str, np.ndarray]:
        """Return what the table says of lungs by number at values of its sides, shape (m,)."""
        return _read(self.steps, self.scales, self.sides, self.names, lungs, at)

    def data(self) -> dict[str, Any]:
        """Return what a page reads."""
        return {
            "sides": [
                {
                    "name": side.name,
                    "low": side.low,
                    "high": side.high,
                    "nodes": side.nodes,
                    "logarithmic": side.logarithmic,
                }
                for side in self.sides
            ],
            "names": self.names,
            "steps": _text(self.steps.astype("<i2")),
            "scales": _text(self.scales.astype("<f8")),
            "says": self.held.sentence(),
            "errors": [
                {
                    "label": OUTCOMES[name].long_name,
                    "units": display(OUTCOMES[name].units),
                    "usual": usual,
                    "worst": worst,
                }
                for name, (usual, worst, _) in self.held.errors.items()
            ],
        }


def make_table(
    lung: str,
    own: Values,
    wanted: Sequence[str],
    limits: LimitSet,
    *,
    sides: Sequence[Side] = BOX,
    levels: Sequence[tuple[int, ...]] = LEVELS,
    called: str = "these lungs",
    told: Told = lambda sentence: None,
) -> Table:
    """Make the smallest table of a lung that is near enough.

    Parameters
    ----------
    lung : str
        Lung model.
    own : mapping of str to ndarray, shape (n,)
        All but the settings of n lungs.
    wanted : sequence of str
        Outcomes that a page shows; their errors are measured, and those of what limits read.
    limits : LimitSet
        What judges.
    sides, levels : sequence
        The box, and numbers of nodes along its sides, the smallest first.
    called : str
        What the lungs are called in an error.
    told : callable
        Called with a sentence before lungs are solved.

    Raises
    ------
    EbbmapError
        If no table is near enough, with what was measured.
    """
    model = lung_model(lung)
    outcomes = tuple(dict.fromkeys((*wanted, *limits.outcomes)))
    names = _solved_names(model, outcomes)
    count = len(next(iter(own.values())))
    few = {name: values[:TRIED] for name, values in own.items()}
    held = None
    for level in levels:
        box = tuple(replace(s, nodes=n) for s, n in zip(sides, level, strict=True))
        told(f"solving {count * prod(level)} settings of {called} for a table")
        table = _made(model, few, names, outcomes, limits, box)
        held = table.held
        if not held.near:
            continue
        if count <= TRIED:
            return table
        whole = _made(model, own, names, outcomes, limits, box)
        held = whole.held
        if held.near:
            return whole
    raise EbbmapError(
        f"no table of the lung {lung!r} is near enough to it for {called}: with "
        f"{' x '.join(map(str, levels[-1]))} nodes {held.sentence() if held else 'none was made'}. "
        "Serve a study (ebbmap explore STUDY), or take the lung 'tube'."
    )


def box_words(sides: Sequence[Side] = BOX) -> str:
    """Return the box of a table in words.

    Examples
    --------
    >>> box_words(BOX[3:])
    'T low 0.1 to 3 s'
    """
    words = []
    for side in sides:
        entry = PARAMETERS["p_high" if side.name == DROP else side.name]
        label = "P high less P low" if side.name == DROP else entry.short_name
        words.append(f"{label} {side.low:g} to {side.high:g} {display(entry.units)}".rstrip())
    return ", ".join(words)


def settings_at(own: Values, at: Values) -> dict[str, np.ndarray]:
    """Return all values of lungs at places of a table's sides.

    A resistance on a side is the expiratory one; the inspiratory one keeps its proportion to it.
    """
    values = {**own, **{name: place for name, place in at.items() if name != DROP}}
    values["p_high"] = at["p_low"] + at[DROP]
    if "resistance_exp" in at:
        values["resistance_insp"] = (
            own["resistance_insp"] * at["resistance_exp"] / own["resistance_exp"]
        )
    return values


def _solved_names(model: Lung, outcomes: tuple[str, ...]) -> tuple[str, ...]:
    """Return what of a lung's solved outcomes is read on the way to some outcomes."""
    todo = plan(model, outcomes)
    read_by = {*outcomes, *(need for _, _, needs in todo.steps for need in needs)}
    # a case without a release volume is a case that was not solved
    return tuple(n for n in model.solves if n in read_by or n == "release_volume")


def _made(
    model: Lung,
    own: Values,
    names: tuple[str, ...],
    outcomes: tuple[str, ...],
    limits: LimitSet,
    sides: tuple[Side, ...],
) -> Table:
    """Solve lungs at every node, and at settings held out."""
    count = len(next(iter(own.values())))
    apart = np.meshgrid(*(side.places for side in sides), indexing="ij", sparse=True)
    at = {side.name: place[None] for side, place in zip(sides, apart, strict=True)}
    behind = (slice(None), *(None,) * len(sides))
    columns = {name: np.asarray(values)[behind] for name, values in own.items()}
    found = evaluate(model, settings_at(columns, at), names).outcomes
    shape = (count, *(side.nodes for side in sides))
    values = np.stack([np.broadcast_to(found[name], shape) for name in names], axis=-1)
    solved = np.isfinite(values).reshape(count, -1).all(axis=1)
    table = coefficients(np.where(solved[(*behind, None)], values, 0.0), sides)
    largest = np.abs(table).reshape(count, -1, len(names)).max(axis=1)
    scales = np.where(largest > 0.0, largest, 1.0) / LARGEST
    inner = scales.reshape(count, *(1,) * len(sides), len(names))
    steps = np.rint(table / inner).astype(np.int16)
    scales[~solved] = np.nan
    held = _held(model, own, names, outcomes, limits, sides, steps, scales)
    return Table(sides, names, steps, scales, held)


def _held(
    model: Lung,
    own: Values,
    names: tuple[str, ...],
    outcomes: tuple[str, ...],
    limits: LimitSet,
    sides: tuple[Side, ...],
    steps: np.ndarray,
    scales: np.ndarray,
) -> Held:
    """Compare a table with the solver at random lungs and settings."""
    solved = np.isfinite(scales).all(axis=1)
    stream = np.random.default_rng([len(solved), *(side.nodes for side in sides)])
    if not solved.any():
        return Held(HELD_OUT, 1.0, {names[0]: (np.inf, np.inf, 1.0)})
    lungs = stream.choice(np.flatnonzero(solved), HELD_OUT)
    at = {side.name: side.drawn(stream.random(HELD_OUT)) for side in sides}
    values = settings_at({name: np.asarray(v)[lungs] for name, v in own.items()}, at)
    exact = evaluate(model, values, outcomes).outcomes
    table = _read(steps, scales, sides, names, lungs, at)
    said = {name: table.get(name, np.full(HELD_OUT, np.nan)) for name in model.solves}
    # in one block, for what is said is one array for all cases
    reader = replace(model, solve=lambda **_: said)
    near = evaluate(reader, values, outcomes, block=HELD_OUT).outcomes
    verdicts = [judge_bounds(limits.hard, limits.caution, one).verdict for one in (exact, near)]
    errors = {}
    for name in outcomes:
        error = np.abs(near[name] - exact[name])
        error = error[np.isfinite(error)]
        own_values = exact[name][np.isfinite(exact[name])]
        if error.size:
            low, high = np.quantile(own_values, [0.05, 0.95])
            usual = float(np.quantile(error, 0.95))
            errors[name] = (usual, float(error.max()), float(high - low))
    return Held(HELD_OUT, float(np.mean(verdicts[0] != verdicts[1])), errors)


def _read(
    steps: np.ndarray,
    scales: np.ndarray,
    sides: tuple[Side, ...],
    names: tuple[str, ...],
    lungs: np.ndarray,
    at: Values,
) -> dict[str, np.ndarray]:
    found = read(steps[lungs], sides, [at[side.name] for side in sides]) * scales[lungs]
    return {name: found[:, place] for place, name in enumerate(names)}


def _text(numbers: np.ndarray) -> str:
    return base64.b64encode(numbers.tobytes()).decode("ascii")
