"""Results as tables and JSON for the command line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from rich import box
from rich.console import Console, RenderableType
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.evaluate import STATUS
from ebbmap.limits import LIMIT_SETS, LimitSet
from ebbmap.lungs import LUNGS
from ebbmap.outcomes import OUTCOMES
from ebbmap.parameters import PARAMETERS
from ebbmap.populations import POPULATIONS
from ebbmap.run import plan_tasks
from ebbmap.streaming import foresee
from ebbmap.streaming.sweep import Status
from ebbmap.study import Study
from ebbmap.units import display

#: A driver is named in the summary from this total index on.
NAMED_ABOVE = 0.1


def print_out(what: RenderableType) -> None:
    """Print to standard output; wide enough for a pipe."""
    console = Console()
    console.print(what) if console.is_terminal else Console(width=140).print(what)


class progress_bar:
    """A bar per task on standard error, and printing beside it."""

    def __enter__(self) -> progress_bar:
        """Start."""
        self._bar = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(),
            TimeElapsedColumn(), console=Console(stderr=True), transient=True,
        )  # fmt: skip
        self._tasks: dict[str, Any] = {}
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop."""
        self._bar.stop()

    def start(self, name: str, cases: int) -> Callable[[int], None]:
        """Begin a task; return what is called with finished cases."""
        task = self._tasks[name] = self._bar.add_task(name, total=cases or None)
        return lambda done: self._bar.advance(task, done)

    def finish(self, name: str) -> None:
        """End a task; a task with several results ends once."""
        if name in self._tasks:
            self._bar.remove_task(self._tasks.pop(name))

    def print(self, what: RenderableType) -> None:
        """Print to standard output."""
        print_out(what)


def summary(kind: str, result: xr.Dataset) -> Iterator[RenderableType]:
    """Say in tables what a result found."""
    if kind == "window" and "served_share" in result:
        yield _served_table(result)
    elif kind == "sobol":
        yield _drivers_table(result)
    elif kind == "map":
        yield _map_table(result)
    elif kind == "trade":
        yield _trade_table(result)
    elif kind == "course":
        yield _course_table(result)


def warn(tasks: list, pictures: Path) -> None:
    """Close a run: where the pictures are, and the caution once more."""
    print_out(f"{len(tasks)} analyses done; pictures and their texts in {pictures}. {CAUTION}")


def costs_table(study: Study, folder: Path, workers: int) -> Table:
    """Say what the analyses of a study would cost; nothing is written."""
    table = _table(f"costs, {workers} workers", "analysis", "cases", "disk", "memory", "time")
    for task in plan_tasks(study):
        if task.streams:
            cost = foresee(study, folder, workers)
            table.add_row(
                f"{task.name}, {cost.blocks} blocks to do", f"{cost.cases:,}",
                f"{cost.disk / 1e9:,.2f} GB", f"{cost.memory / 1e9:,.2f} GB", _span(cost.seconds),
            )  # fmt: skip
        else:
            table.add_row(task.name, f"{task.cases:,}" if task.cases else "a few", "", "", "")
    return table


def status_table(status: Status) -> Table:
    """Say how far a streamed run has come."""
    running = "at work" if status.running else "not at work"
    table = _table(f"sweep begun {status.started}, {running}", "", "blocks", "cases")
    table.add_row("done", f"{status.done:,}", f"{status.cases_done:,}")
    left = status.blocks - status.done
    table.add_row("left", f"{left:,}", f"{status.cases - status.cases_done:,}")
    if status.done:
        table.add_row("rate of one worker", "", f"{status.rate:,.0f} per s")
    if status.done and left:
        table.add_row(f"time left, {status.workers} workers", "", _span(status.seconds_left))
    return table


def _span(seconds: float) -> str:
    """Write a time in the unit that suits it."""
    for size, unit in ((86400.0, "days"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:,.1f} {unit}"
    return f"{seconds:.1f} s"


def case_json(solved: xr.Dataset) -> dict[str, Any]:
    """One case as plain data: caution, lung, parameters, outcomes, status."""
    return {
        "caution": CAUTION,
        "lung": solved.attrs["lung"],
        "parameters": {
            str(name): {"value": float(solved[name]), "units": PARAMETERS[str(name)].units}
            for name in solved.coords
            if name in PARAMETERS
        },
        "outcomes": {
            name: {"value": _number(float(solved[name])), "units": OUTCOMES[name].units}
            for name in map(str, solved.data_vars)
            if name in OUTCOMES
        },
        "status": STATUS[int(solved["status"])],
    }


def case_table(solved: xr.Dataset) -> Table:
    """One case as a table."""
    table = _table(f"settled cycle, lung {solved.attrs['lung']}, status "
                   f"{STATUS[int(solved['status'])]}", "name", "value", "unit", "")  # fmt: skip
    for name in solved.coords:
        if name in PARAMETERS:
            entry = PARAMETERS[str(name)]
            shown = (
                entry.choices[int(solved[name])] if entry.choices else f"{float(solved[name]):g}"
            )
            table.add_row(str(name), shown, display(entry.units), entry.long_name, style="dim")
    for name in solved.data_vars:
        if name in OUTCOMES:
            of = OUTCOMES[str(name)]
            table.add_row(str(name), f"{float(solved[name]):.4g}", display(of.units), of.long_name)
    return table


def window_json(found: xr.Dataset) -> dict[str, Any]:
    """Windows as plain data."""
    flat = found.stack(case=list(found["lower"].dims)) if found["lower"].ndim > 1 else found
    rows = [
        {
            "lower": _number(float(lower)),
            "upper": _number(float(upper)),
            "best": _number(float(best)),
            "best_margin": _number(float(margin)),
            "lower_bound": str(below),
            "upper_bound": str(above),
        }
        for lower, upper, best, margin, below, above in zip(
            *(flat[n].values for n in ("lower", "upper", "best", "best_margin")),
            flat["lower_bound"].values, flat["upper_bound"].values, strict=True,
        )
    ]  # fmt: skip
    return {"caution": CAUTION, "lung": found.attrs["lung"], "units": "s", "windows": rows}


def window_table(found: xr.Dataset, limits: LimitSet) -> Table:
    """Show one lung's window, or the limits that leave none."""
    one = found.isel(sample=0)
    sentences = {bound.name: bound.sentence for bound in limits.hard} | {"none": "nothing searched"}
    low, high = str(one["lower_bound"].values), str(one["upper_bound"].values)
    table = _table(f"release window by: {limits.long_name}", "", "T low", "closed by")
    if float(one["best_margin"]) >= 0:
        table.add_row("shortest", f"{float(one['lower']):.3f} s", sentences[low])
        table.add_row("longest", f"{float(one['upper']):.3f} s", sentences[high])
        table.add_row("largest margin", f"{float(one['best']):.3f} s", "")
    else:
        table.add_row("no window", "", "")
        table.add_row("shorter fails by", "", sentences[low])
        table.add_row("longer fails by", "", sentences[high])
    table.add_row("margin there", f"{float(one['best_margin']):.3f}", "")
    table.add_row("expiratory time constant", f"{float(one['time_constant_exp']):.3f} s", "")
    return table


def registry_tables(name: str | None) -> Iterator[RenderableType]:
    """Print the registries, or the one entry of a name.

    Raises
    ------
    EbbmapError
        If no registry has the name.
    """
    registries = (PARAMETERS, OUTCOMES, LIMIT_SETS, POPULATIONS, LUNGS)
    if name is not None and not any(name in registry for registry in registries):
        known = [key for registry in registries for key in registry]
        raise EbbmapError(unknown_name("name", name, known))
    for rows in (_parameters, _outcomes, _limits, _populations, _lungs):
        table = rows(name)
        if table.row_count:
            yield table


def _parameters(wanted: str | None) -> Table:
    table = _table("parameters", "name", "unit", "bounds", "usual", "default", "kind", "source")
    for name, p in PARAMETERS.items():
        if wanted in (None, name):
            usual = f"{p.usual_low:g} to {p.usual_high:g}"
            table.add_row(name, p.units, f"{p.low:g} to {p.high:g}", usual, f"{p.default:g}",
                          p.kind, p.source)  # fmt: skip
    return table


def _outcomes(wanted: str | None) -> Table:
    table = _table("outcomes", "name", "unit", "in words", "source")
    for name, o in OUTCOMES.items():
        if wanted in (None, name):
            words = f"{o.long_name}. {o.comment}" if o.comment else o.long_name
            table.add_row(name, o.units, words, o.source)
    return table


def _limits(wanted: str | None) -> Table:
    table = _table("limit sets: starting points, not advice", "set", "limit", "severity", "source")
    for name, one in LIMIT_SETS.items():
        for limit in one.limits if wanted in (None, name) else ():
            for bound in limit.bounds:
                table.add_row(name, f"not {bound.sentence}", bound.severity, bound.why)
    return table


def _populations(wanted: str | None) -> Table:
    table = _table("populations: invented lungs", "population", "property", "distribution",
                   "confirmed", "source")  # fmt: skip
    for name, group in POPULATIONS.items():
        for key, m in group.marginals.items() if wanted in (None, name) else ():
            kind = f"{m.family} {m.centre:.4g}, {m.spread:.3g}"
            table.add_row(name, key, kind, m.confirmed, m.source)
    return table


def _lungs(wanted: str | None) -> Table:
    table = _table("lung models", "name", "in words", "parameters", "source")
    for name, lung in LUNGS.items():
        if wanted in (None, name):
            table.add_row(name, lung.long_name, ", ".join(lung.parameters), lung.source)
    return table


def _served_table(result: xr.Dataset) -> Table:
    table = _table("release windows", "rule", "population", "lungs with a window",
                   "one T low serves at most", "closes most windows below / above")  # fmt: skip
    for rule in result["rule"].values.astype(str):
        for name in result["population"].values.astype(str):
            one = result.sel(rule=rule, population=name)
            share = one["served_share"]
            top = int(share.values.argmax())
            closers = " / ".join(_commonest(one[side]) for side in ("lower_bound", "upper_bound"))
            table.add_row(
                rule, name, f"{float((one['best_margin'] >= 0).mean()):.0%}",
                f"{float(share[top]):.0%} at {float(share['t_low'][top]):.2f} s", closers,
            )  # fmt: skip
    return table


def _map_table(result: xr.Dataset) -> Table:
    y, x = (str(dim) for dim in result["safe_share"].dims[-2:])
    table = _table(f"safe share over {x} and {y}", "rule", "population", "largest share", "at",
                   "undetermined")  # fmt: skip
    for rule in result["rule"].values.astype(str):
        for name in result["population"].values.astype(str):
            one = result.sel(rule=rule, population=name)
            share = one["safe_share"].fillna(-1.0)
            row, column = np.unravel_index(int(share.values.argmax()), share.shape)
            place = f"{x} {float(one[x][column]):.3g}, {y} {float(one[y][row]):.3g}"
            unknown = float(one["undetermined_share"].mean())
            most = float(share.values[row, column])
            found = (f"{most:.0%}", place) if most >= 0 else ("none determined", "")
            table.add_row(rule, name, *found, f"{unknown:.1%}")
    return table


def _trade_table(result: xr.Dataset) -> Table:
    table = _table(result.attrs["title"], "rule", "population", "does a setting keep all limits?")
    for rule in result["rule"].values.astype(str):
        for name in result["population"].values.astype(str):
            answer = result["answer"].sel(rule=rule, population=name)
            table.add_row(rule, name, str(answer.values))
    return table


def _course_table(result: xr.Dataset) -> Table:
    table = _table(f"{result.attrs['title']}: {result.attrs['change']}", "population",
                   "PaCO2 before [mmHg]", "after 5 min", "at the end of the course",
                   "balance")  # fmt: skip
    for name in result["population"].values.astype(str):
        one = result.sel(population=name)
        five = float(one["paco2"].interp(time=300.0))
        numbers = (one["paco2_start"], five, one["paco2"][-1], one["paco2_end"])
        table.add_row(name, *(f"{float(number):.1f}" for number in numbers))
    return table


def _drivers_table(result: xr.Dataset) -> Table:
    along = next(str(d) for d in result["total"].dims
                 if d not in ("population", "outcome", "parameter"))  # fmt: skip
    places = result[along].values
    shown = [places[0], places[len(places) // 2], places[-1]]
    table = _table(
        "what drives the safety margin (total index, N = " f"{result.attrs['base_size']})",
        "population", "outcome", *(f"{along} {place:.3g}" for place in shown),
    )  # fmt: skip
    outcomes = [n for n in result["outcome"].values.astype(str) if n.startswith("margin_")]
    for name in result["population"].values.astype(str):
        for outcome in outcomes:
            one = result.sel(population=name, outcome=outcome)
            table.add_row(name, outcome, *(_leaders(one.sel({along: place})) for place in shown))
    return table


def _leaders(one: xr.Dataset) -> str:
    total = one["total"].to_series().dropna().sort_values(ascending=False)
    interval = one["total_interval"]
    lines = [
        f"{name} {value:.2f} ({float(interval.sel(parameter=name, ci_bound='lower')):.2f} to "
        f"{float(interval.sel(parameter=name, ci_bound='upper')):.2f})"
        for name, value in total.items()
        if value > NAMED_ABOVE
    ]
    return "\n".join(lines) or "does not vary"


def _commonest(names: xr.DataArray) -> str:
    (name, _), *_ = Counter(names.values.astype(str)).most_common(1)
    return name


def _number(value: float) -> float | None:
    """Return a number that JSON can hold: None for NaN."""
    return value if np.isfinite(value) else None


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, box=box.SIMPLE_HEAD, title_justify="left", title_style="bold")
    for column in columns:
        table.add_column(column, overflow="fold")
    return table
