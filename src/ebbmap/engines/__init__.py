"""Which engine works on arrays: NumPy, or JAX on the processor or an accelerator.

An engine is chosen for a while, by `use_engine`, and then serves whatever is solved: nothing else
of a question changes. In double precision nothing that is drawn, counted or written depends on it
but for rounding; what single precision costs is measured, outcome by outcome, and said.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from importlib.util import find_spec
from typing import Literal, get_args

from ebbmap.engines.accuracy import Accuracy
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.lungs import LUNGS
from ebbmap.lungs.base import Lung

Engine = Literal["numpy", "jax", "auto"]
Precision = Literal["double", "single"]

#: In studies, on the command line and in Python; "auto" takes JAX where it has an accelerator.
ENGINES: tuple[Engine, ...] = get_args(Engine)

#: How many digits JAX works with: sixteen or seven.
PRECISIONS: tuple[Precision, ...] = get_args(Precision)

#: What the statement of any engine but this one adds to tables and pictures.
USUAL = "NumPy"


@dataclass(frozen=True)
class Choice:
    """What was chosen.

    Parameters
    ----------
    engine, precision : str
        See `use_engine`.
    accuracy : Accuracy
        What single precision was found to cost.
    """

    engine: Engine
    precision: Precision
    accuracy: Accuracy


_CHOSEN: ContextVar[Choice | None] = ContextVar("engine", default=None)


@contextmanager
def use_engine(engine: Engine, precision: Precision = "double") -> Iterator[None]:
    """Solve with an engine within a ``with`` block.

    Parameters
    ----------
    engine : {"numpy", "jax", "auto"}
        "auto" takes JAX for lungs that it can solve where an accelerator is at hand, NumPy
        elsewhere.
    precision : {"double", "single"}
        Single precision is for JAX and lungs with closed formulas. Its error is measured on a
        sample of the very cases, and every result says it.

    Raises
    ------
    EbbmapError
        If there is no such engine or precision, they do not go together, or the engine is not
        installed.

    Examples
    --------
    >>> with use_engine("numpy"):
    ...     chosen()
    'numpy'
    """
    check_choice(engine, precision)
    if engine == "jax":
        require_jax()
    token = _CHOSEN.set(Choice(engine, precision, Accuracy()))
    try:
        yield
    finally:
        _CHOSEN.reset(token)


def check_choice(engine: Engine, precision: Precision) -> None:
    """Refuse an engine or a precision that there is not, and two that do not go together."""
    if engine not in ENGINES:
        raise EbbmapError(unknown_name("engine", engine, ENGINES))
    if precision not in PRECISIONS:
        raise EbbmapError(unknown_name("precision", precision, PRECISIONS))
    if engine == "numpy" and precision == "single":
        raise EbbmapError(
            "precision 'single' must go with engine 'jax' or 'auto'; got 'numpy', which solves "
            "in double precision. Change one of the two."
        )


def chosen() -> Engine:
    """Return the engine that is in use."""
    choice = _CHOSEN.get()
    return choice.engine if choice else "numpy"


def compiles(lung: Lung) -> bool:
    """Return whether the engine in use is JAX for this lung.

    Raises
    ------
    EbbmapError
        If JAX was asked for and only NumPy solves the lung, or single precision for a lung
        without closed formulas.
    """
    if not _takes_jax(lung):
        if chosen() == "jax":
            raise EbbmapError(
                f"engine 'jax' cannot solve the lung {lung.name!r}: its steps are laid by looking "
                "at values, which NumPy alone does. Take engine 'numpy' or 'auto', or another lung."
            )
        return False
    if in_single(lung) and lung.compiled != (lung.solve,):
        raise EbbmapError(
            f"precision 'single' is for lungs with closed formulas; {lung.name!r} is solved by "
            "steps that must settle to more digits than it has. Take precision 'double'."
        )
    return True


def _takes_jax(lung: Lung) -> bool:
    """Return whether JAX solves a lung here and now."""
    engine = chosen()
    if engine == "numpy" or not lung.compiled:
        return False
    return engine == "jax" or (find_spec("jax") is not None and has_accelerator())


def in_single(lung: Lung) -> bool:
    """Return whether a lung is asked for in single precision."""
    choice = _CHOSEN.get()
    return choice is not None and choice.precision == "single" and _takes_jax(lung)


def accuracy() -> Accuracy:
    """Return what single precision was found to cost since it was chosen."""
    choice = _CHOSEN.get()
    return choice.accuracy if choice else Accuracy()


@cache
def version_of(package: str) -> str:
    """Return the version of an installed package; its metadata is read and parsed once."""
    return version(package)


def engine_attrs(*names: str, work: str = "settled cycles") -> dict[str, str]:
    """Return what a result says of its engine, precision and device, as attributes.

    Parameters
    ----------
    *names : str
        Its lung models; unknown ones are solved by NumPy.
    work : str
        What another engine than NumPy does, in words.

    Returns
    -------
    dict of str to str
        `engine`; in single precision also `precision_error`, for each outcome.

    Examples
    --------
    >>> engine_attrs("linear")["engine"].split()[2:]
    ['in', 'double', 'precision']
    """
    lungs = [LUNGS[name] for name in names if name in LUNGS]
    plain = f"{USUAL} {version_of('numpy')} in double precision"
    if not any(_takes_jax(lung) for lung in lungs):
        return {"engine": plain}
    import jax

    single = any(in_single(lung) for lung in lungs)
    precision = "single" if single else "double"
    found = (
        f"JAX {version_of('jax')} in {precision} precision on {jax.devices()[0].device_kind} "
        f"({work}), {plain} (all else)"
    )
    if not single:
        return {"engine": found}
    return {
        "engine": f"{found}; {accuracy().sentence}",
        "precision_error": accuracy().errors_text,
    }


def unusual_engine(said: str) -> str:
    """Return the statement of an engine where it is not the usual one, empty where it is.

    Examples
    --------
    >>> unusual_engine("NumPy 2.3 in double precision")
    ''
    """
    return "" if said.startswith(USUAL) else said


def require_jax() -> None:
    """Refuse to go on where JAX is not installed."""
    if find_spec("jax") is None:
        raise EbbmapError(
            "engine 'jax' needs the package jax, which is not installed here. Install "
            "ebbmap[jax], for a GPU of NVIDIA jax[cuda12] too, or take engine 'numpy'."
        )


def has_accelerator() -> bool:
    """Return whether JAX has a device that is no processor."""
    import jax

    return bool(jax.default_backend() != "cpu")
