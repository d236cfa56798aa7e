"""Stop workers of a command at a step of putting a piece in place.

The tests put this folder on PYTHONPATH; it does nothing without FAULT_STEP. With FAULT_FIFO every
worker writes its process number there, which is what a test waits for, and stands still with what
it is about to put in place in its hand. With FAULT_ONCE the first worker to come by dies.
"""

import os
import signal
import sys


def stop(step, path):
    if step != os.environ["FAULT_STEP"] or path.suffix != ".piece":
        return
    if "FAULT_ONCE" in os.environ:
        try:
            os.close(os.open(os.environ["FAULT_ONCE"], os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            return
        os.kill(os.getpid(), signal.SIGKILL)
    with open(os.environ["FAULT_FIFO"], "w") as told:
        told.write(f"{os.getpid()}\n")
    os.kill(os.getpid(), signal.SIGSTOP)


if "FAULT_STEP" in os.environ and any("loky" in word for word in sys.orig_argv):
    from ebbmap.files import writing as files

    files.on_step = stop
