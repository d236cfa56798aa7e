"""Timing for the benchmarks: best of a few runs, peers interleaved in the same process."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable

import numpy as np


def best_of(repeats: int, *functions: Callable[[], object]) -> list[float]:
    """Best time of each function [s], taken in turns so that noise hits all alike."""
    best = [float("inf")] * len(functions)
    for _ in range(repeats):
        for number, function in enumerate(functions):
            start = time.perf_counter()
            function()
            best[number] = min(best[number], time.perf_counter() - start)
    return best


def machine() -> str:
    """Say what the numbers were measured on."""
    return f"{platform.machine()}, Python {platform.python_version()}, NumPy {np.__version__}"


def row(case: str, ours: str, peer: str, ratio: float, note: str = "") -> str:
    """One line of the benchmark table."""
    return f"| {case} | {ours} | {peer} | {ratio:.1f} | {note} |"


HEAD = "| case | ours | peer | ratio | note |\n| --- | --- | --- | --- | --- |"
