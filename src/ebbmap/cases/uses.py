"""What an analysis makes of a question, and what its result says of it.

Which values were held, by whom; what was averaged over; what the lungs were drawn given; how many
of them left the bounds of the registry.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.drawn_bounds import DRAWN
from ebbmap.cases.labelling import MODEL_OUTPUT, label, provenance
from ebbmap.cases.leaving import chances_of_leaving
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.lungs import lung_model
from ebbmap.registries.derivations import all_inputs, ways
from ebbmap.registries.folding import folded_text
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import Population


@dataclass(frozen=True)
class Use:
    """How an analysis uses a question, for all that it has to say of what entered its answer.

    Parameters
    ----------
    laid_out : tuple of str
        Parameters that the analysis lays out itself: its axes, and what it searches for.
    averaged : mapping of str to ndarray
        Axes among these that it averages over, with the lungs.
    middle : bool
        Whether it follows middle lungs and draws nothing.
    factors : bool
        Whether samples are what it explains; else it averages over them.
    design : bool
        Whether its cases come from a design, which counts failed ones by itself.
    outcomes : tuple of str, optional
        What it computes; all that the lung gives if None.
    lungs : tuple of str
        Lung models; the question's own if empty.
    also : tuple of str
        Parameters that it uses besides those that the outcomes need.
    """

    laid_out: tuple[str, ...] = ()
    averaged: Mapping[str, np.ndarray] = field(default_factory=dict)
    middle: bool = False
    factors: bool = False
    design: bool = False
    outcomes: tuple[str, ...] | None = None
    lungs: tuple[str, ...] = ()
    also: tuple[str, ...] = ()

    def parameters(self, question: Question) -> tuple[str, ...]:
        """Return every parameter that the analysis reads, in order."""
        plans = [plan(lung_model(m), self.outcomes) for m in self.lungs or (question.lung,)]
        return tuple(dict.fromkeys((*(n for one in plans for n in one.parameters), *self.also)))


def defaults_of(question: Question, group: Population | None, use: Use) -> dict[str, float]:
    """Return the registry defaults that enter an answer, since nobody gives these parameters.

    Examples
    --------
    >>> from ebbmap.registries.populations import population
    >>> asked = Question("linear", {"p_high": 24.0}, populations=(population("normal"),))
    >>> defaults_of(asked, asked.populations[0], Use(("t_low",), outcomes=("flow_ratio",)))
    {'p_low': 0.0, 't_high': 5.0}
    """
    given = {*question.fixed, *use.laid_out, *(group.properties if group else ())}
    given |= set() if use.middle else set(question.samples)
    taken: dict[str, float] = {}

    def need(names: Iterable[str]) -> None:
        for name in names:
            asked = ways(name, given)
            if asked:
                need(asked[0].inputs)
            elif name not in given:
                taken[name] = float(PARAMETERS[name].default)

    need(use.parameters(question))
    return {name: taken[name] for name in PARAMETERS if name in taken}


def add_provenance(
    dataset: xr.Dataset,
    question: Question,
    title: str,
    use: Use,
    *,
    comment: str = "",
    **attrs: str | int | float,
) -> xr.Dataset:
    """Say in a result what it holds, averages over and conditions on, and what made it.

    Parameters
    ----------
    dataset : Dataset
        A finished result, perhaps with dim `population`.
    question : Question
        What was asked.
    title, comment : str
        Of the result.
    use : Use
        How the analysis uses the question.
    **attrs : str, int or float
        Further attributes.

    Returns
    -------
    Dataset
        With every value that was held as a coordinate (scalar; along `population` where it
        differs), and the attributes `fixed` (all of these in words, defaults marked),
        `averaged_over`, `conditioned_on`, `sampled`, `left_bounds`, `lungs_from`,
        `unconfirmed` and `rules`; each is empty where there is nothing to say.
    """
    known: dict[str, Any] = {
        "comment": f"{comment} {MODEL_OUTPUT} {_lungs_words(question, use)}".lstrip(),
        "lung": ", ".join(use.lungs or (question.lung,)),
        "seed": question.seed,
    }
    axes = {
        n: use.averaged.get(n, dataset[n].values if n in dataset.coords else None)
        for n in use.laid_out
    }
    dataset = dataset.assign_coords(_held_coords(dataset, question, use))
    dataset.attrs = dataset.attrs | provenance(
        title,
        **(known | use_words(question, use) | attrs),
        left_bounds="" if use.middle or use.design else left_text(question, axes),
    )
    return dataset


def use_words(question: Question, use: Use) -> dict[str, str]:
    """Say in words what an analysis holds, averages over and draws, each by its attribute."""
    samples = {} if use.middle else question.samples
    drawn = [m.say(name) for name, m in samples.items() if name not in use.laid_out]
    averaged = [span_text(name, axis) for name, axis in use.averaged.items()]
    own = {name for group in question.populations for name in group.properties}
    given = [n for n in dict.fromkeys((*question.fixed, *use.laid_out)) if n in own]
    return {
        "rules": question.rules_text,
        "fixed": ", ".join(_held_words(question, use)),
        "held_shortly": ", ".join(_held_words(question, use, shortly=True)),
        "averaged_over": ", ".join(averaged if use.factors else averaged + drawn),
        "conditioned_on": ", ".join(PARAMETERS[name].long_name for name in given),
        "sampled": ", ".join(drawn),
        "lungs_from": _lungs_words(question, use),
        "unconfirmed": question.unconfirmed_text,
    }


def _lungs_words(question: Question, use: Use) -> str:
    """Say where lungs come from, and what was folded into them for each lung model."""
    models = [lung_model(name) for name in use.lungs or (question.lung,)]
    folds = [folded_text(question.populations, model) for model in models]
    return " ".join([question.lungs_text, *(text for text in folds if text)])


def held_values(question: Question, use: Use) -> dict[str, float]:
    """Return the stated values that an analysis holds: neither laid out nor drawn."""
    varied = {*use.laid_out, *(() if use.middle else question.samples)}
    return {name: value for name, value in question.fixed.items() if name not in varied}


def _held_words(question: Question, use: Use, *, shortly: bool = False) -> list[str]:
    """Say every value that is held: stated ones, then defaults by which populations take them.

    A caption has no room for all of these: shortly, the defaults that are no settings are counted.
    """
    groups = question.groups()
    defaults = [defaults_of(question, group, use) for group in groups]
    words = [PARAMETERS[name].say(value) for name, value in held_values(question, use).items()]
    counted = 0
    for name, entry in PARAMETERS.items():
        taking = [g for g, own in zip(groups, defaults, strict=True) if name in own]
        if taking and shortly and entry.kind != "setting":
            counted += 1
        elif taking:
            of = "" if len(taking) == len(groups) else f", {', '.join(g.name for g in taking if g)}"
            words.append(f"{entry.say(entry.default)} (default{of})")
    if counted:
        words.append(f"{counted} more at the registry's defaults, which the result names")
    if use.middle and question.populations:
        words.append("other lung properties at each population's middle")
    return words


def span_text(name: str, axis: Sequence[float] | np.ndarray, *, counted: bool = True) -> str:
    """Return the values of an axis in words: its ends, and how many there are if `counted`.

    Examples
    --------
    >>> span_text("t_low", [0.2, 0.5, 1.0]), span_text("fio2", [0.3, 0.6], counted=False)
    ('T low 0.2 to 1 s (3 values)', 'inspired oxygen fraction 30 to 60 %')
    """
    entry = PARAMETERS[name]
    if len(axis) == 1:
        return entry.say(float(axis[0]))
    ends = entry.range(float(axis[0]), float(axis[-1]), 4)
    return f"{entry.long_name} {ends}{f' ({len(axis)} values)' if counted else ''}"


def _held_by_group(
    dataset: xr.Dataset, question: Question, use: Use, defaults: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Return what each population takes of its own: defaults, and its middle lung's values."""
    by_group = [dict(own) for own in defaults]
    if not (use.middle and "population" in dataset.dims):
        return by_group
    held, used = held_values(question, use), set(all_inputs(use.parameters(question)))
    stated = Question(fixed=question.fixed)
    axes = {name: np.zeros(1) for name in use.laid_out}
    for own, group in zip(by_group, question.groups(), strict=True):
        if group is None or set(axes) & set(group.properties):
            continue
        wanted = (set(group.properties) & used) - set(held)
        middle = middle_lung(stated, group, axes)
        own |= {name: value for name, value in middle.items() if name in wanted}
    return by_group


def _held_coords(dataset: xr.Dataset, question: Question, use: Use) -> dict[str, xr.DataArray]:
    """Coordinates of every value that is held, unless the result has a variable of that name."""
    held = held_values(question, use)
    defaults = [defaults_of(question, group, use) for group in question.groups()]
    arrays = {
        name: xr.DataArray(float(value), attrs={"held": "as stated"})
        for name, value in held.items()
    }
    by_group = _held_by_group(dataset, question, use, defaults)
    for name in dict.fromkeys(n for own in by_group for n in own):
        values = [own.get(name, np.nan) for own in by_group]
        text = "default" if all(name in own for own in defaults) else "middle lung, or default"
        if len(set(values)) == 1:
            arrays[name] = xr.DataArray(values[0], attrs={"held": text})
        elif "population" in dataset.dims and dataset.sizes["population"] == len(values):
            arrays[name] = xr.DataArray(values, dims="population", attrs={"held": text})
    return {
        name: label(array, name).assign_attrs(held=held_as)
        for name, array in arrays.items()
        if name not in dataset.variables
        for held_as in (array.attrs["held"],)
    }


def left_text(question: Question, axes: Mapping[str, np.ndarray | None]) -> str:
    """Say how many of the drawn cases left the bounds of the registry; empty where none did."""
    said = []
    for group, label_of in zip(question.groups(), question.group_names, strict=True):
        if not chances_of_leaving(question, group, axes):
            continue
        own = {n: a for n, a in axes.items() if a is not None and group and n in group.properties}
        for name, array in draw_cases(question, group, own).items():
            if DRAWN in array.attrs and name not in axes:
                entry = PARAMETERS[name]
                left = int(((array < entry.low) | (array > entry.high)).sum())
                if left:
                    said.append(f"{entry.long_name} in {left:,} of {array.size:,} ({label_of})")
    return f"out of the registry's bounds, marked: {', '.join(said)}" if said else ""
