"""Release windows with labels, of any lungs under one limit set."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.drawn_bounds import DRAWN, bar_leavers
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.inputs import as_arrays, frame_of
from ebbmap.cases.labelling import Variable, flags, label_variables, provenance
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.kernels.windows import RESOLUTION, Windows, release_windows
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LimitSet

#: Range of T low that is searched [s].
SEARCHED = (0.02, 20.0)

#: Names under which T low is given; windows are searched along it.
T_LOW = ("t_low", "t_low_in_time_constants")

#: Dimensions along which lungs have different numbers of entries.
PIECE_DIMS = ("piece", "unknown_piece")

#: ``solve(cases) -> outcomes by name``, of inputs whose shapes broadcast.
Solve = Callable[[Mapping[str, np.ndarray]], Mapping[str, np.ndarray]]

#: What a lung has, with all of the searched range in view.
WINDOW, NO_WINDOW, UNCLEAR = 0, 1, 2
STATES = ("window", "no_window", "undetermined")

_CLOSER = {"comment": "none: the searched range ends first; unknown: it cannot be judged beyond"}

#: What is said of a window, lung by lung.
WINDOW_VARIABLES: Mapping[str, Variable] = {
    "lower": Variable("shortest T low of the piece", "s"),
    "upper": Variable("longest T low of the piece", "s"),
    "best": Variable("T low with the largest margin", "s"),
    "best_margin": Variable("largest safety margin"),
    "best_piece": Variable("piece with the largest margin, -1 without any"),
    "widest_piece": Variable("longest piece, -1 without any"),
    "unknown_lower": Variable("T low from which the lung could not be judged", "s"),
    "unknown_upper": Variable("T low up to which the lung could not be judged", "s"),
    "pieces": Variable("pieces of T low in which every hard limit holds"),
    "lower_bound": Variable("limit that closes the piece below", None, _CLOSER),
    "upper_bound": Variable("limit that closes the piece above", None, _CLOSER),
    "shorter_fails": Variable(
        "limit that closes the best piece below, or leaves none on that side", None, _CLOSER
    ),
    "longer_fails": Variable(
        "limit that closes the best piece above, or leaves none on that side", None, _CLOSER
    ),
    "state": flags("what the lung has", STATES, "1"),
    "time_constant_exp": Variable("expiratory time constant", "s"),
}

#: Those that the kernel gives as numbers, and as codes of the limits that close a piece.
_NUMBERS = (
    "lower",
    "upper",
    "best",
    "best_margin",
    "best_piece",
    "widest_piece",
    "unknown_lower",
    "unknown_upper",
)
_CLOSED_BY = ("lower_bound", "upper_bound", "shorter_fails", "longer_fails")


def search_windows(
    lung: str,
    values: Mapping[str, np.ndarray],
    limits: LimitSet,
    *,
    searched: tuple[float, float] = SEARCHED,
    resolution: float = RESOLUTION,
    solve: Solve | None = None,
) -> xr.Dataset:
    """Find the T low between which all hard limits hold, in as many pieces as there are.

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
    resolution : float
        Relative step of T low between two looks [1]: pieces and holes at least this wide are
        found.
    solve : callable, optional
        ``solve(cases) -> outcomes`` in place of the lung, which is solved for the time constant
        only.

    Returns
    -------
    xarray.Dataset
        Along `sample` and `piece`: `lower`, `upper` [s], NaN beyond the pieces of a lung, and
        `lower_bound`, `upper_bound`, the limits that close a piece. Along `sample`: `pieces`, how
        many; `best_piece` and `widest_piece`, -1 without any; `best` [s] and `best_margin`;
        `shorter_fails` and `longer_fails`, the limits that close the best piece or leave none;
        `state` (flags), whether a lung has a window, surely none, or is undetermined. The T low
        that could not be determined are `unknown_lower` to `unknown_upper` [s] along
        `unknown_piece`. The given values are coordinates.

    Raises
    ------
    EbbmapError
        For values that cannot be, or if t_low is given.

    Notes
    -----
    A T low is in a piece where `limits.judge` calls it safe, with caution or without.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> found = search_windows("linear", {"resistance_exp": 10.0}, limit_set("flow_ratio"))
    >>> [round(float(found[side].item()), 4) for side in ("lower", "upper")]
    [0.1438, 0.3466]
    """
    model = lung_model(lung)
    full, drawn = one_value_each(values)
    solvable = bar_leavers(full, drawn)
    vary = {name for name, a in solvable.items() if np.size(a) > 1 and np.ptp(a) != 0}

    def margins(t_low: np.ndarray, lung_index: np.ndarray) -> np.ndarray:
        case = {name: a[lung_index] if name in vary else a[0] for name, a in solvable.items()}
        case["t_low"] = t_low
        if solve is None:
            outcomes = evaluate(model, case, limits.outcomes).outcomes
        else:
            solved = solve(case)
            outcomes = {name: solved[name] for name in limits.outcomes}
        judged = judge(limits, outcomes)
        if not limits.caution:
            return judged.bound_margin
        # an unknown caution leaves a place undetermined where no hard bound does
        clear = np.where(judged.determined, np.inf, np.nan)
        return np.concatenate([judged.bound_margin, clear[None]])

    lungs = max((array.size for array in full.values()), default=1)
    found = release_windows(
        margins, lungs, low=searched[0], high=searched[1], resolution=resolution
    )
    at_best = evaluate(
        model, {**solvable, "t_low": np.nan_to_num(found.best, nan=1.0)}, ("time_constant_exp",)
    )
    dataset = _windows_dataset(lung, found, full, limits, at_best.outcomes["time_constant_exp"])
    dataset.attrs["searched"] = f"T low {searched[0]:g} to {searched[1]:g} s"
    dataset.attrs["resolution"] = resolution
    dataset.attrs["comment"] = resolution_words(resolution)
    return dataset


def one_value_each(
    values: Mapping[str, Any],
) -> tuple[dict[str, np.ndarray], list[str]]:
    """Return one value for each lung, shape (n,), and the names of those that were drawn."""
    for name in T_LOW:
        if name in values:
            raise EbbmapError(f"{name} is what a window is searched for. Leave it out.")
    aligned, frame = frame_of(as_arrays(values), ())
    if len(frame.dims) > 1:
        raise EbbmapError(
            f"values must vary along one dimension at most; got {', '.join(frame.dims)}. Stack "
            "them into one, or ask for a map."
        )
    drawn = [name for name, array in aligned.items() if DRAWN in array.attrs]
    arrays = {name: np.atleast_1d(array.values) for name, array in aligned.items()}
    lungs = max((array.size for array in arrays.values()), default=1)
    for name, array in arrays.items():
        if array.size not in (1, lungs):
            raise EbbmapError(
                f"{name} must have one value or {lungs}, as the longest list; got {array.size}."
            )
    return {name: np.broadcast_to(array, (lungs,)) for name, array in arrays.items()}, drawn


def _windows_dataset(
    lung: str,
    found: Windows,
    values: Mapping[str, np.ndarray],
    limits: LimitSet,
    time_constant: np.ndarray,
) -> xr.Dataset:
    dims = {1: ("sample",), 2: ("sample", "piece")}
    # the last two stand for the ends of what was searched and of what is known
    closers = np.array([*(bound.name for bound in limits.hard), "unknown", "none"])
    dataset = xr.Dataset(
        coords={name: ("sample", array) for name, array in values.items()},
        attrs=provenance("release windows", lung=lung, limits=limits.long_name),
    )
    arrays = {name: getattr(found, name) for name in _NUMBERS} | {"pieces": found.count}
    for name in _CLOSED_BY:
        arrays[name] = closers[getattr(found, name)]
        if arrays[name].ndim > 1:
            arrays[name] = np.where(np.isnan(found.lower), "", arrays[name])
    state = np.where(found.count > 0, WINDOW, np.where(found.undetermined, UNCLEAR, NO_WINDOW))
    arrays |= {"state": state.astype(np.int8), "time_constant_exp": time_constant}
    for name, array in arrays.items():
        own = ("sample", "unknown_piece") if name.startswith("unknown") else dims[array.ndim]
        dataset[name] = (own, array)
    return label_variables(dataset, WINDOW_VARIABLES, axes=map(str, dataset.coords))


def resolution_words(resolution: float) -> str:
    """Return what is found of narrow pieces and holes, for captions.

    Examples
    --------
    >>> resolution_words(0.02)
    'pieces and holes from 2 % of T low are found, narrower ones where a limit turns or two meet'
    """
    return (
        f"pieces and holes from {100 * resolution:g} % of T low are found, narrower ones where a "
        "limit turns or two meet"
    )


def stack_windows(parts: list[xr.Dataset], dim: str, names: list[str]) -> xr.Dataset:
    """Put windows side by side, with as many pieces as any lung has."""
    parts = _padded(parts)
    # a property that a population does not have is unknown in its lungs
    given = {name: coord for part in parts for name, coord in part.coords.items()}
    parts = [
        part.assign_coords(
            {
                name: coord.copy(data=np.full(coord.shape, np.nan))
                for name, coord in given.items()
                if name not in part.coords
            }
        )
        for part in parts
    ]
    return xr.concat(
        parts,
        dim=xr.Variable(dim, names),
        join="outer",
        data_vars="all",
        coords="different",
        compat="equals",
        combine_attrs="override",
    )


def lungs_in_a_row(parts: list[xr.Dataset]) -> xr.Dataset:
    """Put windows of some lungs behind those of others, with as many pieces as any lung has."""
    return xr.concat(_padded(parts), "sample", join="exact", combine_attrs="override")


def _padded(parts: list[xr.Dataset]) -> list[xr.Dataset]:
    sizes = {piece: max(part.sizes[piece] for part in parts) for piece in PIECE_DIMS}
    return [pad_pieces(part, sizes) for part in parts]


def pad_pieces(dataset: xr.Dataset, sizes: Mapping[str, int]) -> xr.Dataset:
    """Return windows with room for more pieces: NaN, and empty names of limits."""
    width = {dim: (0, sizes[dim] - dataset.sizes[dim]) for dim in sizes}
    if not any(after for _, after in width.values()):
        return dataset
    blank: dict[str, Any] = {
        str(name): "" if array.dtype.kind in "UO" else np.nan
        for name, array in dataset.data_vars.items()
        if set(array.dims) & set(sizes)
    }
    return dataset.pad(width, constant_values=blank, keep_attrs=True)
