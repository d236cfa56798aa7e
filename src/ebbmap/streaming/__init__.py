"""Sweeps of any size: block by block, to a store or to counts, resumable and in parallel."""

from ebbmap.streaming.engine import default_workers
from ebbmap.streaming.sweep import check_begun, foresee, status_of, stream_sweep, streams

__all__ = ["check_begun", "default_workers", "foresee", "status_of", "stream_sweep", "streams"]
