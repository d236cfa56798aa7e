"""Work that is cut into pieces: what each is, how one is done, and how all are put together.

What a piece gives depends on nothing but the question, so it does not matter who does it, when,
or beside which others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np
import xarray as xr

T = TypeVar("T")

#: Called with the number of cases just finished.
Progress = Callable[[int], None] | None

#: Finished pieces by name.
Found = Mapping[str, xr.Dataset]


@dataclass(frozen=True)
class Pieces(Generic[T]):
    """Work in pieces.

    Parameters
    ----------
    wanted : callable
        ``wanted(found) -> names``: all pieces that are known to be needed, given those that are
        there. It may name more once these are there: a design that is doubled, for instance.
    solve : callable
        ``solve(name, found, progress) -> Dataset``: do one piece; what it needs of others is
        among `found`.
    join : callable
        ``join(found) -> result``: put all pieces together.
    """

    wanted: Callable[[Found], list[str]]
    solve: Callable[[str, Found, Progress], xr.Dataset]
    join: Callable[[Found], T]

    def whole(self, progress: Progress = None) -> T:
        """Do every piece here and now.

        Examples
        --------
        >>> squares = listed(3, lambda n, _: xr.Dataset({"square": n * n}),
        ...                  lambda done: sum(int(piece["square"]) for piece in done))
        >>> squares.whole()
        5
        """
        found: dict[str, xr.Dataset] = {}
        while todo := [name for name in self.wanted(found) if name not in found]:
            for name in todo:
                found[name] = self.solve(name, found, progress)
        return self.join(found)


def named(
    names: Sequence[str],
    solve: Callable[[str, Progress], xr.Dataset],
    join: Callable[[list[xr.Dataset]], T],
) -> Pieces[T]:
    """Cut work into pieces that need nothing of each other, each under a name of its own.

    Parameters
    ----------
    names : sequence of str
        Of the pieces; what else there is, or in which order, changes no piece.
    solve : callable
        ``solve(name, progress) -> Dataset``.
    join : callable
        ``join(datasets) -> result``, in the order of the names.
    """
    return Pieces(
        lambda found: list(names),
        lambda name, found, progress: solve(name, progress),
        lambda found: join([found[name] for name in names]),
    )


def listed(
    count: int,
    solve: Callable[[int, Progress], xr.Dataset],
    join: Callable[[list[xr.Dataset]], T],
) -> Pieces[T]:
    """Cut work into so many pieces that need nothing of each other.

    Parameters
    ----------
    count : int
        Pieces.
    solve : callable
        ``solve(number, progress) -> Dataset``.
    join : callable
        ``join(datasets) -> result``, in order.
    """
    names = [f"{number:06d}" for number in range(count)]
    return named(names, lambda name, progress: solve(int(name), progress), join)


def in_batches(
    count: int,
    batches: int,
    solve: Callable[[int, Progress, int], xr.Dataset],
    join: Callable[[list[list[xr.Dataset]]], T],
) -> Pieces[T]:
    """Cut work into so many places, and each into batches of lungs that may become more.

    Parameters
    ----------
    count, batches : int
        Places, and batches of each; further batches leave the pieces of the others as they are.
    solve : callable
        ``solve(place, progress, batch) -> Dataset``.
    join : callable
        ``join(datasets) -> result``, those of every place in order.
    """
    names = [[f"{number:06d}.{batch:06d}" for batch in range(batches)] for number in range(count)]

    def one(name: str, found: Found, progress: Progress) -> xr.Dataset:
        number, _, batch = name.partition(".")
        return solve(int(number), progress, int(batch))

    return Pieces(
        lambda found: [name for row in names for name in row],
        one,
        lambda found: join([[found[name] for name in row] for row in names]),
    )


def single(run: Callable[[Progress], xr.Dataset]) -> Pieces[xr.Dataset]:
    """Return work that is not worth cutting as one piece."""
    return listed(1, lambda number, progress: run(progress), lambda results: results[0])


def together(parts: Mapping[str, Pieces[Any]], join: Callable[[dict[str, Any]], T]) -> Pieces[T]:
    """Put several works side by side.

    Parameters
    ----------
    parts : mapping of str to Pieces
        By name, without a dot.
    join : callable
        ``join({name: result}) -> result``.

    Examples
    --------
    >>> both = together({"a": single(lambda _: xr.Dataset()), "b": single(lambda _: xr.Dataset())},
    ...                 sorted)
    >>> both.wanted({}), both.whole()
    (['a.000000', 'b.000000'], ['a', 'b'])
    """

    def wanted(found: Found) -> list[str]:
        return [
            f"{part}.{name}"
            for part, work in parts.items()
            for name in work.wanted(Within(found, part))
        ]

    def solve(name: str, found: Found, progress: Progress) -> xr.Dataset:
        part, _, own = name.partition(".")
        return parts[part].solve(own, Within(found, part), progress)

    return Pieces(
        wanted,
        solve,
        lambda found: join({name: work.join(Within(found, name)) for name, work in parts.items()}),
    )


class Within(Mapping[str, xr.Dataset]):
    """The pieces of one part, by the names that they have there.

    Parameters
    ----------
    found : mapping of str to Dataset
        Pieces of all parts.
    part : str
        Name of the part.
    """

    def __init__(self, found: Found, part: str):
        self._found, self._start = found, f"{part}."

    def __getitem__(self, name: str) -> xr.Dataset:
        return self._found[self._start + name]

    def __contains__(self, name: object) -> bool:
        return f"{self._start}{name}" in self._found

    def __iter__(self) -> Iterator[str]:
        return (n.removeprefix(self._start) for n in self._found if n.startswith(self._start))

    def __len__(self) -> int:
        return sum(1 for _ in self)


def join_groups(results: Sequence[xr.Dataset], groups: Sequence[str]) -> xr.Dataset:
    """Put the results of populations side by side along `population`.

    A coordinate that some lack, such as a property that only one population has, is NaN there,
    or an empty text.
    """
    coords = {name: coord for result in results for name, coord in result.coords.items()}
    scalars = {name: coord for name, coord in coords.items() if name not in coord.dims}
    unknown = {name: _unknown(coord) for name, coord in scalars.items()}
    filled = [
        result.assign_coords({n: c for n, c in unknown.items() if n not in result.variables})
        for result in results
    ]
    dim = xr.Variable("population", list(groups))
    return xr.concat(filled, dim=dim, join="outer", combine_attrs="override")


def _unknown(coord: xr.DataArray) -> xr.Variable:
    """Return a coordinate's place where its value is not known: NaN, or an empty text."""
    return xr.Variable((), "" if coord.dtype.kind in "OU" else np.nan, coord.attrs)


def in_a_row(results: Sequence[xr.Dataset], dim: str) -> xr.Dataset:
    """Put datasets behind each other along a dimension that all of their variables have."""
    return xr.concat(
        list(results),
        dim=dim,
        data_vars="minimal",
        coords="minimal",
        compat="override",
        join="outer",
        combine_attrs="override",
    )


def join_places(results: Sequence[xr.Dataset], along: str) -> xr.Dataset:
    """Put results at single places of an axis in a row; cases that failed add up.

    What has not the axis as a dimension is the same at every place.
    """
    first = results[0]
    alike = [name for name, array in first.data_vars.items() if along not in array.dims]
    row = in_a_row([result.drop_vars(alike) for result in results], along)
    row = row.assign(first[alike].data_vars)
    if "failed" in row:
        counts = np.sum([result["failed"].values for result in results], axis=0)
        row["failed"] = first["failed"].copy(data=counts)
    return row.assign_attrs(first.attrs)
