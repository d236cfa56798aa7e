"""What a page's scripts must know of parameters, outcomes and traced functions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from ebbmap.cases.trace import trace, trace_course, trace_slopes
from ebbmap.engines.javascript import in_place
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: The bedside's word, where it is shorter than the registry's.
BEDSIDE: Mapping[str, str] = {
    "fio2": "FiO₂",
    "paco2": "PaCO₂",
    "ph": "pH",
    "spo2": "SpO₂",
    "resistance_exp": "resistance",
    "release_volume_per_kg": "release volume per kg",
    "trapped_volume": "gas that stays",
    "end_release_pressure": "alveolar pressure as the release ends",
    "end_high_pressure": "alveolar pressure as T high ends",
    "end_high_transpulmonary_pressure": "transpulmonary pressure as T high ends",
    "alveolar_ventilation": "alveolar ventilation",
    "flow_ratio": "flow at the end, of its peak",
    "exhaled_fraction": "gone, of a full exhalation",
}


def entry_of(name: str) -> dict[str, Any]:
    """Return label and unit of a parameter or outcome, of a parameter its bounds and default too.

    Examples
    --------
    >>> entry_of("t_low")["label"], entry_of("t_low")["units"]
    ('T low', 's')
    """
    if name in PARAMETERS:
        entry = PARAMETERS[name]
        return {
            "label": BEDSIDE.get(name, entry.short_name),
            "units": display(entry.units),
            "default": entry.default,
            "low": entry.low,
            "high": entry.high,
            "usual": list(entry.usual),
        }
    outcome = OUTCOMES[name]
    return {"label": BEDSIDE.get(name, outcome.long_name), "units": display(outcome.units)}


def scripts_of(lung: str, limits: LimitSet, given: Iterable[str] = ()) -> dict[str, str]:
    """Return a lung's formulas as scripts whose functions work in place.

    Parameters
    ----------
    lung : str
        A lung that can be traced.
    limits : LimitSet
        What judges; the values of its bounds are inputs.
    given : iterable of str
        Parameters that stand for those derived from them, as in `trace`.

    Returns
    -------
    dict of str to str
        Name of the function -> its text: `solve` (all outcomes, verdict, every margin) and those
        of `trace_course`: `settled`, `rest`, `after`, `curves`.
    """
    everything = outcomes_of(lung_model(lung))
    whole = trace(everything, lung, limits, given=given, moving=True).graph
    graphs = {"solve": whole, **trace_course(lung, given)}
    # a page has functions of its own by these names
    graphs["settled_state"], graphs["rest_state"] = graphs.pop("settled"), graphs.pop("rest")
    return {name: in_place(graph, name) for name, graph in graphs.items()}


def scripts_of_tabled(
    lung: str, limits: LimitSet, outcomes: Iterable[str], given: Iterable[str] = ()
) -> dict[str, str]:
    """Return what follows from a lung's solved outcomes as scripts, and its slopes if it has any.

    Parameters
    ----------
    lung : str
        A lung of any kind; what it solves is an input, as from a table.
    limits : LimitSet
        What judges; the values of its bounds are inputs.
    outcomes : iterable of str
        What the page shows.
    given : iterable of str
        As in `scripts_of`.

    Returns
    -------
    dict of str to str
        Name of the function -> its text: `solve`, and where the lung can be followed `slopes`,
        `rest_state` and `begin_state`.
    """
    named = tuple(dict.fromkeys((*outcomes, *limits.outcomes)))
    whole = trace(named, lung, limits, given=given, moving=True, solved=True).graph
    graphs = {"solve": whole}
    if lung_model(lung).followed is not None:
        moved = trace_slopes(lung)
        graphs |= {
            "slopes": moved["slopes"],
            "rest_state": moved["rest"],
            "begin_state": moved["begin"],
        }
    return {name: in_place(graph, name) for name, graph in graphs.items()}
