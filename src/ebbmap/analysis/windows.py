"""Release windows with labels: of one lung, or of every lung of a population."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from ebbmap.analysis.kernels.windows import LOOKS, OPEN, Windows, release_windows
from ebbmap.checks import check_values
from ebbmap.errors import EbbmapError
from ebbmap.evaluate import evaluate
from ebbmap.labelling import describe, provenance
from ebbmap.limits import LimitSet, bound_margins
from ebbmap.lungs import lung_model
from ebbmap.parameters import PARAMETERS

#: Range of T low that is searched [s].
SEARCHED = (0.02, 20.0)


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
    arrays = {name: np.atleast_1d(np.asarray(value, float)) for name, value in values.items()}
    for name in ("t_low", "t_low_in_time_constants"):
        if name in arrays:
            raise EbbmapError(f"{name} is what a window is searched for. Leave it out.")
    check_values(arrays)
    lungs = max((array.size for array in arrays.values()), default=1)
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
        dataset[name] = describe(
            xr.DataArray(getattr(found, name), dims="sample"),
            f"limit that closes the window {side}",
            flag_values=np.arange(OPEN, len(flags), dtype=np.int8),
            flag_meanings=" ".join(("none_within_the_searched_range", *flags)),
        )
    dataset["time_constant_exp"] = describe(
        xr.DataArray(time_constant, dims="sample"), "expiratory time constant", "s"
    )
    dataset.attrs["searched"] = f"T low {SEARCHED[0]:g} to {SEARCHED[1]:g} s, {LOOKS} first looks"
    return dataset
