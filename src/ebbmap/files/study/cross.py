"""What must fit together in a study file beyond its schema, each problem with its place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from pydantic import ValidationError

from ebbmap.cases.checks import complaint
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.files.study.schema import (
    Analyses,
    Axis,
    Limits,
    OwnLimit,
    OwnPopulation,
    Rules,
    Startup,
    as_axis,
)
from ebbmap.files.study.uses import unused
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.lungs import LUNGS, Lung
from ebbmap.registries.derivations import DERIVATIONS, all_inputs
from ebbmap.registries.limits import RULES
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of, plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

#: Analyses that draw a design, and all that run along an axis.
DESIGNS = ("sobol", "screening", "shapley")
ALONG = (*DESIGNS, "mapping")

#: Where an analysis names outcomes.
_OUTCOMES_AT = (
    *((kind, "outcomes") for kind in ("sweep", "profile", *DESIGNS)),
    ("trade", "costs"),
)

ANALYSES = ", ".join(sorted(Analyses.model_fields))


def cross_checks(raw: dict[str, Any]) -> list[str]:
    """List what does not fit together, from the raw file so that nothing hides behind a typo."""
    return [
        *_check_numbers(raw),
        *check_names(raw),
        *_check_given_once(raw),
        *check_limits(raw),
        *_check_analyses(raw),
        *(text for text in unused(raw, _drawn_by(raw)) if text),
    ]


def _check_numbers(raw) -> list[str]:
    """Check fixed values and axes against the registry's bounds."""
    problems = []
    for name, value in _table(raw, "fixed").items():
        if name in PARAMETERS:
            try:
                number = PARAMETERS[name].code(value)
            except EbbmapError as error:
                problems.append(f"fixed.{name}: {error}")
                continue
            if isinstance(number, (int, float)) and not isinstance(number, bool):
                found = complaint(name, np.asarray(_double(number)))
                problems += [f"fixed.{name}: {found}"] if found else []
            elif isinstance(number, str):
                problems.append(f"fixed.{name}: must be a number; got {number!r}.")
    drawn = {"samples": _table(raw, "samples")}
    for own in _table(raw, "population"):
        drawn[f"population.{own}.properties"] = _table(raw, "population", own, "properties")
    for place, tables in drawn.items():
        for name in tables:
            ends = _ends(_table(tables, name))
            if name in PARAMETERS and ends.size and (found := complaint(name, ends)):
                problems.append(f"{place}.{name}: {found}")
    for name, value in _table(raw, "axes").items():
        if name not in PARAMETERS:
            continue
        try:
            grid = Axis.model_validate(as_axis(value)).grid()
        except ValidationError:
            continue  # reported with the structure
        except ValueError as error:
            problems.append(f"axes.{name}: {error}. Give values, or start, stop and count.")
            continue
        found = complaint(name, grid)
        problems += [f"axes.{name}: {found}"] if found else []
    return problems


def check_names(raw) -> list[str]:
    """Check that populations exist and own ones can be built."""
    problems = []
    own = _table(raw, "population")
    problems += _repeated("populations", _names(raw.get("populations")))
    for name in _names(raw.get("populations")):
        if name not in POPULATIONS and name not in own:
            problems.append(
                f"populations: {unknown_name('population', name, {**POPULATIONS, **own})}"
            )
    for name, table in own.items():
        try:
            OwnPopulation.model_validate(table).build(name)
        except ValidationError:
            continue
        except EbbmapError as error:
            problems.append(f"population.{name}: {error}")
    return problems


def _check_given_once(raw) -> list[str]:
    """Check that nothing is given both directly and through others, or with the population."""
    problems = []
    ways = {way: set(_table(raw, way)) for way in ("fixed", "axes", "samples")}
    given = set().union(*ways.values())
    for rule in DERIVATIONS:
        for way in ways:
            if rule.trigger in ways[way] and rule.target in ways["fixed"] | ways["samples"]:
                problems.append(
                    f"{way}.{rule.trigger}: sets {rule.target}, which is given too. Drop one."
                )
    drawn = _drawn(raw)
    for name in sorted(set(ways["samples"]) & drawn):
        problems.append(f"samples.{name}: is drawn with the population. Fix it or drop it.")
    if "height" in given and "predicted_body_weight" in drawn:
        problems.append("height: the populations carry predicted_body_weight. Drop the height.")
    return problems


def _drawn(raw) -> set[str]:
    """Properties that the populations carry."""
    return set().union(*_drawn_by(raw))


def _drawn_by(raw) -> list[set[str]]:
    """Properties of each population."""
    own, drawn = _table(raw, "population"), []
    for name in _names(raw.get("populations")):
        base = str(_table(own, name).get("base")) if name in own else name
        bundled = POPULATIONS[base].properties if base in POPULATIONS else ()
        drawn.append({*_table(own, name, "properties"), *bundled})
    return drawn


def check_limits(raw) -> list[str]:
    """Check that own limits can be meant, rules exist, and nothing is set twice."""
    problems, limits = [], _table(raw, "limits")
    own_rules: set[str] = set()
    for number, table in enumerate(_listed(limits.get("own"))):
        try:
            one = OwnLimit.model_validate(table)
            one.build()
        except ValidationError:
            continue
        except EbbmapError as error:
            problems.append(f"limits.own.{number}: {error}")
            continue
        if one.rule is not None:
            own_rules.add(one.rule)
    rules = _names(limits.get("rules", list(RULES)))
    problems += _repeated("limits.rules", rules)
    known = {*RULES, *own_rules}
    for name in rules:
        if name not in known:
            problems.append(f"limits.rules: {unknown_name('rule', name, known)}")
    for name in sorted(own_rules - set(rules)):
        problems.append(f"limits.own: the rule {name!r} is not in limits.rules. Add it there.")
    if not problems:
        try:
            built = Limits.model_validate(limits).build()
            empty = [name for name, rule in built.items() if not rule.hard]
            problems += [f"limits: the rule {name!r} has no hard limit. Add one." for name in empty]
        except ValidationError:
            pass
        except EbbmapError as error:
            problems.append(f"limits: {error}")
    return problems


def _check_analyses(raw) -> list[str]:
    """Check that the axes, the populations and the lung can serve the analyses."""
    problems = []
    axes = _table(raw, "axes")
    analyses = _table(raw, "analyses")
    if "analyses" in raw and not analyses:
        problems.append(f"analyses: must name at least one of {ANALYSES}.")
    lung = LUNGS.get(str(raw.get("lung")), LUNGS["linear"])

    def need_axis(place: str, name: object) -> None:
        if isinstance(name, str) and name in PARAMETERS and name not in axes:
            problems.append(f"{place}: {name} has no axis. Add [axes.{name}].")

    seen: dict[tuple, int] = {}
    for number, table in enumerate(_listed(analyses.get("map"))):
        sides = tuple(str(_table({"m": table}, "m").get(side)) for side in ("x", "y"))
        if seen.setdefault(sides, number) != number:
            problems.append(
                f"analyses.map.{number}: has the x and y of analyses.map.{seen[sides]}. "
                "Keep one of them."
            )
        for side in ("x", "y"):
            need_axis(f"analyses.map.{number}.{side}", _table({"m": table}, "m").get(side))
        for name in _names(_table({"m": table}, "m").get("average_over")):
            need_axis(f"analyses.map.{number}.average_over", name)
        if _table({"m": table}, "m").get("x") == _table({"m": table}, "m").get("y"):
            problems.append(f"analyses.map.{number}: x and y must differ.")
    for kind in (*ALONG, "profile", "window"):
        if kind in analyses:
            table = _table(analyses, kind)
            along = table.get("along", "t_low" if kind in ALONG else None)
            if "at" not in table:
                need_axis(f"analyses.{kind}.along", along)
            elif str(along) in PARAMETERS and (found := _values_complaint(str(along), table["at"])):
                problems.append(f"analyses.{kind}.at: {found}")
    if "sweep" in analyses:
        table = _table(analyses, "sweep")
        for name in _names(table.get("reduce_to")):
            need_axis("analyses.sweep.reduce_to", name)
        wanted = _names(table.get("reductions"))
        if table.get("store") == "none" and not wanted:
            problems.append("analyses.sweep: keeps nothing. Name reductions, or another store.")
        if table.get("store") == "netcdf" and (wanted or table.get("precision") == "float32"):
            problems.append(
                "analyses.sweep: reductions and float32 need store = 'zarr' or 'none'. Choose one."
            )
        if "safe_share" in wanted and table.get("judged") is False:
            problems.append("analyses.sweep: a safe share needs judged = true. Drop one.")
    if "trade" in analyses:
        for name in _names(_table(analyses, "trade").get("axes", ["t_low", "t_high"])):
            need_axis("analyses.trade.axes", name)
    for name, value in _table(analyses, "course", "change").items():
        if name in PARAMETERS and (found := _values_complaint(name, [value])):
            problems.append(f"analyses.course.change: {found}")
    problems += _check_designs(raw, analyses)
    if "boxes" in analyses:
        over = _names(_table(analyses, "boxes").get("over", ["t_low"]))
        for name in over:
            need_axis("analyses.boxes.over", name)
            if name in _drawn(raw):
                problems.append(f"analyses.boxes.over: {name} is drawn with the population.")
    for kind in ("mapping", "boxes"):
        if kind in analyses and not _listed(raw.get("populations")) and not raw.get("samples"):
            problems.append(f"analyses.{kind}: needs a population or [samples].")
    if "window" in analyses:
        if "along" in _table(analyses, "window") and _table(raw, "samples"):
            problems.append("analyses.window.along: follows middle lungs, not [samples]. Fix them.")
        for name in ("t_low", "t_low_in_time_constants"):
            if name in _table(raw, "fixed") or name in _table(raw, "samples"):
                problems.append(f"analyses.window: searches for T low, so {name} cannot be given.")
            if _table(analyses, "window").get("along") == name:
                problems.append(f"analyses.window.along: cannot be {name}, which is searched for.")
    for rule in DERIVATIONS if "sweep" in analyses else ():
        if rule.target in axes and rule.trigger in axes:
            problems.append(
                f"analyses.sweep: has axes of both {rule.target} and {rule.trigger}. Drop one."
            )
    possible = set(outcomes_of(lung))
    for kind, key in _OUTCOMES_AT:
        for name in _names(_table(analyses, kind).get(key)):
            if name in OUTCOMES and name not in possible:
                problems.append(
                    f"analyses.{kind}.{key}: the lung {lung.name!r} has no {name}. "
                    f"It has: {', '.join(sorted(possible))}."
                )
    problems += _check_teaching(raw, lung)
    known = frozenset().union(*(all_inputs(plan(one).parameters) for one in _lungs(raw, lung)))
    for way in ("fixed", "axes", "samples"):
        for name in _table(raw, way):
            if name in PARAMETERS and name not in known:
                problems.append(f"{way}.{name}: the lung {lung.name!r} does not use it. Drop it.")
    return problems


def _check_designs(raw, analyses) -> list[str]:
    """Check the analyses that draw designs: sizes, groups, and that enough varies."""
    problems = []
    rules = _listed(_table(raw, "limits").get("rules", list(RULES)))
    for kind in DESIGNS:
        if kind not in analyses:
            continue
        place, table = f"analyses.{kind}", _table(analyses, kind)
        sizes = {key: table.get(key) for key in ("base_size", "max_base_size", "replicates")}
        for key, size in sizes.items():
            if isinstance(size, int) and size > 0 and size & (size - 1):
                problems.append(f"{place}.{key}: must be a power of two; got {size}.")
        start = sizes["base_size"] or {"sobol": 1024, "shapley": 512}.get(kind)
        budget, replicates = sizes["max_base_size"], sizes["replicates"] or REPLICATES
        if isinstance(start, int) and isinstance(replicates, int) and 2 * replicates > start:
            problems.append(
                f"{place}.base_size: must be at least twice the {replicates} replicates; "
                f"got {start}."
            )
        if isinstance(start, int) and isinstance(budget, int) and budget < start:
            problems.append(f"{place}.max_base_size: must be >= base_size; got {budget}, {start}.")
        if budget is not None and "stopping_width" not in table:
            problems.append(f"{place}.max_base_size: needs a stopping_width. Give one.")
        known = {*OUTCOMES, *(f"{what}_{rule}" for what in ("margin", "safe") for rule in rules)}
        for name in _names(table.get("stopping_outcomes")):
            if name not in known:
                problems.append(
                    f"{place}.stopping_outcomes: {unknown_name('outcome', name, known)}"
                )
        twice = [n for inside in _table(table, "groups").values() for n in _listed(inside)]
        for name in sorted({str(n) for n in twice if twice.count(n) > 1}):
            problems.append(f"{place}.groups: {name} is in two groups. Keep one of them.")
        if not _listed(raw.get("populations")) and len(_table(raw, "samples")) < 2:
            problems.append(f"{place}: needs a population or at least two [samples].")
    return problems


def _lungs(raw, lung: Lung) -> list[Lung]:
    """Return every lung model that the study solves: its own, and those set beside it."""
    analyses = _table(raw, "analyses")
    named = [
        n for kind in ("compare", "rules") for n in _names(_table(analyses, kind).get("models"))
    ]
    if "rules" in analyses and not named:
        named = list(Rules.model_fields["models"].default)
    return [lung, *(LUNGS[name] for name in named if name in LUNGS)]


def _check_teaching(raw, lung: Lung) -> list[str]:
    """Check the analyses behind teaching figures."""
    problems, analyses = [], _table(raw, "analyses")
    if "rules" in analyses:
        along = _table(analyses, "rules").get("along", "t_low_in_time_constants")
        if along in PARAMETERS and along not in _table(raw, "axes"):
            problems.append(f"analyses.rules.along: {along} has no axis. Add [axes.{along}].")
    for kind in ("compare", "rules"):
        problems += _repeated(
            f"analyses.{kind}.models", _names(_table(analyses, kind).get("models"))
        )
    for model in _lungs(raw, lung) if "compare" in analyses else ():
        for name in _names(_table(analyses, "compare").get("outcomes")):
            if name in OUTCOMES and name not in outcomes_of(model):
                problems.append(
                    f"analyses.compare.outcomes: the lung {model.name!r} has no {name}. Drop it."
                )
    if "inside" in analyses and "alveolar_pressure_slow" not in lung.signals:
        problems.append(
            f"analyses.inside: the lung {lung.name!r} has no slow compartment. Use 'paired' "
            "or 'whole'."
        )
    if "collapse" in analyses:
        problems += _check_collapse(raw, lung)
    start = _table(analyses, "startup")
    at, cycles = (
        start.get("longer_cycle"),
        start.get("cycles", Startup.model_fields["cycles"].default),
    )
    if isinstance(at, int) and isinstance(cycles, int) and at > cycles:
        problems.append(f"analyses.startup.longer_cycle: must be one of {cycles} cycles; got {at}.")
    for name in _table(analyses, "adjust", "steps"):
        if name in PARAMETERS and PARAMETERS[name].kind != "setting":
            problems.append(f"analyses.adjust.steps.{name}: is no setting. Drop it.")
    end, now = _table(analyses, "wean").get("p_high_end"), _table(raw, "fixed").get("p_high")
    if isinstance(end, (int, float)) and isinstance(now, (int, float)) and not end < now:
        problems.append(f"analyses.wean.p_high_end: must be below P high of {now:g}; got {end:g}.")
    return problems


def _check_collapse(raw, lung: Lung) -> list[str]:
    """Check that units can close, and that T low has an axis and times that can be drawn."""
    place, fixed, problems = "analyses.collapse", _table(raw, "fixed"), []
    if "t_low" not in _table(raw, "axes"):
        problems.append(f"{place}: t_low has no axis. Add [axes.t_low].")
    if "open_fraction" not in lung.signals:
        return [*problems, f"{place}: in the lung {lung.name!r} no unit can close. Use 'stepped'."]
    if "recruitable_share" not in _drawn(raw) and not fixed.get("recruitable_share"):
        problems.append(f"{place}: nothing can close. Set fixed.recruitable_share above 0.")
    if fixed.get("effort_pressure"):
        problems.append(f"{place}: with effort no cycle settles. Set fixed.effort_pressure to 0.")
    times = _table(raw, "analyses", "collapse").get("t_low")
    if isinstance(times, list) and (found := _values_complaint("t_low", times)):
        problems.append(f"{place}.t_low: {found}")
    return problems


def _values_complaint(name: str, values: object) -> str | None:
    """Return what is wrong with a plain list of values, None where the schema reports it."""
    try:
        return complaint(name, Axis.model_validate(as_axis(values)).grid())
    except ValidationError:
        return None
    except ValueError as error:
        return f"{error}."


def _table(raw: Mapping[str, Any], *path: str) -> dict[str, Any]:
    """Return a table of the raw file, or an empty one where it is missing or something else."""
    here: Any = raw
    for key in path:
        here = here.get(key) if isinstance(here, dict) else None
    return here if isinstance(here, dict) else {}


def _listed(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _names(value: object) -> list[str]:
    """Return the words of a list; anything else in it is reported with the structure."""
    return [one for one in _listed(value) if isinstance(one, str)]


def _repeated(place: str, names: list[str]) -> list[str]:
    twice = [name for name in dict.fromkeys(names) if names.count(name) > 1]
    return [f"{place}: {name!r} is listed twice. Keep one of them." for name in twice]


def _ends(distribution: Mapping[str, Any]) -> np.ndarray:
    """Return the ends of a distribution that are stated as numbers, low before high."""
    stated = (distribution.get(side) for side in ("low", "high"))
    numbers = [e for e in stated if isinstance(e, (int, float)) and not isinstance(e, bool)]
    return np.array([_double(number) for number in numbers])


def _double(number: int | float) -> float:
    """Return the number as a double; an integer beyond all doubles is infinite."""
    try:
        return float(number)
    except OverflowError:
        return np.inf if number > 0 else -np.inf
