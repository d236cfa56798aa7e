"""The answer of a check as plain data: what `--json` prints and what stands beside the report."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ebbmap.committee.check import Check
from ebbmap.report import persons
from ebbmap.report.advice import advice_lines
from ebbmap.report.sentences import lead, unjudged
from ebbmap.tables.committee.beside import beside_data
from ebbmap.tables.committee.patients import broken_data, patients_document
from ebbmap.tables.committee.verdict import verdict_document


def answer_document(check: Check, page: Path) -> dict[str, Any]:
    """Return what JSON holds of a check; `unanswered` has the keys before it is done.

    Parameters
    ----------
    check : Check
        What was found.
    page : Path
        The report's page.
    """
    groups = verdict_document(check.results["verdict"])
    for name, group in groups.items():
        group |= patients_document(check.results["patients"], name)
        group["broken"] = broken_data(check.results["broken"], name, check.protocol.limits)
    return {
        "holds": check.holds,
        "answer": lead(check),
        "for_whom": persons.for_whom(check),
        "persons": persons.persons(check),
        "why_not": persons.why_not(check),
        "recognise": persons.recognise(check),
        "left_out": persons.left_out(check),
        "conventional": persons.beside(check) or None,
        "beside": beside_data(check.results["beside"]) if "beside" in check.results else {},
        "groups": groups,
        "unjudged": unjudged(check),
        "needs": advice_lines(check),
        "engine": check.results["verdict"].attrs["engine"],
        "report": str(page),
    }
