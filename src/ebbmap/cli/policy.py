"""Checking a policy: its rules first, then its patients, minute by minute."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from ebbmap.cli.answer import Answer

if TYPE_CHECKING:
    import xarray as xr

    from ebbmap.policies.findings import Finding
    from ebbmap.policies.language import Policy
    from ebbmap.policies.simulate import Course

#: Seconds of a patient's minute, one core, the linear lung (measured), and bytes that it keeps.
SECONDS, BYTES = 8e-7, 4000.0

#: Dots per inch of the picture.
DPI = 120


def check_policy(
    file: Path, folder: Path, date: str, how: dict[str, Any], *, dry_run: bool, as_json: bool
) -> None:
    """Check a policy file; the exit status is 0 if it holds and 1 if it does not.

    Parameters
    ----------
    file : Path
        The policy.
    folder : Path
        For the result (NetCDF), the tables (CSV) and the picture (PNG).
    date : str
        Stated in the result.
    how : dict
        Options of a run in pieces; a policy is simulated in this process, so none may be set.
    dry_run, as_json : bool
        Whether nothing is simulated, and whether one JSON document is wanted.

    Raises
    ------
    EbbmapError
        If the file has problems, or an option is given that a policy does not know.
    """
    from ebbmap.files.policy import load_policy
    from ebbmap.policies.check import check_rules
    from ebbmap.tables.policy import findings_document, findings_table, policy_notes

    _refuse(how)
    answer = Answer(as_json)
    policy = load_policy(file)
    notes = policy_notes(policy)
    answer.say(policy.protocol.title, *notes)
    findings = check_rules(policy)
    answer.say(findings_table(policy, findings))
    content: dict[str, Any] = {
        "title": policy.protocol.title,
        "notes": [*policy.protocol.notes, *notes],
        "costs": _costs(policy),
        "findings": findings_document(policy, findings),
        "holds": None,
        "groups": {},
        "answer": None,
        "result": None,
    }
    if dry_run:
        answer.close(**content)
        return
    yields = _yields(policy, findings, date)
    written = _write(policy, yields, findings, folder)
    holds = _say(answer, policy, yields, findings, written)
    from ebbmap.tables.policy import policy_answer, policy_document

    content |= {
        "holds": holds,
        "groups": policy_document(policy, yields),
        "answer": " ".join(policy_answer(policy, yields, findings)),
        "result": str(written[0]),
    }
    answer.close(**content)
    raise typer.Exit(0 if holds else 1)


def _refuse(how: dict[str, Any]) -> None:
    """Refuse the options of a run in pieces."""
    from ebbmap.errors import EbbmapError

    for name, value in how.items():
        if value:
            raise EbbmapError(
                f"--{name} must be left out: a policy is simulated in this process; got {value}."
            )


def _costs(policy: Policy) -> list[dict[str, Any]]:
    patients = policy.protocol.lungs * len(policy.protocol.groups)
    minutes = patients * policy.hours * 60
    return [
        {
            "name": "policy",
            "cases": minutes,
            "disk_bytes": 0,
            "memory_bytes": patients * BYTES,
            "seconds": minutes * SECONDS,
            "blocks": 0,
        }
    ]


def _yields(policy: Policy, findings: list[Finding], date: str) -> xr.Dataset:
    """Simulate a policy, and return what it yields with all that says where it comes from."""
    from ebbmap.cases.labelling import provenance
    from ebbmap.policies.simulate import courses, left_alone
    from ebbmap.policies.yields import find_yields
    from ebbmap.tables.policy import findings_document
    from ebbmap.tables.terminal import progress_bar

    protocol = policy.protocol
    with progress_bar() as bar:

        def counted(name: str, whose: Policy) -> Iterator[Course]:
            done = bar.start(name, protocol.lungs * len(protocol.groups))
            for course in courses(whose):
                done(course.size)
                yield course

        alone = counted("start left alone", left_alone(policy))
        found = find_yields(policy, counted("policy", policy), alone)
    attrs = provenance(
        protocol.title,
        lung=protocol.lung.name,
        limits=protocol.limits.long_name,
        protocol=protocol.text,
        protocol_hash=protocol.digest,
        seed=protocol.seed,
        references=policy.source,
        findings=json.dumps(findings_document(policy, findings)),
    )
    return found.assign_attrs(attrs | {"history": f"{date} made by ebbmap"})


def _write(policy: Policy, yields: xr.Dataset, findings: list[Finding], folder: Path) -> list[Path]:
    """Write result, tables and picture; return their paths, the result's first."""
    from ebbmap.files.writing import make_folder, save_dataset, write_text, write_whole
    from ebbmap.plotting.policy import policy_figure
    from ebbmap.tables.csv import to_csv
    from ebbmap.tables.policy import findings_table, outside_table, yields_table

    make_folder(folder)
    written = [save_dataset(yields, folder / "policy.nc")]
    tables = (findings_table(policy, findings), yields_table(yields), outside_table(policy, yields))
    for one in tables:
        written.append(write_text(folder / f"{one.name}.csv", to_csv(one)))
    figure = policy_figure(yields)
    look: dict[str, Any] = {"dpi": DPI, "format": "png", "metadata": {"Software": None}}
    written.append(write_whole(folder / "policy.png", lambda part: figure.savefig(part, **look)))
    return written


def _say(
    answer: Answer,
    policy: Policy,
    yields: xr.Dataset,
    findings: list[Finding],
    written: list[Path],
) -> bool:
    """Print what a policy yields; return whether it holds."""
    from ebbmap.policies.yields import policy_holds
    from ebbmap.tables.policy import outside_table, policy_answer, yields_table

    holds = policy_holds(yields)
    answer.say(
        yields_table(yields),
        outside_table(policy, yields),
        "The policy holds." if holds else "The policy does not hold.",
        *policy_answer(policy, yields, findings),
        f"wrote {', '.join(map(str, written))}",
    )
    return holds
