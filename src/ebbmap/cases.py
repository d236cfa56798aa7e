"""Cases of a question: fixed values, axes and drawn lungs, as labelled arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.derivations import all_inputs, ways
from ebbmap.evaluate import DRAWN
from ebbmap.labelling import MODEL_OUTPUT, label, provenance
from ebbmap.limits import LimitSet
from ebbmap.lungs import lung_model
from ebbmap.outcomes import plan
from ebbmap.parameters import PARAMETERS
from ebbmap.populations import Marginal, Population
from ebbmap.units import display


@dataclass(frozen=True)
class Question:
    """What an analysis is asked: which model, which lungs, which values, which limits.

    Parameters
    ----------
    lung : str
        Name of a lung model.
    fixed : mapping of str to float
        Parameters with one value.
    samples : mapping of str to Marginal
        Parameters that vary independently of the lung, such as settings within a range.
    populations : tuple of Population
        Phenotypes that are compared; may be empty.
    rules : mapping of str to LimitSet
        Limit sets that are compared, never mixed.
    lungs : int
        Lungs drawn from each population.
    seed : int
        Seed of every draw; 0 is a seed.
    """

    lung: str = "linear"
    fixed: Mapping[str, float] = field(default_factory=dict)
    samples: Mapping[str, Marginal] = field(default_factory=dict)
    populations: tuple[Population, ...] = ()
    rules: Mapping[str, LimitSet] = field(default_factory=dict)
    lungs: int = 2000
    seed: int = 0

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Outcomes that the rules need."""
        return tuple(dict.fromkeys(n for rule in self.rules.values() for n in rule.outcomes))

    @property
    def group_names(self) -> list[str]:
        """Labels of the populations, "all" where there is none."""
        return [group.name if group else "all" for group in self.groups()]

    @property
    def rules_text(self) -> str:
        """The rules in words, for captions."""
        return "; ".join(f"{name}: {rule.long_name}" for name, rule in self.rules.items())

    @property
    def fixed_text(self) -> str:
        """Which values are held, for captions.

        Examples
        --------
        >>> Question(fixed={"p_high": 24.0, "t_high": 5.0}).fixed_text
        'P high 24 cmH₂O, T high 5 s'
        """
        return ", ".join(PARAMETERS[name].say(value) for name, value in self.fixed.items())

    @property
    def samples_text(self) -> str:
        """What is drawn beside the lungs, and how, for captions."""
        return ", ".join(marginal.say(name) for name, marginal in self.samples.items())

    @property
    def unconfirmed_text(self) -> str:
        """Which properties rest on numbers that were not read in a source, for captions.

        Examples
        --------
        >>> from ebbmap.populations import POPULATIONS
        >>> Question(populations=(POPULATIONS["restrictive"],)).unconfirmed_text
        'restrictive, all but compliance'
        """
        return "; ".join(group.unconfirmed_text for group in self.populations if group.unconfirmed)

    @property
    def lungs_text(self) -> str:
        """Where the lungs come from, as whoever defined them says, for captions.

        Examples
        --------
        >>> from ebbmap.populations import POPULATIONS
        >>> Question(populations=(POPULATIONS["normal"],)).lungs_text
        'Invented lungs (normal).'
        """
        told = [f"{group.name}: {group.source}" for group in self.populations if group.source]
        invented = ", ".join(group.name for group in self.populations if not group.source)
        parts = [f"Invented lungs ({invented})."] if invented else []
        if told:
            parts.append(f"Lungs drawn from what the study states: {'; '.join(told)}.")
        return " ".join(parts) or "Lung properties as stated."

    def groups(self) -> tuple[Population | None, ...]:
        """Return the populations, or one None where the question has none."""
        return self.populations or (None,)


def draw_cases(
    question: Question, group: Population | None, axes: Mapping[str, np.ndarray]
) -> dict[str, Any]:
    """Values of every parameter: axes on their own dimensions, draws on `sample`.

    Parameters
    ----------
    question : Question
        The question.
    group : Population or None
        The population to draw from.
    axes : mapping of str to ndarray, shape (m,)
        Parameters laid out on a grid. A property of the population that is an axis or fixed is
        held there, and the others are drawn from their distribution given it.

    Returns
    -------
    dict of str to DataArray
        Ready for `simulate`.

    Raises
    ------
    EbbmapError
        If a value is given in two ways.
    """
    used = all_inputs(plan(lung_model(question.lung)).parameters)
    values: dict[str, Any] = {name: xr.DataArray(value) for name, value in question.fixed.items()}
    for name, axis in axes.items():
        values[name] = xr.DataArray(axis, dims=name, coords={name: axis})
    if group is None and not question.samples:
        return values
    n = question.lungs
    streams = np.random.SeedSequence(question.seed).spawn(2)
    if group is not None:
        drawn = _draw_lungs(group, values, n, seed_of(streams[0]))
        values |= {name: array for name, array in drawn.items() if name in used}
    scores = np.random.default_rng(streams[1]).standard_normal((n, len(question.samples)))
    for column, (name, marginal) in enumerate(question.samples.items()):
        if name not in axes:
            values[name] = _drawn(xr.DataArray(marginal.at(scores[:, column]), dims="sample"))
    return values


def seed_of(stream: np.random.SeedSequence) -> int:
    """One integer seed from a spawned seed sequence."""
    return int(stream.generate_state(1, np.uint64)[0])


def middle_lung(
    question: Question, group: Population | None, axes: Mapping[str, np.ndarray]
) -> dict[str, Any]:
    """Values of every parameter that is stated, and the middle lung of a population given these.

    Parameters
    ----------
    question : Question
        Its fixed values; its samples are of no account.
    group : Population or None
        The population. A property that is fixed or on an axis is held there, and each of the
        others is at its median given it.
    axes : mapping of str to ndarray, shape (m,)
        Parameters laid out on a grid.

    Returns
    -------
    dict of str to float or DataArray
        Ready for `simulate`: numbers where nothing varies.
    """
    grids = {name: xr.DataArray(a, dims=name, coords={name: a}) for name, a in axes.items()}
    values: dict[str, Any] = {**question.fixed, **grids}
    if group is None:
        return values
    held = {name: xr.DataArray(values[name]) for name in group.properties if name in values}
    flat, dims, shape = _every_combination(held)
    for name, middle in group.middle(flat).items():
        array = np.reshape(middle, shape)
        values[name] = xr.DataArray(array, dims=dims) if dims else float(array)
    return values


def _draw_lungs(group: Population, values, n: int, seed: int) -> dict[str, xr.DataArray]:
    held = {name: values[name] for name in group.properties if name in values}
    if not held:
        drawn = group.sample(n, seed=seed)
        return {name: _drawn(xr.DataArray(array, dims="sample")) for name, array in drawn.items()}
    flat, dims, shape = _every_combination(held)
    drawn = group.sample(n, seed=seed, given=flat)
    return {
        name: _drawn(xr.DataArray(drawn[name].reshape(*shape, n), dims=(*dims, "sample")))
        for name in group.properties
        if name not in held
    }


def _drawn(array: xr.DataArray) -> xr.DataArray:
    return array.assign_attrs({DRAWN: 1})


def _every_combination(held: Mapping[str, xr.DataArray]):
    """Values of held properties in every combination, shape (g,) each; its dims and shape."""
    if not held:
        return {}, (), ()
    frame = xr.broadcast(*held.values())
    flat = {name: array.values.reshape(-1) for name, array in zip(held, frame, strict=True)}
    return flat, frame[0].dims, frame[0].shape


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
    >>> from ebbmap.populations import population
    >>> asked = Question(fixed={"p_high": 24.0}, populations=(population("normal"),))
    >>> defaults_of(asked, asked.populations[0], Use(("t_low",), outcomes=("flow_ratio",)))
    {'p_low': 0.0, 't_high': 5.0}
    """
    given = {*question.fixed, *use.laid_out, *(group.properties if group else ())}
    given |= set() if use.middle else set(question.samples)
    found: dict[str, float] = {}

    def need(names) -> None:
        for name in names:
            asked = ways(name, given)
            if asked:
                need(asked[0].inputs)
            elif name not in given:
                found[name] = float(PARAMETERS[name].default)

    need(use.parameters(question))
    return {name: found[name] for name in PARAMETERS if name in found}


def add_provenance(
    dataset: xr.Dataset, question: Question, title: str, use: Use, *, comment: str = "",
    **attrs: str | int | float,
) -> xr.Dataset:  # fmt: skip
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
        `averaged_over`, `conditioned_on`, `sampled`, `lungs_from`, `unconfirmed` and `rules`.
    """
    groups = question.groups()
    defaults = [defaults_of(question, group, use) for group in groups]
    held = {n: v for n, v in question.fixed.items() if n not in use.laid_out}
    words = [PARAMETERS[name].say(value) for name, value in held.items()]
    for name in PARAMETERS:
        having = [g for g, own in zip(groups, defaults, strict=True) if name in own]
        if having:
            of = "" if len(having) == len(groups) else f", {', '.join(g.name for g in having if g)}"
            words.append(f"{PARAMETERS[name].say(PARAMETERS[name].default)} (default{of})")
    if use.middle and question.populations:
        words.append("other lung properties at each population's middle")
    averaged = [_span_text(name, axis) for name, axis in use.averaged.items()]
    drawn = bool(question.samples) and not use.middle
    if drawn and not use.factors:
        averaged.append(question.samples_text)
    own = {name for group in question.populations for name in group.properties}
    given = [n for n in dict.fromkeys((*question.fixed, *use.laid_out)) if n in own]
    known: dict[str, Any] = {
        "comment": f"{comment} {MODEL_OUTPUT} {question.lungs_text}".lstrip(),
        "lung": ", ".join(use.lungs or (question.lung,)),
        "seed": question.seed,
    }
    dataset = dataset.assign_coords(_held_coords(dataset, question, use, held, defaults))
    dataset.attrs = dataset.attrs | provenance(
        title,
        **(known | attrs),
        rules=question.rules_text,
        fixed=", ".join(words),
        averaged_over=", ".join(averaged),
        conditioned_on=", ".join(PARAMETERS[name].long_name for name in given),
        sampled=question.samples_text if drawn else "",
        lungs_from=question.lungs_text,
        unconfirmed=question.unconfirmed_text,
    )
    return dataset


def _span_text(name: str, axis: np.ndarray) -> str:
    """Say the values of an axis that is averaged over."""
    entry = PARAMETERS[name]
    if len(axis) == 1:
        return entry.say(float(axis[0]))
    unit = display(entry.units)
    return (
        f"{entry.long_name} {axis[0]:.4g} to {axis[-1]:.4g} {unit}".rstrip()
        + f" ({len(axis)} values)"
    )


def _held_coords(dataset, question, use: Use, held, defaults) -> dict[str, xr.DataArray]:
    """Coordinates of every value that is held, unless the result has a variable of that name."""
    arrays = {name: xr.DataArray(float(value), attrs={"held": "as stated"})
              for name, value in held.items()}  # fmt: skip
    by_group: list[dict[str, Any]] = [dict(own) for own in defaults]
    used = all_inputs(use.parameters(question))
    if use.middle and "population" in dataset.dims:
        for own, group in zip(by_group, question.groups(), strict=True):
            stated = Question(fixed=question.fixed)
            axes = {name: np.zeros(1) for name in use.laid_out}
            if group is not None and not set(axes) & set(group.properties):
                own |= {n: v for n, v in middle_lung(stated, group, axes).items()
                        if n in group.properties and n not in held and n in used}  # fmt: skip
    for name in dict.fromkeys(n for own in by_group for n in own):
        values = [own.get(name, np.nan) for own in by_group]
        text = "default" if all(name in own for own in defaults) else "middle lung, or default"
        if len(set(values)) == 1:
            arrays[name] = xr.DataArray(values[0], attrs={"held": text})
        elif "population" in dataset.dims and dataset.sizes["population"] == len(values):
            arrays[name] = xr.DataArray(values, dims="population", attrs={"held": text})
    found = {}
    for name, array in arrays.items():
        if name not in dataset.variables:
            mark = array.attrs
            found[name] = label(array, name).assign_attrs(mark)
    return found
