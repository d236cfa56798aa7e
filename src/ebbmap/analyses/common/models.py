"""Analyses of several lung models: a piece has one of them, whatever others stand beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


def of_models(groups: int, models: Sequence[str]) -> list[str]:
    """Return the name of the piece of every population in every lung model.

    Examples
    --------
    >>> of_models(1, ["linear", "tube"])
    ['000000.linear', '000000.tube']
    """
    return [f"{number:06d}.{model}" for number in range(groups) for model in models]


def further_models(smaller: Mapping[str, Any], larger: Mapping[str, Any]) -> bool:
    """Return whether an analysis has further lung models, and is the same otherwise.

    Parameters
    ----------
    smaller, larger : mapping
        Options, as JSON knows them; `models` are never empty.

    Examples
    --------
    >>> further_models({"models": ["tube"], "level": 0.95}, {"models": ["linear", "tube"],
    ...                                                      "level": 0.95})
    True
    """
    models = set(smaller["models"]) <= set(larger["models"])
    return models and {**smaller, "models": None} == {**larger, "models": None}
