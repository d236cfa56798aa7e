"""Release windows with labels: of one lung, or of every lung of a population."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.evaluate import DRAWN, bar_leavers, evaluate
from ebbmap.cases.inputs import as_arrays, frame_of
from ebbmap.cases.labelling import describe, provenance
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.errors import EbbmapError
from ebbmap.kernels.serving import served_counts
from ebbmap.kernels.shares import share_words, wilson
from ebbmap.kernels.windows import RESOLUTION, Windows, release_windows
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LimitSet, judge
from ebbmap.registries.parameters import PARAMETERS

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
    resolution: float = RESOLUTION,
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
    drawn = [name for name, array in aligned.items() if DRAWN in array.attrs]
    arrays = {name: np.atleast_1d(array.values) for name, array in aligned.items()}
    lungs = max((array.size for array in arrays.values()), default=1)
    for name, array in arrays.items():
        if array.size not in (1, lungs):
            raise EbbmapError(
                f"{name} must have one value or {lungs}, as the longest list; got {array.size}."
            )
    full = {name: np.broadcast_to(array, (lungs,)) for name, array in arrays.items()}
    solvable = bar_leavers(full, drawn)
    vary = {name for name, a in solvable.items() if np.size(a) > 1 and np.ptp(a) != 0}

    def margins(t_low, lung_index):
        case = {name: a[lung_index] if name in vary else a[0] for name, a in solvable.items()}
        solved = evaluate(model, {**case, "t_low": t_low}, limits.outcomes)
        judged = judge(limits, solved.outcomes)
        if not limits.caution:
            return judged.bound_margin
        # an unknown caution leaves a place undetermined where no hard bound does
        clear = np.where(judged.determined, np.inf, np.nan)
        return np.concatenate([judged.bound_margin, clear[None]])

    found = release_windows(
        margins, lungs, low=searched[0], high=searched[1], resolution=resolution
    )
    at_best = evaluate(
        model, {**solvable, "t_low": np.nan_to_num(found.best, nan=1.0)}, ("time_constant_exp",)
    )
    dataset = _labelled(lung, found, full, limits, at_best.outcomes["time_constant_exp"])
    dataset.attrs["searched"] = f"T low {searched[0]:g} to {searched[1]:g} s"
    dataset.attrs["resolution"] = resolution
    dataset.attrs["comment"] = resolution_words(resolution)
    return dataset


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
        As `find_windows`, dims (population, rule, sample, piece), with `window_share`, the share
        of all lungs that surely have a window, and `served_share` with its interval along
        `t_low`, the share of all lungs with this T low in a piece of their window; beside both
        the share that is undetermined, `window_undetermined_share` and
        `served_undetermined_share`.

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
            values = middle_lung(question, group, axes)
        else:
            values = draw_cases(question, group, {})
        rules = [find_windows(question.lung, values, rule) for rule in question.rules.values()]
        return _stack(rules, "rule", list(question.rules))

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        dataset = _stack(found, "population", question.group_names)
        kept = {name: dataset.attrs[name] for name in ("searched", "resolution", "comment")}
        searched_for = ("t_low", "t_low_in_time_constants")
        use = Use((*searched_for, *axes), middle=bool(axes), outcomes=question.outcomes)
        dataset = add_provenance(
            dataset, question, "release windows", use, along=", ".join(axes), **kept
        )
        return dataset if axes else _with_shares(dataset, level)

    return listed(len(groups), solve, join)


def _stack(parts: list[xr.Dataset], dim: str, names: list[str]) -> xr.Dataset:
    """Put windows side by side, with as many pieces as any lung has."""
    sizes = {piece: max(part.sizes[piece] for part in parts) for piece in PIECE_DIMS}
    parts = [pad_pieces(part, sizes) for part in parts]
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


#: Dimensions along which lungs have different numbers of entries.
PIECE_DIMS = ("piece", "unknown_piece")


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


def _with_shares(dataset: xr.Dataset, level: float) -> xr.Dataset:
    """Add the shares of lungs that have a window, and that each T low serves."""
    n = dataset.sizes["sample"]
    order = ("population", "rule", "sample")

    def served(start: str, end: str, piece: str) -> xr.DataArray:
        low, high = (dataset[name].transpose(*order, piece).values for name in (start, end))
        counts = [
            [served_counts(*edges, SERVED_AT) for edges in zip(*both, strict=True)]
            for both in zip(low, high, strict=True)
        ]
        dims = ("population", "rule", "t_low")
        return xr.DataArray(np.array(counts), dims=dims, coords={"t_low": SERVED_AT})

    count = served("lower", "upper", "piece")
    unknown = served("unknown_lower", "unknown_upper", "unknown_piece")
    state = dataset["state"]
    for name, share in (
        ("served_share", count / n),
        ("served_undetermined_share", unknown / n),
        ("window_share", (state == WINDOW).mean("sample")),
        ("window_undetermined_share", (state == UNCLEAR).mean("sample")),
    ):
        dataset[name] = describe(share, share_words(name))
    for name, successes in (("served", count), ("window", (state == WINDOW).sum("sample"))):
        edges = np.stack(wilson(successes.values, n, level))
        dataset[f"{name}_share_interval"] = describe(
            xr.DataArray(edges, {"ci_bound": ["lower", "upper"]}, ("ci_bound", *successes.dims)),
            "interval of the share",
            ci_method="Wilson score",
            ci_level=level,
        )
    dataset["t_low"].attrs = {"units": "s", "long_name": "T low"}
    return dataset


#: What a lung has, with all of the searched range in view.
WINDOW, NO_WINDOW, UNCLEAR = 0, 1, 2
STATES = ("window", "no_window", "undetermined")

_TEXTS = {
    "lower": ("shortest T low of the piece", "s"),
    "upper": ("longest T low of the piece", "s"),
    "best": ("T low with the largest margin", "s"),
    "best_margin": ("largest safety margin", "1"),
    "pieces": ("pieces of T low in which every hard limit holds", "1"),
    "best_piece": ("piece with the largest margin, -1 without any", "1"),
    "widest_piece": ("longest piece, -1 without any", "1"),
    "unknown_lower": ("T low from which the lung could not be judged", "s"),
    "unknown_upper": ("T low up to which the lung could not be judged", "s"),
}

_LIMIT_TEXTS = {
    "lower_bound": "limit that closes the piece below",
    "upper_bound": "limit that closes the piece above",
    "shorter_fails": "limit that closes the best piece below, or leaves none on that side",
    "longer_fails": "limit that closes the best piece above, or leaves none on that side",
}


def _labelled(lung, found: Windows, values, limits: LimitSet, time_constant) -> xr.Dataset:
    dims = {1: ("sample",), 2: ("sample", "piece")}
    # the last two stand for the ends of what was searched and of what is known
    closers = np.array([*(bound.name for bound in limits.hard), "unknown", "none"])
    dataset = xr.Dataset(
        coords={name: ("sample", array) for name, array in values.items()},
        attrs=provenance("release windows", lung=lung, limits=limits.long_name),
    )
    for name in dataset.coords:
        entry = PARAMETERS[str(name)]
        dataset[name].attrs = {"units": entry.units, "long_name": entry.long_name}
    columns = {name: getattr(found, name) for name in _TEXTS if name != "pieces"}
    for name, array in {**columns, "pieces": found.count}.items():
        own = ("sample", "unknown_piece") if name.startswith("unknown") else dims[array.ndim]
        dataset[name] = describe(xr.DataArray(array, dims=own), *_TEXTS[name])
    for name, long_name in _LIMIT_TEXTS.items():
        array = closers[getattr(found, name)]
        if array.ndim > 1:
            array = np.where(np.isnan(found.lower), "", array)
        comment = "none: the searched range ends first; unknown: it cannot be judged beyond"
        dataset[name] = (dims[array.ndim], array, {"long_name": long_name, "comment": comment})
    state = np.where(found.count > 0, WINDOW, np.where(found.undetermined, UNCLEAR, NO_WINDOW))
    dataset["state"] = (
        "sample",
        state.astype(np.int8),
        {
            "long_name": "what the lung has",
            "units": "1",
            "flag_meanings": " ".join(STATES),
            "flag_values": np.arange(len(STATES), dtype=np.int8),
        },
    )
    dataset["time_constant_exp"] = describe(
        xr.DataArray(time_constant, dims="sample"), "expiratory time constant", "s"
    )
    return dataset
