"""Tables of the settings that serve most lungs: what is chosen, and what each group loses by it."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.analyses.robust import end_words
from ebbmap.digits import points_text
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.common import by_rule_and_population, number_cell, number_column
from ebbmap.tables.model import SHARE, SIGNED_SHARE, Cell, Column, Table, table
from ebbmap.units import bracketed


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the choices, what they serve of each group, and how they do over outer draws."""
    names = [str(n).removeprefix("chosen_") for n in result.data_vars if "chosen_" in str(n)]
    goal = str(result.attrs["goal"])
    rows = [
        (rule, choice, *(_chosen(found, n) for n in names), *_shares(found))
        for rule in result["rule"].values.astype(str).tolist()
        for choice in result["choice"].values.astype(str).tolist()
        for found in (result.sel(rule=rule, choice=choice),)
    ]
    columns = [
        "rule",
        "best for",
        *(bracketed(n, PARAMETERS[n].units) for n in names),
        number_column(result, "goal_share", goal, SHARE),
        Column("the same on the lungs that chose", SHARE),
    ]
    title = f"settings that serve most lungs, among {result.attrs['over']}"
    yield table(title, columns, rows, notes=[end_words(result)])
    yield _groups(result)
    if result.attrs["draws"]:
        yield _draws(result)


def _chosen(found: xr.Dataset, name: str) -> str:
    """Return the value, or the range, of one setting of a choice."""
    low, high = found[f"chosen_{name}"].values
    return f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"


def _shares(found: xr.Dataset) -> tuple[Cell, Cell]:
    return number_cell(found, "goal_share"), float(found["searched_share"])


def _groups(result: xr.Dataset) -> Table:
    """Return what the choice for all groups serves of each, beside its own best."""
    several = "loss" in result
    columns = [
        "rule",
        "population",
        number_column(result, "reached_share", "served by the choice for all", SHARE),
    ]
    if several:
        own = number_column(result, "reached_share", "served by its own best", SHARE)
        columns += [own, number_column(result, "loss", "loses", SIGNED_SHARE)]
    rows = []
    for rule, name, found in by_rule_and_population(result):
        row: list[Cell] = [rule, name, number_cell(found.isel(choice=0), "reached_share")]
        if several:
            row += [number_cell(found.sel(choice=name), "reached_share")]
            row += [number_cell(found, "loss")]
        rows.append(row)
    title = f"what is served of {result.attrs['lungs']:,} lungs that the search never met"
    return table(title, columns, rows)


def _draws(result: xr.Dataset) -> Table:
    """Return how the choice for all groups does in the outer draws that were searched."""
    near = points_text(float(result.attrs["near"]))
    names = ("best_draws", "near_draws", "lost", "lost_most")
    rows = [
        (rule, *(float(result[name].sel(rule=rule)) for name in names))
        for rule in result["rule"].values.astype(str).tolist()
    ]
    columns = [
        "rule",
        Column("draws in which none serves more", SHARE),
        Column(f"in which none serves over {near} more", SHARE),
        Column("the best of a draw serves more by", SIGNED_SHARE),
        Column("at most by", SIGNED_SHARE),
    ]
    return table(f"the choice in {result.attrs['draws']:,} outer draws", columns, rows)
