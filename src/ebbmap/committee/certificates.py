"""Certificates: what a box or a default serves among lungs that it was not found on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ebbmap.committee.draft import Draft
from ebbmap.committee.lungs import (
    CERTIFICATES,
    Drawn,
    corners,
    count,
    draw_lungs,
    unit_settings,
)
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.committee.verdict import ALL, share_with_interval

#: Lungs of a certificate, and its settings, besides the corners.
CERTIFICATE_LUNGS = 4096
CERTIFICATE_SETTINGS = 128


def lungs_of(protocol: Protocol) -> int:
    """Return how many lungs certify."""
    return protocol.size("certificate_lungs", CERTIFICATE_LUNGS)


def settings_of(protocol: Protocol) -> int:
    """Return at how many settings they certify, besides the corners."""
    return protocol.size("certificate_settings", CERTIFICATE_SETTINGS)


def certificate_lungs(protocol: Protocol, name: str, purpose: int) -> list[Drawn]:
    """Draw fresh lungs of a group, or of all groups by their weights."""
    groups: list[Group] = [g for g in protocol.groups if name in (g.name, ALL)]
    draws = [draw_lungs(protocol, g, lungs_of(protocol), purpose) for g in groups]
    if name != ALL:
        return draws
    offered = np.array([g.weight * d.size for g, d in zip(groups, draws, strict=True)])
    if not offered.any():
        return []
    share = offered / offered.sum()
    n = min(d.size / s for d, s in zip(draws, share, strict=True) if s > 0)
    return [d.first(int(n * s)) for d, s in zip(draws, share, strict=True) if int(n * s) > 0]


def serves(protocol: Protocol, draft: Draft, fresh: list[Drawn], name: str) -> np.ndarray:
    """Return which fresh lungs are safe at every fresh setting and at every corner of a box."""
    unit = unit_settings(protocol, draft, settings_of(protocol), name, CERTIFICATES)
    unit = np.concatenate([unit, corners(draft)]) if draft.free else unit
    served = [count(protocol, draft, drawn, unit).safe_share == 1.0 for drawn in _some(fresh)]
    return np.concatenate(served) if served else np.zeros(0, bool)


def _some(fresh: list[Drawn]) -> list[Drawn]:
    """Return the draws in which anybody gets the mode."""
    return [drawn for drawn in fresh if drawn.size]


def certify_default(
    protocol: Protocol, draft: Draft, fresh: list[Drawn], wanted: float
) -> tuple[tuple[float, float, float], float]:
    """Return the share of fresh lungs that a setting serves, and the margin that enough keep.

    NaN where no fresh lung gets the mode.
    """
    counted = [count(protocol, draft, drawn, np.zeros((1, 0))) for drawn in _some(fresh)]
    if not counted:
        return (np.nan, np.nan, np.nan), np.nan
    safe = np.concatenate([one.safe_share == 1.0 for one in counted])
    margin = np.nan_to_num(np.concatenate([one.worst for one in counted]), nan=-np.inf)
    rank = margin.size - int(np.ceil(wanted * margin.size))
    return share_with_interval(safe), float(np.partition(margin, rank)[rank])


def certified(share: Sequence[float] | np.ndarray, wanted: float) -> str:
    """Grade a certificate: surely enough, surely not, or not known."""
    if share[1] >= wanted:
        return "safe"
    return "unsafe" if share[2] < wanted else "undetermined"
