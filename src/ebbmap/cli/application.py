"""The application: how commands are registered, and how they end if their output is lost."""

from __future__ import annotations

import errno
import functools
import os
import sys
from collections.abc import Callable
from typing import Annotated, Any

import typer

from ebbmap.caution import CAUTION
from ebbmap.cli.failures import (
    CLOSED_PIPE,
    NOT_WRITTEN,
    STATUSES,
    failures_reported,
    is_of_output,
    set_debug,
)
from ebbmap.tables.keys import keys_text


class Application(typer.Typer):
    """The commands; lost output ends them with a status of its own."""

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        """Run a command; `STATUSES` lists how it may end."""
        output = sys.stdout
        try:
            try:
                return super().__call__(*args, **kwargs)
            finally:
                if output is not None and not output.closed:
                    output.flush()
        except SystemExit:
            # a closed pipe leaves something else in its place, with the status of a failure
            if sys.stdout is output:
                raise
            raise SystemExit(CLOSED_PIPE) from None
        except OSError as error:
            if not is_of_output(error):
                raise
            # what is left in the buffer would be tried again as the process ends
            os.dup2(os.open(os.devnull, os.O_WRONLY), output.fileno())
            if error.errno == errno.EPIPE:
                raise SystemExit(CLOSED_PIPE) from None
            print(f"the output could not be written: {error.strerror}.", file=sys.stderr)
            raise SystemExit(NOT_WRITTEN) from None


def _listed(text: str) -> str:
    """Return lines that help prints as they are."""
    return f"\b\n{text}" if text else ""


app = Application(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=f"Maps of where P high, P low, T high and T low are safe, for which lungs. {CAUTION}",
    epilog=_listed(
        "\n".join(["Exit statuses:", *(f"  {key}: {text}" for key, text in STATUSES.items())])
    ),
)


def command(function: Callable[..., None]) -> Callable[..., None]:
    """Register a command under its function's name; what fails in it is reported."""

    @functools.wraps(function)
    def reporting(*args: Any, **kwargs: Any) -> None:
        with failures_reported():
            function(*args, **kwargs)

    app.command(epilog=_listed(keys_text(function.__name__)))(reporting)
    return function


def _print_version(asked: bool) -> None:
    """Print the version and end."""
    if asked:
        from ebbmap import __version__

        typer.echo(f"ebbmap {__version__}")
        raise typer.Exit()


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", is_eager=True, callback=_print_version, help="Print the version and exit."
        ),
    ] = False,
    debug: Annotated[
        bool, typer.Option("--debug", help="Print the traceback of an internal error.")
    ] = False,
) -> None:
    """Take the options that stand before a command."""
    set_debug(debug)
