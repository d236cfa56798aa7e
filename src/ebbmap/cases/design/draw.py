"""Drawing designs: Saltelli's, Latin hypercubes, subsets for Shapley effects, trajectories.

SALib is called from this module only.
Sizes: n base rows, d parameters, g factors.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtri
from scipy.stats import qmc

from ebbmap.cases.design.factors import (
    DESIGN_STREAM,
    INTEGER,
    Factors,
    Groups,
    check_base_size,
    check_replicates,
    generators,
    seed_stream,
)
from ebbmap.engines import version_of
from ebbmap.errors import EbbmapError
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.kernels.shapley import MAX_PLAYERS, substituted_scores

#: Half the spacing of SciPy's 30-bit Sobol points, which lie on [0, 1): moves all off the faces.
HALF_CELL = 2.0**-31

#: Libraries whose versions a design states; of these designs SALib's too.
LIBRARIES, FROM_SALIB = ("scipy", "numpy"), ("sobol", "morris")

SALTELLI = "Saltelli design on scrambled Sobol points: for each base row A, AB_1 ... AB_d, "
SUBSETS = (
    "For each base row one row per subset of factors: these kept, the others drawn again given "
    "them. Scrambled Sobol points."
)


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

    factors = Factors.of(names, groups)
    check_base_size(n)
    check_replicates(replicates, int(n))
    dealt, problem = int(n) // replicates, factors.problem()
    samples = [
        sobol.sample(problem, dealt, calc_second_order=second_order, seed=rng)
        for rng in generators(seed, replicates)
    ]
    blocks = [unit.reshape(dealt, -1, len(factors.names)) for unit in samples]
    return _label(
        factors,
        np.stack(blocks, axis=1).reshape(-1, len(factors.names)) + HALF_CELL,
        SALTELLI + ("BA_1 ... BA_d, B." if second_order else "B."),
        design="sobol",
        **{"base_size": int(n), "second_order": int(second_order), "replicates": int(replicates)},
        seed=int(seed),
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
    factors = Factors.of(names)
    if not isinstance(n, INTEGER) or n < 1:
        raise EbbmapError(f"n must be an integer >= 1; got {n!r}.")
    rng = np.random.default_rng(seed_stream(seed, DESIGN_STREAM))
    unit = qmc.LatinHypercube(len(factors.names), rng=rng).random(int(n))
    return _label(
        factors,
        # a point on a face has probability 2**-53, and no quantile
        np.clip(unit, HALF_CELL, 1.0 - HALF_CELL),
        "Latin hypercube: one point in each of n equal slices of every parameter.",
        design="latin_hypercube",
        base_size=int(n),
        second_order=0,
        seed=int(seed),
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
        the order of `kernels.shapley.subsets`.

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
    factors = Factors.of(names, groups)
    check_base_size(n)
    check_replicates(replicates, int(n))
    if len(factors.distinct) > MAX_PLAYERS:
        raise EbbmapError(
            f"a Shapley design takes {MAX_PLAYERS} factors at most; got {len(factors.distinct)}. "
            "Fix parameters or put them in groups."
        )
    d = len(factors.names)
    spread = np.eye(d) if covariance is None else np.asarray(covariance, float)
    one, other = _correlated_pairs(int(n), spread, generators(seed, replicates))
    rows = substituted_scores(one, other, spread, factors.members).reshape(-1, d)
    drawn = _label(
        factors,
        rows + (0.0 if mean is None else np.asarray(mean, float)),
        SUBSETS,
        design="shapley",
        **{"base_size": int(n), "replicates": int(replicates)},
        seed=int(seed),
    )
    drawn["unit"].attrs = {"units": "1", "long_name": "normal score"}
    return drawn.rename(unit="score")


def _correlated_pairs(
    n: int, covariance: np.ndarray, rngs: list[np.random.Generator]
) -> tuple[np.ndarray, np.ndarray]:
    """Draw two independent sets of n correlated normal scores, shape (n, d) each.

    Raises
    ------
    EbbmapError
        If the covariance is not positive definite.
    """
    d, dealt = len(covariance), n // len(rngs)
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        raise EbbmapError("the covariance must be positive definite. Weaken it.") from None
    samples = [qmc.Sobol(2 * d, scramble=True, rng=rng).random(dealt) for rng in rngs]
    scores = ndtri(np.stack(samples, axis=1).reshape(n, 2 * d) + HALF_CELL)
    return scores[:, :d] @ root.T, scores[:, d:] @ root.T


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
        Even number of equal slices of each parameter. A trajectory moves between slices and keeps
        its own random place within them, so that every part of a range is reached, tails too.
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
    >>> step = np.abs(design.unit.values[1] - design.unit.values[0])
    >>> dict(design.sizes), sorted(step.round(9).tolist())
    ({'sample': 12, 'parameter': 2}, [0.0, 0.5])
    """
    from SALib.sample import morris

    factors = Factors.of(names, groups)
    if not isinstance(trajectories, INTEGER) or trajectories < 2:
        raise EbbmapError(f"trajectories must be an integer >= 2; got {trajectories!r}.")
    if not isinstance(levels, INTEGER) or levels < 2 or levels % 2:
        raise EbbmapError(f"levels must be even and >= 2; got {levels!r}. 4 to 8 are usual.")
    # SALib takes an integer for a seed, so that it gets one of the stream's own
    rng = np.random.default_rng(seed_stream(seed, DESIGN_STREAM))
    own_seed = int(rng.integers(2**31))
    points = morris.sample(
        factors.problem(), int(trajectories), num_levels=int(levels), seed=own_seed
    )
    slices = np.rint(points * (levels - 1)).reshape(int(trajectories), -1, len(factors.names))
    within = np.clip(rng.random((len(slices), 1, slices.shape[2])), HALF_CELL, 1.0 - HALF_CELL)
    return _label(
        factors,
        ((slices + within) / levels).reshape(-1, len(factors.names)),
        "Trajectories: each point differs from the one before in one factor.",
        design="morris",
        base_size=int(trajectories),
        levels=int(levels),
        seed=int(seed),
    )


def _label(factors: Factors, unit: np.ndarray, comment: str, **attrs: Any) -> xr.Dataset:
    """Label points, shape (rows, d), with what they are and which libraries drew them."""
    dims, meaning = ("sample", "parameter"), {"units": "1", "long_name": "point of the unit cube"}
    coords: dict[str, Any] = {
        "sample": ("sample", np.arange(len(unit)), {"units": "1", "long_name": "sample"}),
        "parameter": ("parameter", factors.names, {"long_name": "parameter"}),
    }
    if factors.grouped:
        coords["group"] = ("parameter", factors.membership, {"long_name": "group"})
    libraries = ("SALib", *LIBRARIES) if attrs["design"] in FROM_SALIB else LIBRARIES
    versions = json.dumps({name: version_of(name) for name in libraries})
    head = {"Conventions": "CF-1.11", "title": "design"}
    attrs = {**head, **attrs, "comment": comment, "versions": versions}
    return xr.Dataset({"unit": (dims, unit, meaning)}, coords=coords, attrs=attrs)
