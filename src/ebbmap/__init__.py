"""Maps of where two-level, time-cycled pressure ventilation is safe, for which lungs, and why.

Research and teaching only, not for setting a ventilator: local protocols and licensed clinicians
decide. The names below are loaded when they are first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from ebbmap.analyses import NAMES

if TYPE_CHECKING:
    from ebbmap.analyses.adjust import find_adjust as find_adjust
    from ebbmap.analyses.boxes import find_boxes as find_boxes
    from ebbmap.analyses.collapse import find_collapse as find_collapse
    from ebbmap.analyses.compare import find_compare as find_compare
    from ebbmap.analyses.course import find_course as find_course
    from ebbmap.analyses.edge import find_edge as find_edge
    from ebbmap.analyses.foretell import find_foretell as find_foretell
    from ebbmap.analyses.given import find_given as find_given
    from ebbmap.analyses.inside import find_inside as find_inside
    from ebbmap.analyses.limits import find_limits as find_limits
    from ebbmap.analyses.map import find_map as find_map
    from ebbmap.analyses.mapping import find_mapping as find_mapping
    from ebbmap.analyses.profile import find_profile as find_profile
    from ebbmap.analyses.rare import find_rare as find_rare
    from ebbmap.analyses.robust import find_robust as find_robust
    from ebbmap.analyses.rules import find_rules as find_rules
    from ebbmap.analyses.screening import find_screening as find_screening
    from ebbmap.analyses.shapley import find_shapley as find_shapley
    from ebbmap.analyses.slopes import find_slopes as find_slopes
    from ebbmap.analyses.sobol import find_sobol as find_sobol
    from ebbmap.analyses.startup import find_startup as find_startup
    from ebbmap.analyses.strategies import find_strategies as find_strategies
    from ebbmap.analyses.sweep import find_sweep as find_sweep
    from ebbmap.analyses.together import find_together as find_together
    from ebbmap.analyses.trade import find_trade as find_trade
    from ebbmap.analyses.unknowns import find_unknowns as find_unknowns
    from ebbmap.analyses.wean import find_wean as find_wean
    from ebbmap.analyses.window import find_window as find_window
    from ebbmap.cases.cohort import cohort as cohort
    from ebbmap.cases.draw_design import draw_design as draw_design
    from ebbmap.cases.gradient import gradient as gradient
    from ebbmap.cases.question import Question as Question
    from ebbmap.cases.simulate import simulate as simulate
    from ebbmap.cases.simulate import start_up as start_up
    from ebbmap.cases.trace import trace as trace
    from ebbmap.cases.waveforms import waveforms as waveforms
    from ebbmap.catalogue.marks import analysis as analysis
    from ebbmap.catalogue.marks import lung as lung
    from ebbmap.catalogue.marks import outcome as outcome
    from ebbmap.catalogue.value import Catalogue as Catalogue
    from ebbmap.catalogue.value import builtin as builtin
    from ebbmap.engines import use_engine as use_engine
    from ebbmap.registries.limits import Limit as Limit
    from ebbmap.registries.limits import LimitSet as LimitSet
    from ebbmap.registries.populations import Marginal as Marginal
    from ebbmap.registries.populations import Population as Population
    from ebbmap.runs.api import check as check
    from ebbmap.runs.api import run as run
    from ebbmap.runs.policies import patient_path as patient_path
    from ebbmap.runs.results import open_results as open_results
    from ebbmap.traces.fit import find_fit as find_fit
    from ebbmap.traces.follow import find_follow as find_follow
    from ebbmap.traces.follow import find_next as find_next
    from ebbmap.traces.follow import fitted_population as fitted_population
    from ebbmap.traces.follow import fitted_question as fitted_question
    from ebbmap.traces.trace import read_trace as read_trace

    __version__: str

#: Public name -> module that defines it.
_HOMES = {
    "Catalogue": "catalogue.value",
    "Limit": "registries.limits",
    "LimitSet": "registries.limits",
    "Marginal": "registries.populations",
    "Population": "registries.populations",
    "Question": "cases.question",
    "analysis": "catalogue.marks",
    "builtin": "catalogue.value",
    "check": "runs.api",
    "draw_design": "cases.draw_design",
    "lung": "catalogue.marks",
    "cohort": "cases.cohort",
    "find_fit": "traces.fit",
    "find_follow": "traces.follow",
    "find_next": "traces.follow",
    "fitted_population": "traces.follow",
    "fitted_question": "traces.follow",
    "open_results": "runs.results",
    "outcome": "catalogue.marks",
    "patient_path": "runs.policies",
    "read_trace": "traces.trace",
    "run": "runs.api",
    "simulate": "cases.simulate",
    "start_up": "cases.simulate",
    "gradient": "cases.gradient",
    "trace": "cases.trace",
    "use_engine": "engines",
    "waveforms": "cases.waveforms",
    **{f"find_{name}": f"analyses.{name}" for name in NAMES},
}

__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version(__name__)
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = import_module(f"{__name__}.{_HOMES[name]}")
    found = getattr(home, name)
    if _HOMES[name].startswith("analyses."):
        from ebbmap.analyses.base import public

        found = public(found, home.ANALYSIS.options)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
