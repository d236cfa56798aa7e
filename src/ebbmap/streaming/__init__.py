"""Runs of any size: piece by piece, resumable and in parallel; sweeps to a store or to counts."""

from ebbmap.streaming.engine import default_workers
from ebbmap.streaming.job import study_ledger
from ebbmap.streaming.ledger import Ledger
from ebbmap.streaming.piecework import PieceWork
from ebbmap.streaming.plan import plan_of
from ebbmap.streaming.status import find_damage, status_of
from ebbmap.streaming.sweep import check_begun, foresee, stream_sweep, streams

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
