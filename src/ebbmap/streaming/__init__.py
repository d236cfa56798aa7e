"""Runs of any size: piece by piece, resumable and in parallel; sweeps to a store or to counts."""

from ebbmap.streaming.engine import default_workers
from ebbmap.streaming.ledger import plan_of
from ebbmap.streaming.piecework import PieceWork, status_of_pieces
from ebbmap.streaming.sweep import (
    check_begun,
    foresee,
    forget_sweep,
    status_of,
    stream_sweep,
    streams,
)

__all__ = [
    "PieceWork",
    "check_begun",
    "default_workers",
    "foresee",
    "forget_sweep",
    "plan_of",
    "status_of",
    "status_of_pieces",
    "stream_sweep",
    "streams",
]
