"""How large every analysis of a study file is: cases at most, what is in memory, what is kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import ceil, comb, prod
from types import MappingProxyType
from typing import Any

from ebbmap.analyses.common.factors import factors_of
from ebbmap.analyses.window import SEARCHED
from ebbmap.files.study import Study
from ebbmap.kernels.windows import looks
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS

#: Evaluations of one lung's window: looks, and finding where margins change (measured before there
#: were several pieces: 25 to 40).
WINDOW_CASES = len(looks(*SEARCHED)) + 40

#: Times that a design doubles at most, as sizes, where no budget is given.
_GROWTH = 16

#: Seconds of resampling by base row, resample, outcome and index (measured: 8,192 rows, 15
#: outcomes, 12 factors with second order and 1,000 resamples take 1.0 s).
_RESAMPLING_SECONDS = 1.0 / (8192 * 1000 * 15 * (12 + comb(12, 2)))


@dataclass(frozen=True)
class Size:
    """How large an analysis is.

    Parameters
    ----------
    cases : int
        Cases to solve, at most.
    held : int
        Cases whose outcomes are in memory at once, in one process.
    kept : int
        Numbers in its files.
    seconds : float
        Work besides solving.
    """

    cases: int
    held: int
    kept: int
    seconds: float = 0.0


def outcomes_of_task(study: Study, asked: Any) -> tuple[str, ...]:
    """Outcomes that an analysis computes for every case."""
    question = study.question
    named = getattr(asked, "outcomes", ())
    named = plan(lung_model(question.lung)).outcomes if named is None else tuple(named)
    return tuple(dict.fromkeys((*named, *question.outcomes))) or ("release_volume",)


def _groups(study: Study) -> int:
    return len(study.question.groups())


def _drawn(study: Study) -> int:
    question = study.question
    return question.lungs if question.populations or question.samples else 1


def _places(study: Study, asked: Any) -> int:
    return len(study.axes[asked.along] if asked.at is None else asked.at)


def _few(cases: int) -> Size:
    return Size(cases, cases, cases)


def _per_group(cases: Callable[[Study, Any], int]) -> Callable[[Study, Any], Size]:
    """Size of an analysis of each population's middle lung."""
    return lambda study, asked: _few(_groups(study) * cases(study, asked))


def _window(study: Study, asked: Any) -> Size:
    lungs = _drawn(study) if asked.along is None else len(study.axes[asked.along])
    rules = max(1, len(study.question.rules))
    total = _groups(study) * lungs * rules
    return Size(total * WINDOW_CASES, lungs, 8 * total)


def _map(study: Study, asked: Any) -> Size:
    rest = prod(len(study.axes[name]) for name in (asked.x, *asked.average_over))
    cells = rest * len(study.axes[asked.y])
    rules = max(1, len(study.question.rules))
    # rows of the map are solved one after the other; a population at a time
    return Size(
        _groups(study) * cells * _drawn(study),
        rest * _drawn(study),
        _groups(study) * cells * rules * 40,
    )


def _mapping(study: Study, asked: Any) -> Size:
    lungs = _drawn(study)
    return Size(_groups(study) * _places(study, asked) * lungs, lungs, lungs)


def _boxes(study: Study, asked: Any) -> Size:
    return Size(_groups(study) * _drawn(study), _drawn(study), _drawn(study))


def _design(rows: Callable[[Any, int], int]) -> Callable[[Study, Any], Size]:
    """Size of an analysis that draws a design at every place of an axis."""

    def size(study: Study, asked: Any) -> Size:
        outcomes = len(outcomes_of_task(study, asked))
        total, largest, seconds = 0, 0, 0.0
        for group in study.question.groups():
            d = len(factors_of(study.question, group, asked.along, asked.outcomes).names)
            here = rows(asked, d)
            total, largest = total + here, max(largest, here)
            if getattr(asked, "second_order", None) is not None:
                indices = d + (comb(d, 2) if asked.second_order else 0)
                seconds += _largest(asked) * asked.resamples * outcomes * indices
        places = _places(study, asked)
        kept = places * total * outcomes if getattr(asked, "stopping_width", None) else 0
        return Size(places * total, largest, kept, places * seconds * _RESAMPLING_SECONDS)

    return size


def _largest(asked: Any) -> int:
    """Return the base rows of a Sobol design when it has grown as far as it may."""
    if asked.stopping_width is None:
        return asked.base_size
    return asked.max_base_size or _GROWTH * asked.base_size


def _weaning_steps(study: Study, asked: Any) -> int:
    start = study.question.fixed.get("p_high", PARAMETERS["p_high"].default)
    return (max(1, ceil((float(start) - asked.p_high_end) / asked.p_high_step)) + 1) ** 2


def _sweep(study: Study, asked: Any) -> Size:
    cases = prod(len(axis) for axis in study.axes.values()) * _groups(study) * _drawn(study)
    columns = len(outcomes_of_task(study, asked)) + 1 + 3 * len(study.question.rules)
    # a population is solved while the ones before it wait to be joined, which copies them
    return Size(cases, 2 * cases, columns * cases)


#: How large every analysis of a study file is.
SIZES: Mapping[str, Callable[[Study, Any], Size]] = MappingProxyType(
    {
        "window": _window,
        "profile": _per_group(lambda study, asked: len(study.axes[asked.along])),
        "trade": _per_group(lambda study, asked: prod(len(study.axes[n]) for n in asked.axes)),
        "course": _per_group(lambda study, asked: 2),
        "compare": _per_group(lambda study, asked: max(1, len(asked.models))),
        "startup": _per_group(lambda study, asked: 2 * asked.cycles),
        "inside": _per_group(lambda study, asked: 2),
        "collapse": _per_group(lambda study, asked: len(study.axes["t_low"]) + len(asked.t_low)),
        "adjust": _per_group(lambda study, asked: (1 + 2 * len(asked.steps)) ** 2),
        "wean": _per_group(_weaning_steps),
        "rules": _per_group(lambda study, asked: len(asked.models) * len(study.axes[asked.along])),
        "map": _map,
        "mapping": _mapping,
        "boxes": _boxes,
        "shapley": _design(lambda asked, d: asked.base_size * 2 ** min(d, 20)),
        "screening": _design(lambda asked, d: asked.trajectories * (d + 1)),
        "sobol": _design(
            lambda asked, d: _largest(asked) * (2 * d + 2 if asked.second_order else d + 2)
        ),
        "sweep": _sweep,
    }
)
