"""The entry of an analysis: all that the rest of the house needs to know of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import wraps
from importlib import import_module
from importlib.util import find_spec
from typing import Any

import xarray as xr

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.common.sizes import Size
from ebbmap.analyses.options import Axes, Options
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces, Progress, single
from ebbmap.cases.question import Question, in_catalogue
from ebbmap.errors import EbbmapError, shortened

#: ``pieces(question, options, axes)``: what an analysis does.
MakePieces = Callable[[Question, Any, Axes], Pieces[xr.Dataset]]


@dataclass(frozen=True, kw_only=True)
class Analysis:
    """An analysis.

    Parameters
    ----------
    name : str
        Key in a study file; also the name of its module, of its page and of its tables.
    long_name : str
        In words.
    options : type of Options
        What it can be asked, with every default.
    pieces : callable
        ``pieces(question, options, axes) -> Pieces``.
    size : callable
        ``size(question, options, axes) -> Size``: how large it is.
    variables : mapping of str to Variable
        Its own result variables; others in a result are registry entries.
    lays_out : callable
        ``lays_out(asked) -> names``: parameters that it lays out or searches for.
    draws : callable
        ``draws(asked) -> bool``: whether it draws lungs and samples; else it follows middle lungs.
    models : callable
        ``models(asked) -> names`` of its lung models; empty for the study's own.
    check : callable
        ``check(asked) -> sentences`` on what does not fit the rest of the study, with the place.
    computes : callable
        ``computes(options) -> outcomes`` besides those that the rules need; None for all that the
        lung gives.
    stem : callable
        ``stem(options) -> str``: name of its result file; its own name if not given.
    keeps_pieces : bool
        Whether it may take long, so that finished pieces are kept.
    counts_cases : bool
        Whether the cases of `size` are exactly those that it reports while it runs.
    several : bool
        Whether a study may ask it several times.
    by_population : bool
        Whether each piece is of one population, and those of further populations come behind.
    takes_more_lungs : callable
        ``takes_more_lungs(options, may_grow) -> bool``, of options as JSON knows them: whether its
        pieces stay when more lungs are drawn, given whether the first ones stay the same.
    serves : callable
        ``serves(smaller, larger) -> bool``, of options as JSON knows them: whether pieces of the
        smaller ones are pieces of the larger ones too, or give rows to them.
    every_case : bool
        Whether its result holds every case, so that it may go block by block to a store.
    own_tables, own_pages : callable, optional
        ``f(result) -> Iterator``; if not given, ``tables`` of the module ``ebbmap.tables.NAME``
        and ``pages`` of ``ebbmap.plotting.pages.NAME``, if there are such modules.
    """

    name: str
    long_name: str
    options: type[Options]
    pieces: MakePieces
    size: Callable[[Question, Any, Axes], Size]
    variables: Mapping[str, Variable] = field(default_factory=dict)
    lays_out: Callable[[Asked], Iterable[Any]] = lambda asked: ()
    draws: Callable[[Asked], bool] = lambda asked: False
    models: Callable[[Asked], list[str]] = lambda asked: []
    check: Callable[[Asked], Iterable[str]] = lambda asked: ()
    computes: Callable[[Any], tuple[str, ...] | None] = lambda options: ()
    stem: Callable[[Any], str] | None = None
    keeps_pieces: bool = False
    counts_cases: bool = False
    several: bool = False
    by_population: bool = False
    takes_more_lungs: Callable[[Mapping[str, Any], bool], bool] = lambda options, may_grow: False
    serves: Callable[[Mapping[str, Any], Mapping[str, Any]], bool] = lambda smaller, larger: False
    every_case: bool = False
    own_tables: Callable[[xr.Dataset], Iterator[Any]] | None = None
    own_pages: Callable[[xr.Dataset], Iterator[Any]] | None = None

    @property
    def knows(self) -> bool:
        """Whether its numbers may have intervals of knowledge."""
        return any(name.endswith("_knowledge") for name in self.variables)

    def result_name(self, options: Options) -> str:
        """Return the stem of the file of a result."""
        return self.stem(options) if self.stem else self.name

    def tables(self, result: xr.Dataset) -> Iterator[Any]:
        """Yield the tables of a result."""
        return (self.own_tables or self._function("ebbmap.tables", "tables"))(result)

    def pages(self, result: xr.Dataset) -> Iterator[Any]:
        """Yield the pages of a result: name, figure, alternative text."""
        return (self.own_pages or self._function("ebbmap.plotting.pages", "pages"))(result)

    def _function(self, package: str, function: str) -> Callable[[xr.Dataset], Iterator[Any]]:
        module = f"{package}.{self.name}"
        if find_spec(module) is None:
            return lambda result: iter(())
        made: Callable[[xr.Dataset], Iterator[Any]] = getattr(import_module(module), function)
        return made


def whole(find: Callable[..., xr.Dataset]) -> MakePieces:
    """Return the pieces of an analysis that is not worth cutting, from its ``find`` function."""

    def pieces(question: Question, options: Any, axes: Axes) -> Pieces[xr.Dataset]:
        def run(progress: Progress) -> xr.Dataset:
            return find(question, options, axes=axes)

        return single(run)

    return pieces


def public(find: Callable[..., xr.Dataset], model: type[Options]) -> Callable[..., xr.Dataset]:
    """Return the function of an analysis as users call it.

    Parameters
    ----------
    find : callable
        ``find(question, options, *, axes, progress)``.
    model : type of Options
        What it can be asked.

    Returns
    -------
    callable
        The same function. Its options may also be a mapping, with the keys of a study file, or be
        left out where all have defaults; the question's catalogue is active while it runs.

    Raises
    ------
    EbbmapError
        By the function, for options that it cannot take.
    """
    within = in_catalogue(find)

    @wraps(find)
    def asked(question: Question, options: Any = None, **rest: Any) -> xr.Dataset:
        if options is None or isinstance(options, Mapping):
            options = model(**(options or {}))
        if not isinstance(options, model):
            raise EbbmapError(
                f"options of {find.__name__} must be {model.__name__}(...) or a mapping with its "
                f"keys; got {shortened(options)}."
            )
        return within(question, options, **rest)

    return asked
