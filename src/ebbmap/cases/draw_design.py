"""One way to every kind of design: points at which cases are solved, and how they belong."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

import xarray as xr

from ebbmap.cases.design import (
    draw_morris_design,
    draw_random_design,
    draw_shapley_design,
    draw_sobol_design,
)
from ebbmap.errors import EbbmapError, unknown_name

_KINDS: Mapping[str, Callable[..., xr.Dataset]] = MappingProxyType(
    {
        "random": draw_random_design,
        "sobol": draw_sobol_design,
        "shapley": draw_shapley_design,
        "morris": draw_morris_design,
    }
)


def draw_design(
    kind: str, names: Sequence[str], size: int, *, seed: int = 0, **options: Any
) -> xr.Dataset:
    """Draw a design over some parameters.

    Parameters
    ----------
    kind : {"random", "sobol", "shapley", "morris"}
        Points in a Latin hypercube; a Sobol design for variance-based indices; a design for
        Shapley effects of dependent parameters; paths of elementary effects.
    names : sequence of str
        The d parameters, by registry name.
    size : int
        Points of a random design, base rows of a Sobol or Shapley design (powers of two), paths
        of a Morris design.
    seed : int
        Seed of the draw, >= 0.
    **options
        As `draw_sobol_design`, `draw_shapley_design` and `draw_morris_design` of
        `ebbmap.cases.design` have them: ``second_order``, ``replicates``, ``groups``, ``mean``,
        ``covariance``, ``levels``.

    Returns
    -------
    xarray.Dataset
        Points, dims (sample, parameter): `unit` in the unit cube, or `score`, normal scores, of a
        Shapley design. Attributes say what kind of design it is.

    Raises
    ------
    EbbmapError
        For an unknown kind, names, sizes or options that cannot be.

    Examples
    --------
    >>> design = draw_design("sobol", ["compliance", "t_low"], 64, seed=1)
    >>> design["unit"].sizes["sample"]
    384
    """
    if kind not in _KINDS:
        raise EbbmapError(unknown_name("kind of design", kind, _KINDS))
    try:
        return _KINDS[kind](names, size, seed=seed, **options)
    except TypeError as error:
        raise EbbmapError(f"a {kind} design cannot be drawn so: {error}.") from None
