"""Cases of a question: fixed values, axes and drawn lungs, as labelled arrays."""

from __future__ import annotations

from collections.abc import Callable, Container, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import wraps
from typing import Any, TypeVar, cast

import numpy as np
import xarray as xr

from ebbmap.cases.drawn_bounds import DRAWN
from ebbmap.errors import EbbmapError
from ebbmap.lungs import DEFAULT_LUNG, lung_model
from ebbmap.registries.copula import known_of
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.folding import folded
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS, parameter
from ebbmap.registries.populations import Marginal, Population
from ebbmap.registry import Active, activate, active

Find = TypeVar("Find", bound=Callable[..., Any])

#: Lungs that are drawn, solved and kept together where more of them may come later: what a lung is,
#: and to the last bit what it comes to, depends on no lung beyond its own batch.
BATCH = 100

#: What a question without a population says of its lung, for captions.
STATED_LUNG = "No population: the properties of the lung are those stated."


@dataclass(frozen=True)
class Question:
    """What an analysis is asked: which model, which lungs, which values, which limits.

    Parameters
    ----------
    lung : str
        Name of a lung model.
    fixed : mapping of str to float
        Parameters with one value, wherever an analysis neither lays them out nor draws them.
    samples : mapping of str to Marginal
        Parameters that vary independently of the lung, such as settings within a range, wherever
        an analysis draws lungs and does not lay them out.
    populations : tuple of Population
        Phenotypes that are compared; may be empty. What the lung model lacks of their lungs is
        folded into those that it has (`registries.folding`).
    rules : mapping of str to LimitSet
        Limit sets that are compared, never mixed.
    lungs : int
        Lungs drawn from each population.
    seed : int
        Seed of every draw; 0 is a seed.
    knowledge : int
        Outer draws of what is not known of the populations; 0 leaves it out of every interval.
    catalogue : Catalogue, optional
        Bundled and own entries; the one that is active where the question is made.
    lungs_may_grow : bool
        Draw lungs and samples in batches of `BATCH`, so that the first ones stay what they are
        when more are drawn. Otherwise other numbers of lungs are other lungs.

    Raises
    ------
    EbbmapError
        If a population has a property that is no parameter, knowledge is asked for where nobody
        says how well the populations are known, or lungs that may grow do not fill their batches.
    """

    lung: str = DEFAULT_LUNG
    fixed: Mapping[str, float] = field(default_factory=dict)
    samples: Mapping[str, Marginal] = field(default_factory=dict)
    populations: tuple[Population, ...] = ()
    rules: Mapping[str, LimitSet] = field(default_factory=dict)
    lungs: int = 2000
    seed: int = 0
    knowledge: int = 0
    catalogue: Active | None = field(default_factory=active)
    lungs_may_grow: bool = False

    def __post_init__(self) -> None:
        """Refuse a property that no lung can take, and knowledge of what nobody knows."""
        if self.knowledge < 0 or (self.knowledge and not self.populations):
            raise EbbmapError(
                "knowledge must be at least 0 outer draws, of populations; got "
                f"{self.knowledge}. Name populations, or set knowledge = 0."
            )
        if self.lungs_may_grow and self.lungs % BATCH:
            raise EbbmapError(
                f"lungs must be a multiple of {BATCH} where lungs_may_grow; got {self.lungs}. Take "
                f"{-(-self.lungs // BATCH) * BATCH}."
            )
        for group in self.populations if self.knowledge else ():
            known_of(group)
        with activate(self.catalogue):
            model = lung_model(self.lung)
            groups = tuple(folded(group, model) for group in self.populations)
            object.__setattr__(self, "populations", groups)
            for group in self.populations:
                for name in group.properties:
                    parameter(name)

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
        """The rules with all their limits in words, for captions."""
        return "; ".join(f"{name}: {rule.sentence}" for name, rule in self.rules.items())

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
        """How many properties rest on numbers assumed or from memory, for captions.

        Examples
        --------
        >>> from ebbmap.registries.populations import POPULATIONS
        >>> Question(populations=(POPULATIONS["restrictive"],)).unconfirmed_text
        '8 of 17 properties (restrictive)'
        """
        return "; ".join(group.unconfirmed_text for group in self.populations if group.unconfirmed)

    @property
    def lungs_text(self) -> str:
        """Where the lungs come from, and in whom the mode does not belong, for captions.

        Examples
        --------
        >>> from ebbmap.registries.populations import POPULATIONS
        >>> Question(populations=(POPULATIONS["normal"],)).lungs_text
        'Invented lungs (normal).'
        """
        sources = [f"{group.name}: {group.source}" for group in self.populations if group.source]
        invented = ", ".join(
            group.name.replace("_", " ") for group in self.populations if not group.source
        )
        parts = [f"Invented lungs ({invented})."] if invented else []
        if sources:
            parts.append(f"Lungs drawn from what the study states: {'; '.join(sources)}.")
        parts += dict.fromkeys(group.unsuitable for group in self.populations if group.unsuitable)
        return " ".join(parts) or STATED_LUNG

    def require_rules(self) -> None:
        """Refuse a question without limits.

        Raises
        ------
        EbbmapError
            If it has no rules.

        Examples
        --------
        >>> Question().require_rules()
        Traceback (most recent call last):
            ...
        ebbmap.errors.EbbmapError: nothing can be judged without limits. Give the question `rules`.
        """
        if not self.rules:
            raise EbbmapError("nothing can be judged without limits. Give the question `rules`.")

    def with_lungs(self, lungs: int) -> Question:
        """Return the same question of some other lungs, however many."""
        return replace(self, lungs=lungs, lungs_may_grow=False)

    @property
    def draws(self) -> bool:
        """Whether lungs or samples are drawn at all."""
        return bool(self.populations or self.samples)

    @property
    def batches(self) -> int:
        """In how many batches cases are drawn that may become more."""
        return self.lungs // BATCH if self.draws else 1

    def groups(self) -> tuple[Population | None, ...]:
        """Return the populations, or one None where the question has none."""
        return self.populations or (None,)


def in_catalogue(find: Find) -> Find:
    """Make a function of a question see the catalogue that the question carries.

    Parameters
    ----------
    find : callable
        ``find(question, ...)``.

    Returns
    -------
    callable
        The same function, with the question's catalogue active while it runs.
    """

    @wraps(find)
    def within(question: Question, *arguments: Any, **options: Any) -> Any:
        with activate(question.catalogue):
            return find(question, *arguments, **options)

    return cast(Find, within)


def draw_cases(
    question: Question,
    group: Population | None,
    axes: Mapping[str, np.ndarray],
    *,
    batch: int | None = None,
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
    batch : int, optional
        Number of a batch, from 0, where lungs may grow: its lungs alone; all if None.

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
    drawn = [
        _drawn_at_once(question, group, values, set(axes), *draw)
        for draw in _draws(question, batch)
    ]
    return values | {
        name: _behind([one[name] for one in drawn])
        for name in drawn[0]
        if name in used or name in question.samples
    }


def _behind(arrays: Sequence[xr.DataArray]) -> xr.DataArray:
    """Put batches of drawn values behind each other."""
    return arrays[0] if len(arrays) == 1 else xr.concat(arrays, "sample", combine_attrs="override")


def _drawn_at_once(
    question: Question,
    group: Population | None,
    values: Mapping[str, Any],
    laid_out: Container[str],
    streams: Sequence[np.random.SeedSequence],
    n: int,
) -> dict[str, xr.DataArray]:
    """Draw n lungs, and n samples of what is not laid out, each from a stream of its own."""
    drawn = {} if group is None else _draw_lungs(group, values, n, seed_of(streams[0]))
    scores = np.random.default_rng(streams[1]).standard_normal((n, len(question.samples)))
    for column, (name, marginal) in enumerate(question.samples.items()):
        if name not in laid_out:
            drawn[name] = _drawn(xr.DataArray(marginal.at(scores[:, column]), dims="sample"))
    return drawn


def _draws(
    question: Question, batch: int | None = None
) -> list[tuple[list[np.random.SeedSequence], int]]:
    """Return where lungs, and then samples, are drawn from, and how many at once.

    All from one pair of streams; where lungs may grow, each batch, or the one that is named, from
    a pair of its own.
    """
    streams = np.random.SeedSequence(question.seed).spawn(2)
    if not question.lungs_may_grow:
        return [(streams, question.lungs)]
    own = zip(*(stream.spawn(question.batches) for stream in streams), strict=True)
    every = [(list(pair), BATCH) for pair in own]
    return every if batch is None else [every[batch]]


def draw_scores(question: Question, group: Population) -> np.ndarray:
    """Return the normal scores of the lungs of `draw_cases`, shape (n, d).

    Parameters
    ----------
    question : Question
        The question; lungs are drawn given the properties that it fixes.
    group : Population
        The population; columns are in the order of its d properties.
    """
    held = {n: np.array([v]) for n, v in question.fixed.items() if n in group.properties}
    drawn = [
        group.sample_scores(n, seed=seed_of(streams[0]), given=held)
        for streams, n in _draws(question)
    ]
    scores = np.concatenate(drawn, axis=-2)
    return scores[0] if held else scores


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
        Its fixed values; its samples are not used.
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


def _draw_lungs(
    group: Population, values: Mapping[str, Any], n: int, seed: int
) -> dict[str, xr.DataArray]:
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


def _every_combination(
    held: Mapping[str, xr.DataArray],
) -> tuple[dict[str, np.ndarray], tuple[Hashable, ...], tuple[int, ...]]:
    """Values of held properties in every combination, shape (g,) each; its dims and shape."""
    if not held:
        return {}, (), ()
    frame = xr.broadcast(*held.values())
    flat = {name: array.values.reshape(-1) for name, array in zip(held, frame, strict=True)}
    return flat, frame[0].dims, frame[0].shape
