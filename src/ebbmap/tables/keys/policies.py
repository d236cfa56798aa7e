"""Keys of --json where a command is given policies."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from ebbmap.tables.keys.shared import CAUTION_KEYS, COSTS_KEYS, EXPLAINED_KEYS

#: Key -> meaning, of `check` with a policy.
POLICY_KEYS: Mapping[str, str] = MappingProxyType(
    {
        **CAUTION_KEYS,
        "title": "title of the policy",
        **EXPLAINED_KEYS,
        "notes[]": "the source, what it leaves out, what is the project's own",
        **COSTS_KEYS,
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
        "engine": "what moved the patients, and in which precision; null with --dry-run",
        "report": "file of the report (HTML); null with --dry-run",
    }
)

#: Of `ebbmap diff POLICY POLICY`.
POLICY_DIFF_KEYS: Mapping[str, str] = MappingProxyType(
    {
        **CAUTION_KEYS,
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
