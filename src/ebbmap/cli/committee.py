"""Commands about a committee's draft protocol."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ebbmap.cli.answer import Answer
from ebbmap.cli.application import command
from ebbmap.cli.options import (
    ClusterOption,
    DryRunOption,
    EngineOption,
    FreshOption,
    JsonOption,
    OutOption,
    WorkersOption,
    YesOption,
)

if TYPE_CHECKING:
    from ebbmap.committee.check import Check
    from ebbmap.committee.protocol import Protocol


@command
def check(
    protocol: Annotated[
        Path, typer.Argument(help="Protocol or policy file (TOML), or name of a bundled one.")
    ],
    out: OutOption = None,
    date: Annotated[
        str | None, typer.Option(help="Date stated in the report; today by default.")
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    fresh: FreshOption = False,
    engine: EngineOption = None,
    dry_run: DryRunOption = False,
    yes: YesOption = False,
    as_json: JsonOption = False,
    explain: Annotated[
        bool,
        typer.Option("--explain", help="Say in a second how the file was understood; no check."),
    ] = False,
) -> None:
    """Check a draft protocol or a policy; the exit status is 0 if it holds and 1 if it does not.

    Resumes an earlier run of the same command. A check that is expected to take more than an hour
    needs --yes.
    """
    from ebbmap.cli.policy import check_policy, is_policy_file

    if explain:
        _explain(protocol, as_json=as_json)
        return
    from ebbmap.runs import default_workers
    from ebbmap.runs.dates import stated_date

    folder, stated = out or Path("out") / protocol.stem, stated_date(date, name="--date")
    at_work = workers or default_workers()
    how = {"workers": at_work, "cluster": cluster, "fresh": fresh}
    if is_policy_file(protocol):
        said = {"engine": engine, "dry_run": dry_run, "yes": yes, "as_json": as_json}
        check_policy(protocol, folder, stated, how, **said)  # type: ignore[arg-type]
        return
    answer = Answer(as_json)
    from ebbmap.files.explained import explain_protocol, sections_data
    from ebbmap.report.unanswered import unanswered
    from ebbmap.runs.costs import approve, check_costs
    from ebbmap.tables.runs import cost_data, cost_table

    checked = _load(protocol).solved_by(engine)  # type: ignore[arg-type]
    answer.say(*checked.notes)
    from ebbmap.committee.joint import apart

    parts = apart(checked)
    costs = [cost for part in parts.values() for cost in check_costs(part, at_work)]
    content = {
        "title": checked.title,
        "explained": sections_data(explain_protocol(checked)),
        "notes": list(checked.notes),
        "costs": cost_data(costs),
        **unanswered(),
    }
    if dry_run:
        answer.say(cost_table(costs, at_work))
        answer.close(**content)
        return
    approve(costs, folder, yes=yes)
    from ebbmap.report.answer import answer_document
    from ebbmap.report.build import write_numbers, write_page

    if checked.differs:
        told = _check_apart(answer, checked, folder, stated, how)
        answer.close(**content | told)
        raise typer.Exit(0 if told["holds"] else 1)
    found = _check(checked, folder, stated, how)
    # numbers and the verdict come first: no picture can cost them
    write_numbers(found, folder)
    answer.say(*_verdict_lines(found))
    page = write_page(found, folder, stated)
    answer.say(f"wrote {page}, with its tables (CSV) and results (NetCDF) beside it.")
    answer.close(**content | answer_document(found, page))
    raise typer.Exit(0 if found.holds else 1)


def _check_apart(
    answer: Answer,
    whole: Protocol,
    folder: Path,
    date: str,
    how: dict[str, Any],
) -> dict[str, Any]:
    """Check groups that are set each in its own way, then all at once; return what JSON holds."""
    from ebbmap.committee.joint import check_apart, folder_of
    from ebbmap.report.answer import answer_document
    from ebbmap.report.build import PAGE, write_report
    from ebbmap.report.joint import write_joint_report
    from ebbmap.tables.committee.joint import joint_sentence, joint_table

    groups: dict[str, Any] = {}

    def check(part: Protocol, own: Path) -> Check:
        answer.say(f"{part.title}:")
        found = _check(part, own, date, how)
        page, *_ = write_report(found, own, date)
        answer.say(*_verdict_lines(found))
        documents = answer_document(found, page)["groups"]
        groups.update({group.name: documents[group.name] for group in part.groups})
        return found

    done = check_apart(whole, folder, check)
    joint, pages = done.results["joint"], {n: f"{folder_of(n)}/{PAGE}" for n in done.parts}
    page, *_ = write_joint_report(whole, joint, pages, folder, date)
    sentence = joint_sentence(joint)
    answer.say(joint_table(whole, joint), sentence)
    answer.say(f"wrote {page}, with each group's own report in a folder beside it.")
    engine = next(iter(done.parts.values())).results["verdict"].attrs["engine"]
    known = {"holds": done.holds, "answer": sentence, "groups": groups}
    return known | {"engine": engine, "report": str(page)}


def _explain(file: Path, *, as_json: bool) -> None:
    """Print how a protocol or a policy was understood; nothing is drawn and nothing solved."""
    from ebbmap.cli.policy import is_policy_file, load_named_policy
    from ebbmap.files.explained import explain_policy, explain_protocol, sections_data
    from ebbmap.report.unanswered import unanswered

    answer = Answer(as_json)
    if is_policy_file(file):
        policy = load_named_policy(file)
        checked, sections = policy.protocol, explain_policy(policy)
        unknown = dict.fromkeys(("holds", "answer", "engine", "result", "report"))
        unknown |= {"groups": {}, "findings": [], "mended": []}
    else:
        checked = _load(file)
        sections, unknown = explain_protocol(checked), unanswered()
    for section in sections:
        answer.say(f"\n{section.title.capitalize()}", *(f"  {one}" for one in section.sentences))
    answer.say("\nThis is how the file was understood; nothing was computed.")
    answer.close(
        title=checked.title,
        explained=sections_data(sections),
        notes=list(checked.notes),
        costs=[],
        **unknown,
    )


def _check(protocol: Protocol, folder: Path, date: str, how: dict[str, Any]) -> Check:
    """Check a draft; what is finished is kept in the folder."""
    from ebbmap.committee.counting import cases_of
    from ebbmap.runs.run import run_check
    from ebbmap.tables.terminal import progress_bar

    with progress_bar() as bar:

        def progress(part: str) -> Callable[[int], None]:
            return bar.start(part, cases_of(protocol) if part == "verdict" else 0)

        return run_check(protocol, folder, date=date, progress=progress, **how)


def _verdict_lines(found: Check) -> list[Any]:
    """Return what the terminal shows of a check."""
    from ebbmap.report.advice import advice_lines
    from ebbmap.report.persons import beside, for_whom, left_out, persons, recognise, why_not
    from ebbmap.report.sentences import lead, unjudged
    from ebbmap.tables.committee.verdict import short_verdict_table
    from ebbmap.tables.held import engine_note

    return [
        lead(found),
        for_whom(found),
        *persons(found)[1:],
        "Most often broken:",
        *(f"  {line}" for line in why_not(found)),
        "What would hold:",
        *(f"  {line}" for line in advice_lines(found)),
        *(
            ["Who is never safe, by one measurement:", *(f"  {line}" for line in recognise(found))]
            if recognise(found)
            else []
        ),
        f"Left out: {left_out(found)}",
        *([beside(found)] if beside(found) else []),
        unjudged(found),
        *engine_note(found.results["verdict"]),
        short_verdict_table(found.results["verdict"], found.protocol.limits),
    ]


@command
def diff(
    old: Annotated[Path, typer.Argument(help="File of the first draft or policy.")],
    new: Annotated[Path, typer.Argument(help="File of the second one.")],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for page, table (CSV) and result; a run can be resumed from it."),
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    fresh: FreshOption = False,
    engine: EngineOption = None,
    yes: YesOption = False,
    as_json: JsonOption = False,
) -> None:
    """Compare two drafts, or two policies, on the same lungs: who gains, who loses, by how much.

    With --out it keeps what it finishes, and resumes an earlier run.
    """
    from ebbmap.cli.policy import diff_policies, is_policy_file
    from ebbmap.errors import EbbmapError
    from ebbmap.runs import default_workers

    at_work = workers or default_workers()
    how: dict[str, Any] = {"workers": at_work, "cluster": cluster, "fresh": fresh}
    how["engine"] = engine
    policies = [one for one in (old, new) if is_policy_file(one)]
    if len(policies) == 1:
        raise EbbmapError(
            f"{old} and {new} must both be drafts or both be policies; {policies[0].name} alone is "
            "a policy. Name two of a kind."
        )
    if policies:
        diff_policies(policies[0], policies[1], out, how, yes=yes, as_json=as_json)
    else:
        _diff_drafts(old, new, out, how, yes=yes, as_json=as_json)


def _diff_drafts(
    old: Path, new: Path, out: Path | None, how: dict[str, Any], *, yes: bool, as_json: bool
) -> None:
    """Compare two drafts; see `diff`."""
    answer = Answer(as_json)
    from ebbmap.committee.difference import changes, on_common_lungs
    from ebbmap.report.difference import write_difference
    from ebbmap.runs.costs import approve, check_costs
    from ebbmap.runs.run import run_difference
    from ebbmap.tables.committee.difference import (
        difference_document,
        difference_sentences,
        difference_table,
    )
    from ebbmap.tables.terminal import progress_bar

    before, after, notes = on_common_lungs(_load(old), _load(new))
    with TemporaryDirectory() as passing, progress_bar() as bar:
        folder = out or Path(passing)
        costs = [*check_costs(before, how["workers"]), *check_costs(after, how["workers"])]
        approve(costs, folder, yes=yes)
        found = run_difference(
            before,
            after,
            folder,
            progress=lambda part: bar.start(part, 0),
            **how,
        )
    written = [] if out is None else write_difference(before, after, found, out)
    said = difference_sentences(found)
    answer.say(*notes, found.attrs["changes"], difference_table(found), *said)
    if written:
        answer.say(f"wrote {', '.join(map(str, written))}")
    answer.close(
        changes=changes(before, after),
        notes=notes,
        groups=difference_document(found),
        result=next((str(path) for path in written if path.suffix == ".nc"), None),
        report=next((str(path) for path in written if path.suffix == ".html"), None),
    )


def _load(protocol: Path) -> Protocol:
    """Return a checked protocol, by its file or a bundled draft's name."""
    from ebbmap.files.bundled import bundled_protocols, named_file
    from ebbmap.files.protocol import load_protocol

    return load_protocol(named_file(protocol, bundled_protocols()))
