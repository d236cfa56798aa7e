"""Commands that ask about one lung, or the lungs of one population."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ebbmap.cli.answer import Answer, open_answer
from ebbmap.cli.application import command
from ebbmap.cli.asked import Asked, asked_of
from ebbmap.cli.options import (
    AllOption,
    JsonOption,
    LimitsOption,
    LungOption,
    PopulationOption,
    RuleOption,
    SeedOption,
    SetOption,
    check_possible,
    limits_of,
    numbers_of,
    population_of,
    question_of,
)

if TYPE_CHECKING:
    import xarray as xr

    from ebbmap.registries.limits import LimitSet

#: Looks at a release that is drawn, and lungs whose efforts would have to be followed for it.
_LOOKS, _SLOW_TO_DRAW = 120, ("stepped", "breathing")


@command
def cycle(
    values: SetOption = None,
    lung: LungOption = None,
    rule: RuleOption = None,
    limits: LimitsOption = None,
    population: PopulationOption = None,
    everything: AllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Solve the settled cycle of one lung under one setting, and judge it."""
    from ebbmap.cases.question import Question
    from ebbmap.cases.simulate import simulate
    from ebbmap.cases.uses import Use, defaults_of
    from ebbmap.tables.case import case_document, case_table

    judged_by = limits_of(rule, limits)
    asked = asked_of(values, lung, population)
    if not as_json:
        check_possible(asked.values)
    solved = simulate(asked.lung, **asked.values)
    # the names alone tell what is left to defaults
    named = Question(asked.lung, dict.fromkeys(asked.values, 0.0))
    solved.attrs["defaults"] = " ".join([*defaults_of(named, None, Use()), *asked.added])
    answer = open_answer(as_json, lambda: case_document(solved))
    if answer is None:
        return
    answer.say_lines(_cycle_lines(asked, solved, judged_by))
    answer.say(*([case_table(solved)] if everything else []))
    answer.say_lines(asked.closing(everything, len(solved.attrs["defaults"].split())))


def _cycle_lines(asked: Asked, solved: xr.Dataset, judged_by: LimitSet) -> Iterable[str]:
    """Return the short answer about a cycle, with the flow of its release where that is quick."""
    import numpy as np

    from ebbmap.cases.waveforms import waveforms
    from ebbmap.tables.brief.cycle import cycle_lines
    from ebbmap.tables.terminal import width

    drawn = None
    if asked.lung not in _SLOW_TO_DRAW:
        t_high, t_low = (float(solved[name]) for name in ("t_high", "t_low"))
        # the flow jumps as the release begins, so the first look comes just after that
        times = t_high + t_low * np.linspace(1e-6, 1.0 - 1e-6, _LOOKS)
        drawn = waveforms(asked.lung, times=np.append(0.0, times), **asked.values)
        drawn = drawn.isel(time=slice(1, None))
    return cycle_lines(solved, judged_by, drawn, asked.whose, width())


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
        str | None,
        typer.Option(
            help="Find the windows of lungs drawn from this population: a name, or a table of "
            "lungs (.csv, .nc) as fit --out saves it."
        ),
    ] = None,
    middle: Annotated[
        bool, typer.Option("--middle", help="The population's middle lung alone, which is quick.")
    ] = False,
    lungs: Annotated[int, typer.Option(min=2, max=1_000_000, help="Lungs to draw.")] = 200,
    seed: SeedOption = 0,
    everything: AllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Find the T low at which all hard limits hold, for a lung or a population."""
    from ebbmap.analyses.common.windows import search_windows
    from ebbmap.analyses.window import find_window
    from ebbmap.cases.uses import Use, use_words
    from ebbmap.tables.brief.window import population_lines, window_lines
    from ebbmap.tables.results import summary
    from ebbmap.tables.terminal import progress_bar, width
    from ebbmap.tables.window import lung_table, window_document

    judged_by = limits_of(rule, limits, only_rule=only_rule)
    asked = asked_of(values, lung, population)
    if not as_json:
        check_possible(asked.values)
    one_lung = population is None or middle
    if one_lung:
        found = search_windows(asked.lung, asked.values, judged_by)
        use = Use(("t_low", "t_low_in_time_constants"), outcomes=judged_by.outcomes)
        found.attrs |= use_words(question_of(asked.lung, asked.values, judged_by, None), use)
    else:
        draws: dict[str, Any] = {"lungs": lungs, "seed": seed}
        question = question_of(asked.lung, asked.given, judged_by, population, **draws)
        with progress_bar(quiet=not sys.stderr.isatty()) as bar:
            found = find_window(question, progress=bar.start(f"windows of {lungs} lungs", 0))
    answer = open_answer(as_json, lambda: window_document(found))
    if answer is None:
        return
    if one_lung:
        answer.say_lines(window_lines(found, judged_by, asked.whose, width()))
        answer.say(*([lung_table(found, judged_by)] if everything else []))
    else:
        answer.say_lines(population_lines(found, judged_by, width()))
        answer.say(*(summary("window", found) if everything else []))
    answer.say_lines(asked.closing(everything))


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
    everything: AllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Change each setting by one step: what it does, and which step clears most CO2."""
    from ebbmap.analyses.adjust import find_adjust
    from ebbmap.tables.adjust import adjust_document
    from ebbmap.tables.brief.steps import adjust_lines

    judged_by = limits_of(rule, limits)
    asked = asked_of(values, lung, population)
    if not as_json:
        check_possible(asked.values)
    draws: dict[str, Any] = {"lungs": lungs, "seed": seed}
    found = find_adjust(question_of(asked.lung, asked.given, judged_by, population, **draws))
    if answer := open_answer(as_json, lambda: adjust_document(found)):
        _say_steps(answer, "adjust", found, adjust_lines, asked, everything)


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
    everything: AllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Lower P high and lengthen T high step by step, and search a safer path to the same end."""
    from ebbmap.analyses.wean import Wean, find_wean
    from ebbmap.tables.brief.steps import wean_lines
    from ebbmap.tables.wean import wean_document

    options = Wean(
        p_high_end=p_high_end,
        p_high_step=p_high_step,
        seconds_per_pressure=seconds_per_pressure,
        own_breathing_at_most=own_breathing_at_most,
    )
    judged_by = limits_of(rule, limits)
    asked = asked_of(values, lung, population)
    if not as_json:
        check_possible(asked.values)
    path = find_wean(question_of(asked.lung, asked.given, judged_by, population), options)
    if answer := open_answer(as_json, lambda: wean_document(path)):
        _say_steps(answer, "wean", path, wean_lines, asked, everything)


def _say_steps(
    answer: Answer,
    kind: str,
    found: xr.Dataset,
    lines_of: Callable[[xr.Dataset, int], Iterable[str]],
    asked: Asked,
    everything: bool,
) -> None:
    """Print the short answer of `adjust` or `wean`, and its long tables if wanted."""
    from ebbmap.tables.results import summary
    from ebbmap.tables.terminal import width

    answer.say_lines(lines_of(found, width()))
    answer.say(*(summary(kind, found) if everything else []))
    answer.say_lines(asked.closing(everything))


@command
def teach(
    out: Annotated[Path, typer.Option(help="File of the page (HTML).")] = Path("page.html"),
    values: SetOption = None,
    lung: LungOption = None,
    population: PopulationOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a page to play with: two lungs side by side, computed in the page as sliders move.

    With --population it opens with the middle lung of that one, a table of fitted lungs too.
    """
    from ebbmap.files.writing import write_text
    from ebbmap.lungs import DEFAULT_LUNG
    from ebbmap.registries.parameters import parameter
    from ebbmap.teaching import build_page

    answer = Answer(as_json)
    first = population_of(population) if population else None
    page = build_page(lung or DEFAULT_LUNG, first=first, told=answer.say, **numbers_of(values))
    write_text(out, page.html)
    held = ", ".join(parameter(name).say(value) for name, value in page.opening.settings.items())
    answer.say(
        f"wrote {out}: lung {page.lung}; it opens at {held}, safe for the {page.opening.safe} lung "
        f"and not for the {page.opening.fails} one; open it in a browser, no network needed"
    )
    answer.close(lung=page.lung, held=held, page=str(out))
