"""Lungs side by side in the same settings: one release of each, drawn and in numbers."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.checks import solved_lungs
from ebbmap.analyses.common.models import further_models, of_models
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, LungName, Options, OutcomeName
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Found, Pieces, Progress
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.cases.waveforms import CLEAR, waveforms
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of

#: Kinds of pieces: the outcomes of a case, and its curves.
SOLVED, DRAWN = "solved", "drawn"

#: Numbers below the curves, unless the options name others.
TABLE = (
    "release_in_time_constants",
    "flow_ratio",
    "exhaled_fraction",
    "release_volume",
    "auto_peep",
    "paco2",
)

#: Drawn before the release and after its start [s], and points in each part.
BEFORE, AFTER = 1.0, 2.5
POINTS = 240

#: What every comparison needs besides its table.
_NEEDED = (
    "trapped_volume",
    "end_release_pressure",
    "flow_ratio",
    "exhaled_fraction",
    "peak_expiratory_flow",
)


VARIABLES: Mapping[str, Variable] = {
    "flow_going_on": Variable("flow, had the release gone on", "L s-1"),
    "flow_share": Variable("flow over its peak, had the release gone on"),
    "exhaled_share": Variable("share of a full exhalation, had the release gone on"),
    "time": Variable("time from the start of the release", "s"),
}


class Compare(Options):
    """Each population's middle lung side by side, in each of some lung models."""

    models: list[LungName] = Field(default=[], description="lung models; the study's own if empty")
    outcomes: list[OutcomeName] = Field(
        default=list(TABLE), min_length=1, max_length=8, description="numbers below the curves"
    )


def find_compare(
    question: Question,
    options: Compare | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Draw one settled release of every population's middle lung, in every lung model.

    Parameters
    ----------
    question : Question
        Populations and the settings that they share.
    options : Compare, optional
        The lung models, and the numbers for the table.
    axes : mapping of str to ndarray
        Not used.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (case, time), time from the start of the release [s]: the signals that the models
        share; `flow_going_on`, `flow_share` and `exhaled_share`, had the release gone on. Dims
        (case): the outcomes, `t_high` and `t_low` [s]. NaN where a case could not be solved.

    Raises
    ------
    EbbmapError
        For values that cannot be, or an outcome that a model does not have.

    Examples
    --------
    >>> asked = Question(fixed={"t_low": 0.5})
    >>> two = find_compare(asked, Compare(models=["linear", "tube"]))
    >>> two["case"].values.tolist()
    ['linear', 'tube']
    """
    return compare_pieces(question, options or Compare(), axes).whole(progress)


def compare_pieces(
    question: Question, options: Compare, axes: Axes = NO_AXES
) -> Pieces[xr.Dataset]:
    """Cut the comparison into populations and lung models, each solved and then drawn.

    All are drawn at the same times, which are known once all are solved; see `find_compare`.
    """
    models, outcomes = tuple(options.models), tuple(options.outcomes)
    names = of_models(len(question.groups()), models or (question.lung,))
    cases = dict(zip(names, _cases(question, models or (question.lung,)), strict=True))
    wanted = tuple(dict.fromkeys((*outcomes, *_NEEDED)))

    def times(found: Found) -> np.ndarray:
        return _times([float(found[f"{SOLVED}.{name}"]["t_low"]) for name in names])

    def drawn(found: Found) -> list[str]:
        # curves at other times are other pieces
        digest = f"{zlib.crc32(times(found).tobytes()):08x}"
        return [f"{DRAWN}.{name}.{digest}" for name in names]

    def pieces(found: Found) -> list[str]:
        first = [f"{SOLVED}.{name}" for name in names]
        return [*first, *(drawn(found) if all(name in found for name in first) else ())]

    def solve(name: str, found: Found, progress: Progress) -> xr.Dataset:
        kind, number, model, *_ = name.split(".")
        values = cases[f"{number}.{model}"].values
        if kind == SOLVED:
            return simulate(model, outcomes=wanted, progress=progress, **values)
        solved = found[f"{SOLVED}.{number}.{model}"]
        return _one_release(model, values, solved, times(found))

    def join(found: Found) -> xr.Dataset:
        solved = [found[f"{SOLVED}.{name}"] for name in names]
        dataset = xr.concat(
            [found[name] for name in drawn(found)],
            dim=xr.Variable("case", [case.words for case in cases.values()]),
            join="inner",
            data_vars="all",
            coords="different",
            compat="equals",
            combine_attrs="override",
        )
        for name in (*wanted, "t_high", "t_low"):
            dataset[name] = ("case", np.array([float(case[name]) for case in solved]))
        dataset["population"] = ("case", [case.population for case in cases.values()])
        label_variables(dataset, VARIABLES, registry=(*wanted, "t_high", "t_low"))
        use = Use(middle=True, outcomes=wanted, lungs=models)
        return add_provenance(
            dataset, question, "lungs side by side", use, table=" ".join(outcomes)
        )

    return Pieces(pieces, solve, join)


class _Case(NamedTuple):
    """One population's middle lung in one model: in words, whose it is, its values."""

    words: str
    population: str
    values: dict[str, Any]


def _cases(question: Question, models: Sequence[str]) -> Iterator[_Case]:
    """Yield every case, population by population."""
    asked = [replace(question, lung=model) for model in models]
    for number in range(len(question.groups())):
        for model, one in zip(models, asked, strict=True):
            group = one.groups()[number]
            parts = [group.name] if group else []
            parts += [model] if len(models) > 1 or not group else []
            values = middle_lung(one, group, {})
            yield _Case(", ".join(parts), group.name if group else "all", values)


def _times(t_lows: list[float]) -> np.ndarray:
    """Return times from the start of a release, with both sides of every jump."""
    jumps = np.unique([0.0, *t_lows])
    before = np.linspace(-BEFORE, 0.0, POINTS)
    after = np.linspace(0.0, max(AFTER, 1.6 * max(t_lows)), 2 * POINTS)
    return np.unique(np.concatenate([before, after, jumps - CLEAR, jumps + CLEAR]))


def _one_release(
    model: str, values: Mapping[str, Any], solved: xr.Dataset, times: np.ndarray
) -> xr.Dataset:
    t_high, t_low = float(solved["t_high"]), float(solved["t_low"])
    # the cycle repeats, so what comes before T high is the end of a cycle one period later
    shifted = (
        times + t_high + np.ceil(max(BEFORE - t_high, 0.0) / (t_high + t_low)) * (t_high + t_low)
    )
    settled = waveforms(model, times=shifted, **values)
    going_on = waveforms(
        model, times=t_high + np.maximum(times[times > 0], CLEAR), release_goes_on=True, **values
    )
    empty = np.full(times.size, np.nan)
    flow, volume = empty.copy(), empty.copy()
    flow[times > 0], volume[times > 0] = going_on["flow"].values, going_on["volume"].values
    full = float(volume[times > 0][0])
    released = full - volume
    end = np.interp(t_low, times[times > 0], released[times > 0])
    releasable = end + float(solved["trapped_volume"])
    return (
        settled.drop_vars(list(settled.coords))
        .assign(
            flow_going_on=("time", flow),
            flow_share=("time", -flow / float(solved["peak_expiratory_flow"])),
            exhaled_share=("time", released / releasable),
        )
        .assign_coords(time=times)
    )


def _check(asked: Asked) -> Iterator[str]:
    yield from asked.repeated("models")
    for lung in solved_lungs(asked, asked.words("models")):
        for name in asked.words("outcomes") if "outcomes" in asked else ():
            if name in OUTCOMES and name not in outcomes_of(lung):
                yield f"{asked.place}.outcomes: the lung {lung.name!r} has no {name}. Drop it."


ANALYSIS = Analysis(
    name="compare",
    long_name="lungs side by side",
    options=Compare,
    pieces=compare_pieces,
    size=middle_lungs(lambda question, options, axes: max(1, len(options.models))),
    variables=VARIABLES,
    models=lambda asked: asked.words("models"),
    takes_more_lungs=lambda options, may_grow: True,
    by_population=True,
    serves=further_models,
    check=_check,
    computes=lambda options: tuple(options.outcomes),
)
