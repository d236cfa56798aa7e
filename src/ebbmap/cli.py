"""The command line: parse, call, print. Heavy imports wait until a command needs them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from ebbmap.caution import CAUTION

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help=f"Maps of where P high, P low, T high and T low are safe, for which lungs. {CAUTION}",
)

SetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--set", metavar="NAME=VALUE", help="A parameter, in registry units; may be repeated."
    ),
]
LungOption = Annotated[str, typer.Option("--lung", help="Name of the lung model.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
RuleOption = Annotated[
    str, typer.Option("--rule", help="Rule for T low: flow_ratio or exhaled_fraction.")
]
LimitsOption = Annotated[
    list[str] | None,
    typer.Option("--limits", help="Limit set that holds besides the rule; may be repeated."),
]

#: What `window` judges by, besides the rule, unless told otherwise.
USUAL_LIMITS = ("pressure", "volume", "auto_peep")


@app.command()
def run(
    study: Annotated[Path, typer.Argument(help="A study file (TOML).")],
    out: Annotated[
        Path | None, typer.Option(help="Folder for results; out/STUDY if not given.")
    ] = None,
    figures: Annotated[
        Path | None, typer.Option(help="Folder for pictures; the results' folder if not given.")
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(min=1, max=4096, help="Processes of a sweep that streams; all if not given."),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="dask.distributed scheduler to use.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what it would cost, and write nothing.")
    ] = False,
) -> None:
    """Run a whole study: results as NetCDF or Zarr, pictures, and what they say.

    A sweep that streams goes on where an earlier run of the same command stopped.
    """
    from ebbmap.files import make_folder
    from ebbmap.run import plan_tasks, run_study
    from ebbmap.show import costs_table, print_out, progress_bar, summary, warn
    from ebbmap.streaming import default_workers
    from ebbmap.study import load_study

    _say_caution()
    with _errors_told():
        checked = load_study(study)
        folder = out or Path("out") / study.stem
        pictures = figures or folder
        at_work = workers or default_workers()
        if dry_run:
            print_out(costs_table(checked, folder, at_work))
            return
        make_folder(pictures)
        with progress_bar() as bar:
            for task, result, path in run_study(
                checked,
                folder,
                progress=lambda task: bar.start(task.name, task.cases),
                workers=at_work,
                cluster=cluster,
            ):
                bar.finish(task.name)
                _draw(task.kind, result, pictures, study.stem, checked.file.outputs.figures)
                bar.print(f"wrote {path}")
                for table in summary(task.kind, result):
                    bar.print(table)
    warn(plan_tasks(checked), pictures)


@app.command()
def status(
    folder: Annotated[Path, typer.Argument(help="Folder of a run that streams.")],
) -> None:
    """Say how far a streamed sweep has come: done, left, and the rate."""
    from ebbmap.show import print_out, status_table
    from ebbmap.streaming import status_of

    with _errors_told():
        print_out(status_table(status_of(folder)))


@app.command()
def cycle(
    values: SetOption = None,
    lung: LungOption = "linear",
    as_json: JsonOption = False,
) -> None:
    """Solve the settled cycle of one case."""
    from ebbmap.show import case_json, case_table, print_out
    from ebbmap.simulate import simulate

    with _errors_told():
        solved = simulate(lung, **_values(values))
        if as_json:
            typer.echo(json.dumps(case_json(solved), indent=2))
            return
    _say_caution()
    print_out(case_table(solved))


@app.command()
def window(
    values: SetOption = None,
    lung: LungOption = "linear",
    rule: RuleOption = "flow_ratio",
    limits: LimitsOption = None,
    only_rule: Annotated[bool, typer.Option(help="Judge by the rule alone.")] = False,
    population: Annotated[
        str | None, typer.Option(help="Windows of the lungs of this population.")
    ] = None,
    lungs: Annotated[int, typer.Option(min=2, max=1_000_000, help="Lungs to draw.")] = 2000,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the draw.")] = 0,
    as_json: JsonOption = False,
) -> None:
    """Find the interval of T low in which all hard limits hold, for a lung or a population."""
    from ebbmap.analysis.windows import find_population_windows, find_windows
    from ebbmap.cases import Question
    from ebbmap.limits import combine, limit_set
    from ebbmap.populations import population as population_of
    from ebbmap.show import print_out, summary, window_json, window_table
    from ebbmap.simulate import as_arrays

    with _errors_told():
        others = [] if only_rule else (limits or USUAL_LIMITS)
        judged_by = combine(rule, *(limit_set(name) for name in (*others, rule)))
        given = _values(values)
        if population is not None:
            fixed = {name: float(array) for name, array in as_arrays(given).items()}
            question = Question(
                lung, fixed, {}, (population_of(population),), {rule: judged_by}, lungs, seed
            )
            found = find_population_windows(question, {})
        else:
            found = find_windows(lung, given, judged_by)
        if as_json:
            typer.echo(json.dumps(window_json(found), indent=2))
            return
    _say_caution()
    for table in summary("window", found) if population else [window_table(found, judged_by)]:
        print_out(table)


@app.command()
def describe(
    name: Annotated[str | None, typer.Argument(help="One entry; all if not given.")] = None,
) -> None:
    """Print the registries: parameters, outcomes, limits, populations, lungs."""
    from ebbmap.show import print_out, registry_tables

    _say_caution()
    with _errors_told():
        for table in registry_tables(name):
            print_out(table)


@app.command()
def schema() -> None:
    """Print the JSON schema of study files, for editors."""
    from ebbmap.study.schema import StudyFile

    typer.echo(json.dumps(StudyFile.model_json_schema(), indent=2))


@contextmanager
def _errors_told() -> Iterator[None]:
    """Turn an error that a user can put right into its sentences and an exit status.

    2: put something right; 3: stopped midway, the same command goes on; 130: interrupted.
    """
    from ebbmap.errors import EbbmapError, UnfinishedError

    try:
        yield
    except EbbmapError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(3 if isinstance(error, UnfinishedError) else 2) from None
    except KeyboardInterrupt:
        typer.echo(
            "interrupted; what is finished is kept. The same command goes on from there.", err=True
        )
        raise typer.Exit(130) from None


def _values(pairs: list[str] | None) -> dict[str, Any]:
    """Turn NAME=VALUE words into values; words that are no number stay words."""
    from ebbmap.errors import EbbmapError

    values: dict[str, Any] = {}
    for pair in pairs or []:
        name, equals, text = pair.partition("=")
        if not equals or not text.strip():
            raise EbbmapError(f"--set must be NAME=VALUE; got {pair!r}. Write --set t_low=0.5.")
        if name.strip() in values:
            raise EbbmapError(f"{name.strip()} is set twice. Keep one of them.")
        try:
            values[name.strip()] = float(text)
        except ValueError:
            values[name.strip()] = text.strip()
    return values


def _say_caution() -> None:
    typer.echo(CAUTION)


def _draw(kind: str, result: Any, folder: Path, stem: str, formats: list) -> None:
    if not formats:
        return
    from ebbmap.files import write_text, write_whole
    from ebbmap.plotting.pages import pages_of, save_page

    for name, figure, text in pages_of(kind, result):
        for ending in formats:
            write_whole(folder / f"{stem}_{name}.{ending}", partial(save_page, figure))
        write_text(folder / f"{stem}_{name}.txt", text + "\n")
