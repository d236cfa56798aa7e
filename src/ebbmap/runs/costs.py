"""What a study or a check will cost, before it starts: cases counted, time by a short trial.

Cases are counted from above: a design that may grow is counted at its largest. Times are those of
the trial's solving and of what each analysis was measured to do besides; pictures come on top.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from ebbmap.analyses.common.sizes import solved_outcomes
from ebbmap.cases.evaluate import evaluate, resolve
from ebbmap.committee.parts import PARTS
from ebbmap.committee.protocol import Protocol
from ebbmap.errors import EbbmapError
from ebbmap.files.study import Study
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.policies.knowledge import OUTER_PATIENTS
from ebbmap.policies.language import Policy
from ebbmap.policies.mend import CERTIFIED, FRESH
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import Population
from ebbmap.runs.chunks import foresee
from ebbmap.runs.forecast import WORKER_BYTES, Cost, check_room
from ebbmap.runs.sources import plan_tasks
from ebbmap.runs.standing import Standing, standing

#: Past these a run is started with --yes only. An hour is longer than anybody waits by mistake, and
#: 10 GB are more than a disk should lose unnoticed.
LONG_SECONDS, LARGE_BYTES = 3600.0, 10e9

#: Seconds of other work by case (for mapping and boxes by resample too): measured on the bundled
#: studies, one core of a busy two-core machine, so that a forecast is rather too long.
_BESIDE = MappingProxyType(
    {
        "window": 6e-7,
        "map": 2e-7,
        "edge": 2e-7,
        "robust": 2e-7,
        "mapping": 9e-7,
        "boxes": 2e-5,
        "given": 5e-4,
        "rare": 2e-6,
        "shapley": 2e-5,
        "screening": 2e-5,
        "slopes": 2e-5,
        "sobol": 2e-6,
        "sweep": 1e-6,
    }
)

#: The same of a check, whose cases are counted in place.
_BESIDE_CHECK = 1e-7

#: Of a policy: changes of a setting per patient and day, seconds of a group's and of a patient's
#: minute besides solving (one core, measured), and bytes that a patient keeps.
_CHANGES_A_DAY, _GROUP_MINUTE, _PATIENT_MINUTE, _PATIENT_BYTES = 6.0, 5e-3, 4e-7, 4000.0

#: Cases of the trial, doubled three times over until it is long enough to be measured [s], and,
#: unless it gets long, until more cases at a time no longer halve the time of one.
_TRIAL_CASES, _TRIAL_MOST, _TRIAL_SECONDS, _TRIAL_LONG = 8, 2**14, 0.05, 1.0

_DOUBLE = 8


def study_costs(study: Study, folder: Path, workers: int, *, fresh: bool = False) -> list[Cost]:
    """Return the expected costs of every analysis of a study; nothing is written.

    Parameters
    ----------
    study : Study
        A checked study.
    folder : Path
        Where its results go: what is finished there, and stays, costs nothing.
    workers : int
        Processes.
    fresh : bool
        Whether what is finished there will be forgotten.

    Raises
    ------
    EbbmapError
        If the folder holds another run.
    """
    question = study.question
    group = question.groups()[0]
    rates: dict[tuple[str, ...], float] = {}
    costs = []
    stands = {} if fresh else standing(study, folder)
    for task in plan_tasks(study):
        here = stands.get(task.name)
        if task.streams:
            blocks = None if here is None else here.new
            cost = foresee(study, folder, workers, fresh=fresh, blocks=blocks)
            costs.append(_beside_kept(cost, here))
            continue
        size = study.analyses[task.kind].size(question, task.options, study.axes)
        outcomes = solved_outcomes(question, task.options)
        if outcomes not in rates:
            rates[outcomes] = seconds_per_case(
                question.lung, group, question.fixed, outcomes, question.rules.values()
            )
        beside = _BESIDE.get(task.kind, 0.0)
        if task.kind in ("mapping", "boxes"):
            beside *= task.options.resamples
        held = _DOUBLE * (len(outcomes) + 4) * size.held
        whole = Cost(
            task.name,
            size.cases,
            _DOUBLE * size.kept,
            workers * (WORKER_BYTES + held),
            ((rates[outcomes] + beside) * size.cases + size.seconds) / workers,
        )
        costs.append(_beside_kept(_less(whole, here), here))
    for other in study.beside:
        lung = other.file.lung
        with other.catalogue.active():
            found = study_costs(other, folder / lung, workers, fresh=fresh)
        costs += [replace(cost, name=f"{lung}/{cost.name}") for cost in found]
    return costs


def _less(cost: Cost, here: Standing | None) -> Cost:
    """Return the cost of what is new: by cases where pieces count them, else by pieces."""
    if here is None or not here.kept:
        return cost
    left = here.new / (here.new + here.kept)
    if left and here.cases:
        left = max(0.0, 1.0 - here.cases / cost.cases)
    return replace(
        cost,
        cases=round(left * cost.cases),
        disk=left * cost.disk,
        seconds=left * cost.seconds,
    )


def _beside_kept(cost: Cost, here: Standing | None) -> Cost:
    if here is None:
        return cost
    return replace(cost, kept=here.kept, new=here.new, why=here.why, adds=here.adds)


def check_costs(protocol: Protocol, workers: int) -> list[Cost]:
    """Return the expected costs of every part of a check; nothing is written."""
    limits = protocol.limits.outcomes
    each = seconds_per_case(
        protocol.lung.name,
        protocol.groups[0].population,
        protocol.fixed,
        limits,
        [protocol.limits],
    )
    memory = workers * (WORKER_BYTES + _DOUBLE * (len(limits) + 4) * protocol.lungs)
    return [
        Cost(name, n, 0.0, memory, n * (each + _BESIDE_CHECK) / workers)
        for name, part in PARTS.items()
        if (n := part.cases(protocol))
    ]


def policy_costs(
    policies: Mapping[str, Policy], conventional: Policy | None, workers: int
) -> list[Cost]:
    """Return the expected costs of simulating policies by name; nothing is written.

    Parameters
    ----------
    policies : mapping of str to Policy
        What is simulated.
    conventional : Policy or None
        Whether the first one is checked, beside its start, a fixed setting and the usual way.
    workers : int
        Processes.
    """
    costs = []
    for name, policy in policies.items():
        protocol = policy.protocol
        each = seconds_per_case(
            protocol.lung.name,
            protocol.groups[0].population,
            protocol.fixed,
            policy.outcomes,
            [protocol.limits],
        )
        patients = protocol.lungs * len(protocol.groups)
        minutes = patients * policy.hours * 60
        changes = policy.hours if policy.disease else _CHANGES_A_DAY * policy.hours / 24.0
        solved = round(patients * (1.0 + changes))
        calls = len(protocol.groups) * policy.hours * 60
        one = solved * each + minutes * _PATIENT_MINUTE + calls * _GROUP_MINUTE
        memory = workers * WORKER_BYTES + patients * _PATIENT_BYTES
        arms = {name: 1.0}
        if conventional is not None:
            arms |= {"start left alone": 0.5, "best fixed setting": 0.7, "conventional": 1.5}
            share = min(1.0, OUTER_PATIENTS / protocol.lungs) * (1 + protocol.knowledge)
            arms |= {"knowledge": share} if protocol.knowledge else {}
            if policy.mend is not None:
                tried = policy.mend.evaluations + FRESH * (CERTIFIED + 1)
                arms |= {"mended": tried * policy.mend.patients / protocol.lungs}
        costs += [
            Cost(arm, round(times * solved), 0.0, memory, times * one / workers)
            for arm, times in arms.items()
        ]
    return costs


def approve(costs: Sequence[Cost], folder: Path, *, yes: bool) -> None:
    """Refuse what the machine cannot hold, and a long or large run that was not confirmed.

    Parameters
    ----------
    costs : sequence of Cost
        Of all that is about to run.
    folder : Path
        Where results go; need not be there yet.
    yes : bool
        Whether a long or large run was confirmed.

    Raises
    ------
    TooLargeError
        If disk or memory do not suffice.
    EbbmapError
        If the run needs `yes`.
    """
    check_room(costs, folder)
    disk, seconds = sum(cost.disk for cost in costs), sum(cost.seconds for cost in costs)
    if (seconds > LONG_SECONDS or disk > LARGE_BYTES) and not yes:
        raise EbbmapError(
            f"a run of more than {LONG_SECONDS / 3600:g} hour or {LARGE_BYTES / 1e9:g} GB needs "
            f"--yes; this one takes about {seconds / 3600:,.1f} hours and {disk / 1e9:,.1f} GB. "
            "See its parts with --dry-run, then start it with --yes, or make it smaller."
        )


def seconds_per_case(
    lung: str,
    group: Population | None,
    fixed: Mapping[str, float],
    outcomes: Sequence[str],
    rules: Iterable[LimitSet],
) -> float:
    """Return the time of one case [s], solved and judged, measured on a few lungs."""
    model = lung_model(lung)
    todo = plan(model, tuple(outcomes))
    drawn = group.sample(_TRIAL_MOST, seed=0) if group else {}
    values: dict[str, Any] = {
        name: np.clip(array, PARAMETERS[name].low, PARAMETERS[name].high)
        for name, array in drawn.items()
        if name in todo.parameters and name not in fixed
    }
    given = {name: np.asarray(value) for name, value in fixed.items()}
    values = resolve({**values, **given}, todo.parameters)
    values["t_low"] = np.linspace(0.2, 1.2, _TRIAL_MOST)
    cases, rules, before = _TRIAL_CASES, tuple(rules), 0.0
    # the first call of all pays for what is set up once
    evaluate(model, {n: v[:1] if np.ndim(v) else v for n, v in values.items()}, todo.outcomes)
    while True:
        trial = {n: value[:cases] if np.ndim(value) else value for n, value in values.items()}
        start = time.perf_counter()
        solved = evaluate(model, trial, todo.outcomes)
        for limits in rules:
            judge(limits, solved.outcomes)
        seconds = time.perf_counter() - start
        steady = seconds > _TRIAL_SECONDS and seconds / cases > before / 2.0
        if seconds > _TRIAL_LONG or (steady and before) or cases >= _TRIAL_MOST:
            return seconds / cases
        before = seconds / cases
        cases *= 8
