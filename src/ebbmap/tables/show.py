"""Results as tables and JSON for the command line."""

from __future__ import annotations

import errno
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from rich import box
from rich.console import Console, RenderableType
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from ebbmap.analyses.common.events import TOO_HIGH, TOO_LOW, event_words
from ebbmap.analyses.common.windows import STATES
from ebbmap.cases.evaluate import STATUS
from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.files.bundled import bundled_protocols, bundled_studies, files_in
from ebbmap.files.study import Study
from ebbmap.files.study.reading import read_text, read_toml
from ebbmap.kernels.judging import VERDICTS
from ebbmap.lungs import LUNGS
from ebbmap.registries.limits import LIMIT_SETS, LimitSet
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.runs import status_of
from ebbmap.runs.costs import Cost
from ebbmap.units import display

#: A driver is named in the summary from this total index on.
NAMED_ABOVE = 0.1


class _Output(Console):
    """A console whose broken pipe is an error as any other, told by the command line."""

    def on_broken_pipe(self) -> None:
        """Do not end the process from here."""
        raise BrokenPipeError(errno.EPIPE, "broken pipe")


def print_out(what: RenderableType) -> None:
    """Print to standard output; wide enough for a pipe."""
    console = _Output()
    console.print(what) if console.is_terminal else _Output(width=140).print(what)


def bundled_table() -> Table:
    """Return the names, titles and questions of the bundled studies and protocols."""
    table = _table("bundled studies and drafts", "command", "title", "question")
    for folder, command in ((bundled_studies(), "run"), (bundled_protocols(), "check")):
        for path in files_in(folder):
            raw = read_toml(read_text(path), str(path))
            words = f"ebbmap {command} {path.stem}"
            table.add_row(words, raw["title"], raw.get("question", ""))
    return table


class progress_bar:
    """A bar per task on standard error, and printing beside it."""

    def __enter__(self) -> progress_bar:
        """Start."""
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            console=Console(stderr=True),
            transient=True,
        )
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
    """Say in tables what a result found, and under them what it held to find it."""
    tables: Mapping[str, Callable[[xr.Dataset], RenderableType]] = {
        "mapping": _mapping_table,
        "boxes": _boxes_table,
        "shapley": _shapley_table,
        "screening": _screening_table,
        "map": _map_table,
        "trade": _trade_table,
        "course": _course_table,
        "collapse": _collapse_table,
    }
    if kind == "window" and "served_share" in result:
        yield _served_table(result)
    elif kind == "sobol":
        yield _drivers_table(result)
        yield _certainty_table(result)
    elif kind == "wean":
        yield from wean_tables(result)
    elif kind == "adjust":
        yield from adjust_tables(result)
    elif kind in tables:
        yield tables[kind](result)
    held = held_text(result)
    if held:
        yield Text(held, style="dim")


def held_text(result: xr.Dataset) -> str:
    """Say what a result held, averaged over, drew and conditioned on, and what it had to mark."""
    words = {
        "fixed": "held",
        "averaged_over": "averaged over",
        "sampled": "drawn beside the lungs",
        "conditioned_on": "other properties drawn given",
        "left_bounds": "",
    }
    found = {word: str(result.attrs.get(name, "")) for name, word in words.items()}
    if found["drawn beside the lungs"] == found["averaged over"]:
        found["drawn beside the lungs"] = ""
    return "; ".join(f"{word}: {text}".lstrip(": ") for word, text in found.items() if text)


def study_notes(study: Study) -> Iterator[Text]:
    """Say before any work which settings take their default, and what may leave its bounds."""
    yield from (Text(note) for note in study.notes)
    for place, names in study.defaults.items():
        told = ", ".join(PARAMETERS[name].say(PARAMETERS[name].default) for name in names)
        yield Text(f"{place}: nobody names {told}: the default", style="dim")


def warn(tasks: list, pictures: Path) -> None:
    """Close a run: where the pictures are, and the caution once more."""
    print_out(f"{len(tasks)} analyses done; pictures and their texts in {pictures}. {CAUTION}")


def costs_table(costs: Sequence[Cost], workers: int) -> Table:
    """Return what the analyses of a study or the parts of a check would cost, and the whole."""
    table = _table(
        f"foreseen costs, {workers} workers: cases at most, pictures not counted",
        "analysis",
        "cases",
        "disk",
        "memory",
        "time",
    )
    whole = Cost(
        "the whole",
        sum(cost.cases for cost in costs),
        sum(cost.disk for cost in costs),
        max(cost.memory for cost in costs),
        sum(cost.seconds for cost in costs),
    )
    for cost in (*costs, *([whole] if len(costs) > 1 else [])):
        name = f"{cost.name}, {cost.blocks:,} blocks to do" if cost.blocks else cost.name
        table.add_row(
            name,
            f"{cost.cases:,}",
            f"{cost.disk / 1e9:,.2f} GB",
            f"{cost.memory / 1e9:,.2f} GB",
            _span(cost.seconds),
        )
    return table


def status_table(folder: Path) -> Table:
    """Show how far the run in a folder has come.

    Raises
    ------
    EbbmapError
        If there is none.
    """
    status = status_of(folder)
    if status is None:
        raise EbbmapError(
            f"{str(folder)!r} must hold a run that can be gone on with; it holds none. Name the "
            "folder that was given with --out."
        )
    table = _table(
        f"begun {status.started}, {_at_work(status.running)}",
        "",
        "done",
        "left",
        "cases",
        "cases left",
        "rate of one worker",
        f"time left, {status.workers} workers",
    )
    for part in status.parts:
        left = part.pieces - part.done
        table.add_row(
            part.name,
            f"{part.done:,}",
            f"{left:,}",
            f"{part.cases:,}" if part.cases else "",
            f"{part.all_cases - part.cases:,}" if part.all_cases else "",
            f"{part.rate:,.0f} per s" if part.cases and part.seconds else "",
            _span(part.seconds_left / max(status.workers, 1)) if part.done and left else "",
        )
    return table


def _at_work(running: bool) -> str:
    return "at work" if running else "not at work"


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
            str(name): {
                "value": float(solved[name]),
                "units": PARAMETERS[str(name)].units,
                "default": str(name) in str(solved.attrs.get("defaults", "")).split(),
            }
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
    table = _table(
        f"settled cycle, lung {solved.attrs['lung']}, status {STATUS[int(solved['status'])]}",
        "name",
        "value",
        "unit",
        "",
    )
    for name in solved.coords:
        if name in PARAMETERS:
            entry = PARAMETERS[str(name)]
            shown = (
                entry.choices[int(solved[name])] if entry.choices else f"{float(solved[name]):g}"
            )
            by_default = str(name) in str(solved.attrs.get("defaults", "")).split()
            words = f"{entry.long_name} (default)" if by_default else entry.long_name
            table.add_row(str(name), shown, display(entry.units), words, style="dim")
    for name in solved.data_vars:
        if name in OUTCOMES:
            of = OUTCOMES[str(name)]
            table.add_row(str(name), f"{float(solved[name]):.4g}", display(of.units), of.long_name)
    return table


_PIECE_KEYS = ("lower", "upper", "lower_bound", "upper_bound")
_LUNG_KEYS = (
    "best",
    "best_margin",
    "best_piece",
    "widest_piece",
    "shorter_fails",
    "longer_fails",
)


def window_json(found: xr.Dataset) -> dict[str, Any]:
    """Windows as plain data, every piece of them."""
    lungs = [str(dim) for dim in found["best"].dims]
    flat = {
        name: found[name].transpose(*lungs, ...).values.reshape(found["best"].size, -1)
        for name in (*_PIECE_KEYS, *_LUNG_KEYS, "state", "pieces")
    }
    rows = [
        {
            "state": STATES[int(flat["state"][at, 0])],
            "pieces": [
                {name: flat[name][at, piece].item() for name in _PIECE_KEYS}
                for piece in range(int(flat["pieces"][at, 0]))
            ],
            **{name: _plain(flat[name][at, 0].item()) for name in _LUNG_KEYS},
        }
        for at in range(found["best"].size)
    ]
    return {
        "caution": CAUTION,
        "lung": found.attrs["lung"],
        "held": found.attrs.get("fixed", ""),
        "units": "s",
        "windows": rows,
    }


#: What closes a piece where no limit does.
NO_LIMIT = {"none": "end of the range searched", "unknown": "not known beyond", "": ""}


def window_table(found: xr.Dataset, limits: LimitSet) -> Table:
    """Show one lung's window, piece by piece, or the limits that leave none."""
    one = found.isel(sample=0)
    sentences = {bound.name: bound.sentence for bound in limits.hard} | NO_LIMIT
    table = _table(f"release window by: {limits.long_name}", "", "T low", "closed by")
    count, state = int(one["pieces"]), STATES[int(one["state"])]
    for number in range(count):
        piece = one.isel(piece=number)
        which = f", piece {number + 1} of {count}" if count > 1 else ""
        for word, side in (("shortest", "lower"), ("longest", "upper")):
            closer = sentences[str(piece[f"{side}_bound"].values)]
            table.add_row(f"{word}{which}", f"{float(piece[side]):.3f} s", closer)
    if count:
        table.add_row("largest margin", f"{float(one['best']):.3f} s", "")
    else:
        table.add_row("no window" if state == "no_window" else "undetermined", "", "")
        for word, side in (("shorter", "shorter_fails"), ("longer", "longer_fails")):
            table.add_row(f"{word} fails by", "", sentences[str(one[side].values)])
    for gap in range(one.sizes["unknown_piece"]):
        low, high = (float(one[f"unknown_{side}"][gap]) for side in ("lower", "upper"))
        if np.isfinite(low):
            table.add_row("could not be judged", f"{low:.3f} to {high:.3f} s", "")
    if np.isfinite(one["best_margin"]):
        table.add_row("margin there", f"{float(one['best_margin']):.3f}", "")
    table.add_row("expiratory time constant", f"{float(one['time_constant_exp']):.3f} s", "")
    return table


def verdict_table(found: xr.Dataset) -> Table:
    """Show the verdict on a draft, one row for each group."""
    table = _table(
        "verdict: share of lung and setting combinations",
        "group",
        "grade",
        "wanted",
        "safe",
        "95 % interval",
        "of this, caution",
        "undetermined",
        "lungs with no safe setting",
        "fails most",
    )
    for name in found["group"].values.astype(str):
        one = found.sel(group=name)
        low, high = (float(end) for end in one["safe_share_interval"])
        broken = one["broken_share"]
        some = bool((broken > 0).any())
        worst = str(found["bound"].values[int(broken.fillna(0.0).values.argmax())])
        shares = one["verdict_share"]
        table.add_row(
            name,
            str(one["grade"].values),
            f"{float(one['wanted_share']):.0%}",
            f"{float(one['safe_share']):.1%}",
            f"{low:.1%} to {high:.1%}",
            f"{float(shares.sel(verdict='caution')):.1%}",
            f"{float(shares.sel(verdict='undetermined')):.1%}",
            f"{float(one['none_share']):.1%}",
            worst if some else "nothing",
        )
    return table


def difference_table(found: xr.Dataset) -> Table:
    """Show who gains and who loses between two drafts."""
    table = _table(
        "on the same lungs",
        "group",
        "before",
        "after",
        "change (95 % interval)",
        "lungs that gain",
        "lungs that lose",
        "let in",
        "left out",
    )
    for name in found["group"].values.astype(str):
        one = found.sel(group=name)
        before, after = (
            f"{float(one['safe_share'].sel(draft=d)):.1%} {one['grade'].sel(draft=d).values!s}"
            for d in ("old", "new")
        )
        low, high = (float(end) for end in one["difference_interval"])
        table.add_row(
            name,
            before,
            after,
            f"{float(one['difference']):+.1%} ({low:+.1%} to {high:+.1%})",
            *(f"{float(one[key]):.1%}" for key in ("gain", "lose", "let_in", "left_out")),
        )
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
            table.add_row(
                name, p.units, f"{p.low:g} to {p.high:g}", usual, f"{p.default:g}", p.kind, p.source
            )
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
    table = _table(
        "populations: invented lungs",
        "population",
        "property",
        "distribution",
        "confirmed",
        "source",
    )
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
    table = _table(
        "release windows",
        "rule",
        "population",
        "lungs with a window",
        "undetermined",
        "several pieces",
        "one T low serves at most",
        "closes most windows below / above",
    )
    for rule in result["rule"].values.astype(str):
        for name in result["population"].values.astype(str):
            one = result.sel(rule=rule, population=name)
            share = one["served_share"]
            top = int(share.values.argmax())
            sides = ("shorter_fails", "longer_fails")
            closers = " / ".join(_commonest(one[side]) for side in sides)
            table.add_row(
                rule,
                name,
                f"{float(one['window_share']):.0%}",
                f"{float(one['window_undetermined_share']):.1%}",
                f"{float((one['pieces'] > 1).mean()):.0%}",
                f"{float(share[top]):.0%} at {float(share['t_low'][top]):.2f} s",
                closers,
            )
    return table


def _map_table(result: xr.Dataset) -> Table:
    y, x = (str(dim) for dim in result["safe_share"].dims[-2:])
    table = _table(
        f"safe share over {x} and {y}", "rule", "population", "largest share", "at", "undetermined"
    )
    for rule in result["rule"].values.astype(str):
        for name in result["population"].values.astype(str):
            one = result.sel(rule=rule, population=name)
            share = one["safe_share"]
            row, column = np.unravel_index(int(share.values.argmax()), share.shape)
            place = f"{x} {float(one[x][column]):.3g}, {y} {float(one[y][row]):.3g}"
            unknown = float(one["undetermined_share"].mean())
            most = f"{float(share.values[row, column]):.0%}"
            found = (most, place) if unknown < 1 else ("none determined", "")
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
    table = _table(
        f"{result.attrs['title']}: {result.attrs['change']}",
        "population",
        "PaCO2 before [mmHg]",
        "after 5 min",
        "at the end of the course",
        "balance",
    )
    for name in result["population"].values.astype(str):
        one = result.sel(population=name)
        five = float(one["paco2"].interp(time=300.0))
        numbers = (one["paco2_start"], five, one["paco2"][-1], one["paco2_end"])
        table.add_row(name, *(f"{float(number):.1f}" for number in numbers))
    return table


def _collapse_table(result: xr.Dataset) -> Table:
    """Show what closes and reopens: release times as drawn, and the longest of each rule."""
    table = _table(
        result.attrs["title"],
        "population",
        "T low [s]",
        "flow ratio",
        "closes",
        "if units closed at once",
        "reopens in T high",
    )
    for name in result["population"].values.astype(str):
        for t_low in result["release"].values:
            one = result.sel(population=name, release=t_low, t_low=t_low)
            table.add_row(
                name,
                f"{t_low:g}",
                f"{float(one['flow_ratio']):.0%}",
                *(
                    f"{float(one[key]):.1%}"
                    for key in ("closed_per_release", "closed_by_pressure", "reopened")
                ),
            )
        for rule in result["rule"].values.astype(str):
            one = result.sel(population=name, rule=rule, end="last")
            table.add_row(
                name,
                f"{float(one['rule_t_low']):.2f}, longest by {rule}",
                "",
                f"{float(one['rule_closed']):.1%}",
                "",
                "",
            )
    return table


def adjust_tables(result: xr.Dataset) -> Iterator[Table]:
    """Show the single steps, the best for CO2, and what goes against common practice."""
    for name in result["population"].values.astype(str):
        yield _steps_table(result.sel(population=name), name)
    if "rule" in result.dims:
        table = _table(
            "most for CO2 inside the limits",
            "population",
            "rule",
            "single step",
            "PaCO2 then",
            "pair of steps",
            "PaCO2 then",
        )
        for name in result["population"].values.astype(str):
            for rule in result["rule"].values.astype(str):
                one = result.sel(population=name, rule=rule)
                table.add_row(
                    name,
                    rule,
                    str(one["best_single"].values),
                    _or_blank(one["best_single_paco2"]),
                    str(one["best_pair"].values),
                    _or_blank(one["best_pair_paco2"]),
                )
        yield table
    yield _practice_table(result)


def adjust_json(result: xr.Dataset) -> dict[str, Any]:
    """Give the moves of the first population and rule as plain data."""
    one = result.isel(population=0, rule=0)
    changes = [str(name) for name in one.data_vars if str(name).startswith("change_")]
    return {
        "caution": CAUTION,
        "lung": result.attrs["lung"],
        "held": result.attrs["fixed"],
        "units": {name: result[name].attrs["units"] for name in changes},
        "best_single": str(one["best_single"].values),
        "best_pair": str(one["best_pair"].values),
        "moves": [
            {
                "move": str(move["move"].values),
                "possible": bool(move["possible"]),
                "margin": _number(float(move["margin"])),
                "verdict": VERDICTS[int(move["verdict"])],
                **{name: _number(float(move[name])) for name in changes},
            }
            for move in (one.isel(move=at) for at in range(one.sizes["move"]))
        ],
        "against_common_practice": [
            {
                "practice": str(name),
                "source": str(one["practice_source"].values[at]),
                "why": str(one["why"].values[at]),
            }
            for at, name in enumerate(one["practice"].values)
            if one["agrees"].values[at] < 0
        ],
    }


def _steps_table(one: xr.Dataset, name: str) -> Table:
    shown = [
        n
        for n in ("paco2", "pao2", "mean_airway_pressure", "auto_peep", "closed_fraction")
        if n in one
    ]
    rules = [str(rule) for rule in one["rule"].values] if "rule" in one.dims else []
    table = _table(
        f"one step of each setting, {name} lung: change",
        "step",
        *(f"{n} [{display(OUTCOMES[n].units)}]".replace(" []", "") for n in shown),
        *(f"margin, {rule}" for rule in rules),
    )
    now = one.isel(move=0)
    margins = [f"{float(now['margin'].sel(rule=rule)):.2f}" for rule in rules]
    table.add_row("as set", *(f"{float(now[n]):.3g}" for n in shown), *margins, style="bold")
    for at in np.flatnonzero(one["size"].values == 1):
        step = one.isel(move=at)
        if not int(step["possible"]):
            table.add_row(str(step["move"].values), "not possible", style="dim")
            continue
        table.add_row(
            str(step["move"].values),
            *(f"{float(step[f'change_{n}']):+.3g}" for n in shown),
            *(f"{float(step['margin'].sel(rule=r)):.2f}" for r in rules),
        )
    return table


def wean_tables(result: xr.Dataset) -> Iterator[Table]:
    """Show both routes step by step, and where each first leaves the safe region."""
    shown = [
        n
        for n in ("paco2", "spo2", "closed_fraction", "mean_airway_pressure", "auto_peep")
        if n in result
    ]
    ends = _table(
        "weaning: where each route leaves the safe region",
        "population",
        "rule",
        "route",
        "first unsafe step",
        "limit",
    )
    for name in result["population"].values.astype(str):
        for rule in result["rule"].values.astype(str):
            for route in result["route"].values.astype(str):
                one = result.sel(population=name, rule=rule, route=route)
                step = int(one["first_unsafe"])
                ends.add_row(
                    name, rule, route, "" if step < 0 else str(step), str(one["leaves"].values)
                )
                table = _table(
                    f"{route}, {name} lung, rule {rule}",
                    "step",
                    "P high",
                    "T high",
                    "margin",
                    "verdict",
                    *(f"{n} [{display(OUTCOMES[n].units)}]".replace(" []", "") for n in shown),
                )
                for at in np.flatnonzero(np.isfinite(one["route_p_high"])):
                    here = one.isel(step=at)
                    table.add_row(
                        str(at),
                        f"{float(here['route_p_high']):g}",
                        f"{float(here['route_t_high']):g}",
                        f"{float(here['route_margin']):.2f}",
                        VERDICTS[int(here["route_verdict"])],
                        *(f"{float(here[n]):.3g}" for n in shown),
                    )
                yield table
    yield ends


def wean_json(result: xr.Dataset) -> dict[str, Any]:
    """Give both routes of the first population and rule as plain data."""
    one = result.isel(population=0, rule=0)
    names = [str(name) for name in one.data_vars if "step" in one[name].dims]
    routes = {}
    for route in one["route"].values.astype(str):
        here = one.sel(route=route)
        steps = np.flatnonzero(np.isfinite(here["route_p_high"]))
        routes[route] = {
            "first_unsafe": int(here["first_unsafe"]),
            "leaves": str(here["leaves"].values),
            "steps": [{n: _number(float(here[n][at])) for n in names} for at in steps],
        }
    return {
        "caution": CAUTION,
        "lung": result.attrs["lung"],
        "held": result.attrs["fixed"],
        "units": {name: result[name].attrs.get("units", "1") for name in names},
        "routes": routes,
    }


def _or_blank(value: xr.DataArray) -> str:
    return f"{float(value):.1f}" if np.isfinite(value) else ""


def _practice_table(result: xr.Dataset) -> Table:
    table = _table(
        "against common practice",
        "population",
        "practice",
        "source",
        "in the model",
        "lungs against it",
        "through",
    )
    for name in result["population"].values.astype(str):
        for one in result["practice"].values:
            row = result.sel(population=name, practice=one)
            share, agrees = float(row["against_share"]), float(row["agrees"])
            if not (agrees < 0 or share > 0):
                continue
            table.add_row(
                name,
                str(one),
                str(row["practice_source"].values),
                {1.0: "agrees", 0.0: "no change", -1.0: "against"}.get(agrees, "unknown"),
                f"{share:.1%}" if np.isfinite(share) else "",
                str(row["why"].values),
            )
    if not table.row_count:
        table.add_row("", "nothing", "", "", "", "")
    return table


def _drivers_table(result: xr.Dataset) -> Table:
    along = str(result.attrs["along"])
    places = result[along].values
    shown = [places[0], places[len(places) // 2], places[-1]]
    table = _table(
        f"what drives the safety margin (total index, N = {result.attrs['base_size']})",
        "population",
        "outcome",
        *(f"{along} {place:.3g}" for place in shown),
    )
    for name in result["population"].values.astype(str):
        for outcome in _margins(result):
            one = result.sel(population=name, outcome=outcome)
            table.add_row(
                name, outcome, *(_leaders(one.sel({along: place}), "total") for place in shown)
            )
    return table


def _margins(result: xr.Dataset) -> list[str]:
    return [n for n in result["outcome"].values.astype(str) if n.startswith("margin_")]


def _certainty_table(result: xr.Dataset) -> Table:
    """How sure the indices are, and what else there is to know about them."""
    table = _table(
        "how sure that is",
        "population",
        "verdict",
        "base rows",
        "widest interval",
        "ranking by distribution (PAWN)",
    )
    for name in result["population"].values.astype(str):
        one = result.sel(population=name)
        rows = int(one["rows"])
        widest = float(one["widest_by_size"].sel(size=rows))
        other = one["disagreement"].item() if "disagreement" in one else "not asked"
        table.add_row(
            name,
            one["verdict"].item(),
            f"{rows:,}",
            f"{widest:.3f}" if np.isfinite(widest) else "not known of every index",
            other,
        )
    table.caption = result.attrs["failures"]
    return table


def _mapping_table(result: xr.Dataset) -> Table:
    """Share of each event, and the property that sets it apart, at three places."""
    along = str(result.attrs["along"])
    places = result[along].values
    shown = [places[0], places[len(places) // 2], places[-1]]
    table = _table(
        f"what is to blame (distance with interval; {result.attrs['lungs']:,} lungs each)",
        "rule",
        "population",
        "event",
        *(f"{along} {place:.3g}" for place in shown),
    )
    for rule in result["rule"].values.astype(str):
        for name in result["population"].values.astype(str):
            for event in (TOO_LOW, TOO_HIGH):
                one = result.sel(rule=rule, population=name, event=event)
                table.add_row(
                    rule,
                    name,
                    event_words(event, along),
                    *(_blamed(one.sel({along: place})) for place in shown),
                )
    return table


def _blamed(at: xr.Dataset) -> str:
    share = f"{float(at['share']):.0%}"
    if not np.isfinite(at["distance"]).any():
        return f"{share}; nothing to set apart"
    worst = at.isel(parameter=int(np.nanargmax(at["distance"].values)))
    low, high = worst["distance_interval"].values
    word = "high" if float(worst["direction"]) > 0 else "low"
    return (
        f"{share}; {word} {worst['parameter'].item()} "
        f"{float(worst['distance']):.2f} ({low:.2f} to {high:.2f})"
    )


def _boxes_table(result: xr.Dataset) -> Table:
    along = str(result.attrs["along"])
    table = _table(
        f"boxes that hold the unsafe cases, {result.attrs['tried']}",
        "rule",
        "population",
        "event",
        "of all",
        "box",
        "density on other cases",
    )
    for rule in result["rule"].values.astype(str):
        for name in result["population"].values.astype(str):
            for event in result["event"].values.astype(str):
                one = result.sel(rule=rule, population=name, event=event)
                low, high = one["density_interval"].values
                table.add_row(
                    rule,
                    name,
                    event_words(event, along),
                    f"{float(one['share']):.0%}",
                    one["sentence"].item(),
                    f"{low:.2f} to {high:.2f}",
                )
    return table


def _shapley_table(result: xr.Dataset) -> Table:
    along = str(result.attrs["along"])
    places = result[along].values
    shown = [places[0], places[len(places) // 2], places[-1]]
    table = _table(
        f"shares of the safety margin's variance (Shapley effect, N = {result.attrs['base_size']})",
        "population",
        "outcome",
        *(f"{along} {place:.3g}" for place in shown),
        "what the correlations change most",
    )
    for name in result["population"].values.astype(str):
        for number, outcome in enumerate(_margins(result)):
            one = result.sel(population=name, outcome=outcome, dependence="correlated")
            leaders = (_leaders(one.sel({along: place}), "effect") for place in shown)
            said = result["change"].sel(population=name).item() if number == 0 else ""
            table.add_row(name, outcome, *leaders, said)
    return table


def _screening_table(result: xr.Dataset) -> Table:
    table = _table(
        f"screening ({result.attrs['base_size']} trajectories): effect over the largest, at most",
        "population",
        "parameter",
        "upper bound",
        "verdict",
    )
    for name in result["population"].values.astype(str):
        for parameter in result["parameter"].values.astype(str):
            one = result.sel(population=name, parameter=parameter)
            if np.isfinite(one["evidence"]):
                verdict = "can be fixed" if int(one["fixable"]) == 1 else "keep"
                table.add_row(name, parameter, f"{float(one['evidence']):.3f}", verdict)
    return table


def _leaders(one: xr.Dataset, index: str) -> str:
    total = one[index].to_series().dropna().sort_values(ascending=False)
    ends = one[f"{index}_interval"].transpose("parameter", "ci_bound")
    lines = [
        f"{name} {value:.2f} ({_ends(*ends.sel(parameter=name).values)})"
        for name, value in total.items()
        if value > NAMED_ABOVE
    ]
    return "\n".join(lines) or "does not vary"


def _ends(low: float, high: float) -> str:
    """Say an interval, or that there is none."""
    return f"{low:.2f} to {high:.2f}" if np.isfinite([low, high]).all() else "no interval"


def _commonest(names: xr.DataArray) -> str:
    (name, _), *_ = Counter(names.values.astype(str)).most_common(1)
    return name


def _number(value: float) -> float | None:
    """Return a number that JSON can hold: None for NaN."""
    return value if np.isfinite(value) else None


def _plain(value: Any) -> Any:
    """Return text and whole numbers as they are, other numbers as JSON can hold them."""
    return _number(value) if isinstance(value, float) else value


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, box=box.SIMPLE_HEAD, title_justify="left", title_style="bold")
    for column in columns:
        table.add_column(column, overflow="fold")
    return table
