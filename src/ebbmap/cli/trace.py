"""Commands that begin from a measured trace."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ebbmap.cli.answer import open_answer
from ebbmap.cli.application import command
from ebbmap.cli.options import (
    JsonOption,
    LimitsOption,
    LungOption,
    RuleOption,
    SeedOption,
    SetOption,
    limits_of,
    lung_of,
    named_texts,
    numbers_of,
)

WordsOption = list[str] | None


@command
def fit(
    trace: Annotated[
        Path, typer.Argument(help="CSV or NetCDF with time, flow (inwards positive) and pressure.")
    ],
    lung: LungOption = None,
    prior: Annotated[
        str, typer.Option(help="What is known beforehand: flat, or a population.")
    ] = "flat",
    properties: Annotated[
        WordsOption,
        typer.Option("--property", help="Property to fit instead of the usual; may be repeated."),
    ] = None,
    held: SetOption = None,
    column: Annotated[
        WordsOption,
        typer.Option(metavar="WHAT=HEADER", help="Header of time, flow or pressure."),
    ] = None,
    unit: Annotated[
        WordsOption,
        typer.Option(metavar="WHAT=UNIT", help="Unit of time, flow or pressure, as flow=L/min."),
    ] = None,
    start: Annotated[
        str | None,
        typer.Option(help="settled or rest: how the first cycle begins; told from the trace."),
    ] = None,
    compare: Annotated[
        bool, typer.Option(help="Fit other lungs too, to say which explains the trace better.")
    ] = True,
    follow: Annotated[
        bool, typer.Option("--follow", help="Say what is probably safe, and what to measure next.")
    ] = False,
    rule: RuleOption = None,
    limits: LimitsOption = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the fit (NetCDF) and its page (PNG).")
    ] = None,
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Fit a lung to a measured trace, and say what the trace cannot tell."""
    from ebbmap.report.fit import save_fit
    from ebbmap.tables.fit import fit_document, fit_table, follow_tables
    from ebbmap.traces.fit import find_fit
    from ebbmap.traces.follow import find_follow

    found = find_fit(
        trace,
        lung=lung_of(lung),
        prior=prior,
        properties=properties,
        held=numbers_of(held),
        start=start,
        columns=named_texts("--column", column, form="WHAT=TEXT", example="flow=TEXT"),
        units=named_texts("--unit", unit, form="WHAT=TEXT", example="flow=TEXT"),
        compare=compare,
        seed=seed,
    )
    judged = limits_of(rule, limits) if rule or limits else None
    after = find_follow(found, limits=judged, seed=seed) if follow else None
    if out is not None:
        save_fit(found, out)
    if answer := open_answer(as_json, lambda: fit_document(found, after)):
        answer.say(fit_table(found), *([] if after is None else follow_tables(after)))
