"""Options that several commands share, and what they are turned into."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from ebbmap.registries.limits import LimitSet

SetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="NAME=VALUE",
        help="Value of a parameter, in the unit of the registry; may be repeated.",
    ),
]
LungOption = Annotated[str, typer.Option("--lung", help="Lung model.")]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one JSON document and nothing else.")
]
RuleOption = Annotated[
    str, typer.Option("--rule", help="Rule for T low: flow_ratio or exhaled_fraction.")
]
LimitsOption = Annotated[
    list[str] | None,
    typer.Option("--limits", help="Limit set that holds in addition to the rule; may be repeated."),
]
PopulationOption = Annotated[
    str | None, typer.Option("--population", help="Start from the middle lung of this population.")
]
WorkersOption = Annotated[
    int | None, typer.Option(min=1, max=4096, help="Processes; one per processor by default.")
]
ClusterOption = Annotated[
    str | None,
    typer.Option(metavar="ADDRESS", help="Address of a dask.distributed scheduler to use."),
]
FreshOption = Annotated[
    bool, typer.Option("--fresh", help="Start over: discard what an earlier run finished.")
]
DryRunOption = Annotated[
    bool, typer.Option("--dry-run", help="Show the expected cost and write nothing.")
]
YesOption = Annotated[
    bool, typer.Option("--yes", help="Start even if the run is expected to be long or large.")
]
SeedOption = Annotated[int, typer.Option(min=0, help="Seed of the draw.")]
OutOption = Annotated[
    Path | None, typer.Option(help="Folder for the results; out/NAME by default.")
]

#: What `window` judges by besides the rule, where no --limits is given (`adjust`, `wean`: harm).
USUAL_LIMITS = ("pressure", "volume", "auto_peep")


def values_of(pairs: list[str] | None) -> dict[str, Any]:
    """Return NAME=VALUE words as values; a value that is not a number stays a word.

    Raises
    ------
    EbbmapError
        If a word has another form, or a name is set twice.

    Examples
    --------
    >>> values_of(["t_low=0.5", "sex=male"])
    {'t_low': 0.5, 'sex': 'male'}
    """
    from ebbmap.errors import EbbmapError

    values: dict[str, Any] = {}
    for pair in pairs or []:
        name, equals, text = (part.strip() for part in pair.partition("="))
        if not equals or not text:
            raise EbbmapError(f"--set must be NAME=VALUE; got {pair!r}. Write --set t_low=0.5.")
        if name in values:
            raise EbbmapError(f"{name} is set twice. Keep one of them.")
        try:
            values[name] = float(text)
        except ValueError:
            values[name] = text
    return values


def numbers_of(pairs: list[str] | None) -> dict[str, float]:
    """Return NAME=VALUE words as numbers, categories by their code.

    Raises
    ------
    EbbmapError
        As in `values_of`; and if a name or a value is not one that the registry allows.
    """
    from ebbmap.cases.inputs import as_arrays

    return {name: float(array) for name, array in as_arrays(values_of(pairs)).items()}


def limits_of(rule: str, names: list[str] | None, *, only_rule: bool = False) -> LimitSet:
    """Return the limits that a command judges by.

    Raises
    ------
    EbbmapError
        If there is no limit set of a name.
    """
    from ebbmap.registries.limits import combine, limit_set

    others = () if only_rule else (names or USUAL_LIMITS)
    return combine(rule, *(limit_set(name) for name in (*others, rule)))


def question_of(
    lung: str,
    values: list[str] | None,
    judged_by: LimitSet,
    population: str | None,
    **draws: Any,
) -> Any:
    """Return the question of a lung or a population and its present settings."""
    from ebbmap.cases.question import Question
    from ebbmap.registries.populations import population as population_of

    groups = (population_of(population),) if population else ()
    rules = {judged_by.name: judged_by}
    return Question(lung, numbers_of(values), {}, groups, rules, **draws)
