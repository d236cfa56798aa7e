"""What analyses over several settings share: what they refuse, their words, their entry."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

import xarray as xr

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.options import Options
from ebbmap.cases.labelling import describe
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError
from ebbmap.registries.parameters import PARAMETERS


def refuse_drawn(question: Question, names: Iterable[str], instead: str) -> None:
    """Refuse settings that are drawn with the lungs.

    Parameters
    ----------
    question : Question
        With its populations.
    names : iterable of str
        The settings.
    instead : str
        What to do instead, as a sentence.

    Raises
    ------
    EbbmapError
        Naming the setting and the population.
    """
    for group in question.populations:
        for name in sorted(set(names) & set(group.properties)):
            raise EbbmapError(f"{name} is drawn with the lungs of {group.name}. {instead}")


def check_over(instead: str) -> Callable[[Asked], Iterator[str]]:
    """Return the check of the settings in a study, in the words of `refuse_drawn`."""

    def check(asked: Asked) -> Iterator[str]:
        yield from asked.need_axis("over")
        yield from asked.repeated("over")
        for name in sorted(set(asked.words("over")) & asked.study.drawn):
            yield f"{asked.place}.over: {name} is drawn with the lungs. {instead}"

    return check


def describe_settings(dataset: xr.Dataset, start: str, names: Iterable[str], what: str) -> None:
    """Label the variables ``start_NAME`` of settings in place, each "its name" and `what`."""
    for name in names:
        entry = PARAMETERS[name]
        own = f"{start}_{name}"
        dataset[own] = describe(dataset[own], f"{entry.long_name} {what}", entry.units)


def analysis_over(name: str, options: type[Options], **own: Any) -> Analysis:
    """Return the entry of an analysis that draws lungs at settings ``over`` their axes.

    Parameters
    ----------
    name : str
        Its key.
    options : type of Options
        What it can be asked: `over` holds the settings.
    **own
        What else there is to say of it; see `Analysis`.
    """
    return Analysis(
        name=name,
        options=options,
        lays_out=lambda asked: asked.words("over"),
        draws=lambda asked: True,
        stem=lambda own: f"{name}_{'_'.join(own.over)}",
        keeps_pieces=True,
        **own,
    )
