"""The command line: parse, call, print. Heavy imports wait until a command needs them."""

from __future__ import annotations

import errno
import json
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from ebbmap.caution import CAUTION

# One thread for matrix products in every process, told before NumPy is there: more of them change
# the last bits, and --workers says how many processors to use.
os.environ.update(
    dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
)

#: Exit statuses where standard output ends: its reader went away (as the shell says of SIGPIPE),
#: or it could not be written (as sysexits.h has it).
CLOSED_PIPE, NOT_WRITTEN = 141, 74


class Application(typer.Typer):
    """The commands; output that nobody takes ends them with a status of its own."""

    def __call__(self, *words: Any, **how: Any) -> Any:
        """Run a command; see the exit statuses above."""
        output = sys.stdout
        try:
            try:
                return super().__call__(*words, **how)
            finally:
                if output is not None and not output.closed:
                    output.flush()
        except SystemExit:
            # a closed pipe leaves something else in its place, with the status of a failure
            if sys.stdout is output:
                raise
            raise SystemExit(CLOSED_PIPE) from None
        except OSError as error:
            # what is left in the buffer would be tried again as the process ends
            os.dup2(os.open(os.devnull, os.O_WRONLY), output.fileno())
            if error.errno == errno.EPIPE:
                raise SystemExit(CLOSED_PIPE) from None
            print(f"the output could not be written: {error.strerror}.", file=sys.stderr)
            raise SystemExit(NOT_WRITTEN) from None


app = Application(
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

PopulationOption = Annotated[
    str | None, typer.Option("--population", help="Start from the middle lung of this population.")
]

WorkersOption = Annotated[
    int | None, typer.Option(min=1, max=4096, help="Processes; all processors if not given.")
]
ClusterOption = Annotated[
    str | None, typer.Option(metavar="ADDRESS", help="dask.distributed scheduler to use.")
]
FreshOption = Annotated[
    bool, typer.Option("--fresh", help="Forget what an earlier run finished in the folder.")
]

DryRunOption = Annotated[
    bool, typer.Option("--dry-run", help="Say what it would cost, and write nothing.")
]
YesOption = Annotated[
    bool, typer.Option("--yes", help="Start a run that is foreseen to be long or large.")
]

#: What `window`, `adjust` and `wean` judge by, besides the rule, unless told otherwise.
USUAL_LIMITS = ("pressure", "volume", "auto_peep")


def _say_version(asked: bool) -> None:
    """Print the version and end."""
    if asked:
        from ebbmap import __version__

        typer.echo(f"ebbmap {__version__}")
        raise typer.Exit()


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", is_eager=True, callback=_say_version, help="Print the version and end."
        ),
    ] = False,
) -> None:
    """Take the options that stand before a command."""


@app.command()
def run(
    study: Annotated[Path, typer.Argument(help="A study file (TOML), or a bundled study's name.")],
    out: Annotated[
        Path | None, typer.Option(help="Folder for results; out/STUDY if not given.")
    ] = None,
    figures: Annotated[
        Path | None, typer.Option(help="Folder for pictures; the results' folder if not given.")
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    fresh: FreshOption = False,
    dry_run: DryRunOption = False,
    yes: YesOption = False,
) -> None:
    """Run a whole study: results as NetCDF or Zarr, pictures, and what they say.

    Goes on where an earlier run of the same command stopped; long analyses keep every piece. A run
    that is foreseen to take more than an hour or 10 GB needs --yes.
    """
    with _errors_told():
        from ebbmap.files.bundled import bundled_studies, named_file
        from ebbmap.files.study import load_study
        from ebbmap.files.writing import make_folder
        from ebbmap.registry import keep_active
        from ebbmap.report.figures import draw_result
        from ebbmap.runs import default_workers
        from ebbmap.runs.costs import approve, study_costs
        from ebbmap.runs.run import plan_tasks, run_study
        from ebbmap.tables.show import (
            costs_table,
            print_out,
            progress_bar,
            study_notes,
            summary,
            warn,
        )

    _say_caution()
    with _errors_told():
        checked = load_study(named_file(study, bundled_studies()))
        keep_active(checked.catalogue)
        folder = out or Path("out") / study.stem
        pictures = figures or folder
        at_work = workers or default_workers()
        for note in study_notes(checked):
            print_out(note)
        costs = study_costs(checked, folder, at_work, fresh=fresh)
        if dry_run:
            print_out(costs_table(costs, at_work))
            return
        approve(costs, folder, yes=yes)
        make_folder(pictures)
        with progress_bar() as bar:
            for task, result, path in run_study(
                checked,
                folder,
                progress=lambda task: bar.start(task.name, task.cases),
                workers=at_work,
                cluster=cluster,
                fresh=fresh,
            ):
                bar.finish(task.name)
                draw_result(task.kind, result, pictures, study.stem, checked.file.outputs.figures)
                bar.print(f"wrote {path}")
                for table in summary(task.kind, result):
                    bar.print(table)
    warn(plan_tasks(checked), pictures)


@app.command()
def status(
    folder: Annotated[Path, typer.Argument(help="Folder of a run, a check or a comparison.")],
    verify: Annotated[
        bool, typer.Option("--verify", help="Compare every file with what the run wrote.")
    ] = False,
) -> None:
    """Show how far a run has come: done, left, and the rate.

    With --verify: 0 all is there and as it was written, 1 it is not.
    """
    from ebbmap.runs import find_damage
    from ebbmap.tables.show import print_out, status_table

    with _errors_told():
        print_out(status_table(folder))
        problems = 0
        for problem in find_damage(folder) if verify else ():
            problems += 1
            typer.echo(problem)
    if problems:
        typer.echo("Give the command of the run again: it makes these again, and nothing else.")
        raise typer.Exit(1)
    if verify:
        typer.echo("every file is as it was written")


@app.command()
def cycle(
    values: SetOption = None,
    lung: LungOption = "linear",
    as_json: JsonOption = False,
) -> None:
    """Solve the settled cycle of one case."""
    from ebbmap.cases.question import Question
    from ebbmap.cases.simulate import simulate
    from ebbmap.cases.uses import Use, defaults_of
    from ebbmap.tables.show import case_json, case_table, print_out

    with _errors_told():
        given = _values(values)
        solved = simulate(lung, **given)
        stated = Question(lung, dict.fromkeys(given, 0.0))  # names alone tell what is a default
        solved.attrs["defaults"] = " ".join(defaults_of(stated, None, Use()))
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
    from ebbmap.analyses.common.windows import search_windows
    from ebbmap.analyses.window import find_window
    from ebbmap.cases.question import Question
    from ebbmap.cases.simulate import as_arrays
    from ebbmap.cases.uses import Use, use_words
    from ebbmap.registries.limits import combine, limit_set
    from ebbmap.registries.populations import population as population_of
    from ebbmap.tables.show import held_text, print_out, summary, window_json, window_table

    with _errors_told():
        others = [] if only_rule else (limits or USUAL_LIMITS)
        judged_by = combine(rule, *(limit_set(name) for name in (*others, rule)))
        given = _values(values)
        fixed = {name: float(array) for name, array in as_arrays(given).items()}
        if population is not None:
            question = Question(
                lung, fixed, {}, (population_of(population),), {rule: judged_by}, lungs, seed
            )
            found = find_window(question)
        else:
            found = search_windows(lung, given, judged_by)
            use = Use(("t_low", "t_low_in_time_constants"), outcomes=judged_by.outcomes)
            found.attrs |= use_words(Question(lung, fixed), use)
        if as_json:
            typer.echo(json.dumps(window_json(found), indent=2))
            return
    _say_caution()
    if population is None:
        print_out(window_table(found, judged_by))
        print_out(held_text(found))
    else:
        for table in summary("window", found):
            print_out(table)


@app.command()
def adjust(
    values: SetOption = None,
    lung: LungOption = "linear",
    rule: RuleOption = "flow_ratio",
    limits: LimitsOption = None,
    population: PopulationOption = None,
    lungs: Annotated[
        int, typer.Option(min=2, max=100_000, help="Lungs to draw, with a population.")
    ] = 500,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the draw.")] = 0,
    as_json: JsonOption = False,
) -> None:
    """Take one step of each setting: what it does, and which does most for CO2."""
    from ebbmap.analyses.adjust import find_adjust
    from ebbmap.tables.show import adjust_json, print_out, summary

    with _errors_told():
        question = _question(lung, values, rule, limits, population, lungs=lungs, seed=seed)
        told = find_adjust(question)
        if as_json:
            typer.echo(json.dumps(adjust_json(told), indent=2))
            return
    _say_caution()
    for table in summary("adjust", told):
        print_out(table)


@app.command()
def wean(
    values: SetOption = None,
    lung: LungOption = "linear",
    rule: RuleOption = "flow_ratio",
    limits: LimitsOption = None,
    population: PopulationOption = None,
    p_high_end: Annotated[float, typer.Option(help="P high at the end [cmH2O].")] = 12.0,
    p_high_step: Annotated[float, typer.Option(help="P high less with each step [cmH2O].")] = 2.0,
    seconds_per_pressure: Annotated[
        float, typer.Option(help="T high longer for each cmH2O [s].")
    ] = 0.5,
    as_json: JsonOption = False,
) -> None:
    """Lower P high and lengthen T high step by step, and search a safer path to the same end."""
    from ebbmap.analyses.wean import Wean, find_wean
    from ebbmap.tables.show import print_out, summary, wean_json

    with _errors_told():
        path = find_wean(
            _question(lung, values, rule, limits, population),
            Wean(
                p_high_end=p_high_end,
                p_high_step=p_high_step,
                seconds_per_pressure=seconds_per_pressure,
            ),
        )
        if as_json:
            typer.echo(json.dumps(wean_json(path), indent=2))
            return
    _say_caution()
    for table in summary("wean", path):
        print_out(table)


@app.command()
def teach(
    out: Annotated[Path, typer.Option(help="The page (HTML).")] = Path("page.html"),
    values: SetOption = None,
    lung: LungOption = "linear",
) -> None:
    """Write a page to play with: T low, resistance and compliance move curves and window."""
    from ebbmap.cases.simulate import as_arrays
    from ebbmap.files.writing import write_text
    from ebbmap.teaching import build_page, teaching_grid

    _say_caution()
    with _errors_told():
        held = {name: float(array) for name, array in as_arrays(_values(values)).items()}
        write_text(out, build_page(teaching_grid(lung, **held)))
    typer.echo(f"wrote {out}: open it in a browser, no network needed")


@app.command()
def figures(
    studies: Annotated[
        Path | None,
        typer.Option(help="Folder of study files; ./studies, or else the bundled ones."),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder of the pictures.")] = Path("figures"),
    formats: Annotated[
        list[str] | None,
        typer.Option(
            "--format", help="png, svg, pdf or gif; may be repeated. Each study's own if not given."
        ),
    ] = None,
    check: Annotated[
        bool, typer.Option(help="Write nothing: tell where names or texts differ from the folder.")
    ] = False,
) -> None:
    """Rebuild every picture of every study, with its text."""
    from ebbmap.files.bundled import bundled_studies
    from ebbmap.report.figures import check_figures, draw_figures
    from ebbmap.tables.show import print_out, progress_bar

    if studies is None:
        studies = Path("studies") if Path("studies").is_dir() else bundled_studies()
    _say_caution()
    with _errors_told(), progress_bar() as bar:
        if check:
            problems = check_figures(studies, out, formats, progress=bar)
            for problem in problems:
                bar.print(problem)
            if problems:
                raise typer.Exit(1)
        else:
            for path in draw_figures(studies, out, formats, progress=bar):
                bar.print(f"wrote {path}")
    print_out("names and texts agree" if check else f"pictures and their texts are in {out}")


@app.command()
def describe(
    name: Annotated[str | None, typer.Argument(help="One entry; all if not given.")] = None,
) -> None:
    """Print the registries: parameters, outcomes, limits, populations, lungs."""
    from ebbmap.tables.show import print_out, registry_tables

    _say_caution()
    with _errors_told():
        for table in registry_tables(name):
            print_out(table)


@app.command()
def check(
    protocol: Annotated[
        Path, typer.Argument(help="A protocol file (TOML), or a bundled draft's name.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the report; out/PROTOCOL if not given.")
    ] = None,
    date: Annotated[
        str | None, typer.Option(help="Date stated in the report; today if not given.")
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    fresh: FreshOption = False,
    dry_run: DryRunOption = False,
    yes: YesOption = False,
) -> None:
    """Check a draft protocol: 0 it holds, 1 it does not, 2 the file is wrong.

    Goes on where an earlier run of the same command stopped. A check that is foreseen to take more
    than an hour needs --yes.
    """
    with _errors_told():
        from ebbmap.committee.check import cases_of
        from ebbmap.files.bundled import bundled_protocols, named_file
        from ebbmap.files.protocol import load_protocol
        from ebbmap.report.build import lead, needs, unjudged, write_report
        from ebbmap.runs import default_workers
        from ebbmap.runs.costs import approve, check_costs
        from ebbmap.runs.run import run_check
        from ebbmap.tables.show import costs_table, print_out, progress_bar, verdict_table

    _say_caution()
    with _errors_told():
        checked = load_protocol(named_file(protocol, bundled_protocols()))
        for note in checked.notes:
            typer.echo(note)
        folder = out or Path("out") / protocol.stem
        stated = _date(date)
        at_work = workers or default_workers()
        costs = check_costs(checked, at_work)
        if dry_run:
            print_out(costs_table(costs, at_work))
            return
        approve(costs, folder, yes=yes)
        with progress_bar() as bar:
            found = run_check(
                checked,
                folder,
                date=stated,
                progress=lambda part: bar.start(part, cases_of(checked) * (part == "verdict")),
                workers=at_work,
                cluster=cluster,
                fresh=fresh,
            )
        page, *_ = write_report(found, folder, stated)
    print_out(verdict_table(found.results["verdict"]))
    for line in (lead(found), unjudged(found), *needs(found)):
        typer.echo(line)
    typer.echo(f"wrote {page}, with its tables (CSV) and results (NetCDF) beside it.")
    raise typer.Exit(0 if found.holds else 1)


@app.command()
def diff(
    old: Annotated[Path, typer.Argument(help="The protocol file before.")],
    new: Annotated[Path, typer.Argument(help="The protocol file after.")],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the result (NetCDF), and to go on from.")
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    fresh: FreshOption = False,
    yes: YesOption = False,
) -> None:
    """Tell what changed between two drafts: who gains, who loses, by how much.

    With --out it keeps what it finishes, and goes on where an earlier run stopped.
    """
    with _errors_told():
        from tempfile import TemporaryDirectory

        from ebbmap.files.bundled import bundled_protocols, named_file
        from ebbmap.files.protocol import load_protocol
        from ebbmap.files.writing import save_dataset
        from ebbmap.runs import default_workers
        from ebbmap.runs.costs import approve, check_costs
        from ebbmap.runs.run import run_difference
        from ebbmap.tables.show import difference_table, print_out, progress_bar

    _say_caution()
    with _errors_told(), TemporaryDirectory() as passing, progress_bar() as bar:
        before = load_protocol(named_file(old, bundled_protocols()))
        after = load_protocol(named_file(new, bundled_protocols()))
        at_work = workers or default_workers()
        costs = [*check_costs(before, at_work), *check_costs(after, at_work)]
        approve(costs, out or Path(passing), yes=yes)
        found = run_difference(
            before,
            after,
            out or Path(passing),
            progress=lambda part: bar.start(part, 0),
            workers=at_work,
            cluster=cluster,
            fresh=fresh,
        )
        if out is not None:
            save_dataset(found, out / "difference.nc")
    typer.echo(found.attrs["changes"])
    print_out(difference_table(found))


@app.command()
def studies(
    copy: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Copy them all into this folder.")
    ] = None,
) -> None:
    """List the bundled studies and draft protocols: `run` and `check` take their names."""
    from ebbmap.files.bundled import copy_bundled
    from ebbmap.tables.show import bundled_table, print_out

    _say_caution()
    with _errors_told():
        if copy is not None:
            for path in copy_bundled(copy):
                typer.echo(f"wrote {path}")
            return
        print_out(bundled_table())


@app.command()
def schema(
    protocol: Annotated[bool, typer.Option("--protocol", help="Of protocol files.")] = False,
) -> None:
    """Print the JSON schema of study files or protocol files, for editors."""
    from ebbmap.files.protocol.schema import ProtocolFile
    from ebbmap.files.study.schema import StudyFile

    file = ProtocolFile if protocol else StudyFile
    typer.echo(json.dumps(file.model_json_schema(), indent=2))


@contextmanager
def _errors_told() -> Iterator[None]:
    """Turn an error that a user can put right into its sentences and an exit status.

    2: put something right; 3: stopped midway, the same command goes on; 130, 143, 129: ended by
    Ctrl-C, by SIGTERM, with its terminal.
    """
    from ebbmap.errors import EbbmapError, UnfinishedError

    with _signals_interrupt() as received:
        try:
            yield
        except EbbmapError as error:
            typer.echo(str(error), err=True)
            raise typer.Exit(3 if isinstance(error, UnfinishedError) else 2) from None
        except KeyboardInterrupt:
            number = received[0] if received else signal.SIGINT
            how = "interrupted" if number == signal.SIGINT else f"ended by {number.name}"
            typer.echo(
                f"{how}; what is finished is kept. The same command goes on from there.", err=True
            )
            raise typer.Exit(128 + number) from None


@contextmanager
def _signals_interrupt() -> Iterator[list[signal.Signals]]:
    """Let what asks a process to end stop it as Ctrl-C does; list what was received."""
    received: list[signal.Signals] = []

    def interrupt(number: int, frame: object) -> None:
        # a second one ends the process at once
        signal.signal(number, signal.SIG_DFL)
        received.append(signal.Signals(number))
        raise KeyboardInterrupt

    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            # what is ignored, as nohup does, stays ignored
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                before[number] = signal.signal(number, interrupt)
    try:
        yield received
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


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


def _question(
    lung: str,
    values: list[str] | None,
    rule: str,
    limits: list[str] | None,
    population: str | None,
    **draws: Any,
) -> Any:
    """Build the question of a lung and its present settings, judged by one rule."""
    from ebbmap.cases.question import Question
    from ebbmap.cases.simulate import as_arrays
    from ebbmap.registries.limits import combine, limit_set
    from ebbmap.registries.populations import population as population_of

    judged_by = combine(rule, *(limit_set(name) for name in (*(limits or USUAL_LIMITS), rule)))
    fixed = {name: float(array) for name, array in as_arrays(_values(values)).items()}
    groups = (population_of(population),) if population else ()
    return Question(lung, fixed, {}, groups, {rule: judged_by}, **draws)


def _date(text: str | None) -> str:
    """Return the stated date, or today's."""
    from datetime import UTC, date, datetime

    from ebbmap.errors import EbbmapError

    if text is None:
        return datetime.now(UTC).date().isoformat()
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise EbbmapError(f"--date must be YYYY-MM-DD; got {text!r}.") from None


def _say_caution() -> None:
    typer.echo(CAUTION)
