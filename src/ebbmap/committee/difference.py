"""Two drafts side by side: who gains, who loses, and by how much, on the same lungs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, together
from ebbmap.cases.uses import Use, use_words
from ebbmap.committee.counting import GroupCount, count_pieces
from ebbmap.committee.draft import SETTINGS
from ebbmap.committee.joint import of_group
from ebbmap.committee.lungs import question_of
from ebbmap.committee.moved import moved_sentence
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.committee.verdict import COMBINATIONS, LEVEL, find_verdict, share_with_interval
from ebbmap.committee.words import say_eligible, say_setting
from ebbmap.digits import share_text
from ebbmap.errors import EbbmapError
from ebbmap.kernels.shares import share_words
from ebbmap.kernels.tally import paired_interval
from ebbmap.registries.parameters import PARAMETERS

#: A lung gains or loses where its safe share of the range moves by at least this much.
MOVED = 0.05


def _interval(method: str) -> Variable:
    return Variable("its interval", attrs={"ci_level": LEVEL, "ci_method": method})


VARIABLES: Mapping[str, Variable] = {
    "grade": Variable("grade", None),
    "safe_share": Variable(share_words("safe_share", COMBINATIONS)),
    "same_share": Variable("safe share of lungs that get the mode under both drafts"),
    "gain_sentence": Variable("who gains, and why", None),
    "lose_sentence": Variable("who loses, and why", None),
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
    if not (old.differs or new.differs):
        return {"old": count_pieces(old), "new": count_pieces(new)}
    return {
        f"{draft} {group.name}": count_pieces(of_group(protocol, _named(protocol, group.name)))
        for draft, protocol in (("old", old), ("new", new))
        for group in groups
    }


def on_common_lungs(old: Protocol, new: Protocol) -> tuple[Protocol, Protocol, list[str]]:
    """Return two drafts that meet the same lungs, and what had to be made alike for that.

    Parameters
    ----------
    old, new : Protocol
        Of any seeds and numbers of lungs.

    Returns
    -------
    old, new : Protocol
        With the seed of the first file, and the smaller number of lungs.
    notes : list of str
        A sentence for each that was changed.
    """
    lungs = min(old.lungs, new.lungs)
    notes = []
    if old.seed != new.seed:
        notes.append(f"Both are tried on the lungs of the first file's seed, {old.seed}.")
    if old.lungs != new.lungs:
        notes.append(f"Both are tried on {lungs:,} lungs of each group, the fewer of the two.")
    before, after = (
        replace(
            one,
            seed=old.seed,
            lungs=lungs,
            stated={**one.stated, "seed": old.seed, "lungs": lungs},
        )
        for one in (old, new)
    )
    return before, after, notes


def _named(protocol: Protocol, name: str) -> Group:
    return next(group for group in protocol.groups if group.name == name)


def _shared(old: Protocol, new: Protocol) -> list[Group]:
    return [g for g in old.groups if g.name in {h.name for h in new.groups}]


def join_difference(
    old: Protocol, new: Protocol, found: Mapping[str, list[GroupCount]]
) -> xr.Dataset:
    """Compare what `difference_parts` came to."""
    groups = _shared(old, new)
    names = [group.name for group in groups]
    counts = [
        {c.group.name: c for key, one in found.items() if key.split(" ")[0] == draft for c in one}
        for draft in ("old", "new")
    ]
    pairs = [(of_group(old, _named(old, name)), of_group(new, _named(new, name))) for name in names]
    verdicts = [
        xr.concat(
            [
                find_verdict(pair[i], [counts[i][name]])[["grade", "safe_share"]].sel(group=[name])
                for name, pair in zip(names, pairs, strict=True)
            ],
            dim="group",
        )
        for i in (0, 1)
    ]
    rows = [
        _row((counts[0][name], counts[1][name]), pair)
        for name, pair in zip(names, pairs, strict=True)
    ]
    both = ("draft", "group")
    shares: dict[str, Any] = {
        "grade": (both, [v["grade"].sel(group=names).values.astype(str) for v in verdicts]),
        "safe_share": (both, [v["safe_share"].sel(group=names).values for v in verdicts]),
    }
    shares["same_share"] = (both, np.array([row["same"] for row in rows]).T)
    for key in ("gain_sentence", "lose_sentence"):
        shares[key] = ("group", [row[key] for row in rows])
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


def _row(
    counts: tuple[GroupCount, GroupCount], protocols: tuple[Protocol, Protocol]
) -> dict[str, Any]:
    old, new = counts
    n = old.drawn.asked
    before, after = np.full(n, np.nan), np.full(n, np.nan)
    for table, one in ((before, old), (after, new)):
        if one.inside is not None:
            table[one.drawn.number] = one.inside.safe_share
    moved = (after - before)[~np.isnan(after - before)]
    change = np.nan_to_num(after - before)
    same = ~np.isnan(after - before)
    had, has = ~np.isnan(before), ~np.isnan(after)
    unknown = (np.nan, np.nan, np.nan)
    return {
        "difference": paired_interval(moved, LEVEL) if moved.size > 1 else unknown,
        "same": [float(table[same].mean()) if same.any() else np.nan for table in (before, after)],
        "gain_sentence": moved_sentence(old.group.name, "gain", change >= MOVED, counts, protocols),
        "lose_sentence": moved_sentence(
            old.group.name, "lose", change <= -MOVED, counts, protocols
        ),
        "gain": share_with_interval(moved >= MOVED),
        "lose": share_with_interval(moved <= -MOVED),
        "let_in": share_with_interval(has & ~had),
        "left_out": share_with_interval(had & ~has),
    }


def changes(old: Protocol, new: Protocol) -> list[str]:
    """Return which settings, rules, criteria and limits changed, one sentence each."""
    said = _changes(old, new)
    for group in _shared(old, new) if old.differs or new.differs else ():
        pair = [of_group(p, _named(p, group.name)) for p in (old, new)]
        said += [f"{group.name}: {one}" for one in _changes(*pair) if one not in said]
    return said


def _changes(old: Protocol, new: Protocol) -> list[str]:
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
        said.append(f"wanted: {share_text(old.wanted)} -> {share_text(new.wanted)}")
    return said
