"""Maps of where two-level, time-cycled pressure ventilation is safe, for which lungs, and why.

Research and teaching only, not for setting a ventilator: local protocols and licensed clinicians
decide. The names below are loaded when they are first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ebbmap.cases.simulate import simulate, start_up
    from ebbmap.cases.waveforms import waveforms
    from ebbmap.catalogue.marks import analysis, lung, outcome
    from ebbmap.catalogue.value import Catalogue, builtin
    from ebbmap.registries.limits import Limit, LimitSet
    from ebbmap.registries.populations import Marginal, Population

    __version__: str

__all__ = [
    "Catalogue",
    "Limit",
    "LimitSet",
    "Marginal",
    "Population",
    "__version__",
    "analysis",
    "builtin",
    "lung",
    "outcome",
    "simulate",
    "start_up",
    "waveforms",
]

#: Public name -> module that defines it.
_HOMES = {
    "Catalogue": "catalogue.value",
    "Limit": "registries.limits",
    "LimitSet": "registries.limits",
    "Marginal": "registries.populations",
    "Population": "registries.populations",
    "analysis": "catalogue.marks",
    "builtin": "catalogue.value",
    "lung": "catalogue.marks",
    "outcome": "catalogue.marks",
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
    if name.startswith("find_"):
        from ebbmap.cases.question import in_catalogue

        found = in_catalogue(found)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
