"""What a design varies one at a time, and the streams that it draws from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple, Self

import numpy as np
import xarray as xr

from ebbmap.errors import EbbmapError, unknown_name

#: Children of a study's seed: designs, resampling and further lungs never share a stream.
DESIGN_STREAM, RESAMPLING_STREAM, OTHER_LUNGS_STREAM = 0, 1, 2

#: Parameters that are varied together, by the name of their group.
Groups = Mapping[str, Sequence[str]]

INTEGER = (int, np.integer)


class Factors(NamedTuple):
    """The d parameters of a design, and the groups in which they are varied."""

    names: list[str]
    membership: list[str]
    """Group of each parameter; one that is in no group is its own."""
    grouped: bool

    @classmethod
    def of(cls, names: Sequence[str], groups: Groups | None = None) -> Self:
        """Check names and groups.

        Raises
        ------
        EbbmapError
            If names are missing or repeated, or groups do not fit.
        """
        listed = [names] if isinstance(names, str) else list(names)
        if not listed or len(set(listed)) < len(listed):
            got = ", ".join(listed)
            raise EbbmapError(f"a design needs distinct parameter names; got {got!r}.")
        return cls(listed, _membership(listed, groups), bool(groups))

    @property
    def distinct(self) -> list[str]:
        """The g factors, in order."""
        return list(dict.fromkeys(self.membership))

    @property
    def members(self) -> np.ndarray:
        """Which parameters each factor holds, shape (g, d) of bool."""
        members: np.ndarray = np.array(self.membership) == np.array(self.distinct)[:, None]
        return members

    def problem(self) -> dict[str, Any]:
        """Return the factors as SALib wants them, each parameter from 0 to 1."""
        size = len(self.names)
        problem = {"num_vars": size, "names": self.names, "bounds": [[0.0, 1.0]] * size}
        return problem | ({"groups": self.membership} if self.grouped else {})


def factors_of(design: xr.Dataset) -> list[str]:
    """Return what a design varies one at a time: its groups, or its parameters.

    Examples
    --------
    >>> from ebbmap.cases.design import draw_sobol_design
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


def generators(seed: int, replicates: int) -> list[np.random.Generator]:
    """Return one generator per replicate; a single one draws from the stream itself."""
    stream = seed_stream(seed, DESIGN_STREAM)
    streams = [stream] if replicates == 1 else stream.spawn(replicates)
    return [np.random.default_rng(child) for child in streams]


def check_base_size(n: object) -> None:
    """Refuse a number of base rows that is not a power of two >= 2."""
    if not isinstance(n, INTEGER):
        raise EbbmapError(f"n must be a power of two >= 2; got {n!r}. Try 1024.")
    if n < 2 or n & (n - 1):
        nearest = 1 << (max(2, int(n)) - 1).bit_length()
        raise EbbmapError(f"n must be a power of two >= 2; got {n!r}. Try {nearest}.")


def check_replicates(replicates: object, n: int) -> None:
    """Refuse replicates that cannot be dealt from n base rows in turn."""
    legal = isinstance(replicates, INTEGER) and 1 <= replicates <= max(n // 2, 1)
    if not legal or replicates & (replicates - 1):  # type: ignore[operator]
        raise EbbmapError(
            f"replicates must be a power of two, 1 to {max(n // 2, 1)} (half of n); "
            f"got {replicates!r}. 16 are usual."
        )
