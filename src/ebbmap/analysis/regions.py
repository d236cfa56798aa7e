"""Safe-region maps: the share of lungs that a pair of values serves, and what fails elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import xarray as xr

from ebbmap.analysis.kernels.shares import crossing, shares
from ebbmap.cases import Question, draw_cases
from ebbmap.checks import check_memory
from ebbmap.labelling import describe, provenance
from ebbmap.limits import judge
from ebbmap.parameters import parameter
from ebbmap.simulate import simulate

#: The boundary of a safe region: where half of the lungs are served.
BOUNDARY = 0.5


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
        `undetermined_share`, `broken_share` by `bound`, `commonest_bound`, and the `boundary`
        along x where the safe share crosses one half.

    Raises
    ------
    EbbmapError
        For values that cannot be, or a map too large to hold.
    """
    per_group = []
    for group in question.groups():
        values = draw_cases(question, group, axes)
        cells = int(np.prod([len(axis) for axis in axes.values()]))
        cases = cells * (question.lungs if group or question.samples else 1)
        check_memory(cases, len(question.outcomes) + 4, f"the map of {y} against {x}")
        solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
        rest = [dim for dim in solved["status"].dims if dim not in (x, y)]
        solved = solved.transpose(y, x, *rest)
        per_group.append(
            xr.concat(
                [_one_map(solved, limits, x, y, level) for limits in question.rules.values()],
                dim=xr.Variable("rule", list(question.rules)),
                join="outer",
            )
        )
    names = question.group_names
    dataset = xr.concat(per_group, dim=xr.Variable("population", names), join="outer")
    return _labelled(dataset, question, axes, x, y, level)


def _one_map(solved: xr.Dataset, limits, x: str, y: str, level: float) -> xr.Dataset:
    cells = (solved.sizes[y], solved.sizes[x])
    judged = judge(limits, {n: solved[n].values.reshape(*cells, -1) for n in limits.outcomes})
    bounds = [bound.name for bound in limits.hard]
    counted = shares(judged.verdict, judged.binding, bounds=len(bounds), level=level)
    edges = crossing(solved[x].values, counted.safe, BOUNDARY)
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
            "boundary": (("ci_bound", y), np.stack(edges)),
        },
        {x: solved[x], y: solved[y], "bound": bounds, "ci_bound": ["lower", "upper"]},
    )


def _labelled(dataset: xr.Dataset, question, axes, x, y, level) -> xr.Dataset:
    texts = {
        "safe_share": "share of lungs that are safe",
        "safe_share_interval": "interval of the safe share",
        "caution_share": "share of lungs that are safe with caution",
        "undetermined_share": "share of cases that could not be determined",
        "broken_share": "share of lungs that are unsafe with this limit broken most",
    }
    for name, text in texts.items():
        dataset[name] = describe(dataset[name], text)
    dataset["commonest_bound"].attrs = {"long_name": "limit broken most often"}
    dataset["boundary"] = describe(
        dataset["boundary"], f"edges of the part that serves half of the lungs, along {x}",
        parameter(x).units,
    )  # fmt: skip
    interval = {"ci_method": "Wilson score", "ci_level": level}
    dataset["safe_share_interval"].attrs |= interval
    for name in (x, y):
        entry = parameter(name)
        dataset[name].attrs = {"units": entry.units, "long_name": entry.long_name}
    averaged = [name for name in axes if name not in (x, y)]
    dataset.attrs = provenance(
        f"safe region: {y} against {x}",
        lung=question.lung,
        lungs=question.lungs if question.populations or question.samples else 0,
        seed=question.seed,
        averaged_over=", ".join(averaged) or "nothing",
        rules=question.rules_text,
        fixed=question.fixed_text,
        unconfirmed=question.unconfirmed_text,
    )
    return dataset
