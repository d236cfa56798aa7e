"""The whole check of a policy's rules, without simulating anything."""

from __future__ import annotations

from ebbmap.policies import exact, on_lungs
from ebbmap.policies.body import Bodies
from ebbmap.policies.findings import KINDS, Finding
from ebbmap.policies.language import Policy

#: What looks at rules alone.
EXACT = (
    exact.contradictions,
    exact.gaps,
    exact.never_fire,
    exact.start_past_caps,
    exact.too_seldom,
)


def check_rules(policy: Policy, *, lungs: int = on_lungs.LUNGS) -> list[Finding]:
    """Return everything that is found wrong with the rules of a policy.

    Parameters
    ----------
    policy : Policy
        The policy.
    lungs : int
        Patients of each group that are looked at, settled; 0: rules alone are looked at.

    Returns
    -------
    list of Finding
        By kind, then by line.
    """
    found = [one for look in EXACT for one in look(policy)]
    if lungs:
        bodies = Bodies(policy)
        starts = on_lungs.groups_at_start(policy, bodies, lungs)
        found = [on_lungs.with_shares(one, starts) for one in found]
        found += [one for look in on_lungs.LOOKS for one in look(policy, bodies, starts)]
    return sorted(found, key=lambda one: (KINDS.index(one.kind), one.line))
