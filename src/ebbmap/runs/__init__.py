"""Runs of any size: piece by piece, resumable and in parallel; sweeps to a store or to counts."""

from ebbmap.runs.chunks import check_begun, foresee, study_ledger
from ebbmap.runs.engine import default_workers
from ebbmap.runs.job import streams
from ebbmap.runs.ledger import Ledger
from ebbmap.runs.plan import plan_of
from ebbmap.runs.status import find_damage, status_of

__all__ = [
    "Ledger",
    "check_begun",
    "default_workers",
    "find_damage",
    "foresee",
    "plan_of",
    "status_of",
    "streams",
    "study_ledger",
]
