"""Release windows with labels: of one lung, or of every lung of a population."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analysis.kernels.shares import wilson
from ebbmap.analysis.kernels.windows import LOOKS, Windows, release_windows
from ebbmap.cases import Question, draw_cases
from ebbmap.errors import EbbmapError
from ebbmap.evaluate import evaluate
from ebbmap.inputs import as_arrays, frame_of
from ebbmap.labelling import describe, provenance
from ebbmap.limits import LimitSet, bound_margins
from ebbmap.lungs import lung_model
from ebbmap.parameters import PARAMETERS
from ebbmap.pieces import Pieces, Progress, listed

#: Range of T low that is searched [s].
SEARCHED = (0.02, 20.0)

#: Places at which the share of lungs served is counted [s].
SERVED_AT = np.geomspace(0.1, 4.0, 161)


def find_windows(
    lung: str,
    values: Mapping[str, np.ndarray],
    limits: LimitSet,
    *,
    searched: tuple[float, float] = SEARCHED,
) -> xr.Dataset:
    """Find the T low between which all hard limits hold.

    Parameters
    ----------
    lung : str
        Name of a lung model.
    values : mapping of str to array_like, shape (n,) or ()
        Parameters other than t_low, in registry units.
    limits : LimitSet
        With at least one hard limit.
    searched : tuple of float
        Range of T low to search [s].

    Returns
    -------
    xarray.Dataset
        `lower`, `upper`, `best` [s], `best_margin`, `lower_bound`, `upper_bound` along `sample`,
        the window's edges in expiratory time constants, and the given values as coordinates.

    Raises
    ------
    EbbmapError
        For values that cannot be, or if t_low is given.

    Examples
    --------
    >>> from ebbmap.limits import limit_set
    >>> found = find_windows("linear", {"resistance_exp": 10.0}, limit_set("flow_ratio"))
    >>> [round(float(found[side].item()), 4) for side in ("lower", "upper")]
    [0.1438, 0.3466]
    """
    model = lung_model(lung)
    for name in ("t_low", "t_low_in_time_constants"):
        if name in values:
            raise EbbmapError(f"{name} is what a window is searched for. Leave it out.")
    aligned, frame = frame_of(as_arrays(values), ())
    if len(frame.dims) > 1:
        raise EbbmapError(
            f"values must vary along one dimension at most; got {', '.join(frame.dims)}. Stack "
            "them into one, or ask for a map."
        )
    arrays = {name: np.atleast_1d(array.values) for name, array in aligned.items()}
    lungs = max((array.size for array in arrays.values()), default=1)
    for name, array in arrays.items():
        if array.size not in (1, lungs):
            raise EbbmapError(
                f"{name} must have one value or {lungs}, as the longest list; got {array.size}."
            )
    full = {name: np.broadcast_to(array, (lungs,)) for name, array in arrays.items()}
    vary = {name for name, array in arrays.items() if array.size > 1}

    def margins(t_low, lung_index):
        case = {name: a[lung_index] if name in vary else a[0] for name, a in full.items()}
        solved = evaluate(model, {**case, "t_low": t_low}, limits.outcomes)
        return bound_margins(limits.hard, solved.outcomes)

    found = release_windows(margins, lungs, low=searched[0], high=searched[1])
    at_best = evaluate(model, {**full, "t_low": np.nan_to_num(found.best, nan=1.0)},
                       ("time_constant_exp",))  # fmt: skip
    return _labelled(lung, found, full, limits, at_best.outcomes["time_constant_exp"])


def find_population_windows(
    question: Question, axes: Mapping[str, np.ndarray], *, level: float = 0.95
) -> xr.Dataset:
    """Find the windows of every lung of every population, under every rule.

    Parameters
    ----------
    question : Question
        Model, lungs, values and rules.
    axes : mapping of str to ndarray, shape (m,)
        At most one parameter on a grid: then the windows are those of each population's middle
        lung along it, and `sample` counts its values.
    level : float
        Level of the intervals.

    Returns
    -------
    xarray.Dataset
        As `find_windows`, dims (population, rule, sample), with `served_share` and its interval
        along `t_low`: the share of lungs in whose window this T low lies.

    Raises
    ------
    EbbmapError
        For values that cannot be.
    """
    return window_pieces(question, axes, level=level).whole()


def window_pieces(
    question: Question, axes: Mapping[str, np.ndarray], *, level: float = 0.95
) -> Pieces[xr.Dataset]:
    """Cut the windows into populations; see `find_population_windows`."""
    groups = question.groups()

    def solve(number: int, progress: Progress) -> xr.Dataset:
        group = groups[number]
        if axes:
            values: dict[str, Any] = {**(group.median if group else {}), **question.fixed, **axes}
        else:
            drawn = draw_cases(question, group, {})
            values = {name: array.values for name, array in drawn.items()}
        rules = [find_windows(question.lung, values, rule) for rule in question.rules.values()]
        return _stack(rules, "rule", list(question.rules))

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        dataset = _stack(found, "population", question.group_names)
        dataset.attrs = provenance(
            "release windows", lung=question.lung, seed=question.seed, along=", ".join(axes),
            rules=question.rules_text,
            fixed=question.fixed_text,
            unconfirmed=question.unconfirmed_text,
        )  # fmt: skip
        return dataset if axes else _with_served(dataset, level)

    return listed(len(groups), solve, join)


def _stack(parts: list[xr.Dataset], dim: str, names: list[str]) -> xr.Dataset:
    return xr.concat(
        parts, dim=xr.Variable(dim, names), join="outer", data_vars="all", coords="different",
        compat="equals", combine_attrs="override",
    )  # fmt: skip


def _with_served(dataset: xr.Dataset, level: float) -> xr.Dataset:
    """Add the share of lungs that each T low serves."""
    places = xr.DataArray(SERVED_AT, dims="t_low", coords={"t_low": SERVED_AT})
    inside = (dataset["lower"] <= places) & (places <= dataset["upper"])
    count = inside.sum("sample")
    low, high = wilson(count.values, dataset.sizes["sample"], level)
    edges = np.stack([low, high])
    dataset["served_share"] = describe(
        count / dataset.sizes["sample"], "share of lungs in whose window this T low lies"
    )
    dataset["served_share_interval"] = describe(
        xr.DataArray(edges, {"ci_bound": ["lower", "upper"]}, ("ci_bound", *count.dims)),
        "interval of the share", ci_method="Wilson score", ci_level=level,
    )  # fmt: skip
    dataset["t_low"].attrs = {"units": "s", "long_name": "T low"}
    return dataset


def _labelled(lung, found: Windows, values, limits: LimitSet, time_constant) -> xr.Dataset:
    flags = tuple(bound.name for bound in limits.hard)
    texts = {
        "lower": ("shortest safe T low", "s"),
        "upper": ("longest safe T low", "s"),
        "best": ("T low with the largest margin", "s"),
        "best_margin": ("largest safety margin", "1"),
    }
    dataset = xr.Dataset(
        coords={name: ("sample", array) for name, array in values.items()},
        attrs=provenance("release windows", lung=lung, limits=limits.long_name),
    )
    for name in dataset.coords:
        entry = PARAMETERS[str(name)]
        dataset[name].attrs = {"units": entry.units, "long_name": entry.long_name}
    for name, (long_name, units) in texts.items():
        data = xr.DataArray(getattr(found, name), dims="sample")
        dataset[name] = describe(data, long_name, units)
    for name, side in (("lower_bound", "below"), ("upper_bound", "above")):
        closers = np.array([*flags, "none"])[getattr(found, name)]
        dataset[name] = ("sample", closers, {
            "long_name": f"limit that closes the window {side}",
            "comment": "none: the searched range ends first, or the lung could not be solved",
        })  # fmt: skip
    dataset["time_constant_exp"] = describe(
        xr.DataArray(time_constant, dims="sample"), "expiratory time constant", "s"
    )
    dataset.attrs["searched"] = f"T low {SEARCHED[0]:g} to {SEARCHED[1]:g} s, {LOOKS} first looks"
    return dataset
