"""Options that several commands share, and what they are turned into."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from ebbmap.registries.limits import LimitSet

#: Ends of names of files that hold lungs.
TABLES = frozenset({".csv", ".tsv", ".txt", ".nc"})

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
    str | None,
    typer.Option(
        "--population",
        help="Start from the middle lung of this population: a name, or a table of lungs (.csv, "
        ".nc) as fit --out saves it.",
    ),
]
AllOption = Annotated[
    bool, typer.Option("--all", help="Print the long tables, and every value that entered.")
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
        "--engine", metavar="NAME", help="numpy, jax or auto; that of the file by default."
    ),
]
PrecisionOption = Annotated[
    str | None,
    typer.Option(
        "--precision",
        metavar="NAME",
        help="double, or single with jax; that of the study by default.",
    ),
]
DryRunOption = Annotated[
    bool, typer.Option("--dry-run", help="Show the expected cost and write nothing.")
]
YesOption = Annotated[
    bool, typer.Option("--yes", help="Start even if the run is expected to be long or large.")
]
FormatOption = Annotated[
    list[str] | None,
    typer.Option(
        "--format", help="png, svg, pdf or gif; may be repeated. By default as each study says."
    ),
]
LookOption = Annotated[
    str, typer.Option("--look", help="paper, or slides: 16:9, 24 points, the finding above.")
]
LanguageOption = Annotated[
    str, typer.Option("--lang", help="Language of labels and headlines: en or de.")
]
ColourOption = Annotated[
    list[str] | None,
    typer.Option(
        "--colour",
        metavar="NAME=COLOUR",
        help="Colour of a phenotype, rule, limit or property; may be repeated.",
    ),
]
SeedOption = Annotated[int, typer.Option(min=0, help="Seed of the draw.")]
OutOption = Annotated[
    Path | None, typer.Option(help="Folder for the results; out/NAME by default.")
]

#: What `window`, `adjust` and `wean` judge by, besides a rule, where no --limits is given.
USUAL_LIMITS = ("harm",)


def values_of(pairs: list[str] | None) -> dict[str, Any]:
    """Return NAME=VALUE words as values; a value that is not a number stays a word.

    A name may be written in capitals and with dashes or spaces: T_low, t-low and "T low" are t_low.

    Raises
    ------
    EbbmapError
        If a word has another form, a name is set twice, or a number has a decimal comma or a
        percent sign.

    Examples
    --------
    >>> values_of(["T_low=0.5", "sex=male"])
    {'t_low': 0.5, 'sex': 'male'}
    """
    from ebbmap.errors import EbbmapError

    values: dict[str, Any] = {}
    for pair in pairs or []:
        name, equals, text = (part.strip() for part in pair.partition("="))
        name = name.lower().replace("-", "_").replace(" ", "_")
        if not equals or not text:
            raise EbbmapError(f"--set must be NAME=VALUE; got {pair!r}. Write --set t_low=0.5.")
        if name in values:
            raise EbbmapError(f"{name} is set twice. Keep one of them.")
        try:
            values[name] = float(text)
        except ValueError:
            values[name] = _word(name, text)
    return values


def _word(name: str, text: str) -> str:
    """Return a value that is no number; refuse numbers in a spelling that Python does not read."""
    from ebbmap.errors import EbbmapError

    for what, digits, share in (
        ("a decimal comma", text.replace(",", ".", 1), 1.0),
        ("a percent sign", text.removesuffix("%").strip(), 0.01),
    ):
        try:
            number = share * float(digits)
        except ValueError:
            continue
        raise EbbmapError(
            f"{name} must be a number with a decimal point; got {text!r}, which has {what}. "
            f"Write --set {name}={number:g}."
        )
    return text


def named_texts(
    option: str, pairs: list[str] | None, *, form: str = "NAME=COLOUR", example: str = "normal=navy"
) -> dict[str, str]:
    """Return words with an equals sign as texts by name.

    Parameters
    ----------
    option : str
        The option that they were given for, as it is written.
    pairs : list of str or None
        The words.
    form, example : str
        What a word must look like, and one that does.

    Raises
    ------
    EbbmapError
        If a word has another form.
    """
    from ebbmap.errors import EbbmapError

    found = {}
    for pair in pairs or []:
        name, equals, text = (part.strip() for part in pair.partition("="))
        if not equals or not text:
            raise EbbmapError(f"{option} must be {form}; got {pair!r}. Write {option} {example}.")
        found[name] = text
    return found


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
        If there is no rule or limit set of a name, or only a rule is to judge and none is named.
    """
    from ebbmap.errors import EbbmapError, unknown_name
    from ebbmap.registries.limits import RULES, combine, limit_set

    if only_rule and rule is None:
        raise EbbmapError("--only-rule needs a rule. Name one with --rule flow_ratio.")
    if rule is not None and rule not in RULES:
        raise EbbmapError(unknown_name("rule", rule, RULES))
    others = () if only_rule else (names or USUAL_LIMITS)
    rules = () if rule is None else (rule,)
    return combine(rule or "limits", *(limit_set(name) for name in (*others, *rules)))


def population_of(text: str) -> Any:
    """Return the population of a name, or of a table of lungs.

    Raises
    ------
    EbbmapError
        If the name is unknown, or the table cannot be read.
    """
    from ebbmap.registries.populations import population

    if Path(text).suffix not in TABLES:
        return population(text)
    from ebbmap.cases.cohort import cohort

    return cohort(Path(text), Path(text).stem, source=f"own table {Path(text).name}")


def question_of(
    lung: str,
    values: dict[str, Any],
    judged_by: LimitSet,
    population: str | None,
    **draws: Any,
) -> Any:
    """Return the question of a lung or a population and its present settings."""
    from ebbmap.cases.question import Question

    groups = (population_of(population),) if population else ()
    rules = {judged_by.name: judged_by}
    return Question(lung, coded(values), {}, groups, rules, **draws)


def check_possible(values: Mapping[str, Any]) -> None:
    """Refuse settings that no cycle can have, before anything is solved.

    With --json they are answered by a status or a state instead, as its keys say.

    Parameters
    ----------
    values : mapping of str to float
        One case, with all that its lung was given.

    Raises
    ------
    EbbmapError
        If P high is not above P low.
    """
    from ebbmap.cases.evaluate import resolve
    from ebbmap.cases.inputs import as_arrays
    from ebbmap.errors import EbbmapError

    given = {name: array.values for name, array in as_arrays(dict(values)).items()}
    # the plateau, if P high comes from it, takes the compliance
    found = resolve(given, ("p_high", "p_low", "compliance"))
    p_high, p_low = (float(found[name]) for name in ("p_high", "p_low"))
    if not p_high > p_low:
        raise EbbmapError(
            f"p_high must be above p_low; got {p_high:.4g} and {p_low:.4g} cmH₂O. "
            "Raise p_high or lower p_low with --set."
        )
