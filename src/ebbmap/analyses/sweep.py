"""The sweep: every case of a question, solved, judged by every rule, and labelled."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import xarray as xr

from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import add_verdict, simulate
from ebbmap.cases.uses import Use, add_provenance

#: What a verdict adds to a dataset; kept once for each rule.
_JUDGED = ("verdict", "margin", "binding")


def sweep(
    question: Question,
    axes: Mapping[str, np.ndarray],
    *,
    outcomes: tuple[str, ...] | None = None,
    judged: bool = True,
    progress: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Solve the axes by the lungs of every population.

    Parameters
    ----------
    question : Question
        Model, lungs, values and rules.
    axes : mapping of str to ndarray
        Grids by parameter name.
    outcomes : tuple of str, optional
        Outcomes to keep besides those that the rules need; all if None.
    judged : bool
        Whether to add what the rules say, and the outcomes that they need.
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
    """
    needed = question.outcomes if judged else ()
    keep = None if outcomes is None else tuple(dict.fromkeys((*outcomes, *needed)))
    groups = []
    for group in question.groups():
        values = draw_cases(question, group, axes)
        solved = simulate(question.lung, outcomes=keep, progress=progress, **values)
        for rule, limits in question.rules.items() if judged else ():
            verdicts = add_verdict(solved, limits)
            solved = solved.assign({f"{name}_{rule}": verdicts[name] for name in _JUDGED})
        groups.append(solved)
    names = question.group_names
    dataset = xr.concat(
        groups, dim=xr.Variable("population", names), join="outer", combine_attrs="override"
    )
    return add_provenance(dataset, question, "every case", Use(tuple(axes), outcomes=keep))
