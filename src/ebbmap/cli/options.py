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
LungOption = Annotated[
    str | None,
    typer.Option("--lung", help="Lung model; if absent the default one, which the answer names."),
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one JSON document and nothing else.")
]
RuleOption = Annotated[
    str | None,
    typer.Option(
        "--rule", help="Rule for T low that must be kept too: flow_ratio or exhaled_fraction."
    ),
]
LimitsOption = Annotated[
    list[str] | None,
    typer.Option("--limits", help="Limit set to judge by instead of harm; may be repeated."),
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
EngineOption = Annotated[
    str | None,
    typer.Option(
        "--engine", metavar="NAME", help="numpy, jax or auto; that of the study by default."
    ),
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

#: What `window`, `adjust` and `wean` judge by, besides a rule, where no --limits is given.
USUAL_LIMITS = ("harm",)


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


def lung_of(lung: str | None) -> str:
    """Return the lung that is named, or the default one."""
    from ebbmap.lungs import DEFAULT_LUNG

    return lung or DEFAULT_LUNG


def numbers_of(pairs: list[str] | None) -> dict[str, float]:
    """Return NAME=VALUE words as numbers, categories by their code.

    Raises
    ------
    EbbmapError
        As in `values_of`; and if a name or a value is not one that the registry allows.
    """
    return coded(values_of(pairs))


def coded(values: dict[str, Any]) -> dict[str, float]:
    """Return values as numbers, categories by their code; errors as in `numbers_of`."""
    from ebbmap.cases.inputs import as_arrays

    return {name: float(array) for name, array in as_arrays(values).items()}


def limits_of(rule: str | None, names: list[str] | None, *, only_rule: bool = False) -> LimitSet:
    """Return the limits that a command judges by.

    Raises
    ------
    EbbmapError
        If there is no limit set of a name, or only a rule is to judge and none is named.
    """
    from ebbmap.errors import EbbmapError
    from ebbmap.registries.limits import combine, limit_set

    if only_rule and rule is None:
        raise EbbmapError("--only-rule needs a rule. Name one with --rule flow_ratio.")
    others = () if only_rule else (names or USUAL_LIMITS)
    rules = () if rule is None else (rule,)
    return combine(rule or "limits", *(limit_set(name) for name in (*others, *rules)))


def question_of(
    lung: str,
    values: dict[str, Any],
    judged_by: LimitSet,
    population: str | None,
    **draws: Any,
) -> Any:
    """Return the question of a lung or a population and its present settings."""
    from ebbmap.cases.question import Question
    from ebbmap.registries.populations import population as population_of

    groups = (population_of(population),) if population else ()
    rules = {judged_by.name: judged_by}
    return Question(lung, coded(values), {}, groups, rules, **draws)
