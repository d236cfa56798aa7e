"""Safe-region maps: the share of lungs that a pair of values serves, and what fails elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import xarray as xr

from ebbmap.cases.checks import check_memory
from ebbmap.cases.labelling import describe
from ebbmap.cases.pieces import Found, Pieces, Progress, in_a_row, join_groups, listed
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.kernels.shares import crossing, share_words, shares
from ebbmap.registries.limits import judge
from ebbmap.registries.parameters import parameter

#: The boundary of a safe region: where half of the lungs are served.
BOUNDARY = 0.5

#: Cases of a piece: some tenths of a second of the linear lung, and less than 0.2 GB.
PIECE = 2**20


def map_safe_region(
    question: Question,
    axes: Mapping[str, np.ndarray],
    *,
    x: str,
    y: str,
    level: float = 0.95,
    progress: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Map the safe share over two axes.

    Parameters
    ----------
    question : Question
        Model, lungs, values and the rules that are compared.
    axes : mapping of str to ndarray
        Grids by parameter name; those other than x and y are averaged over, with the lungs.
    x, y : str
        The two axes of the map.
    level : float
        Level of the intervals.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, y, x): `safe_share` with `safe_share_interval`, `caution_share`,
        `undetermined_share`, `broken_share` by `bound`, all of all cases behind a cell;
        `commonest_bound`, and the `boundary` along x where the safe share crosses one half. Along
        population, `middle_x` and `middle_y` by the names of those axes that are lung properties:
        the middle lung, given what is fixed.

    Raises
    ------
    EbbmapError
        For values that cannot be, or a map too large to hold.
    """
    return map_pieces(question, axes, x=x, y=y, level=level).whole(progress)


def map_pieces(
    question: Question,
    axes: Mapping[str, np.ndarray],
    *,
    x: str,
    y: str,
    level: float = 0.95,
    piece: int = PIECE,
) -> Pieces[xr.Dataset]:
    """Cut a map into rows of cells of one population.

    Parameters
    ----------
    question, axes, x, y, level
        As in `map_safe_region`.
    piece : int
        Cases of a piece, at most, unless a single row has more. It changes no number.
    """
    behind = question.lungs if question.populations or question.samples else 1
    row = behind * int(np.prod([len(axis) for name, axis in axes.items() if name != y]))
    height = max(1, piece // row)
    starts = range(0, len(axes[y]), height)
    groups = question.groups()

    def solve(number: int, progress: Progress) -> xr.Dataset:
        group, place = groups[number // len(starts)], starts[number % len(starts)]
        own = {**axes, y: axes[y][place : place + height]}
        values = draw_cases(question, group, own)
        solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
        rest = [dim for dim in solved["status"].dims if dim not in (x, y)]
        solved = solved.transpose(y, x, *rest)
        return xr.concat(
            [_rows(solved, limits, x, y, level) for limits in question.rules.values()],
            dim=xr.Variable("rule", list(question.rules)),
            join="outer",
        )

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        per_group = [
            in_a_row(found[at : at + len(starts)], y) for at in range(0, len(found), len(starts))
        ]
        dataset = join_groups(per_group, question.group_names)
        edges = crossing(axes[x], dataset["safe_share"].values, BOUNDARY)
        dataset["boundary"] = (("population", "rule", "ci_bound", y), np.stack(edges, axis=2))
        dataset = dataset.assign(_middle_places(question, axes, (x, y)))
        return _labelled(dataset, question, axes, x, y, level)

    pieces = listed(len(groups) * len(starts), solve, join)

    def wanted(found: Found) -> list[str]:
        # a larger map is counted while it streams: a sweep that keeps no case
        check_memory(row * len(axes[y]), len(question.outcomes) + 4, f"the map of {y} against {x}")
        return pieces.wanted(found)

    return replace(pieces, wanted=wanted)


def _middle_places(question: Question, axes: Mapping[str, np.ndarray], shown) -> dict:
    """Place of each population's middle lung, given what is fixed, on the axes that are properties.

    NaN in a population without the property; no variable where no population has it.
    """
    fixed = {name: value for name, value in question.fixed.items() if name not in axes}
    middles = [
        middle_lung(replace(question, fixed=fixed), group, {}) if group else {}
        for group in question.groups()
    ]
    return {
        f"middle_{name}": describe(
            xr.DataArray([float(one.get(name, np.nan)) for one in middles], dims="population"),
            f"{parameter(name).long_name} of the middle lung",
            parameter(name).units,
        )
        for name in shown
        if any(name in one for one in middles)
    }


def _rows(solved: xr.Dataset, limits, x: str, y: str, level: float) -> xr.Dataset:
    cells = (solved.sizes[y], solved.sizes[x])
    judged = judge(limits, {n: solved[n].values.reshape(*cells, -1) for n in limits.outcomes})
    bounds = [bound.name for bound in limits.hard]
    counted = shares(judged.verdict, judged.binding, bounds=len(bounds), level=level)
    named = np.array([*bounds, "none"])[counted.commonest]
    return xr.Dataset(
        {
            "safe_share": ((y, x), counted.safe),
            "safe_share_interval": (
                ("ci_bound", y, x),
                np.stack([counted.safe_low, counted.safe_high]),
            ),
            "caution_share": ((y, x), counted.caution),
            "undetermined_share": ((y, x), counted.undetermined),
            "broken_share": (("bound", y, x), counted.broken),
            "commonest_bound": ((y, x), named),
        },
        {x: solved[x], y: solved[y], "bound": bounds, "ci_bound": ["lower", "upper"]},
    )


def _labelled(dataset: xr.Dataset, question, axes, x, y, level) -> xr.Dataset:
    averaged = {name: axis for name, axis in axes.items() if name not in (x, y)}
    of = "lungs at all averaged settings" if averaged else "lungs"
    for name in (
        "safe_share",
        "safe_share_interval",
        "caution_share",
        "undetermined_share",
        "broken_share",
    ):
        dataset[name] = describe(dataset[name], share_words(name, of))
    dataset["commonest_bound"].attrs = {"long_name": "limit broken most often"}
    dataset["boundary"] = describe(
        dataset["boundary"],
        f"edges of the part that serves half of the lungs, along {x}",
        parameter(x).units,
    )
    interval = {"ci_method": "Wilson score", "ci_level": level}
    dataset["safe_share_interval"].attrs |= interval
    for name in (x, y):
        entry = parameter(name)
        dataset[name].attrs = {"units": entry.units, "long_name": entry.long_name}
    return add_provenance(
        dataset,
        question,
        f"safe region: {y} against {x}",
        Use(tuple(axes), averaged, outcomes=question.outcomes),
        lungs=question.lungs if question.populations or question.samples else 0,
    )
