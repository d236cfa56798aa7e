"""Designs: points of the unit cube as labelled Datasets that say how they were drawn.

SALib is called from this module only.
Sizes: n base rows, d parameters, r rows of a base block (2 d + 2, or d + 2).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtri
from scipy.stats import qmc

from ebbmap.cases.labelling import version_of
from ebbmap.errors import DesignMismatchError, EbbmapError, unknown_name
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.kernels.shapley import MAX_PLAYERS, substituted_scores

#: Children of a study's seed: designs and resampling never share a stream.
DESIGN_STREAM, RESAMPLING_STREAM = 0, 1

#: Parameters that are varied together, by the name of their group.
Groups = Mapping[str, Sequence[str]]

INTEGER = (int, np.integer)

#: Half the spacing of SciPy's 30-bit Sobol points, which lie on [0, 1): moves all off the faces.
HALF_CELL = 2.0**-31


def seed_stream(seed: int, stream: int) -> np.random.SeedSequence:
    """Return a numbered child of a seed.

    Parameters
    ----------
    seed : int
        The study's seed, >= 0; zero is a seed like any other.
    stream : int
        `DESIGN_STREAM` or `RESAMPLING_STREAM`.

    Raises
    ------
    EbbmapError
        If `seed` is not an integer >= 0.

    Examples
    --------
    >>> int(np.random.default_rng(seed_stream(0, DESIGN_STREAM)).integers(100))
    80
    """
    if not isinstance(seed, INTEGER) or seed < 0:
        raise EbbmapError(f"seed must be an integer >= 0; got {seed!r}. State one in the study.")
    return np.random.SeedSequence(int(seed), spawn_key=(stream,))


def draw_sobol_design(
    names: Sequence[str],
    n: int,
    *,
    second_order: bool = True,
    replicates: int = 1,
    groups: Groups | None = None,
    seed: int,
) -> xr.Dataset:
    """Draw a Saltelli design on scrambled Sobol points.

    Parameters
    ----------
    names : sequence of str
        The d parameters.
    n : int
        Base rows, a power of two >= 2. The design of n is the first rows of the design of 2 n.
    second_order : bool
        Whether to add the rows that second-order indices need.
    replicates : int
        Independent scramblings, a power of two; base rows are dealt from them in turn. Several
        are less even than one, and the only way to tell how far off an estimate is.
    groups : mapping of str to sequence of str, optional
        Parameters that are substituted together, by the name of their group; any other
        parameter is a group of its own.
    seed : int
        Seed of the scrambling, >= 0.

    Returns
    -------
    Dataset
        `unit` (sample, parameter): points strictly inside the unit cube. For each base row: A,
        AB_1 ... AB_d, then BA_1 ... BA_d with second order, then B; groups take the place of
        parameters in this, and are named by the coordinate `group` (parameter).

    Raises
    ------
    EbbmapError
        If `n` or `replicates` is not a power of two, names are missing or repeated, a group is
        not of these parameters, or `seed` is not legal.

    References
    ----------
    .. [1] Saltelli A. Comput Phys Commun 2002;145:280-297, doi:10.1016/S0010-4655(02)00280-1

    Examples
    --------
    >>> design = draw_sobol_design(["compliance", "t_low"], 8, seed=0)
    >>> dict(design.sizes)
    {'sample': 48, 'parameter': 2}
    """
    # imported late: SALib brings pandas along, seconds that most commands need not wait for
    from SALib.sample import sobol

    names = _names(names)
    if not isinstance(n, INTEGER) or n < 2 or n & (n - 1):
        raise EbbmapError(f"n must be a power of two >= 2; got {n!r}. Try {_nearest_power(n)}.")
    _check_replicates(replicates, int(n))
    problem = {"num_vars": len(names), "names": names, "bounds": [[0.0, 1.0]] * len(names)}
    membership = _membership(names, groups)
    if groups:
        problem["groups"] = membership
    rngs = _generators(seed, replicates)
    each = [
        sobol.sample(problem, int(n) // replicates, calc_second_order=second_order, seed=rng)
        for rng in rngs
    ]
    blocks = [unit.reshape(int(n) // replicates, -1, len(names)) for unit in each]
    unit = np.stack(blocks, axis=1).reshape(-1, len(names)) + HALF_CELL
    return _label(
        names,
        unit,
        groups=membership if groups else None,
        design="sobol",
        base_size=int(n),
        second_order=int(second_order),
        replicates=int(replicates),
        seed=int(seed),
        comment="Saltelli design on scrambled Sobol points: for each base row A, AB_1 ... AB_d, "
        + ("BA_1 ... BA_d, B." if second_order else "B."),
        libraries=("SALib", "scipy", "numpy"),
    )


def draw_random_design(names: Sequence[str], n: int, *, seed: int) -> xr.Dataset:
    """Draw a Latin hypercube: any number of points, each parameter's range evenly covered.

    Parameters
    ----------
    names : sequence of str
        The d parameters.
    n : int
        Points, >= 1.
    seed : int
        Seed, >= 0.

    Returns
    -------
    Dataset
        `unit` (sample, parameter): points strictly inside the unit cube.

    Raises
    ------
    EbbmapError
        If `n` < 1, names are missing or repeated, or `seed` is not legal.

    References
    ----------
    .. [1] McKay MD, Beckman RJ, Conover WJ. Technometrics 1979;21:239-245, doi:10.2307/1268522

    Examples
    --------
    >>> unit = draw_random_design(["compliance"], 4, seed=0).unit
    >>> sorted((unit.values[:, 0] * 4).astype(int).tolist())
    [0, 1, 2, 3]
    """
    names = _names(names)
    if not isinstance(n, INTEGER) or n < 1:
        raise EbbmapError(f"n must be an integer >= 1; got {n!r}.")
    rng = np.random.default_rng(seed_stream(seed, DESIGN_STREAM))
    unit = qmc.LatinHypercube(len(names), rng=rng).random(int(n))
    return _label(
        names,
        # a point on a face has probability 2**-53, and no quantile
        np.clip(unit, HALF_CELL, 1.0 - HALF_CELL),
        design="latin_hypercube",
        base_size=int(n),
        second_order=0,
        seed=int(seed),
        comment="Latin hypercube: one point in each of n equal slices of every parameter.",
        libraries=("scipy", "numpy"),
    )


def draw_shapley_design(
    names: Sequence[str],
    n: int,
    *,
    mean: np.ndarray | None = None,
    covariance: np.ndarray | None = None,
    replicates: int = REPLICATES,
    groups: Groups | None = None,
    seed: int,
) -> xr.Dataset:
    """Draw correlated normal scores in which every subset of the factors is kept in turn.

    Parameters
    ----------
    names : sequence of str
        The d parameters.
    n : int
        Base rows, a power of two. The design of n is the first rows of the design of 2 n.
    mean, covariance : ndarray, shape (d,) and (d, d), optional
        Of the normal scores; independent standard scores if None.
    replicates : int
        Independent scramblings, a power of two >= 2; base rows are dealt from them in turn.
    groups : mapping of str to sequence of str, optional
        Parameters that are kept together, by the name of their group.
    seed : int
        Seed of the scrambling, >= 0.

    Returns
    -------
    Dataset
        `score` (sample, parameter): for each base row one row per subset of the g factors, in
        the order of `analysis.kernels.shapley.subsets`.

    Raises
    ------
    EbbmapError
        If `n` or `replicates` is not a power of two, there are too many factors, names or
        groups do not fit, the covariance is not positive definite, or `seed` is not legal.

    Examples
    --------
    >>> design = draw_shapley_design(["compliance", "resistance_exp"], 32, seed=0)
    >>> dict(design.sizes)
    {'sample': 128, 'parameter': 2}
    """
    names = _names(names)
    d = len(names)
    if not isinstance(n, INTEGER) or n < 2 or n & (n - 1):
        raise EbbmapError(f"n must be a power of two >= 2; got {n!r}. Try {_nearest_power(n)}.")
    _check_replicates(replicates, int(n))
    membership = _membership(names, groups)
    factors = list(dict.fromkeys(membership))
    if len(factors) > MAX_PLAYERS:
        raise EbbmapError(
            f"a Shapley design takes {MAX_PLAYERS} factors at most; got {len(factors)}. "
            "Fix parameters or put them in groups."
        )
    spread = np.eye(d) if covariance is None else np.asarray(covariance, float)
    try:
        root = np.linalg.cholesky(spread)
    except np.linalg.LinAlgError:
        raise EbbmapError("the covariance must be positive definite. Weaken it.") from None
    each = [
        qmc.Sobol(2 * d, scramble=True, rng=rng).random(int(n) // replicates)
        for rng in _generators(seed, replicates)
    ]
    scores = ndtri(np.stack(each, axis=1).reshape(int(n), 2 * d) + HALF_CELL)
    members = np.array(membership) == np.array(factors)[:, None]
    kept = substituted_scores(scores[:, :d] @ root.T, scores[:, d:] @ root.T, spread, members)
    rows = kept.reshape(-1, d) + (0.0 if mean is None else np.asarray(mean, float))
    drawn = _label(
        names,
        rows,
        groups=membership if groups else None,
        design="shapley",
        base_size=int(n),
        replicates=int(replicates),
        seed=int(seed),
        comment="For each base row one row per subset of factors: these kept, the others drawn "
        "again given them. Scrambled Sobol points.",
        libraries=("scipy", "numpy"),
    )
    drawn["unit"].attrs = {"units": "1", "long_name": "normal score"}
    return drawn.rename(unit="score")


def draw_morris_design(
    names: Sequence[str],
    trajectories: int,
    *,
    levels: int = 8,
    groups: Groups | None = None,
    seed: int,
) -> xr.Dataset:
    """Draw trajectories that change one factor at a time, by half of its range.

    Parameters
    ----------
    names : sequence of str
        The d parameters.
    trajectories : int
        How many, >= 2.
    levels : int
        Even number of levels of each parameter; they sit in the middle of as many equal slices,
        for on the faces of the cube a distribution has no quantile.
    groups : mapping of str to sequence of str, optional
        Parameters that change together, by the name of their group.
    seed : int
        Seed, >= 0.

    Returns
    -------
    Dataset
        `unit` (sample, parameter): trajectory by trajectory, one point more than factors each.

    Raises
    ------
    EbbmapError
        If a number is not legal, names are missing or repeated, or groups do not fit.

    References
    ----------
    .. [1] Morris MD. Technometrics 1991;33:161-174, doi:10.2307/1269043

    Examples
    --------
    >>> design = draw_morris_design(["compliance", "t_low"], 4, levels=4, seed=0)
    >>> dict(design.sizes), sorted(set(design.unit.values.round(3).ravel().tolist()))
    ({'sample': 12, 'parameter': 2}, [0.125, 0.375, 0.625, 0.875])
    """
    from SALib.sample import morris

    names = _names(names)
    if not isinstance(trajectories, INTEGER) or trajectories < 2:
        raise EbbmapError(f"trajectories must be an integer >= 2; got {trajectories!r}.")
    if not isinstance(levels, INTEGER) or levels < 2 or levels % 2:
        raise EbbmapError(f"levels must be even and >= 2; got {levels!r}. 4 to 8 are usual.")
    membership = _membership(names, groups)
    problem = {"num_vars": len(names), "names": names, "bounds": [[0.0, 1.0]] * len(names)}
    if groups:
        problem["groups"] = membership
    rng = np.random.default_rng(seed_stream(seed, DESIGN_STREAM))
    # SALib takes an integer here, so that it gets one of the stream's own
    points = morris.sample(
        problem, int(trajectories), num_levels=int(levels), seed=int(rng.integers(2**31))
    )
    return _label(
        names,
        (np.rint(points * (levels - 1)) + 0.5) / levels,
        groups=membership if groups else None,
        design="morris",
        base_size=int(trajectories),
        levels=int(levels),
        seed=int(seed),
        comment="Trajectories: each point differs from the one before in one factor.",
        libraries=("SALib", "scipy", "numpy"),
    )


def check_design(design: xr.Dataset, outputs: xr.Dataset | None = None) -> None:
    """Refuse a Sobol design, or outputs of one, that an analysis would misread.

    Parameters
    ----------
    design : Dataset
        What `draw_sobol_design` returned.
    outputs : Dataset, optional
        What was computed on it, with the design's `sample` coordinate.

    Raises
    ------
    DesignMismatchError
        If `design` is of another kind or incomplete, if rows are missing, reordered or not what
        their place in the design says, or if the outputs do not have the design's rows.

    Examples
    --------
    >>> design = draw_sobol_design(["compliance", "t_low"], 8, seed=0)
    >>> check_design(design.isel(sample=slice(None, None, -1)))
    Traceback (most recent call last):
        ...
    ebbmap.errors.DesignMismatchError: sample of the design must count 0, 1, 2, ...; got 47 \
(row 0). Sort by sample, or keep the order in which it was drawn.
    """
    check_kind(design, "sobol")
    lacking = [
        name
        for name in ("base_size", "second_order", "replicates", "seed")
        if name not in design.attrs
    ]
    lacking += [name for name in ("sample", "parameter", "unit") if name not in design.variables]
    if lacking:
        raise DesignMismatchError(
            f"design lacks {', '.join(lacking)}. Pass what draw_sobol_design returned, unchanged."
        )
    n, second_order = int(design.attrs["base_size"]), bool(design.attrs["second_order"])
    factors = factors_of(design)
    _check_samples(design, "the design", n * ((2 if second_order else 1) * len(factors) + 2))
    membership = design["group"] if "group" in design.coords else design["parameter"]
    own = membership.values == np.array(factors)[:, None]
    _check_structure(design["unit"].transpose("sample", "parameter").values, n, own)
    if outputs is not None:
        if "sample" not in outputs.coords:
            raise DesignMismatchError(
                "outputs must have the sample coordinate of their design; it is missing. "
                "Keep it, so that the row order can be checked."
            )
        _check_samples(outputs, "the outputs", design.sizes["sample"])


def check_kind(design: xr.Dataset, kind: str) -> None:
    """Refuse a design of another kind.

    Raises
    ------
    DesignMismatchError
        With the function that draws what is wanted.
    """
    found = design.attrs.get("design")
    if found != kind:
        raise DesignMismatchError(
            f"design must be {kind!r}; got {found!r}. Draw it with draw_{kind}_design."
        )


def check_counted(design: xr.Dataset, outputs: xr.Dataset) -> None:
    """Refuse a design or outputs whose rows are not all there in the order drawn.

    Raises
    ------
    DesignMismatchError
        Naming which of the two.
    """
    rows = np.arange(design.sizes["sample"])
    for what, data in (("the design", design), ("the outputs", outputs)):
        if "sample" not in data.coords or not np.array_equal(data["sample"].values, rows):
            raise DesignMismatchError(
                f"sample of {what} must count 0, 1, 2, ... to {len(rows) - 1}. "
                "Keep all rows in the order in which they were drawn."
            )


def _check_samples(data: xr.Dataset, what: str, rows: int) -> None:
    sample = data["sample"].values
    if len(sample) != rows:
        raise DesignMismatchError(
            f"{what} must have {rows:,} rows, as base size, order and parameters say; "
            f"got {len(sample):,}. Use all rows of the design."
        )
    wrong = np.flatnonzero(sample != np.arange(rows))
    if len(wrong):
        raise DesignMismatchError(
            f"sample of {what} must count 0, 1, 2, ...; got {sample[wrong[0]]} (row {wrong[0]}). "
            "Sort by sample, or keep the order in which it was drawn."
        )


def _check_structure(unit: np.ndarray, n: int, own: np.ndarray) -> None:
    """Refuse points, shape (n r, d), that are not A, AB_j, [BA_j], B in every base block.

    `own`, shape (g, d), says which columns each factor substitutes.
    """
    blocks = unit.reshape(n, -1, unit.shape[1])
    a, b = blocks[:, :1], blocks[:, -1:]
    expected = [a, np.where(own, b, a), np.where(own, a, b), b]
    if blocks.shape[1] == len(own) + 2:
        del expected[2]
    same = (blocks == np.concatenate(expected, axis=1)).all(axis=2)
    if not same.all():
        raise DesignMismatchError(
            "each base block must hold A, AB_j (A with column j of B), BA_j where drawn, and B; "
            f"it does not (sample {np.argmin(same)}). Use the points in the order drawn."
        )


def _names(names: Sequence[str]) -> list[str]:
    listed = [names] if isinstance(names, str) else list(names)
    if not listed or len(set(listed)) < len(listed):
        raise EbbmapError(f"a design needs distinct parameter names; got {', '.join(listed)!r}.")
    return listed


def factors_of(design: xr.Dataset) -> list[str]:
    """Return what a design varies one at a time: its groups, or its parameters.

    Examples
    --------
    >>> lung = {"lung": ["compliance", "resistance_exp"]}
    >>> names = ["t_low", "compliance", "resistance_exp"]
    >>> factors_of(draw_sobol_design(names, 4, groups=lung, seed=0))
    ['t_low', 'lung']
    """
    names = design["group"] if "group" in design.coords else design["parameter"]
    return list(dict.fromkeys(names.values.astype(str).tolist()))


def _membership(names: list[str], groups: Groups | None) -> list[str]:
    """Name the group of every parameter; a parameter in no group is its own."""
    member = {name: name for name in names}
    for group, inside in (groups or {}).items():
        for name in inside:
            if name not in member:
                raise EbbmapError(unknown_name(f"member of group {group!r}", name, names))
            if member[name] != name:
                raise EbbmapError(f"{name} is in the groups {member[name]!r} and {group!r}.")
            member[name] = group
    if len(set(member.values())) < 2 and groups:
        raise EbbmapError("groups must leave at least two factors. Split them, or drop them.")
    return [member[name] for name in names]


def _check_replicates(replicates: object, n: int) -> None:
    legal = isinstance(replicates, INTEGER) and 1 <= replicates <= max(n // 2, 1)
    if not legal or replicates & (replicates - 1):  # type: ignore[operator]
        raise EbbmapError(
            f"replicates must be a power of two, 1 to {max(n // 2, 1)} (half of n); "
            f"got {replicates!r}. 16 are usual."
        )


def _generators(seed: int, replicates: int) -> list[np.random.Generator]:
    """One generator per replicate; a single one draws from the stream itself."""
    stream = seed_stream(seed, DESIGN_STREAM)
    streams = [stream] if replicates == 1 else stream.spawn(replicates)
    return [np.random.default_rng(one) for one in streams]


def _nearest_power(n: object) -> int:
    """Return the smallest power of two that is no smaller than `n`; 1024 if `n` is no number."""
    if not isinstance(n, INTEGER):
        return 1024
    return 1 << (max(2, int(n)) - 1).bit_length()


def _label(
    names: list[str],
    unit: np.ndarray,
    *,
    libraries: tuple[str, ...],
    groups: list[str] | None = None,
    **attrs: Any,
) -> xr.Dataset:
    member = {} if groups is None else {"group": ("parameter", groups, {"long_name": "group"})}
    return xr.Dataset(
        {
            "unit": (
                ("sample", "parameter"),
                unit,
                {"units": "1", "long_name": "point of the unit cube"},
            )
        },
        coords={
            "sample": ("sample", np.arange(len(unit)), {"units": "1", "long_name": "sample"}),
            "parameter": ("parameter", names, {"long_name": "parameter"}),
            **member,
        },
        attrs={
            "Conventions": "CF-1.11",
            "title": "design",
            **attrs,
            "versions": json.dumps({name: version_of(name) for name in libraries}),
        },
    )
