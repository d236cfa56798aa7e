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
    dry_run: DryRunOption = False,
    yes: YesOption = False,
    as_json: JsonOption = False,
) -> None:
    """Check a draft protocol or a policy; the exit status is 0 if it holds and 1 if it does not.

    Resumes an earlier run of the same command. A check that is expected to take more than an hour
    needs --yes.
    """
    from ebbmap.cli.policy import check_policy, is_policy_file
    from ebbmap.runs import default_workers
    from ebbmap.runs.dates import stated_date

    folder, stated = out or Path("out") / protocol.stem, stated_date(date, name="--date")
    at_work = workers or default_workers()
    how = {"workers": at_work, "cluster": cluster, "fresh": fresh}
    if is_policy_file(protocol):
        check_policy(protocol, folder, stated, how, dry_run=dry_run, yes=yes, as_json=as_json)
        return
    answer = Answer(as_json)
    from ebbmap.runs.costs import approve, check_costs
    from ebbmap.tables.runs import cost_data, cost_table

    checked = _load(protocol)
    answer.say(*checked.notes)
    costs = check_costs(checked, at_work)
    content = {
        "title": checked.title,
        "notes": list(checked.notes),
        "costs": cost_data(costs),
        **_verdict_of(None, None),
    }
    if dry_run:
        answer.say(cost_table(costs, at_work))
        answer.close(**content)
        return
    approve(costs, folder, yes=yes)
    found, page = _check(checked, folder, stated, how)
    answer.say(*_verdict_lines(found, page))
    answer.close(**content | _verdict_of(found, page))
    raise typer.Exit(0 if found.holds else 1)


def _check(protocol: Protocol, folder: Path, date: str, how: dict[str, Any]) -> tuple[Check, Path]:
    """Check a draft and write its report; return what was found, and the page."""
    from ebbmap.committee.counting import cases_of
    from ebbmap.report.build import write_report
    from ebbmap.runs.run import run_check
    from ebbmap.tables.terminal import progress_bar

    with progress_bar() as bar:

        def progress(part: str) -> Callable[[int], None]:
            return bar.start(part, cases_of(protocol) if part == "verdict" else 0)

        found = run_check(protocol, folder, date=date, progress=progress, **how)
    page, *_ = write_report(found, folder, date)
    return found, page


def _verdict_lines(found: Check, page: Path) -> list[Any]:
    """Return what the terminal shows of a check."""
    from ebbmap.report.sentences import lead, needs, unjudged
    from ebbmap.tables.committee.verdict import short_verdict_table

    return [
        short_verdict_table(found.results["verdict"]),
        lead(found),
        unjudged(found),
        *needs(found),
        f"wrote {page}, with its tables (CSV) and results (NetCDF) beside it.",
    ]


def _verdict_of(found: Check | None, page: Path | None) -> dict[str, Any]:
    """Return what JSON holds of a check; nothing is known before it is done."""
    if found is None:
        empty: dict[str, Any] = dict.fromkeys(("holds", "answer", "unjudged", "report"))
        return empty | {"groups": {}, "needs": []}
    from ebbmap.report.sentences import lead, needs, unjudged
    from ebbmap.tables.committee.verdict import verdict_document

    return {
        "holds": found.holds,
        "groups": verdict_document(found.results["verdict"]),
        "answer": lead(found),
        "unjudged": unjudged(found),
        "needs": needs(found),
        "report": str(page),
    }


@command
def diff(
    old: Annotated[Path, typer.Argument(help="File of the first draft or policy.")],
    new: Annotated[Path, typer.Argument(help="File of the second one.")],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the result (NetCDF), from which the run can be resumed."),
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    fresh: FreshOption = False,
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
    from ebbmap.committee.difference import changes
    from ebbmap.files.writing import save_dataset
    from ebbmap.runs.costs import approve, check_costs
    from ebbmap.runs.run import run_difference
    from ebbmap.tables.committee.difference import difference_document, difference_table
    from ebbmap.tables.terminal import progress_bar

    before, after = _load(old), _load(new)
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
        result = save_dataset(found, out / "difference.nc") if out is not None else None
    answer.say(found.attrs["changes"], difference_table(found))
    answer.close(
        changes=changes(before, after),
        groups=difference_document(found),
        result=None if result is None else str(result),
    )


def _load(protocol: Path) -> Protocol:
    """Return a checked protocol, by its file or a bundled draft's name."""
    from ebbmap.files.bundled import bundled_protocols, named_file
    from ebbmap.files.protocol import load_protocol

    return load_protocol(named_file(protocol, bundled_protocols()))
