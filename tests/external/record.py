"""The verdicts on published findings that were written down, and whether a number bears one out."""

import tomllib
from pathlib import Path

#: Verdict -> names; of a disagreement, name -> the model's number when that was written down.
RECORD = tomllib.loads(Path(__file__).with_name("verdicts.toml").read_text(encoding="utf-8"))

#: A recorded disagreement is one to this share of its number.
MOVED = 0.02


def said(finding):
    """Return the verdict on a finding that was written down, with the number of a disagreement."""
    (verdict,) = (word for word, names in RECORD.items() if finding.name in names)
    return f"{verdict}, {RECORD['disagrees'].get(finding.name)}"


def holds(finding, value):
    """Whether a number bears out the verdict; in a disagreement it has not moved either."""
    if finding.name not in RECORD[finding.verdict(value)]:
        return False
    recorded = RECORD["disagrees"].get(finding.name)
    return recorded is None or abs(value / recorded - 1.0) <= MOVED
