"""One step of each setting, and weaning: verdicts first, then a row for each step."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.kernels.judging import VERDICTS
from ebbmap.tables.brief.charts import bar
from ebbmap.tables.brief.words import columns, digits_of, lines, name_of, said, setting, units_of
from ebbmap.tables.common import by_population, lung_words
from ebbmap.tables.wean import taken_steps

#: What a step is looked at for, as far as the lung has it.
SHOWN = ("paco2", "pao2", "spo2", "mean_airway_pressure", "auto_peep")

_BAR = 10


def adjust_lines(result: xr.Dataset, width: int) -> Iterator[str]:
    """Yield what single steps do: the present verdict, the best step, and every other one.

    Parameters
    ----------
    result : Dataset
        Of `find_adjust`.
    width : int
        Columns of the terminal.
    """
    rule = str(result["rule"].values[0])
    for name, every in by_population(result):
        found = every.sel(rule=rule)
        now = found.isel(move=0)
        yield from lines(_now_words(now, lung_words(name)), width)
        yield from lines(_best_words(found), width)
        yield from _against_lines(found, width)
        yield ""
        yield from _step_rows(found, width)


def _now_words(now: xr.Dataset, whose: str) -> str:
    verdict = VERDICTS[int(now["verdict"])].upper()
    blood = [said(n, float(now[n])) for n in ("paco2", "pao2", "spo2") if n in now]
    words = str(now["unsteady"].values)
    told = words or ", ".join(blood)
    return f"{verdict} as set ({whose}): {told}; margin to the nearest limit {_margin(now)}."


def _best_words(found: xr.Dataset) -> str:
    single, pair = (str(found[f"best_{kind}"].values) for kind in ("single", "pair"))
    parts = []
    for word, step, kind in (("one step", single, "single"), ("two steps", pair, "pair")):
        after = float(found[f"best_{kind}_paco2"])
        if np.isfinite(after):
            parts.append(f"{word}: {step} (PaCO₂ {after:.0f} mmHg)")
    if not parts:
        return f"No step clears CO₂ and keeps every limit ({single})."
    return f"Most CO₂ cleared within the limits, {'; '.join(parts)}."


def _against_lines(found: xr.Dataset, width: int) -> Iterator[str]:
    for number in range(found.sizes["practice"]):
        row = found.isel(practice=number)
        if float(row["agrees"]) < 0:
            practice, why = row["practice"].values, row["why"].values
            text = f"Against common practice here: {practice}; through {why}."
            yield from lines(text, width, hang="  ")


def _step_rows(found: xr.Dataset, width: int) -> Iterator[str]:
    shown = [name for name in SHOWN if name in found]
    rows = [
        ("", *(name_of(n) for n in shown), "verdict", "margin"),
        ("", *(units_of(n) for n in shown), "", ""),
    ]
    notes = []
    for number in np.flatnonzero(found["size"].values <= 1):
        step = found.isel(move=int(number))
        word = str(step["move"].values)
        if not int(step["possible"]):
            notes.append(f"{word} was not tried: {step['stopped'].values}.")
            continue
        first = number == 0
        cells = [
            digits_of(n, float(step[n if first else f"change_{n}"]), signed=not first)
            for n in shown
        ]
        rows.append((word, *cells, VERDICTS[int(step["verdict"])], _margin(step)))
    yield from columns(rows)
    yield "  (first row: as set; then the change, = for none that these digits show)"
    for note in notes:
        yield from lines(note, width, indent="  ", hang="  ")


def _margin(case: xr.Dataset) -> str:
    margin = float(case["margin"])
    return f"{margin:.2f}" if np.isfinite(margin) else "–"


def wean_lines(result: xr.Dataset, width: int) -> Iterator[str]:
    """Yield how far two routes lead before a limit stops them, then their steps.

    Parameters
    ----------
    result : Dataset
        Of `find_wean`.
    width : int
        Columns of the terminal.
    """
    rule = str(result["rule"].values[0])
    for name, every in by_population(result):
        found = every.sel(rule=rule)
        routes = [found.sel(route=route) for route in found["route"].values]
        for route in routes:
            yield from lines(_route_words(route, lung_words(name)), width, hang="  ")
        yield from lines("At the first unsafe step weaning stops and goes back a step.", width)
        for route in routes:
            yield ""
            yield f"  {route['route'].values}, {lung_words(name)}"
            yield from _route_rows(route, width)
    yield ""
    yield from lines(str(result.attrs["own_breathing"]), width)


def _route_words(route: xr.Dataset, whose: str) -> str:
    stop, word = int(route["first_unsafe"]), str(route["route"].values)
    taken = taken_steps(route)
    lead = f"{word[0].upper()}{word[1:]}, {whose}"
    if not taken.size:
        return f"{lead}: {route['leaves'].values}."
    if stop < 0:
        last = route.isel(step=int(taken[-1]))
        return f"{lead}: SAFE to the end ({_place(last)})."
    if stop == 0:
        return f"{lead}: NOT BEGUN, unsafe as set: {route['leaves'].values}."
    next_step = f"the next ({_place(route.isel(step=stop))}) breaks: {route['leaves'].values}"
    if stop == 1:
        return f"{lead}: STAYS AS SET; {next_step}."
    count = f"{stop - 1} step{'s' if stop != 2 else ''}"
    return f"{lead}: {count} SAFE, to {_place(route.isel(step=stop - 1))}; {next_step}."


def _place(step: xr.Dataset) -> str:
    return ", ".join(setting(n, float(step[f"route_{n}"])) for n in ("p_high", "t_high"))


def _route_rows(route: xr.Dataset, width: int) -> Iterator[str]:
    shown = [name for name in ("paco2", "spo2", "auto_peep") if name in route]
    rows = [
        ("step", "P high", "T high", "own", *map(name_of, shown), "verdict", "room"),
        ("", "cmH₂O", "s", "L/min", *map(units_of, shown), "", ""),
    ]
    for number in taken_steps(route):
        step = route.isel(step=int(number))
        rows.append(
            (
                str(int(number)),
                f"{float(step['route_p_high']):.1f}",
                f"{float(step['route_t_high']):.1f}",
                f"{float(step['own_breathing']):.1f}",
                *(digits_of(n, float(step[n])) for n in shown),
                VERDICTS[int(step["route_verdict"])],
                bar(float(np.nan_to_num(step["route_margin"])), _BAR),
            )
        )
    yield from columns(rows)
    for number in taken_steps(route):
        if words := str(route["unsteady"].values[int(number)]):
            yield from lines(f"step {number}: {words}", width, indent="  ", hang="  ")
