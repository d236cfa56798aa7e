"""Processes that end with the one that started them, however that one ends."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import threading
import time
from contextlib import suppress

import psutil

#: Linux: the signal that a process gets when its parent dies (prctl(2)).
PR_SET_PDEATHSIG = 1

#: How often a process looks for its parent where the kernel does not notify it [s].
LOOK_EVERY = 0.2


def end_with(parent: int) -> None:
    """End this process, which process `parent` started, as soon as the parent has ended.

    Ctrl-C, which a terminal sends to all of them, is left to the parent.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if not _notified_by_the_kernel():
        threading.Thread(target=watch, args=(parent,), daemon=True).start()
    if os.name == "posix" and os.getppid() != parent:
        # it had ended before this process could be notified
        os._exit(1)


def watch(parent: int) -> None:
    """Wait for the end of the parent, and end this process too: wherever Python runs."""
    if os.name == "posix":
        # its children get another parent even while nobody has asked how it ended
        while os.getppid() == parent:
            time.sleep(LOOK_EVERY)
    else:
        with suppress(psutil.NoSuchProcess):
            psutil.Process(parent).wait()
    os._exit(1)


def _notified_by_the_kernel() -> bool:
    """Ask the kernel to end this process with its parent; return whether it will."""
    if sys.platform != "linux":
        return False
    try:
        failure: int = ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
        return failure == 0
    except (OSError, AttributeError):
        return False
