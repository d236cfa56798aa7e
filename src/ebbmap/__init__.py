"""Maps of where two-level, time-cycled pressure ventilation is safe, for which lungs, and why.

Research and teaching only, not for setting a ventilator: local protocols and licensed clinicians
decide. The names below are loaded when they are first used.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ebbmap.simulate import simulate, start_up
    from ebbmap.waveforms import waveforms

    __version__: str

__all__ = ["__version__", "simulate", "start_up", "waveforms"]

#: Public name -> module that defines it.
_HOMES = {"simulate": "simulate", "start_up": "simulate", "waveforms": "waveforms"}


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


class _Package(ModuleType):
    """A package whose functions are not replaced by the modules of the same name."""

    def __setattr__(self, name: str, value: Any) -> None:
        # the import of ebbmap.simulate, by whoever, would put the module in the function's place
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
