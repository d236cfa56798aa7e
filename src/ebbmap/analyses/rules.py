"""The two rules for T low side by side: where they say the same, and in which lung model."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, LungName, Options, ParameterName, axis_of
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Progress, join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.registries.limits import RULES

VARIABLES: Mapping[str, Variable] = {"sum": Variable("flow ratio plus exhaled fraction")}


class Rules(Options):
    """Flow ratio and exhaled fraction together, in each of some lung models."""

    along: ParameterName = Field(
        default="t_low_in_time_constants", description="parameter on the axis"
    )
    models: list[LungName] = Field(
        default=["linear", "tube"], min_length=1, max_length=3, description="lung models"
    )


def find_rules(
    question: Question,
    options: Rules | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Follow flow ratio and exhaled fraction along an axis in several lung models.

    Parameters
    ----------
    question : Question
        Populations (their middle lungs) and fixed values.
    options : Rules, optional
        The axis and the lung models.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, model, along): `flow_ratio`, `exhaled_fraction`, and their `sum`, which
        is one where both rules are the same rule.

    Raises
    ------
    EbbmapError
        For values that cannot be, or an axis without values.

    Examples
    --------
    >>> asked = Question(fixed={"resistance_quadratic": 8.0})
    >>> both = find_rules(asked, Rules(along="t_low"), axes={"t_low": [0.5]})
    >>> both["sum"].round(3).values.ravel().tolist()
    [1.0, 1.08]
    """
    options = options or Rules()
    along, models = options.along, tuple(options.models)
    grid = axis_of(axes, along)
    rows = []
    for group in question.groups():
        values = middle_lung(question, group, {along: grid})
        kept = []
        for model in models:
            solved = simulate(model, outcomes=RULES, progress=progress, **values)[list(RULES)]
            kept.append(solved.drop_vars([name for name in solved.coords if name != along]))
        rows.append(xr.concat(kept, dim=xr.Variable("model", list(models)), join="outer"))
    dataset = join_groups(rows, question.group_names)
    dataset["sum"] = dataset["flow_ratio"] + dataset["exhaled_fraction"]
    label_variables(dataset, VARIABLES, registry=(*RULES, along))
    use = Use((along,), middle=True, outcomes=RULES, lungs=models)
    return add_provenance(dataset, question, f"the two rules along {along}", use)


def _check(asked: Asked) -> Iterator[str]:
    yield from asked.need_axis("along")
    yield from asked.repeated("models")


ANALYSIS = Analysis(
    name="rules",
    long_name="the two rules for T low",
    options=Rules,
    pieces=whole(find_rules),
    size=middle_lungs(
        lambda question, options, axes: len(options.models) * len(axes[options.along])
    ),
    variables=VARIABLES,
    lays_out=lambda asked: [asked.get("along")],
    models=lambda asked: asked.words("models"),
    check=_check,
)
