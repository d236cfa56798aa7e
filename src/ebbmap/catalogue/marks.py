"""Marks that turn a plain function into an entry; the function itself stays as it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, TypeVar

from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.options import Axes, Options
from ebbmap.cases.labelling import Variable
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError
from ebbmap.lungs.base import SOLVED, Lung
from ebbmap.registries.outcomes import Outcome
from ebbmap.registries.parameters import inputs_of

F = TypeVar("F", bound=Callable[..., Any])

#: Attribute of a function that was marked: its entry.
MARK = "__ebbmap_entry__"

#: Attribute of an entry or of a marked function: the version that its author gave it.
VERSION = "__ebbmap_version__"


def outcome(
    *, units: str, source: str, long_name: str = "", comment: str = "", version: str = ""
) -> Callable[[F], F]:
    """Mark a function as an outcome of the name that it has.

    Its arguments are outcomes and parameters by their registry names; arrays come in and one
    array goes out, a value for each case, NaN where an argument is NaN.

    Parameters
    ----------
    units : str
        UDUNITS string of the vocabulary in `ebbmap.units`.
    source : str
        Where the definition comes from, or "common practice, no source".
    long_name : str
        Name in words; that of the function, with spaces, if empty.
    comment : str
        What a reader must know; the first line of the function's docstring if empty.
    version : str
        Version of the definition, for results.

    Returns
    -------
    callable
        A decorator that returns the function itself.

    Raises
    ------
    EbbmapError
        If the units are not known or there is no source.

    Examples
    --------
    >>> @outcome(units="mL cmH2O-1", source="invented for this example")
    ... def released_per_pressure(release_volume, driving_pressure):
    ...     return release_volume / driving_pressure
    >>> entry_of(released_per_pressure).long_name
    'released per pressure'
    """

    def mark(function: F) -> F:
        entry = Outcome(
            function.__name__,
            long_name=long_name or _spoken(function),
            units=units,
            source=source,
            compute=function,
            comment=comment or _first_line(function),
        )
        return _marked(function, entry, version)

    return mark


def lung(
    *,
    source: str,
    long_name: str = "",
    solves: tuple[str, ...] = SOLVED,
    signals: tuple[str, ...] = (),
    settle: Callable[..., Any] | None = None,
    rest: Callable[..., Any] | None = None,
    cycle: Callable[..., Any] | None = None,
    waveform: Callable[..., Any] | None = None,
    version: str = "",
) -> Callable[[F], F]:
    """Mark a function that solves the settled cycle as a lung model of the name that it has.

    Its arguments are parameters by their registry names, ``p_high``, ``p_low``, ``t_high`` and
    ``t_low`` among them. It returns a mapping of outcomes to arrays, NaN throughout for a case
    that it cannot settle.

    Parameters
    ----------
    source : str
        Where the equations come from.
    long_name : str
        Name in words; that of the function, with spaces, if empty.
    solves : tuple of str
        Outcomes that it returns: at least those in `ebbmap.lungs.base.SOLVED`.
    signals : tuple of str
        Signals that `waveform` returns.
    settle, rest, cycle, waveform : callable, optional
        As in `ebbmap.lungs.Lung`. Without them the lung has settled cycles only: first cycles and
        waveforms are refused.
    version : str
        Version of the model, for results.

    Returns
    -------
    callable
        A decorator that returns the function itself.
    """

    def mark(function: F) -> F:
        name = function.__name__
        entry = Lung(
            name=name,
            long_name=long_name or _spoken(function),
            source=source,
            parameters=inputs_of(function),
            solves=tuple(solves),
            signals=tuple(signals),
            solve=function,
            settle=settle or _missing(name, "settle"),
            rest=rest or _missing(name, "rest"),
            cycle=cycle or _missing(name, "cycle"),
            waveform=waveform or _missing(name, "waveform"),
        )
        return _marked(function, entry, version)

    return mark


def analysis(
    *,
    options: type[Options],
    long_name: str = "",
    variables: Mapping[str, Variable] = MappingProxyType({}),
    size: Callable[[Question, Any, Axes], Size] | None = None,
    version: str = "",
    **more: Any,
) -> Callable[[F], F]:
    """Mark a function ``find_NAME`` as the analysis that a study file asks as NAME.

    The function is ``find_NAME(question, options, *, axes, progress) -> Dataset``.

    Parameters
    ----------
    options : type of Options
        What it can be asked, each field with its default and its description.
    long_name : str
        In words; the first line of the function's docstring if empty.
    variables : mapping of str to Variable
        Its own result variables; others in a result are registry entries.
    size : callable, optional
        ``size(question, options, axes) -> Size``; every lung that is drawn once, if not given.
    version : str
        Version of the analysis, for results.
    **more
        Further fields of `ebbmap.analyses.base.Analysis`, such as ``check`` or ``own_tables``.

    Returns
    -------
    callable
        A decorator that returns the function itself.

    Raises
    ------
    EbbmapError
        If the function is not called ``find_NAME``.
    """

    def mark(function: F) -> F:
        start, _, name = function.__name__.partition("_")
        if start != "find" or not name:
            raise EbbmapError(
                f"the function of an analysis must be called find_NAME; got {function.__name__!r}."
            )
        entry = Analysis(
            name=name,
            long_name=long_name or _first_line(function),
            options=options,
            pieces=whole(function),
            size=size or _lungs_once,
            variables=variables,
            **more,
        )
        return _marked(function, entry, version)

    return mark


def _lungs_once(question: Question, options: Any, axes: Axes) -> Size:
    cases = groups_of(question) * lungs_drawn(question)
    return Size(cases, cases, cases)


def entry_of(thing: Any) -> Any:
    """Return the entry of a marked function; anything else as it is."""
    return getattr(thing, MARK, thing)


def version_of(thing: Any) -> str:
    """Return the version that a marked function was given, or an empty text."""
    return str(getattr(thing, VERSION, ""))


def _marked(function: F, entry: object, version: str) -> F:
    setattr(function, MARK, entry)
    setattr(function, VERSION, version)
    return function


def _spoken(function: Callable[..., Any]) -> str:
    return function.__name__.replace("_", " ")


def _first_line(function: Callable[..., Any]) -> str:
    return (function.__doc__ or "").strip().partition("\n")[0].strip()


def _missing(lung_name: str, what: str) -> Callable[..., Any]:
    """Return a function that stands where a lung has none, and says so."""

    def refuse(*arguments: Any, **parameters: Any) -> Any:
        raise EbbmapError(
            f"the lung {lung_name!r} solves settled cycles only: it has no {what}. "
            f"Give {what}= where it is marked."
        )

    refuse.__qualname__ = f"missing.{what}"
    return refuse
