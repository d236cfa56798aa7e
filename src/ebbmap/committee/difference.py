"""Two drafts side by side: who gains, who loses, and by how much, on the same lungs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, together
from ebbmap.cases.uses import Use, use_words
from ebbmap.committee.counting import GroupCount, count_pieces
from ebbmap.committee.draft import SETTINGS, Draft
from ebbmap.committee.lungs import question_of
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.committee.verdict import COMBINATIONS, LEVEL, find_verdict, share_with_interval
from ebbmap.errors import EbbmapError
from ebbmap.kernels.shares import share_words
from ebbmap.kernels.tally import paired_interval
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: A lung gains or loses where its safe share of the range moves by at least this much.
MOVED = 0.05


def _interval(method: str) -> Variable:
    return Variable("its interval", attrs={"ci_level": LEVEL, "ci_method": method})


VARIABLES: Mapping[str, Variable] = {
    "grade": Variable("grade", None),
    "safe_share": Variable(share_words("safe_share", COMBINATIONS)),
    "difference": Variable("change of the safe share, same lungs"),
    "difference_interval": _interval("paired, Student's t; none where fewer than ten lungs move"),
    "gain": Variable("share of lungs that gain"),
    "gain_interval": _interval("Wilson score"),
    "lose": Variable("share of lungs that lose"),
    "lose_interval": _interval("Wilson score"),
    "let_in": Variable("share of lungs that get the mode now"),
    "let_in_interval": _interval("Wilson score"),
    "left_out": Variable("share of lungs that no longer get the mode"),
    "left_out_interval": _interval("Wilson score"),
}


def compare_drafts(old: Protocol, new: Protocol) -> xr.Dataset:
    """Try two drafts on the same lungs.

    Parameters
    ----------
    old, new : Protocol
        Files with the same seed, number of lungs and lung model, so that both meet the same
        lungs. The limits may differ; each draft is judged by its own.

    Returns
    -------
    xarray.Dataset
        Dims (group, ...): safe share under both, their paired `difference` with its interval
        among lungs that get the mode in both, shares of lungs that `gain`, `lose`, and are
        `let_in` or `left_out`; grades under both.

    Raises
    ------
    EbbmapError
        If the files share no population, or do not meet the same lungs.
    """
    return together(
        difference_parts(old, new), lambda found: join_difference(old, new, found)
    ).whole()


def difference_parts(old: Protocol, new: Protocol) -> dict[str, Pieces[list[GroupCount]]]:
    """Cut a comparison into its drafts, and these into pieces; see `compare_drafts`.

    Raises
    ------
    EbbmapError
        If the files share no population, or do not meet the same lungs.
    """
    for key in ("seed", "lungs", "lung"):
        one, other = old.stated[key], new.stated[key]
        if one != other:
            raise EbbmapError(
                f"both files must have the same {key}; got {one} and {other}. Drafts are compared "
                "on the same lungs."
            )
    groups = _shared(old, new)
    if not groups:
        raise EbbmapError("the files share no population. Nothing can be compared.")
    for group in groups:
        twin = next(h for h in new.groups if h.name == group.name)
        if twin.population != group.population:
            raise EbbmapError(f"{group.name} is defined differently in the two files.")
    return {"old": count_pieces(old), "new": count_pieces(new)}


def _shared(old: Protocol, new: Protocol) -> list[Group]:
    return [g for g in old.groups if g.name in {h.name for h in new.groups}]


def join_difference(
    old: Protocol, new: Protocol, found: Mapping[str, list[GroupCount]]
) -> xr.Dataset:
    """Compare what `difference_parts` came to."""
    groups = _shared(old, new)
    counts = [{c.group.name: c for c in found[draft]} for draft in ("old", "new")]
    verdicts = [find_verdict(p, list(c.values())) for p, c in zip((old, new), counts, strict=True)]
    rows = [_row(*(c[group.name] for c in counts)) for group in groups]
    names = [group.name for group in groups]
    both = ("draft", "group")
    shares: dict[str, Any] = {
        "grade": (both, [v["grade"].sel(group=names).values.astype(str) for v in verdicts]),
        "safe_share": (both, [v["safe_share"].sel(group=names).values for v in verdicts]),
    }
    for key in ("difference", "gain", "lose", "let_in", "left_out"):
        table = np.array([row[key] for row in rows])
        shares[key] = ("group", table[:, 0])
        shares[f"{key}_interval"] = (("group", "ci_bound"), table[:, 1:])
    coords = {"group": names, "draft": ["old", "new"], "ci_bound": ["lower", "upper"]}
    data = label_variables(xr.Dataset(shares, coords), VARIABLES)
    words = [
        use_words(question_of(p), Use(tuple(p.draft.rules), outcomes=p.limits.outcomes))
        for p in (old, new)
    ]
    for key in ("fixed", "averaged_over", "conditioned_on", "lungs_from"):
        said = [one[key] for one in words]
        data.attrs[key] = said[0] if said[0] == said[1] else f"old: {said[0]}; new: {said[1]}"
    data.attrs["changes"] = "\n".join(changes(old, new)) or "no setting changed"
    return data


def _row(old: GroupCount, new: GroupCount) -> dict[str, tuple[float, float, float]]:
    n = old.drawn.asked
    before, after = np.full(n, np.nan), np.full(n, np.nan)
    for table, one in ((before, old), (after, new)):
        if one.inside is not None:
            table[one.drawn.number] = one.inside.safe_share
    moved = (after - before)[~np.isnan(after - before)]
    had, has = ~np.isnan(before), ~np.isnan(after)
    unknown = (np.nan, np.nan, np.nan)
    return {
        "difference": paired_interval(moved, LEVEL) if moved.size > 1 else unknown,
        "gain": share_with_interval(moved >= MOVED),
        "lose": share_with_interval(moved <= -MOVED),
        "let_in": share_with_interval(has & ~had),
        "left_out": share_with_interval(had & ~has),
    }


def changes(old: Protocol, new: Protocol) -> list[str]:
    """Return which settings, rules, criteria and limits changed, one sentence each."""
    said = []
    for name in SETTINGS:
        one, other = say_setting(old.draft, name), say_setting(new.draft, name)
        if one != other:
            said.append(f"{PARAMETERS[name].long_name}: {one} -> {other}")
    before, after = say_eligible(old), say_eligible(new)
    if before != after:
        said.append(f"who gets the mode: {before} -> {after}")
    bounds = [
        {(b.sentence, b.severity) for b in (*p.limits.hard, *p.limits.caution)} for p in (old, new)
    ]
    said += [f"limit dropped: {s} ({kind})" for s, kind in sorted(bounds[0] - bounds[1])]
    said += [f"limit added: {s} ({kind})" for s, kind in sorted(bounds[1] - bounds[0])]
    if old.wanted != new.wanted:
        said.append(f"wanted: {old.wanted:.0%} -> {new.wanted:.0%}")
    return said


def say_setting(draft: Draft, name: str) -> str:
    """Return how the draft sets one setting, in words."""
    unit = display(PARAMETERS[name].units)
    rule = draft.rules.get(name)
    if rule is None:
        return f"{draft.spans[name].say()} {unit}"
    if rule.kind == "plateau":
        text = f"plateau pressure at {rule.target:g} mL/kg and PEEP {rule.base:g} cmH₂O"
        text += f" {rule.offset:+g} cmH₂O" if rule.offset else ""
    elif rule.kind == "flow_ratio":
        text = f"where flow has fallen to {rule.target:.0%} of its peak"
    else:
        text = f"{draft.spans['t_low_in_time_constants'].say()} x expiratory time constant"
    text += f", measured to {rule.error:.0%}" if rule.error else ""
    text += f", at least {rule.at_least:g} {unit}" if np.isfinite(rule.at_least) else ""
    return text + (f", at most {rule.at_most:g} {unit}" if np.isfinite(rule.at_most) else "")


def say_eligible(protocol: Protocol) -> str:
    """Return who gets the mode, in words."""
    texts = []
    for name, ends in protocol.eligible.items():
        entry = PARAMETERS.get(name) or OUTCOMES[name]
        unit = display(entry.units)
        parts = [f"at least {ends.low:g}"] if np.isfinite(ends.low) else []
        parts += [f"at most {ends.high:g}"] if np.isfinite(ends.high) else []
        texts.append(f"{entry.long_name} {' and '.join(parts)} {unit}".rstrip())
    return "; ".join(texts) or "everybody"
