"""The keys of what each command prints with --json: read by help, docs and tests.

A dot leads into an object, [] into each entry of a list; a word in capitals stands for names that
the answer brings along. A key is never renamed or dropped without an entry in the changelog.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

_CAUTION = {"caution": "research and teaching only"}

_COSTS = {
    "costs[].name": "analysis, or part of a check",
    "costs[].cases": "cases to solve, at most",
    "costs[].disk_bytes": "bytes kept, before compression",
    "costs[].memory_bytes": "bytes of memory, all workers together",
    "costs[].seconds": "expected time with all workers",
    "costs[].blocks": "blocks left to do, where a sweep streams; else 0",
}

_HELD = {
    "lung": "lung model",
    "held": "what was held, defaults marked",
}

_TABLES = {
    "title": "what the table shows",
    "columns[].title": "name of a column",
    "columns[].units": "its unit (UDUNITS); 1 for texts and pure numbers",
    "rows[][]": "cells: text, number, null, or [value, lower, upper], and two more for knowledge",
    "notes[]": "sentences under the table",
}

#: Key -> meaning, by command.
KEYS: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "cycle": {
            **_CAUTION,
            "lung": "lung model",
            "parameters.NAME.value": "value of a parameter that entered",
            "parameters.NAME.units": "its unit",
            "parameters.NAME.default": "whether nobody gave it",
            "outcomes.NAME.value": "value of an outcome; null if it could not be computed",
            "outcomes.NAME.units": "its unit",
            "status": "ok, not_converged, out_of_domain or no_steady_state",
            "status_words": "why there is no steady state, and how long CO2 takes to its ceiling; "
            "empty where there is one",
        },
        "window": {
            **_CAUTION,
            **_HELD,
            "units": "unit of every time",
            "windows[].state": "window, no_window or undetermined",
            "windows[].pieces[].lower": "shortest T low of a piece",
            "windows[].pieces[].upper": "longest T low of a piece",
            "windows[].pieces[].lower_bound": "what closes it below",
            "windows[].pieces[].upper_bound": "what closes it above",
            "windows[].best": "T low with the largest margin",
            "windows[].best_margin": "the margin there",
            "windows[].best_piece": "number of the piece that it lies in",
            "windows[].widest_piece": "number of the widest piece",
            "windows[].shorter_fails": "limit that a shorter T low breaks",
            "windows[].longer_fails": "limit that a longer T low breaks",
        },
        "adjust": {
            **_CAUTION,
            **_HELD,
            "units.NAME": "unit of each change",
            "best_single": "step that clears most CO2 within the limits",
            "best_pair": "pair of steps that does",
            "moves[].move": "one step, or a pair of steps",
            "moves[].possible": "whether settings stay in bounds and where practice stops",
            "moves[].stopped": "why the move is not tried; empty if it is",
            "moves[].unsteady": "why there is no steady state; empty if there is one",
            "moves[].margin": "least margin after the move",
            "moves[].verdict": "safe, caution, unsafe or undetermined",
            "moves[].NAME": "change of an outcome",
            "against_common_practice[].practice": "a practice that the model contradicts here",
            "against_common_practice[].source": "where it comes from",
            "against_common_practice[].why": "through what the model contradicts it",
        },
        "wean": {
            **_CAUTION,
            **_HELD,
            "units.NAME": "unit of each value of a step",
            "routes.NAME.first_unsafe": "number of the first unsafe step, at which weaning stops "
            "and goes back; -1 if none",
            "routes.NAME.leaves": "limit that is broken there",
            "routes.NAME.steps[].NAME": "value at each step, up to the first unsafe one",
            "routes.NAME.steps[].unsteady": "why there is no steady state; empty if there is one",
        },
        "fit": {
            **_CAUTION,
            "lung": "lung model",
            "properties.NAME.estimate": "median of the posterior",
            "properties.NAME.lower": "lower end of the 90 % interval",
            "properties.NAME.upper": "upper end of the 90 % interval",
            "properties.NAME.units": "unit of all three",
            "identifiable.NAME": "whether the trace determines the property",
            "better_lung": "another lung that explains the trace better; null if none does",
            "correlations.NAME.NAME": "correlation of two properties in the posterior",
            "lungs.NAME.held_out": "root mean square of flow in samples left out of the fit",
            "lungs.NAME.units": "its unit",
            "disagreeing[]": "lungs that explain the trace as well with another compliance",
            "disturbances.NAME.estimate": "offset, drift or leak found beside the lung",
            "disturbances.NAME.error": "its standard error, the lung given",
            "disturbances.NAME.units": "unit of both",
            "settings.NAME.value": "what was set, read off the trace",
            "settings.NAME.units": "its unit",
            "cycles": "whole cycles used",
            "settled": "whether cycles are taken to repeat themselves",
            "noise": "standard deviation of a sample of flow [L/s]",
            "structure": "what is left of the flow once the lung is taken out",
            "effort_suspected": "whether the patient may breathe",
            "not_measurable[]": "properties that flow does not depend on",
            "held": "other properties, as they were held",
            "prior": "what was known beforehand",
            "posterior": "how the posterior was drawn",
            "notes[]": "all of this in sentences",
            "follow.limits": "what is safe, with --follow",
            "follow.inside[].t_low": "T low [s]",
            "follow.inside[].probability": "probability that it keeps every hard limit",
            "follow.steps[].step": "one step from the settings of the trace",
            "follow.steps[].probability": "probability of being safe after it; null out of bounds",
            "follow.next.NAME.NAME": "expected narrowing of a property by a measurement",
        },
        "run": {
            **_CAUTION,
            "title": "title of the study",
            "notes[]": "defaults that enter, and what may leave its bounds",
            "folder": "folder of the results",
            "figures": "folder of the pictures",
            **_COSTS,
            "results[].name": "stem of a result's file",
            "results[].analysis": "its analysis, as in the study file",
            "results[].file": "where it lies",
            "results[].pictures[]": "pictures and their texts",
            "results[].held": "what was held, averaged over and drawn",
            **{f"results[].tables[].{key}": text for key, text in _TABLES.items()},
        },
        "check": {
            **_CAUTION,
            "title": "title of the protocol",
            "notes[]": "what may leave its bounds",
            **_COSTS,
            "holds": "whether the draft holds; null with --dry-run",
            "groups.NAME.grade": "safe, caution, unsafe, undetermined or excluded",
            "groups.NAME.wanted": "share of combinations that has to be safe",
            "groups.NAME.safe": "share that is safe, caution included",
            "groups.NAME.interval[]": "its 95 % interval: lower, upper",
            "groups.NAME.unsteady_share": "share without a steady state of CO2 or oxygen; null "
            "where no limit asks for one",
            "groups.NAME.none_share": "share of lungs with no safe setting",
            "groups.NAME.fails_most": "limit that fails most often; null if none does",
            "answer": "the verdict in words; null with --dry-run",
            "unjudged": "what the draft's limits leave out; null with --dry-run",
            "needs[]": "what would hold, by group",
            "report": "the report's page; null with --dry-run",
        },
        "diff": {
            **_CAUTION,
            "changes[]": "what changed between the drafts",
            "groups.NAME.before.safe": "safe share under the first draft",
            "groups.NAME.before.grade": "its grade",
            "groups.NAME.after.safe": "safe share under the second draft",
            "groups.NAME.after.grade": "its grade",
            "groups.NAME.change": "change of the safe share of lungs that get the mode in both",
            "groups.NAME.interval[]": "its 95 % interval: lower, upper",
            "groups.NAME.gain": "share of lungs that gain",
            "groups.NAME.lose": "share of lungs that lose",
            "groups.NAME.let_in": "share of lungs that get the mode under the second draft only",
            "groups.NAME.left_out": "share of lungs that get it under the first draft only",
            "result": "file of the result; null without --out",
        },
        "status": {
            **_CAUTION,
            "started": "when the first run began, UTC",
            "running": "whether a run is at work now",
            "workers": "processes of that run, or of the last one",
            "parts[].name": "analysis, or part of a check",
            "parts[].pieces": "pieces that are known to be needed",
            "parts[].done": "pieces that are finished",
            "parts[].cases": "cases behind the finished pieces",
            "parts[].all_cases": "all cases, if known beforehand; else 0",
            "parts[].rate": "cases per second of one worker; null before the first piece",
            "parts[].seconds_left": "work left, of one worker; null before the first piece",
            "damage[]": "files that are not as they were written; null without --verify",
        },
        "studies": {
            **_CAUTION,
            "bundled[].command": "run or check",
            "bundled[].name": "name that the command takes",
            "bundled[].title": "title of the file",
            "bundled[].question": "its question",
            "copied[]": "files that were written with --copy",
        },
        "describe": {
            **_CAUTION,
            "parameters.NAME.long_name": "name in words",
            "parameters.NAME.units": "unit",
            "parameters.NAME.kind": "setting, lung property, patient or gas exchange",
            "parameters.NAME.low": "lower bound",
            "parameters.NAME.high": "upper bound",
            "parameters.NAME.usual_low": "lower end of adult practice",
            "parameters.NAME.usual_high": "upper end of adult practice",
            "parameters.NAME.default": "value where nobody gives one",
            "parameters.NAME.choices[]": "words of a category, coded 0, 1, ...",
            "parameters.NAME.source": "where the usual range comes from",
            "outcomes.NAME.long_name": "name in words",
            "outcomes.NAME.units": "unit",
            "outcomes.NAME.comment": "what else there is to know",
            "outcomes.NAME.source": "where its equation comes from",
            "limits.NAME.long_name": "name in words",
            "limits.NAME.limits[].outcome": "outcome that is limited",
            "limits.NAME.limits[].side": "low or high",
            "limits.NAME.limits[].value": "the bound, in the outcome's unit",
            "limits.NAME.limits[].severity": "hard or caution",
            "limits.NAME.limits[].sentence": "what breaks the limit",
            "limits.NAME.limits[].why": "where the bound comes from",
            "limits.NAME.together[]": "which bounds bound one quantity or exclude each other",
            "study.title": "of a study: its title; the keys above are absent then",
            **{f"study.tables[].{key}": text for key, text in _TABLES.items()},
            "populations.NAME.properties.NAME.family": "family of the distribution",
            "populations.NAME.properties.NAME.centre": "its centre",
            "populations.NAME.properties.NAME.spread": "its spread",
            "populations.NAME.properties.NAME.confirmed": "how the source was read",
            "populations.NAME.properties.NAME.source": "where it comes from",
            "lungs.NAME.long_name": "name in words",
            "lungs.NAME.parameters[]": "parameters of the lung model",
            "lungs.NAME.source": "where its equations come from",
        },
        "figures": {
            **_CAUTION,
            "folder": "folder of the pictures",
            "written[]": "files that were written",
            "problems[]": "where names or texts differ from the folder, with --check",
        },
        "validate": {
            **_CAUTION,
            "counts.NAME": "findings with each verdict",
            "findings[].name": "what was measured",
            "findings[].subject": "what it belongs to",
            "findings[].units": "unit of its numbers",
            "findings[].published[]": "published interval: lower, upper",
            "findings[].value": "number of the model; null if it cannot be compared",
            "findings[].lungs_drawn[]": "its 95 % interval of the lungs drawn: lower, upper",
            "findings[].knowledge[]": "its 95 % interval of knowledge: lower, upper",
            "findings[].within_reach": "whether both intervals together reach the published one",
            "findings[].lungs": "lungs drawn; 0 if the number hangs on none",
            "findings[].verdict": "agrees, set by it, disagrees or not comparable",
            "findings[].why": "why it disagrees or cannot be compared",
            "findings[].note": "what was assumed to compare the two",
            "findings[].how": "how the model was measured",
            "findings[].source": "where it was published",
            "findings[].grade": "read, transcription, memory or derived",
            "written[]": "files that were written, with --out",
        },
        "teach": {
            **_CAUTION,
            **_HELD,
            "page": "file of the page",
        },
        "schema": {},
    }
)

#: Key -> meaning, of `check` with a policy.
POLICY_KEYS: Mapping[str, str] = MappingProxyType(
    {
        **_CAUTION,
        "title": "title of the policy",
        "notes[]": "the source, what it leaves out, what is the project's own",
        **_COSTS,
        "findings[].kind": "contradiction, gap, never_fires, step_too_coarse, cap_before_goal or "
        "too_rare",
        "findings[].where": "file and line",
        "findings[].sentence": "what is wrong",
        "findings[].rules[]": "the rules concerned",
        "findings[].region": "measured values, or settings, where it holds; null without a region",
        "holds": "whether each group and everybody is surely safe enough at the end; null with "
        "--dry-run",
        "groups.NAME.patients": "patients who get the mode",
        "groups.NAME.wanted": "share that has to be safe",
        "groups.NAME.safe_at.NAME.share": "share in the mode and within every hard limit after "
        "1, 6, 24 and 48 h; null past the end",
        "groups.NAME.safe_at.NAME.interval[]": "its 95 % interval, patients drawn: lower, upper",
        "groups.NAME.safe_at.NAME.knowledge_interval[]": "that of what is not known of the "
        "population; null where the file does not ask for it",
        "groups.NAME.arrived.share": "share that is ever safe",
        "groups.NAME.arrived.interval[]": "its 95 % interval, patients drawn: lower, upper",
        "groups.NAME.arrived.knowledge_interval[]": "that of what is not known of the population",
        "groups.NAME.against.NAME.NAME.share": "share of the same patients that is safe with the "
        "start left alone, at the best fixed setting, on conventional ventilation; by hour",
        "groups.NAME.against.NAME.NAME.gained": "share that is safe by the policy only",
        "groups.NAME.against.NAME.NAME.forgone": "share that is safe by the other only",
        "groups.NAME.against.NAME.NAME.difference": "safe share by the policy less by the other",
        "groups.NAME.against.NAME.NAME.interval[]": "its 95 % interval, paired: lower, upper",
        "groups.NAME.never_safe": "share that is never safe",
        "groups.NAME.first_safe": "middle time to the first safe state [s]; null if nobody is",
        "groups.NAME.left_the_mode": "share that left the mode",
        "groups.NAME.left_interval[]": "its 95 % interval: lower, upper",
        "groups.NAME.left_knowledge_interval[]": "that of what is not known of the population",
        "groups.NAME.left_because[].criterion": "a criterion in the file's words",
        "groups.NAME.left_because[].share": "share that left by it",
        "groups.NAME.oscillating.share": "share with a setting moved up and down again",
        "groups.NAME.oscillating.interval[]": "its 95 % interval, patients drawn: lower, upper",
        "groups.NAME.oscillating.knowledge_interval[]": "that of what is not known",
        "groups.NAME.changes_a_day.mean": "changes at the bedside per patient and day",
        "groups.NAME.changes_a_day.interval[]": "its 95 % interval, patients drawn: lower, upper",
        "groups.NAME.changes_a_day.knowledge_interval[]": "that of what is not known",
        "groups.NAME.outside[].limit": "a hard limit",
        "groups.NAME.outside[].hours": "mean hours outside it",
        "groups.NAME.outside[].interval[]": "their 95 % interval, patients drawn: lower, upper",
        "groups.NAME.outside[].worst": "hours of the worst one in twenty",
        "groups.NAME.outside[].harm": "mean distance beyond it, in its widths, times hours",
        "answer": "three sentences; null with --dry-run",
        "mended[].changes": "what is changed in the rules; the policy as it is comes first",
        "mended[].safe": "share of all patients of the search who are safe at the end",
        "mended[].gain": "its change beside the policy as it is",
        "mended[].interval[]": "its 95 % interval, paired: lower, upper",
        "mended[].changes_a_day": "changes at the bedside per patient and day",
        "mended[].front": "whether none is safe for more with no more changes",
        "mended[].fresh_safe": "the share on fresh patients; null where it was not tried on them",
        "mended[].fresh_gain": "the change on fresh patients",
        "mended[].fresh_interval[]": "its 95 % interval, paired: lower, upper",
        "result": "file of the result (NetCDF); null with --dry-run",
        "report": "file of the report (HTML); null with --dry-run",
    }
)

#: Of `ebbmap diff POLICY POLICY`.
POLICY_DIFF_KEYS: Mapping[str, str] = MappingProxyType(
    {
        **_CAUTION,
        "changes[]": "which rules changed",
        "sentences[]": "who gains and who loses, by group",
        "groups.NAME.before.safe": "safe share by the first policy at the end",
        "groups.NAME.after.safe": "safe share by the second policy at the end",
        "groups.NAME.change": "change of the safe share, same patients",
        "groups.NAME.interval[]": "its 95 % interval, paired: lower, upper",
        "groups.NAME.gain": "share of patients who are safe by the second policy only",
        "groups.NAME.lose": "share of patients who are safe by the first policy only",
        "groups.NAME.more_changes": "changes per patient and day by the second less by the first",
        "groups.NAME.by_hour.NAME.share": "safe share by the first policy after some hours",
        "groups.NAME.by_hour.NAME.difference": "change of the safe share then",
        "groups.NAME.by_hour.NAME.interval[]": "its 95 % interval, paired: lower, upper",
        "groups.NAME.by_hour.NAME.gained": "share safe by the second policy only",
        "groups.NAME.by_hour.NAME.forgone": "share safe by the first policy only",
        "result": "file of the result; null without --out",
    }
)


def keys_text(command: str) -> str:
    """Return the keys of a command as lines for its help; empty if it has none of its own.

    Examples
    --------
    >>> keys_text("teach").splitlines()[1:3]
    ['  caution: research and teaching only', '  lung: lung model']
    """
    keys = KEYS.get(command)
    if not keys:
        return ""
    lines = ["Keys of --json:", *(f"  {key}: {meaning}" for key, meaning in keys.items())]
    if command == "diff":
        lines += ["Keys for policies:", *(f"  {k}: {t}" for k, t in POLICY_DIFF_KEYS.items())]
    if command == "check":
        lines += ["Keys for a policy:", *(f"  {k}: {text}" for k, text in POLICY_KEYS.items())]
    return "\n".join(lines)
