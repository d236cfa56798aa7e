"""Runs of any size: piece by piece, resumable and in parallel; sweeps to a store or to counts."""

from ebbmap.runs.engine import default_workers
from ebbmap.runs.job import study_ledger
from ebbmap.runs.ledger import Ledger
from ebbmap.runs.piecework import PieceWork
from ebbmap.runs.plan import plan_of
from ebbmap.runs.status import find_damage, status_of
from ebbmap.runs.sweep import check_begun, foresee, stream_sweep, streams

__all__ = [
    "Ledger",
    "PieceWork",
    "check_begun",
    "default_workers",
    "find_damage",
    "foresee",
    "plan_of",
    "status_of",
    "stream_sweep",
    "streams",
    "study_ledger",
]
