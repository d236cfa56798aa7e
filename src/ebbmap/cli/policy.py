"""Checking a policy: its rules first, then its patients, minute by minute; and two policies."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import typer

from ebbmap.cli.answer import Answer

if TYPE_CHECKING:
    from ebbmap.engines import Engine
    from ebbmap.policies.findings import Finding
    from ebbmap.policies.language import Policy
    from ebbmap.runs.policies import PolicyCheck


def is_policy_file(file: Path) -> bool:
    """Return whether a file, by its path or a bundled one's name, is that of a policy."""
    from ebbmap.files.bundled import bundled_policies, bundled_protocols, named_file
    from ebbmap.files.common.reading import read_text, read_toml
    from ebbmap.files.policy import is_policy

    named = named_file(file, bundled_protocols(), bundled_policies())
    return is_policy(read_toml(read_text(named), str(named)))


def load_named_policy(file: Path) -> Policy:
    """Return a checked policy, by its file or a bundled one's name."""
    from ebbmap.files.bundled import bundled_policies, bundled_protocols, named_file
    from ebbmap.files.policy import load_policy

    return load_policy(named_file(file, bundled_protocols(), bundled_policies()))


def check_policy(
    file: Path,
    folder: Path,
    date: str,
    how: Mapping[str, Any],
    *,
    engine: Engine | None = None,
    dry_run: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Check a policy file; the exit status is 0 if it holds and 1 if it does not.

    Parameters
    ----------
    file : Path
        The policy.
    folder : Path
        For the report, the result (NetCDF), the tables (CSV) and the pictures.
    date : str
        Stated in the result.
    how : mapping
        Options of a run in pieces.
    engine : {"numpy", "jax", "auto"}, optional
        What moves the patients; that of the file if not given.
    dry_run, yes, as_json : bool
        Whether nothing is simulated, whether a long run was confirmed, and whether one JSON
        document is wanted.

    Raises
    ------
    EbbmapError
        If the file has problems.
    """
    from ebbmap.files.explained import explain_policy, sections_data
    from ebbmap.policies.check import check_rules
    from ebbmap.runs.costs import approve, policy_costs
    from ebbmap.runs.usual import usual_policy
    from ebbmap.tables.policy import findings_table, policy_notes
    from ebbmap.tables.runs import cost_data, cost_table

    answer = Answer(as_json)
    policy = load_named_policy(file).solved_by(engine)
    notes = policy_notes(policy)
    answer.say(policy.protocol.title, *notes)
    findings = check_rules(policy)
    answer.say(findings_table(policy, findings))
    costs = policy_costs({"policy": policy}, usual_policy(), how["workers"])
    content: dict[str, Any] = {
        "title": policy.protocol.title,
        "explained": sections_data(explain_policy(policy)),
        "notes": [*policy.protocol.notes, *notes],
        "costs": cost_data(costs),
        "findings": [one.plain(policy.file) for one in findings],
        **dict.fromkeys(("holds", "answer", "engine", "result", "report")),
        "groups": {},
        "mended": [],
    }
    if dry_run:
        answer.say(cost_table(costs, how["workers"]))
        answer.close(**content)
        return
    approve(costs, folder, yes=yes)
    found = _simulated(policy, findings, folder, date, how)
    told = _tell(answer, found, folder)
    answer.close(**content | told)
    raise typer.Exit(0 if told["holds"] else 1)


def _simulated(
    policy: Policy, findings: list[Finding], folder: Path, date: str, how: Mapping[str, Any]
) -> PolicyCheck:
    """Return the whole check of a policy whose rules were looked at."""
    from ebbmap.runs.policies import check_policy as checked
    from ebbmap.tables.terminal import progress_bar

    with progress_bar() as bar:

        def progress(part: str) -> Callable[[int], None]:
            return bar.start(part, 0)

        return checked(policy, folder, date=date, progress=progress, findings=findings, **how)


def _tell(answer: Answer, found: PolicyCheck, folder: Path) -> dict[str, Any]:
    """Write the report and print what a policy yields; return what JSON holds of it."""
    from ebbmap.report.policy import policy_tables, write_policy_report
    from ebbmap.tables.held import engine_note
    from ebbmap.tables.mended import mended_document, mended_sentence
    from ebbmap.tables.policy import policy_answer
    from ebbmap.tables.policy_data import policy_document

    policy, results, findings = found.policy, found.results, found.findings
    result, page, *written = write_policy_report(policy, results, findings, folder)
    mended, yields = results.get("mended"), results["policy"]
    tables = policy_tables(policy, results, findings)
    holds, said = found.holds, policy_answer(policy, yields, findings)
    answer.say(
        *(one for name, one in tables.items() if name != "findings"),
        *said,
        *([] if mended is None else [mended_sentence(mended)]),
        *engine_note(yields),
        f"wrote {', '.join(map(str, (page, result, *written)))}",
    )
    return {
        "holds": holds,
        "groups": policy_document(policy, yields),
        "answer": " ".join(said),
        "engine": yields.attrs["engine"],
        "mended": [] if mended is None else mended_document(mended),
        "result": str(result),
        "report": str(page),
    }


def diff_policies(
    old: Path, new: Path, out: Path | None, how: Mapping[str, Any], *, yes: bool, as_json: bool
) -> None:
    """Compare two policies on the same patients, and say who gains and who loses.

    Parameters
    ----------
    old, new : Path
        Policy files with the same patients.
    out : Path or None
        For the result (NetCDF), the table (CSV), and what is finished.
    how : mapping
        Options of a run in pieces.
    yes, as_json : bool
        As in `check_policy`.
    """
    from ebbmap.files.writing import save_dataset, write_text
    from ebbmap.runs.costs import approve, policy_costs
    from ebbmap.runs.dates import stated_date
    from ebbmap.runs.run import run_policies
    from ebbmap.tables.csv import to_csv
    from ebbmap.tables.policy import against_table, moved_sentences
    from ebbmap.tables.policy_data import difference_document, rule_changes
    from ebbmap.tables.terminal import progress_bar

    answer = Answer(as_json)
    before, after = load_named_policy(old), load_named_policy(new)
    with TemporaryDirectory() as passing, progress_bar() as bar:
        folder = out or Path(passing)
        approve(policy_costs({"old": before, "new": after}, None, how["workers"]), folder, yes=yes)
        found = run_policies(
            before,
            after,
            folder,
            date=stated_date(None),
            progress=lambda part: bar.start(part, 0),
            **how,
        )
    said, table = moved_sentences(found), against_table(found)
    result = None
    if out is not None:
        result = str(save_dataset(found, out / "difference.nc"))
        write_text(out / "difference.csv", to_csv(table))
    changed = rule_changes(before, after)
    answer.say(*changed, table, *said)
    answer.close(changes=changed, sentences=said, groups=difference_document(found), result=result)
