"""The sweep: every case of a question, solved, judged by every rule, and labelled."""

from __future__ import annotations

from collections.abc import Iterator
from math import prod
from typing import Literal

import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked, words
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.checks import check_outcomes
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn, solved_outcomes
from ebbmap.analyses.options import NO_AXES, Axes, Options, OutcomeName, ParameterName, axes_of
from ebbmap.cases.pieces import Pieces, Progress, single
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import add_verdict, simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.registries.derivations import DERIVATIONS

#: What a verdict adds to a dataset; kept once for each rule.
_JUDGED = ("verdict", "margin", "binding")


class Sweep(Options):
    """Solve and keep every case, the axes by the lungs, or only what they add up to."""

    outcomes: list[OutcomeName] | None = Field(
        default=None,
        description="outcomes to keep besides those that the rules need; all if absent",
    )
    judged: bool = Field(
        default=True, description="keep the verdicts, and the outcomes that they need"
    )
    store: Literal["auto", "netcdf", "zarr", "none"] = Field(
        default="auto", description="auto: zarr above netcdf_up_to_gb; none: reductions only"
    )
    netcdf_up_to_gb: float = Field(
        default=1.0, ge=0, description="largest result that is one file [GB]"
    )
    precision: Literal["float64", "float32"] = Field(
        default="float64", description="float32 rounds each value by 6e-8 of its size at most"
    )
    compression: Literal["none", "fast", "small"] = Field(default="fast", description="of a store")
    block: int = Field(
        default=2**20, ge=1000, le=2**24, strict=True, description="cases in a block"
    )
    reductions: list[Literal["safe_share", "extremes", "quantiles"]] = Field(
        default=[], description="what all cases add up to, counted while they stream"
    )
    reduce_to: list[ParameterName] = Field(default=[], description="axes that the safe share keeps")


def find_sweep(
    question: Question,
    options: Sweep | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Solve the axes by the lungs of every population, all in memory.

    Parameters
    ----------
    question : Question
        Model, lungs, values and rules.
    options : Sweep, optional
        What to keep. How it is stored, and what it is reduced to, are of account where a study
        is run.
    axes : mapping of str to ndarray, shape (m,)
        Grids by parameter name.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Outcomes, `status`, and for each rule `verdict_RULE`, `margin_RULE`, `binding_RULE`; dims
        (population, axes..., sample).

    Raises
    ------
    EbbmapError
        For values that cannot be, or a result too large to hold.

    Examples
    --------
    >>> cases = find_sweep(Question(), Sweep(outcomes=["flow_ratio"]), axes={"t_low": [0.3, 0.6]})
    >>> cases["flow_ratio"].dims
    ('population', 't_low')
    """
    options = options or Sweep()
    outcomes, judged = options.outcomes, options.judged
    axes = axes_of(axes, *axes)
    needed = question.outcomes if judged else ()
    keep = None if outcomes is None else tuple(dict.fromkeys((*outcomes, *needed)))
    groups = []
    for group in question.groups():
        values = draw_cases(question, group, axes)
        solved = simulate(question.lung, outcomes=keep, progress=progress, **values)
        for rule, limits in question.rules.items() if judged else ():
            verdicts = add_verdict(solved, limits, steady=False)
            solved = solved.assign({f"{name}_{rule}": verdicts[name] for name in _JUDGED})
        groups.append(solved)
    names = question.group_names
    dataset = xr.concat(
        groups, dim=xr.Variable("population", names), join="outer", combine_attrs="override"
    )
    return add_provenance(dataset, question, "every case", Use(tuple(axes), outcomes=keep))


def sweep_pieces(question: Question, options: Sweep, axes: Axes) -> Pieces[xr.Dataset]:
    """Return a sweep as one piece; see `find_sweep`."""

    def run(progress: Progress) -> xr.Dataset:
        return find_sweep(question, options, axes=axes, progress=progress)

    return single(run)


def _size(question: Question, options: Sweep, axes: Axes) -> Size:
    cases = prod(len(axis) for axis in axes.values()) * groups_of(question) * lungs_drawn(question)
    columns = len(solved_outcomes(question, options)) + 1 + 3 * len(question.rules)
    # a population is solved while the ones before it wait to be joined, which copies them
    return Size(cases, 2 * cases, columns * cases)


def _check(asked: Asked) -> Iterator[str]:
    yield from asked.need_axis("reduce_to")
    place, wanted, store = asked.place, words(asked.raw.get("reductions")), asked.raw.get("store")
    if store == "none" and not wanted:
        yield f"{place}: keeps nothing. Name reductions, or another store."
    if store == "netcdf" and (wanted or asked.raw.get("precision") == "float32"):
        yield f"{place}: reductions and float32 need store = 'zarr' or 'none'. Choose one."
    if "safe_share" in wanted and asked.raw.get("judged") is False:
        yield f"{place}: a safe share needs judged = true. Drop one."
    axes = asked.study.table("axes")
    for rule in DERIVATIONS:
        if rule.target in axes and rule.trigger in axes:
            yield f"{place}: has axes of both {rule.target} and {rule.trigger}. Drop one."
    yield from check_outcomes(asked)


ANALYSIS = Analysis(
    name="sweep",
    long_name="every case",
    options=Sweep,
    pieces=sweep_pieces,
    size=_size,
    lays_out=lambda asked: asked.study.table("axes"),
    draws=lambda asked: True,
    check=_check,
    computes=lambda options: options.outcomes and tuple(options.outcomes),
    stem=lambda options: "cases",
    counts_cases=True,
    every_case=True,
)
