"""Commands that ask about one lung, or the lungs of one population."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ebbmap.cli.answer import Answer, print_json
from ebbmap.cli.application import command
from ebbmap.cli.options import (
    JsonOption,
    LimitsOption,
    LungOption,
    PopulationOption,
    RuleOption,
    SeedOption,
    SetOption,
    limits_of,
    lung_of,
    numbers_of,
    question_of,
    values_of,
)


@command
def cycle(values: SetOption = None, lung: LungOption = None, as_json: JsonOption = False) -> None:
    """Solve the settled cycle of one lung under one setting."""
    from ebbmap.cases.question import Question
    from ebbmap.cases.simulate import simulate
    from ebbmap.cases.start import start_words, started
    from ebbmap.cases.uses import Use, defaults_of
    from ebbmap.tables.case import case_document, case_table

    given, added = started(values_of(values))
    solved = simulate(lung_of(lung), **given)
    told = start_words("" if lung else lung_of(lung), added)
    # the names alone tell what is left to defaults
    named = Question(lung_of(lung), dict.fromkeys(given, 0.0))
    solved.attrs["defaults"] = " ".join([*defaults_of(named, None, Use()), *added])
    if as_json:
        print_json(case_document(solved))
    else:
        Answer(as_json).say(case_table(solved), told)


@command
def window(
    values: SetOption = None,
    lung: LungOption = None,
    rule: RuleOption = None,
    limits: LimitsOption = None,
    only_rule: Annotated[
        bool, typer.Option("--only-rule", help="Judge by the rule alone.")
    ] = False,
    population: Annotated[
        str | None, typer.Option(help="Find the windows of lungs drawn from this population.")
    ] = None,
    lungs: Annotated[int, typer.Option(min=2, max=1_000_000, help="Lungs to draw.")] = 200,
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Find the T low at which all hard limits hold, for a lung or a population."""
    from ebbmap.analyses.common.windows import search_windows
    from ebbmap.analyses.window import find_window
    from ebbmap.cases.start import start_words, started
    from ebbmap.cases.uses import Use, use_words
    from ebbmap.tables.results import summary
    from ebbmap.tables.window import lung_table, window_document

    judged_by, model = limits_of(rule, limits, only_rule=only_rule), lung_of(lung)
    given, added = started(values_of(values))
    if population is None:
        found = search_windows(model, given, judged_by)
        use = Use(("t_low", "t_low_in_time_constants"), outcomes=judged_by.outcomes)
        found.attrs |= use_words(question_of(model, given, judged_by, None), use)
    else:
        question = question_of(model, given, judged_by, population, lungs=lungs, seed=seed)
        found = find_window(question)
    told = start_words("" if lung else lung_of(lung), added)
    if as_json:
        print_json(window_document(found))
    elif population is None:
        Answer(as_json).say(lung_table(found, judged_by), told)
    else:
        Answer(as_json).say(*summary("window", found), told)


@command
def adjust(
    values: SetOption = None,
    lung: LungOption = None,
    rule: RuleOption = None,
    limits: LimitsOption = None,
    population: PopulationOption = None,
    lungs: Annotated[
        int, typer.Option(min=2, max=100_000, help="Lungs to draw, with a population.")
    ] = 500,
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Change each setting by one step: what it does, and which step clears most CO2."""
    from ebbmap.analyses.adjust import find_adjust
    from ebbmap.cases.start import start_words, started
    from ebbmap.tables.adjust import adjust_document
    from ebbmap.tables.results import summary

    judged_by = limits_of(rule, limits)
    given, added = started(values_of(values))
    question = question_of(lung_of(lung), given, judged_by, population, lungs=lungs, seed=seed)
    found = find_adjust(question)
    told = start_words("" if lung else lung_of(lung), added)
    if as_json:
        print_json(adjust_document(found))
    else:
        Answer(as_json).say(*summary("adjust", found), told)


@command
def wean(
    values: SetOption = None,
    lung: LungOption = None,
    rule: RuleOption = None,
    limits: LimitsOption = None,
    population: PopulationOption = None,
    p_high_end: Annotated[float, typer.Option(help="P high at the end [cmH2O].")] = 12.0,
    p_high_step: Annotated[
        float, typer.Option(help="Decrease of P high at each step [cmH2O].")
    ] = 2.0,
    seconds_per_pressure: Annotated[
        float, typer.Option(help="Increase of T high for each cmH2O less of P high [s].")
    ] = 0.5,
    own_breathing_at_most: Annotated[
        float,
        typer.Option(
            min=0.0,
            help="The patient takes over what releases lose, up to this [L/min]; 0: as set.",
        ),
    ] = 5.0,
    as_json: JsonOption = False,
) -> None:
    """Lower P high and lengthen T high step by step, and search a safer path to the same end."""
    from ebbmap.analyses.wean import Wean, find_wean
    from ebbmap.cases.start import start_words, started
    from ebbmap.tables.results import summary
    from ebbmap.tables.wean import wean_document

    options = Wean(
        p_high_end=p_high_end,
        p_high_step=p_high_step,
        seconds_per_pressure=seconds_per_pressure,
        own_breathing_at_most=own_breathing_at_most,
    )
    given, added = started(values_of(values))
    asked = question_of(lung_of(lung), given, limits_of(rule, limits), population)
    path = find_wean(asked, options)
    told = start_words("" if lung else lung_of(lung), added)
    if as_json:
        print_json(wean_document(path))
    else:
        Answer(as_json).say(*summary("wean", path), told)


@command
def teach(
    out: Annotated[Path, typer.Option(help="File of the page (HTML).")] = Path("page.html"),
    values: SetOption = None,
    lung: LungOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a page to explore: T low, resistance and compliance move the curves and the window."""
    from ebbmap.files.writing import write_text
    from ebbmap.teaching import build_page, teaching_grid

    answer = Answer(as_json)
    model = lung_of(lung)
    grid = teaching_grid(model, **numbers_of(values))
    write_text(out, build_page(grid))
    answer.say(f"wrote {out}: lung {model}; open it in a browser, no network needed")
    answer.close(lung=model, held=grid.attrs["fixed"], page=str(out))
