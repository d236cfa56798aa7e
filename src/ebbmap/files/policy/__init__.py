"""The policy file of a committee: what it may say, how it is checked, and what it asks."""

from ebbmap.files.policy.load import is_policy, load_policy, parse_policy

__all__ = ["is_policy", "load_policy", "parse_policy"]
