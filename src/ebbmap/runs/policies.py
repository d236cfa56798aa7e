"""Whole checks of policies from Python, and the path of a patient."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import xarray as xr

from ebbmap.errors import EbbmapError, shortened
from ebbmap.files.bundled import bundled_policies, bundled_protocols, named_file
from ebbmap.files.common.reading import read_text, read_toml
from ebbmap.files.policy import is_policy, load_policy, parse_policy
from ebbmap.policies.check import check_rules
from ebbmap.policies.findings import Finding
from ebbmap.policies.language import Policy
from ebbmap.policies.path import find_path
from ebbmap.policies.yields import policy_holds
from ebbmap.runs.run import run_policy
from ebbmap.runs.usual import usual_policy


@dataclass(frozen=True)
class PolicyCheck:
    """What a check of a policy found.

    Parameters
    ----------
    policy : Policy
        What was checked.
    findings : list of Finding
        In its rules.
    results : dict of str to Dataset
        `policy`: what it yields; `paths`: of a few patients; `mended`: other numbers in its rules,
        where the file asks for them.
    """

    policy: Policy
    findings: list[Finding]
    results: dict[str, xr.Dataset]

    @property
    def holds(self) -> bool:
        """Whether each group and everybody is surely safe enough at the end."""
        return policy_holds(self.results["policy"])


def policy_of(asked: Any) -> Policy | None:
    """Return a policy, read and checked if it is a path, a bundled name or a text; else None."""
    if isinstance(asked, Policy):
        return asked
    if isinstance(asked, str) and "\n" in asked:
        return parse_policy(asked) if is_policy(read_toml(asked, "protocol")) else None
    if not isinstance(asked, (str, Path)):
        return None
    named = named_file(Path(asked), bundled_protocols(), bundled_policies())
    return load_policy(named) if is_policy(read_toml(read_text(named), str(named))) else None


def check_policy(
    policy: Policy,
    folder: Path,
    *,
    date: str,
    progress: Callable[[str], Callable[[int], None]],
    findings: list[Finding] | None = None,
    **how: Any,
) -> PolicyCheck:
    """Check a policy: its rules, then its patients beside what they would have had otherwise.

    Parameters
    ----------
    policy : Policy
        The policy.
    folder : Path
        Where finished pieces are kept.
    date : str
        Stated in every result.
    progress : callable
        Called with the name of a part before it starts; returns what is called with finished
        patients.
    findings : list of Finding, optional
        In its rules, where they are known already.
    **how
        As in `run_source`.
    """
    findings = check_rules(policy) if findings is None else findings
    results = run_policy(policy, usual_policy(), folder, date=date, progress=progress, **how)
    said = json.dumps([one.plain(policy.file) for one in findings])
    results["policy"] = results["policy"].assign_attrs(findings=said)
    return PolicyCheck(policy, findings, results)


def patient_path(policy: str | Path | Policy, group: str, patient: int) -> xr.Dataset:
    """Return the path of one patient under a policy, minute by minute.

    Parameters
    ----------
    policy : str, Path or Policy
        Path, name of a bundled policy, text (TOML), or a checked policy.
    group : str
        Name of one of its groups.
    patient : int
        Number among those of the group who get the mode, from 0.

    Returns
    -------
    xarray.Dataset
        Dim `minute`: settings, outcomes as they truly are, each measured one as it was read (name
        and `_read`), and whether the patient is `in_mode` and `safe`.

    Raises
    ------
    StudyError
        With every problem of the policy.
    EbbmapError
        If it is no policy, or there is no such group or patient.

    Examples
    --------
    >>> patient_path("textbook", "restrictiv", 0)
    Traceback (most recent call last):
        ...
    ebbmap.errors.EbbmapError: unknown group 'restrictiv'; did you mean 'restrictive'? Known: \
normal, obstructive, restrictive.
    """
    checked = policy_of(policy)
    if checked is None:
        raise EbbmapError(
            f"must be a policy, which says how to [start]; got {shortened(str(policy))}. Name "
            "another file."
        )
    return find_path(checked, group, patient)
