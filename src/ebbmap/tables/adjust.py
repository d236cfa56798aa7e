"""Tables and plain data of single steps of the settings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.kernels.judging import VERDICTS
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.common import by_population, lung_words, outcome_columns, steady_cells
from ebbmap.tables.model import (
    HUNDREDTHS,
    SHARE,
    SIGNED,
    TENTHS,
    Cell,
    Column,
    Form,
    Table,
    table,
)
from ebbmap.tables.plain import document
from ebbmap.units import display

#: Outcomes whose change is shown, where the lung has them.
SHOWN = ("paco2", "pao2", "mean_airway_pressure", "auto_peep", "closed_fraction")

#: What the model says of a practice.
AGREEMENT = {1.0: "agrees", 0.0: "no change", -1.0: "against"}

_MAYBE = Form(TENTHS.spec, missing="")


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the single steps, the best for CO2, and what goes against common practice."""
    for name, found in by_population(result):
        yield _now_table(found, name)
        yield _step_table(found, name)
    if "rule" in result.dims:
        yield _best_table(result)
        yield _reach_table(result)
    yield _practice_table(result)


def _shown(found: xr.Dataset) -> list[str]:
    return [name for name in SHOWN if name in found]


def _rules(found: xr.Dataset) -> list[str]:
    return [str(rule) for rule in found["rule"].values] if "rule" in found.dims else []


def _margins(move: xr.Dataset, rules: list[str]) -> list[float]:
    return [float(move["margin"].sel(rule=rule)) for rule in rules]


def _now_table(found: xr.Dataset, name: str) -> Table:
    shown, rules, now = _shown(found), _rules(found), found.isel(move=0)
    columns = [
        "settings",
        *outcome_columns(shown, Form(".3g")),
        *(Column(f"margin, {rule}", HUNDREDTHS) for rule in rules),
    ]
    row = ("as set", *steady_cells(now, shown), *_margins(now, rules))
    words = str(now["unsteady"].values)
    notes = [words] if words else []
    return table(f"{lung_words(name)} before any step", columns, [row], notes=notes)


def _step_table(found: xr.Dataset, name: str) -> Table:
    shown, rules = _shown(found), _rules(found)
    columns = [
        "step",
        *outcome_columns(shown, SIGNED),
        *(Column(f"margin, {rule}", HUNDREDTHS) for rule in rules),
    ]
    rows: list[tuple[Cell, ...]] = []
    faint, notes = [], []
    for number in np.flatnonzero(found["size"].values == 1):
        step = found.isel(move=number)
        word = str(step["move"].values)
        if int(step["possible"]):
            changes = steady_cells(step, [f"change_{key}" for key in shown])
            notes += [f"{word}: {said}" for said in [str(step["unsteady"].values)] if said]
            rows.append((word, *changes, *_margins(step, rules)))
        else:
            faint.append(len(rows))
            rows.append((word, "not tried", *(None,) * (len(columns) - 2)))
            notes.append(f"{word}: {step['stopped'].values}")
    title = f"one step of each setting, {lung_words(name)}: change, and the margin then"
    return table(title, columns, rows, faint=faint, notes=notes)


def _best_table(result: xr.Dataset) -> Table:
    columns = [
        "population",
        "rule",
        "single step",
        Column("PaCO₂ after the step", _MAYBE, "mmHg"),
        "pair of steps",
        Column("PaCO₂ after the pair", _MAYBE, "mmHg"),
    ]
    rows = []
    for name, found in by_population(result):
        for rule in _rules(found):
            best = found.sel(rule=rule)
            rows.append(
                (
                    name,
                    rule,
                    str(best["best_single"].values),
                    float(best["best_single_paco2"]),
                    str(best["best_pair"].values),
                    float(best["best_pair_paco2"]),
                )
            )
    return table("most CO₂ cleared within the limits", columns, rows)


def _reach_table(result: xr.Dataset) -> Table:
    columns = [
        "population",
        "rule",
        "setting",
        Column("margin with one step", SIGNED),
        "down by",
        "until, down",
        "up by",
        "until, up",
    ]
    rows: list[tuple[Cell, ...]] = []
    notes = []
    for name, found in by_population(result):
        for rule in _rules(found):
            own = found.sel(rule=rule)
            notes.append(f"{lung_words(name)}, {rule}: {own['first_limit'].values}")
            for setting in own["setting"].values.astype(str):
                one = own.sel(setting=setting)
                ways = (one.sel(direction=way) for way in ("down", "up"))
                cells = (cell for way in ways for cell in _reach_cells(setting, way))
                rows.append((name, rule, setting, float(one["margin_slope"]), *cells))
    title = (
        "how far one setting goes until a limit is reached, or the last broken one holds again "
        f"(slopes: {result.attrs['derivatives']})"
    )
    return table(title, columns, rows, notes=notes)


def _reach_cells(setting: str, way: xr.Dataset) -> tuple[str, str]:
    """Return the change of a setting in a direction, and which limit is there."""
    change = float(way["reach"])
    if not np.isfinite(change):
        return "nothing", ""
    unit = display(PARAMETERS[setting].units)
    return f"{change:+.2g} {unit}".rstrip(), str(way["reached"].values)


def _practice_table(result: xr.Dataset) -> Table:
    columns = [
        "population",
        "practice",
        "source",
        "in the model",
        Column("lungs against it", replace(SHARE, missing="")),
        "through",
    ]
    rows: list[tuple[Cell, ...]] = []
    for name, found in by_population(result):
        for practice in found["practice"].values:
            row = found.sel(practice=practice)
            share, agrees = float(row["against_share"]), float(row["agrees"])
            if agrees < 0 or share > 0:
                rows.append(
                    (
                        name,
                        str(practice),
                        str(row["practice_source"].values),
                        AGREEMENT.get(agrees, "unknown"),
                        share,
                        str(row["why"].values),
                    )
                )
    rows = rows or [("", "nothing", "", "", None, "")]
    return table("against common practice", columns, rows)


def adjust_document(result: xr.Dataset) -> dict[str, Any]:
    """Return the moves of the first population and rule as plain data."""
    found = result.isel(population=0, rule=0)
    changes = [str(name) for name in found.data_vars if str(name).startswith("change_")]
    moves = [
        {
            "move": str(move["move"].values),
            "possible": bool(move["possible"]),
            "stopped": str(move["stopped"].values),
            "unsteady": str(move["unsteady"].values),
            "margin": float(move["margin"]),
            "verdict": VERDICTS[int(move["verdict"])],
            **{name: float(move[name]) for name in changes},
        }
        for move in (found.isel(move=number) for number in range(found.sizes["move"]))
    ]
    against = [
        {
            "practice": str(practice["practice"].values),
            "source": str(practice["practice_source"].values),
            "why": str(practice["why"].values),
        }
        for practice in (found.isel(practice=n) for n in range(found.sizes["practice"]))
        if float(practice["agrees"]) < 0
    ]
    return document(
        lung=result.attrs["lung"],
        held=result.attrs["fixed"],
        units={name: result[name].attrs["units"] for name in changes},
        best_single=str(found["best_single"].values),
        best_pair=str(found["best_pair"].values),
        first_limit=str(found["first_limit"].values),
        reach=[
            {
                "setting": setting,
                "direction": way,
                "change": float(one["reach"]),
                "limit": str(one["reached"].values),
            }
            for setting in found["setting"].values.astype(str).tolist()
            for way in found["direction"].values.astype(str).tolist()
            for one in (found.sel(setting=setting, direction=way),)
        ],
        moves=moves,
        against_common_practice=against,
    )
