"""How a command ends: sentences and exit statuses instead of tracebacks."""

from __future__ import annotations

import errno
import signal
import sys
import threading
import traceback
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from types import MappingProxyType

import typer

WRONG, INTERNAL = 2, 3

#: As sysexits.h has them: output that could not be written, and what the same command mends later.
#: As the shell says of SIGPIPE: output whose reader went away.
NOT_WRITTEN, UNFINISHED, CLOSED_PIPE = 74, 75, 141

#: How a command may end.
STATUSES: Mapping[int, str] = MappingProxyType(
    {
        0: "done; check: the draft holds",
        1: "check: the draft does not hold; status --verify, figures --check: files differ",
        WRONG: "the command or a file needs correcting",
        INTERNAL: "an internal error, which says nothing about the lungs or the draft",
        NOT_WRITTEN: "the output could not be written",
        UNFINISHED: "stopped midway; the same command resumes the run",
        129: "ended with its terminal; the same command resumes the run",
        130: "interrupted by Ctrl-C; the same command resumes the run",
        CLOSED_PIPE: "the reader of the output went away",
        143: "ended by SIGTERM; the same command resumes the run",
    }
)

#: Faults of writing to a file that is open already.
_OUTPUT_FAULTS = frozenset(
    getattr(errno, name)
    for name in ("EPIPE", "ENOSPC", "EIO", "EBADF", "EFBIG", "EDQUOT")
    if hasattr(errno, name)
)

_debug = False


def set_debug(debug: bool) -> None:
    """Choose whether an internal error prints its traceback."""
    global _debug
    _debug = debug


def is_of_output(error: OSError) -> bool:
    """Return whether an error comes from writing to standard output, which has no file name."""
    return error.filename is None and error.errno in _OUTPUT_FAULTS


@contextmanager
def failures_reported() -> Iterator[None]:
    """Turn what ends a command early into a sentence and one of `STATUSES`."""
    from ebbmap.errors import EbbmapError, UnfinishedError

    with _signals_interrupt() as received:
        try:
            yield
        except EbbmapError as error:
            typer.echo(str(error), err=True)
            raise typer.Exit(UNFINISHED if isinstance(error, UnfinishedError) else WRONG) from None
        except KeyboardInterrupt:
            number = received[0] if received else signal.SIGINT
            how = "interrupted" if number == signal.SIGINT else f"ended by {number.name}"
            typer.echo(
                f"{how}; what is finished is kept. The same command resumes the run.", err=True
            )
            raise typer.Exit(128 + number) from None
        except (typer.Exit, typer.Abort):
            raise
        except Exception as error:
            if isinstance(error, OSError) and is_of_output(error):
                raise
            _report_internal(error)
            raise typer.Exit(INTERNAL) from None


def _report_internal(error: Exception) -> None:
    """Print that ebbmap itself failed, with the traceback if it is wanted."""
    if _debug:
        traceback.print_exception(error, file=sys.stderr)
    text = f"{type(error).__name__}: {error}".strip().removesuffix(":").removesuffix(".")
    hint = "" if _debug else " Put --debug before the command's name to see where."
    typer.echo(
        f"ebbmap failed through an internal error ({text}); this says nothing about the lungs "
        f"or the draft.{hint}",
        err=True,
    )


@contextmanager
def _signals_interrupt() -> Iterator[list[signal.Signals]]:
    """Make signals that ask a process to end act as Ctrl-C does; yield what was received."""
    received: list[signal.Signals] = []

    def interrupt(number: int, frame: object) -> None:
        # a second one ends the process at once
        signal.signal(number, signal.SIG_DFL)
        received.append(signal.Signals(number))
        raise KeyboardInterrupt

    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            # what is ignored, as nohup does, stays ignored
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                before[number] = signal.signal(number, interrupt)
    try:
        yield received
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
