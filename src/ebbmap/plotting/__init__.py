"""Pictures of results: Dataset in, Axes out. The only room where matplotlib is imported.

`plot(KEY, result, ax=...)` draws any result; ``plot_KEY(result, ax=...)`` is the same by name.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ebbmap.plotting.views import plot as plot
    from ebbmap.plotting.views import plots as plots

__all__ = ["plot", "plots"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(import_module(f"{__name__}.views"), name)
    if name.startswith("plot_"):
        views = import_module(f"{__name__}.views")
        kind = name.removeprefix("plot_")
        if kind in views.VIEWS:
            return views.bound(kind)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
