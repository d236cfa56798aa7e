"""Checks that several analyses share: what they ask against the rest of the study."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from ebbmap.analyses.asked import Asked, listed, values_complaint, words
from ebbmap.analyses.options import OfOutcomes
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.lungs import LUNGS, Lung
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of
from ebbmap.registries.parameters import PARAMETERS


def solved_lungs(asked: Asked, models: list[str]) -> list[Lung]:
    """Return the study's lung model and those named beside it."""
    return [asked.study.lung, *(LUNGS[name] for name in models if name in LUNGS)]


def check_along(asked: Asked) -> Iterator[str]:
    """Check that the axis of an analysis along one is there, or that its own values can be."""
    if "at" not in asked:
        yield from asked.need_axis("along")
        return
    along = str(asked.get("along"))
    if along in PARAMETERS and (found := values_complaint(along, asked.get("at"))):
        yield f"{asked.place}.at: {found}"


def check_outcomes(asked: Asked, key: str = "outcomes") -> Iterator[str]:
    """Check that the lung has every outcome that an analysis names."""
    lung = asked.study.lung
    possible = set(outcomes_of(lung))
    for name in asked.words(key):
        if name in OUTCOMES and name not in possible:
            yield (
                f"{asked.place}.{key}: the lung {lung.name!r} has no {name}. "
                f"It has: {', '.join(sorted(possible))}."
            )


def check_something_drawn(asked: Asked) -> Iterator[str]:
    """Check that there is a population, or samples."""
    raw = asked.study.raw
    if not listed(raw.get("populations")) and not raw.get("samples"):
        yield f"{asked.place}: needs a population or [samples]."


def check_drawn_along(asked: Asked) -> Iterator[str]:
    """Check an analysis of drawn lungs along an axis."""
    yield from check_along(asked)
    yield from check_something_drawn(asked)


def check_design(asked: Asked) -> Iterator[str]:
    """Check an analysis that draws a design along an axis: sizes, groups, that enough varies."""
    yield from check_along(asked)
    yield from check_outcomes(asked)
    yield from _check_sizes(asked)
    rules = asked.study.rules
    known = {*OUTCOMES, *(f"{what}_{rule}" for what in ("margin", "safe") for rule in rules)}
    for name in words(asked.raw.get("stopping_outcomes")):
        if name not in known:
            yield f"{asked.place}.stopping_outcomes: {unknown_name('outcome', name, known)}"
    twice = [name for members in asked.table("groups").values() for name in listed(members)]
    for name in sorted({str(name) for name in twice if twice.count(name) > 1}):
        yield f"{asked.place}.groups: {name} is in two groups. Keep one of them."
    if not listed(asked.study.raw.get("populations")) and len(asked.study.table("samples")) < 2:
        yield f"{asked.place}: needs a population or at least two [samples]."


def check_sample(least: int, without_groups: str) -> Callable[[Asked], Iterator[str]]:
    """Return the check of indices from lungs as they are drawn: enough of them, and no groups."""

    def check(asked: Asked) -> Iterator[str]:
        yield from check_design(asked)
        lungs = asked.study.raw.get("lungs", Question.lungs)
        if isinstance(lungs, int) and lungs < least:
            yield f"{asked.place}: needs at least {least} lungs; got {lungs}. Draw more."
        if asked.get("groups") is not None:
            yield f"{asked.place}.groups: {without_groups}. Drop them."

    return check


def refuse_groups(options: OfOutcomes, without_groups: str) -> None:
    """Refuse groups of parameters, saying what has none; see `check_sample`."""
    if options.groups is not None:
        raise EbbmapError(f"groups: {without_groups}. Drop them, or use sobol.")


def _check_sizes(asked: Asked) -> Iterator[str]:
    """Check the sizes of a design against each other."""
    raw, place = asked.raw, asked.place
    for key in ("base_size", "max_base_size", "replicates"):
        size = raw.get(key)
        if isinstance(size, int) and size > 0 and size & (size - 1):
            yield f"{place}.{key}: must be a power of two; got {size}."
    known = "base_size" in asked.options.model_fields
    start = (raw.get("base_size") or asked.get("base_size")) if known else None
    budget, replicates = raw.get("max_base_size"), raw.get("replicates") or REPLICATES
    if isinstance(start, int) and isinstance(replicates, int) and 2 * replicates > start:
        yield (
            f"{place}.base_size: must be at least twice the {replicates} replicates; got {start}."
        )
    if isinstance(start, int) and isinstance(budget, int) and budget < start:
        yield f"{place}.max_base_size: must be >= base_size; got {budget}, {start}."
    if budget is not None and "stopping_width" not in raw:
        yield f"{place}.max_base_size: needs a stopping_width. Give one."
