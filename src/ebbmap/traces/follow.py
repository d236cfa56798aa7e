"""What follows from a fitted lung: its draws as a population, and what to measure next.

Every analysis takes the population; shares of its lungs are then probabilities for this one lung.
Sizes: n draws, p properties, t times, c pseudo-truths.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.adjust import STEPS
from ebbmap.cases.cohort import rows_population
from ebbmap.cases.labelling import Variable, label_variables, provenance
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import CAUTION, SAFE
from ebbmap.lungs import lung_model
from ebbmap.registries.cohorts import Rows
from ebbmap.registries.limits import LimitSet, combine, limit_set
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: What is judged by where nobody says.
USUAL_LIMITS = ("pressure", "volume", "auto_peep", "flow_ratio")

#: Draws taken as the truth in turn, samples left out after each step, and halvings that find how
#: much wider the noise counts.
TRUTHS, AFTER, HALVINGS = 60, 1, 30

#: What the same measurement again does to independent normal doubts.
AGAIN = 1.0 - 0.5**0.5

#: The trace's T low counts as one of the ladder nearer than this [s]: no bedside sets them apart.
LEAST_STEP = 0.006

#: The measurement that was made.
SAME = "the same again"

#: Further measurements: what changes of the settings, by name. A longer release lets the slow
#: part out; a pause is a T high of 8 s, at whose end only the slow part still takes gas in.
MEASUREMENTS: Mapping[str, Mapping[str, float]] = {
    SAME: {},
    "longer release": {"t_low": 3.0},
    "pause": {"t_high": 8.0},
    "second P high": {"p_high": -6.0},
}

VARIABLES: Mapping[str, Variable] = {
    "reduction": Variable("expected share by which the measurement narrows the property"),
    "mean_reduction": Variable("mean of that over the properties"),
    "inside": Variable("probability that this T low keeps every hard limit"),
    "safe_after": Variable("probability that the lung is safe after a step"),
}


def fitted_population(fit: xr.Dataset, name: str = "fitted") -> Rows:
    """Return the draws of a fit as a population, which every analysis takes.

    Parameters
    ----------
    fit : Dataset
        From `find_fit`.
    name : str
        Of the population.
    """
    rows = np.asarray(fit["draws"].values)
    names = tuple(map(str, fit["property"].values))
    varied = np.ptp(rows, axis=0) > 0.0
    kept = tuple(one for one, moves in zip(names, varied, strict=True) if moves)
    source = (
        f"one lung fitted to a trace ({fit.attrs['cycles']} cycles, lung {fit.attrs['lung']}): "
        "shares are probabilities of its posterior"
    )
    return rows_population(name, kept, rows[:, varied], np.ones(len(rows)), source)


def fitted_question(
    fit: xr.Dataset,
    *,
    limits: LimitSet | None = None,
    lungs: int = 500,
    seed: int = 0,
    **settings: float,
) -> Question:
    """Return the question of a fitted lung, with the settings of its trace.

    Parameters
    ----------
    fit : Dataset
        From `find_fit`.
    limits : LimitSet, optional
        What is safe; pressure, volume, auto-PEEP and flow ratio if None.
    lungs, seed : int
        Draws, and their seed.
    **settings : float
        Settings that differ from those of the trace, and T low where an analysis needs one: that
        of the trace is ``fit.attrs["set_t_low"]``.

    Examples
    --------
    With a fit at hand: ``find_window(fitted_question(fit))["served_share"]`` is the probability
    that a T low lies inside the window.
    """
    lung = str(fit.attrs["lung"])
    takes = lung_model(lung).parameters
    measured = {
        key.removeprefix("set_"): float(value)
        for key, value in fit.attrs.items()
        if key.startswith("set_")
    }
    fixed = {name: value for name, value in measured.items() if name in takes}
    # a window is searched along T low; whoever needs one states it
    fixed.pop("t_low", None)
    judged = limits or combine("usual", *(limit_set(name) for name in USUAL_LIMITS))
    group = fitted_population(fit)
    return Question(
        lung,
        {**fixed, **settings},
        {},
        (group,),
        {judged.name: judged},
        lungs=lungs,
        seed=seed,
    )


def find_next(fit: xr.Dataset, *, seed: int = 0) -> xr.Dataset:
    """Find which further measurement would narrow a fitted lung most.

    Parameters
    ----------
    fit : Dataset
        From `find_fit`.
    seed : int
        Of the draws that are taken as the truth in turn, and of the noise.

    Returns
    -------
    xarray.Dataset
        `reduction` by `measurement` and `property`: 1 less the expected ratio of standard
        deviations (of logarithms where positive) after and before; `mean_reduction`.

    Notes
    -----
    Each of some draws is taken as the truth; the others are weighted by how likely they make what
    would be measured on it in as many cycles. Nothing is fitted again. What disturbs a measurement
    weakens it: the noise is widened until the same measurement again narrows the lung as it must,
    by the root of two, and all others are weighed with that.
    """
    rows = np.asarray(fit["draws"].values)
    names = [str(name) for name in fit["property"].values]
    positive = np.all(rows > 0.0, axis=0)
    scaled = np.where(positive, np.log(np.where(rows > 0.0, rows, 1.0)), rows)
    before = np.maximum(np.std(scaled, axis=0), 1e-12)
    rng = np.random.default_rng(seed)
    truths = rng.choice(len(rows), min(TRUTHS, len(rows)), replace=False)
    apart = {
        name: _apart(_flows(fit, names, rows, change), truths, rng)
        for name, change in MEASUREMENTS.items()
    }

    def reduced(name: str, noise: float) -> np.ndarray:
        after = _narrowed(*apart[name], scaled, noise)
        return np.asarray(1.0 - np.mean(after / before, axis=0))

    noise = float(fit.attrs["noise"])
    low, high = 0.0, 12.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        strong = reduced(SAME, noise * np.exp(middle)).mean() > AGAIN
        low, high = (middle, high) if strong else (low, middle)
    table = np.array([reduced(name, noise * np.exp(high)) for name in MEASUREMENTS])
    dataset = xr.Dataset(
        {
            "reduction": (("measurement", "property"), table),
            "mean_reduction": ("measurement", table.mean(axis=1)),
        },
        {"measurement": list(MEASUREMENTS), "property": names},
        provenance("what to measure next on a fitted lung", lung=str(fit.attrs["lung"])),
    )
    return label_variables(dataset, VARIABLES)


def _flows(
    fit: xr.Dataset, names: list[str], rows: np.ndarray, change: Mapping[str, float]
) -> np.ndarray:
    """Return what is measured on each draw, times the root of the cycles, shape (n, t)."""
    model = lung_model(str(fit.attrs["lung"]))
    settings = _changed(fit, change)
    values: dict[str, Any] = {
        name: np.full(len(rows), settings.get(name, PARAMETERS[name].default))
        for name in model.parameters
    }
    values |= {name: rows[:, i] for i, name in enumerate(names) if name in model.parameters}
    step = float(fit.attrs["interval"])
    period = settings["t_high"] + settings["t_low"]
    times = np.arange(AFTER, int(period / step)) * step
    times = times[np.abs(times - settings["t_high"]) > 0.5 * step]
    flow = np.asarray(model.waveform(model.settle(**values), times, **values)["flow"])
    if not np.isfinite(flow).all():
        raise EbbmapError(
            "some draws of the fitted lung have no settled cycle under the further measurement. "
            "Fit with a narrower prior."
        )
    return flow * np.sqrt(float(fit.attrs["cycles"]))


def _changed(fit: xr.Dataset, change: Mapping[str, float]) -> dict[str, float]:
    """Return the settings of a further measurement: a new time, or a step of P high."""
    settings = {
        key.removeprefix("set_"): float(value)
        for key, value in fit.attrs.items()
        if key.startswith("set_")
    }
    for name, value in change.items():
        settings[name] = settings[name] + value if name == "p_high" else max(value, settings[name])
    return settings


def _apart(
    flow: np.ndarray, truths: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return how far draws lie from each truth, squared, and along noise, shape (c, n) each."""
    square, along = [], []
    for truth in truths:
        off = flow - flow[truth]
        square.append(np.einsum("nt,nt->n", off, off))
        along.append(off @ rng.standard_normal(flow.shape[1]))
    return np.array(square), np.array(along)


def _narrowed(
    square: np.ndarray, along: np.ndarray, scaled: np.ndarray, noise: float
) -> np.ndarray:
    """Return standard deviations once each truth's measurement is known, shape (c, p)."""
    log = -0.5 * square / noise**2 + along / noise
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ scaled
    return np.sqrt(np.maximum(weight @ scaled**2 - mean**2, 0.0))


def find_follow(
    fit: xr.Dataset, *, limits: LimitSet | None = None, lungs: int = 500, seed: int = 0
) -> xr.Dataset:
    """Find what is probably safe for a fitted lung. Research and teaching only.

    Parameters
    ----------
    fit, limits, lungs, seed
        As in `fitted_question`.

    Returns
    -------
    xarray.Dataset
        `inside`: the probability that each T low keeps every hard limit, the other settings as in
        the trace; `safe_after`: the same after each step of one setting, "as it is" first; what is
        undetermined counts as not safe. The reductions of `find_next` are in it too.
    """
    question = fitted_question(fit, limits=limits, lungs=lungs, seed=seed)
    now = dict(question.fixed)
    t_low = float(fit.attrs["set_t_low"])
    ladder = np.round(np.arange(0.2, 2.0001, 0.05), 3)
    if np.min(np.abs(ladder - t_low)) > LEAST_STEP:
        ladder = np.sort([*ladder, round(t_low, 3)])
    inside = [_safe(question, {**now, "t_low": float(one)}) for one in ladder]
    moves: dict[str, dict[str, float]] = {"as it is": {}} | {
        f"{name} {sign * step:+g} {display(PARAMETERS[name].units)}": {name: sign * step}
        for name, step in STEPS.items()
        if name in now or name == "t_low"
        for sign in (-1.0, 1.0)
    }
    after = [_after(question, {**now, "t_low": t_low}, move) for move in moves.values()]
    dataset = find_next(fit, seed=seed).assign(inside=("t_low", inside), safe_after=("move", after))
    dataset = dataset.assign_coords(t_low=ladder, move=list(moves))
    dataset.attrs = {
        **provenance("what follows for a fitted lung", lung=question.lung),
        "held": question.fixed_text,
        "limits": question.rules_text,
        "lungs": lungs,
    }
    return label_variables(dataset, VARIABLES, axes=["t_low"])


def _after(question: Question, now: Mapping[str, float], move: Mapping[str, float]) -> float:
    """Return the probability of being safe after a step; NaN where it leaves its bounds."""
    moved = {name: now[name] + change for name, change in move.items()}
    for name, value in moved.items():
        if not PARAMETERS[name].low <= value <= PARAMETERS[name].high:
            return np.nan
    settings = {**now, **moved}
    return _safe(question, settings) if settings["p_high"] > settings["p_low"] else np.nan


def _safe(question: Question, settings: Mapping[str, float]) -> float:
    """Return the share of the fitted lung's draws that keep every hard limit."""
    asked = replace(question, fixed=dict(settings))
    (rule,) = question.rules.values()
    solved = simulate(question.lung, limits=rule, **draw_cases(asked, question.populations[0], {}))
    return float(np.mean(np.isin(solved["verdict"].values, (SAFE, CAUTION))))
