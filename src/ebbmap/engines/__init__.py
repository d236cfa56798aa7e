"""Which engine works on arrays: NumPy, or JAX on the processor or an accelerator.

An engine is chosen for a while, by `use_engine`, and then serves whatever is solved: nothing else
of a question changes. What is drawn, counted and written does not depend on it but for rounding.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from importlib.util import find_spec
from typing import Literal, get_args

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.lungs.base import Lung

Engine = Literal["numpy", "jax", "auto"]

#: In studies, on the command line and in Python; "auto" takes JAX where it has an accelerator.
ENGINES: tuple[Engine, ...] = get_args(Engine)

_CHOSEN: ContextVar[Engine] = ContextVar("engine", default="numpy")


@contextmanager
def use_engine(engine: Engine) -> Iterator[None]:
    """Solve with an engine within a ``with`` block.

    Parameters
    ----------
    engine : {"numpy", "jax", "auto"}
        "auto" takes JAX for lungs that it can solve where an accelerator is at hand, NumPy
        elsewhere.

    Raises
    ------
    EbbmapError
        If there is no such engine, or it is not installed.

    Examples
    --------
    >>> with use_engine("numpy"):
    ...     chosen()
    'numpy'
    """
    if engine not in ENGINES:
        raise EbbmapError(unknown_name("engine", engine, ENGINES))
    if engine == "jax":
        require_jax()
    token = _CHOSEN.set(engine)
    try:
        yield
    finally:
        _CHOSEN.reset(token)


def chosen() -> Engine:
    """Return the engine that is in use."""
    return _CHOSEN.get()


def compiles(lung: Lung) -> bool:
    """Return whether the engine in use is JAX for this lung.

    Raises
    ------
    EbbmapError
        If JAX was asked for and only NumPy solves the lung.
    """
    engine = chosen()
    if engine == "numpy":
        return False
    if engine == "auto":
        return bool(lung.compiled) and find_spec("jax") is not None and has_accelerator()
    if not lung.compiled:
        raise EbbmapError(
            f"engine 'jax' cannot solve the lung {lung.name!r}: its steps are laid by looking at "
            "values, which NumPy alone does. Take engine 'numpy' or 'auto', or another lung."
        )
    return True


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
