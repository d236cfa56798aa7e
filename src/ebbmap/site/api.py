"""The page of the Python interface: every public name with its text, straight from the code."""

from __future__ import annotations

import inspect
from collections.abc import Iterator

import ebbmap
from ebbmap.plotting.views import VIEWS

#: Heading -> the public names under it; what is named nowhere stands under the last one.
_GROUPS = {
    "Solve cases": ("simulate", "start_up", "waveforms", "draw_design", "gradient", "trace"),
    "Ask and answer": ("Question", "run", "check", "open_results", "patient_path"),
    "Lungs, limits, populations": ("Limit", "LimitSet", "Marginal", "Population", "cohort"),
    "Measured traces": (
        "read_trace",
        "find_fit",
        "find_follow",
        "find_next",
        "fitted_population",
        "fitted_question",
    ),
    "Entries of your own": ("Catalogue", "builtin", "analysis", "lung", "outcome", "use_engine"),
}


def api_page() -> str:
    """Return the page as Markdown with directives for Sphinx."""
    parts = [
        "# Python",
        "Everything public is a name of `ebbmap`. Names are loaded when they are first used.",
    ]
    for heading, names in groups():
        parts += [f"## {heading}", _directives(names)]
    drawn = ", ".join(f"`plot_{kind}`" for kind in VIEWS)
    parts += [
        "## Draw results",
        f"By name: {drawn}; each is `plot` for one analysis.",
        "```{eval-rst}\n.. autofunction:: ebbmap.plotting.plot\n"
        ".. autofunction:: ebbmap.plotting.plots\n```",
    ]
    return "\n\n".join(parts)


def groups() -> Iterator[tuple[str, list[str]]]:
    """Yield each heading with its public names; every name stands under one of them."""
    public = [name for name in ebbmap.__all__ if not name.startswith("__")]
    known = {name for names in _GROUPS.values() for name in names}
    for heading, names in _GROUPS.items():
        yield heading, [name for name in names if name in public]
    yield "Analyses", sorted(name for name in public if name not in known)


def _directives(names: list[str]) -> str:
    lines = []
    for name in names:
        if inspect.isclass(getattr(ebbmap, name)):
            lines += [f".. autoclass:: ebbmap.{name}", "   :members:", ""]
        else:
            lines += [f".. autofunction:: ebbmap.{name}", ""]
    return "\n".join(["```{eval-rst}", *lines, "```"])
