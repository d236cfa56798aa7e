"""Maps of where two-level, time-cycled pressure ventilation is safe, for which lungs, and why.

Research and teaching only, not for setting a ventilator: local protocols and licensed clinicians
decide. The names below are loaded when they are first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ebbmap.cases.simulate import simulate, start_up
    from ebbmap.cases.waveforms import waveforms

    __version__: str

__all__ = ["__version__", "simulate", "start_up", "waveforms"]

#: Public name -> module that defines it.
_HOMES = {
    "simulate": "cases.simulate",
    "start_up": "cases.simulate",
    "waveforms": "cases.waveforms",
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version(__name__)
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
