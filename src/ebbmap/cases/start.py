"""Where commands and the page to explore start, with what nobody gave."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from ebbmap.registries.derivations import DERIVATIONS
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS

#: Settings that do no harm to the middle lungs, with oxygen and some breathing of the patient's
#: own, which no verdict may leave unsaid; the rest is at the registry's defaults.
START: Mapping[str, float] = MappingProxyType({"plateau_peep": 10.0, "fio2": 0.6, SPONTANEOUS: 2.0})

#: Levels of own breathing that are compared: none, some, most of what clears CO2 [L min-1].
OWN_BREATHING = (0.0, 2.0, 4.0)


def started(values: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Return values with those of `START` for what they leave open, and the names of these.

    Examples
    --------
    >>> started({"p_high": 20.0, "t_low": 0.5})[1]
    ['fio2', 'spontaneous_alveolar_ventilation']
    """
    targets = {way.trigger: way.target for way in DERIVATIONS}
    added = [name for name in START if not {name, targets.get(name, name)} & set(values)]
    return {**values, **{name: START[name] for name in added}}, added


def start_words(lung: str, added: list[str]) -> str:
    """Return what was taken because nobody gave it; `lung` is empty where somebody named one.

    Examples
    --------
    >>> start_words("whole", ["fio2"])
    'Not given, so started from: lung whole, inspired oxygen fraction 60 %.'
    """
    said = [f"lung {lung}"] if lung else []
    said += [PARAMETERS[name].say(START[name]) for name in added]
    return f"Not given, so started from: {', '.join(said)}." if said else ""
