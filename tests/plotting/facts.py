"""What the alternative text of each page must say, computed anew from its dataset.

A page passes if every fact is in its text, and if no digit is left once the facts are taken out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import xarray as xr

from ebbmap.analyses.unknowns import number_words
from ebbmap.registries.limits import RULES
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS


def names(result: xr.Dataset, dim: str = "population") -> list[str]:
    """Return the labels along a dimension."""
    return [str(name) for name in result[dim].values]


def each(result: xr.Dataset, *dims: str) -> Iterator[tuple]:
    """Walk labels along dimensions with what they select."""
    if not dims:
        yield (result,)
        return
    for name in names(result, dims[0]):
        for rest in each(result.sel({dims[0]: name}), *dims[1:]):
            yield (name, *rest)


def rule_of(page: str, result: xr.Dataset) -> str:
    """Return the rule that a page is named after."""
    return next(rule for rule in names(result, "rule") if page.endswith(rule))


def long_name(name: str) -> str:
    """Return the name in words of a parameter or outcome."""
    return {**PARAMETERS, **OUTCOMES}[name].long_name


def in_percent(share, *intervals) -> str:
    """A counted share: as many digits as the widest interval bears, never none or all."""
    share = float(share)
    if 0.0 < share < 0.005 or 0.995 < share < 1.0:
        return "<1 %" if share < 0.5 else ">99 %"
    half = max((50.0 * float(high - low) for low, high in intervals), default=0.0)
    if half >= 35.5:
        return f"{round(100 * share, -1):.0f} %"
    return f"{100 * share:.{int(len(intervals) > 1 and half < 3.55)}f} %"


def tenths(share):
    """A share in per cent with one decimal, which is never nought by rounding."""
    return "<0.1 %" if 0 < share < 0.0005 else f"{100 * share:.1f} %"


def of_map(page: str, result: xr.Dataset) -> list[str]:
    one = result.sel(rule=rule_of(page, result))
    largest = ", ".join(
        f"{name} {in_percent(np.nanmax(part['safe_share'].values))}"
        for name, part in each(one, "population")
    )
    y, x = result["safe_share"].dims[-2:]
    return [f"over {long_name(x)} and {long_name(y)}", f"largest share: {largest}."]


def of_sobol(page: str, result: xr.Dataset) -> list[str]:
    if "interactions" in page:
        one = result.sel(outcome=page.split("interactions_")[1])
        weights = np.abs(one["second"]).sum(("parameter", "parameter_other"))
        places = {
            name: result["t_low"].values[int(np.argmax(part.values))]
            for name, part in ((n, weights.sel(population=n)) for n in names(result))
        }
        return [f"{name} at T low {place:g} s" for name, place in places.items()]
    if "pawn" in page:
        return [f"{n}: {part['disagreement'].item()}" for n, part in each(result, "population")]
    if "convergence" in page:
        return [
            f"{name}: {part['verdict'].item()} at N = {int(part['rows'])}"
            for name, part in each(result, "population")
        ]
    return [f"in {', '.join(names(result))} lungs"]


def of_window(page: str, result: xr.Dataset) -> list[str]:
    if page == "served":
        share = result["served_share"].max("t_low")
    else:
        share = np.isfinite(result["lower"]).any("piece" if "piece" in result.dims else [])
        share = share.mean("sample")
    return [
        f"{rule.replace('_', ' ')}: "
        + ", ".join(f"{n} {in_percent(share.sel(rule=rule, population=n))}" for n in names(result))
        for rule in names(result, "rule")
    ]


def of_mapping(page: str, result: xr.Dataset) -> list[str]:
    said = {"too_low": "release too short", "too_high": "release too long"}
    facts = []
    for name, part in each(result.sel(rule=rule_of(page, result)), "population"):
        for event, text in said.items():
            one = part.sel(event=event)
            distance = one["distance"].transpose("t_low", "parameter").values
            known = np.isfinite(distance).any(axis=1)
            if not known.any():
                facts.append(f"{name}, {text}: too few cases on one side everywhere.")
                continue
            off = np.where(known, abs(one["share"].values - 0.5), np.inf)
            at = one.isel(t_low=int(off.argmin()))
            top = at.isel(parameter=int(np.nanargmax(at["distance"].values)))
            word = {1.0: "high", -1.0: "low"}[float(np.sign(top["direction"]))]
            low, high = (
                float(top["distance_interval"].sel(ci_bound=b)) for b in ("lower", "upper")
            )
            facts.append(
                f"{name}, T low {float(at['t_low']):g} s: {100 * float(at['share']):.0f} % {text}, "
                f"most apart in {word} {long_name(str(top['parameter'].item()))}, "
                f"distance {float(top['distance']):.2f} ({low:.2f} to {high:.2f})."
            )
    return facts


def of_boxes(page: str, result: xr.Dataset) -> list[str]:
    one = result.sel(rule=rule_of(page, result), event=["too_low", "too_high"])
    return [f"{n}: {part['sentence'].item()}." for n, _, part in each(one, "population", "event")]


def of_given(page: str, result: xr.Dataset) -> list[str]:
    place = float(result["t_low"][result.sizes["t_low"] // 2])
    facts = []
    for name, part in each(result.sel(t_low=place), "population"):
        first = part["first"].sel(outcome="auto_peep").to_series().dropna()
        if first.size:
            facts.append(f"{name}: {long_name(str(first.idxmax()))} {first.max():.2f}")
    return facts


def of_rare(page: str, result: xr.Dataset) -> list[str]:
    facts = []
    for rule, name, part in each(result, "rule", "population"):
        share = part["harm_share"]
        at = share.isel(t_low=int(share.values.argmin()))
        low, high = part["harm_share_interval"].sel(t_low=at["t_low"]).values
        said = f"{100 * float(at):.3g} % ({100 * low:.3g} to {100 * high:.3g} %)"
        if float(at) == 0.0:
            said = f"no harm found (at most {100 * high:.2g} %)"
        facts.append(
            f"{name}, {rule.replace('_', ' ')}: least at T low {float(at['t_low']):g} s, {said}"
        )
    return facts


def of_edge(page: str, result: xr.Dataset) -> list[str]:
    one = result.sel(rule=rule_of(page, result))
    facts = []
    for name, part in each(one, "population"):
        low, high = part["volume_interval"].values
        facts.append(
            f"{name}: {100 * float(part['volume']):.1f} % ({100 * low:.1f} % to {100 * high:.1f} %)"
        )
        if part["safest_t_low"].notnull():
            facts.append(f"safest at T low {float(part['safest_t_low']):.3g} s")
    return facts


def of_robust(page: str, result: xr.Dataset) -> list[str]:
    one = result.sel(rule=rule_of(page, result))
    facts = []
    for choice, part in each(one, "choice"):
        ends = sorted({f"{end:.4g}" for end in part["chosen_t_low"].values}, key=float)
        place = f"T low {' to '.join(ends)} s"
        facts.append(f"{place} for all groups" if choice == "all groups" else place)
        for name, own in each(part, "population"):
            if choice in ("all groups", name):
                known = ("reached_share_interval", "reached_share_knowledge")
                ends = [own[n].values for n in known if n in own]
                facts.append(f"{in_percent(own['reached_share'], *ends)} served")
    return facts


def of_shapley(page: str, result: xr.Dataset) -> list[str]:
    return [f"{name}: {part['change'].item()}" for name, part in each(result, "population")]


def _at_most(bound: float) -> str:
    """Return a bound in per cent; one that would round to nothing, but is not, is below 0.1."""
    if 0.0 < bound < 0.0005:
        return "<0.1 %"
    return f"at most {100 * max(bound, 0):.1f} %"


def of_screening(page: str, result: xr.Dataset) -> list[str]:
    facts = []
    for name, part in each(result, "population"):
        can = [
            f"{long_name(factor)} ({_at_most(float(one['evidence']))})"
            for factor, one in each(part, "parameter")
            if one["fixable"] == 1
        ]
        facts.append(f"{name}: " + (f"can be fixed: {', '.join(can)}" if can else "nothing"))
    return facts


def of_slopes(page: str, result: xr.Dataset) -> list[str]:
    middle = result.isel(t_low=result.sizes["t_low"] // 2)
    facts = [f"at T low {float(middle['t_low']):g} s", "Largest in auto-PEEP"]
    for name, part in each(middle.sel(outcome="auto_peep"), "population"):
        top = str(part["parameter"].values[np.nanargmax(part["most"].values)])
        least, most = (float(part[key].sel(parameter=top)) for key in ("least", "most"))
        facts.append(f"{name}: {long_name(top)} {least:.2f} to {most:.2f}")
    return facts


def of_trade(page: str, result: xr.Dataset) -> list[str]:
    return [
        f"{name} lung, {rule.replace('_', ' ')} rule: {part['answer'].item()}"
        for rule, name, part in each(result, "rule", "population")
    ]


def of_foretell(page: str, result: xr.Dataset) -> list[str]:
    model = next(name for name in names(result, "model") if page.startswith(f"{name}_"))
    rule = next(name for name in names(result, "rule") if page == f"{model}_{name}_unharmed")
    one = result.sel(model=model, rule=rule)
    facts = [f"{model} lung"]
    for level in one["spontaneous_alveolar_ventilation"].values:
        facts.append(f"own breathing {level:g} L/min")
        for name, part in each(one.sel(spontaneous_alveolar_ventilation=level), "population"):
            every = (
                (float(share), f"{long_name(way)} {float(place):.2g}")
                for way, at in each(part, "way")
                for share, place in zip(
                    at["unharmed_share"].values, at["threshold"].values, strict=True
                )
                if np.isfinite(share)
            )
            share, place = max(every, key=lambda one: one[0])
            facts.append(f"{name.replace('_', ' ')} {100 * share:.0f} % by {place}")
    return facts


def of_together(page: str, result: xr.Dataset) -> list[str]:
    one = result.sel(rule=page.removesuffix("_excluded"))
    shares = {
        name: dict(zip(part["excluding"].values, part["excluding_share"].values, strict=True))
        for name, part in each(one, "population")
    }
    facts = []
    for name, part in each(one, "population"):
        facts.append(f"{name.replace('_', ' ')} {100 * float(part['held_share']):.0f} %")
        most = max(shares[name].values())
        if most > 0:
            # of several the one that excludes itself in most lungs of any population
            tied = [text for text, share in shares[name].items() if share == most]
            text = min(tied, key=lambda t: (-max(o.get(t, 0.0) for o in shares.values()), t))
            facts.append(f"(most often excluded, in {100 * most:.0f} %: {text})")
    return facts


def of_limits(page: str, result: xr.Dataset) -> list[str]:
    one = result.sel(rule=page.removesuffix("_decided"))
    facts = []
    for name, part in each(one, "population"):
        decided = {bound: float(at["gained_share"]) for bound, at in each(part, "bound")}
        bound, share = max(decided.items(), key=lambda item: np.nan_to_num(item[1], nan=-1.0))
        outcome, _, side = bound.rpartition("_")
        said = (
            f"{long_name(outcome)} too {side} decides {100 * share:.0f} %"
            if share > 0
            else "no limit"
        )
        facts.append(
            f"{name.replace('_', ' ')} {100 * float(part['safe_share']):.0f} % safe, {said}"
        )
    return facts


def of_strategies(page: str, result: xr.Dataset) -> list[str]:
    one = result.sel(rule=page.removesuffix("_as_wholes"))
    facts = []
    for level in one["spontaneous_alveolar_ventilation"].values:
        facts.append(f"own breathing {level:g} L/min")
        for name, part in each(one.sel(spontaneous_alveolar_ventilation=level), "population"):
            shares = [
                (float(at["unharmed_share"]), strategy.replace("_", " "))
                for strategy, at in each(part, "strategy")
            ]
            # of equal shares the fewest are said of the first, the most of the last
            least = min(shares, key=lambda one: one[0])
            most = max(reversed(shares), key=lambda one: one[0])
            facts.append(
                f"{name.replace('_', ' ')} from {100 * least[0]:.0f} % ({least[1]}) to "
                f"{100 * most[0]:.0f} % "
                f"({most[1]})"
            )
    return facts


def of_course(page: str, result: xr.Dataset) -> list[str]:
    return [
        f"{name} from {float(part['paco2_start']):.0f} to {float(part['paco2_end']):.0f} mmHg"
        for name, part in each(result, "population")
    ]


def of_compare(page: str, result: xr.Dataset) -> list[str]:
    return [
        f"{name}: flow ratio {100 * float(part['flow_ratio']):.0f} %, exhaled fraction "
        f"{100 * float(part['exhaled_fraction']):.0f} %, {float(part['trapped_volume']):.0f} mL "
        "left"
        for name, part in each(result, "case")
    ]


def of_startup(page: str, result: xr.Dataset) -> list[str]:
    facts, cycle = [], int(result.attrs["longer_cycle"])
    last = int(result["cycle"].values[-1])
    for name, part in each(result, "population"):
        trapped = part["trapped_volume"]
        as_set, longer = trapped.isel(course=0), trapped.isel(course=1)
        out = float(as_set.sel(cycle=cycle) - longer.sel(cycle=cycle))
        still = float(as_set.sel(cycle=last) - longer.sel(cycle=last))
        facts.append(
            f"{name}: trapped volume {float(as_set.sel(cycle=1)):.0f} mL after the first cycle, "
            f"{float(as_set.sel(cycle=last)):.0f} mL after the last; one longer release lets out "
            f"{out:.0f} mL more, of which {out - still:.0f} mL are back {last - cycle} cycles later"
        )
    return facts


def of_inside(page: str, result: xr.Dataset) -> list[str]:
    return [
        f"{name}: "
        + ", ".join(
            f"at {100 * float(one['look']):.0f} % of peak flow ({float(one['look_time']):.2f} "
            "s) the fast "
            f"compartment still holds {100 * float(one['look_fast_left']):.0f} %, the slow one "
            f"{100 * float(one['look_slow_left']):.0f} %"
            for one in (part.isel(look=k) for k in range(part.sizes["look"]))
            if np.isfinite(one["look_time"])
        )
        for name, part in each(result, "population")
    ]


def of_collapse(page: str, result: xr.Dataset) -> list[str]:
    if page == "closing_by_t_low":
        facts = []
        for name, part in each(result, "population"):
            kept = [
                f"{tenths(float(part['rule_closed'].sel(rule=rule, end='last')))} at the "
                "longest "
                f"release that the {rule.replace('_', ' ')} rule allows "
                f"({float(part['rule_t_low'].sel(rule=rule, end='last')):.2f} s)"
                for rule in RULES
                if np.isfinite(part["rule_t_low"].sel(rule=rule, end="last"))
            ]
            said = f"{' and '.join(kept)} closes" if kept else "no rule is kept"
            facts.append(f"In the {name} lung {said}")
        return facts
    one = result.sel(population=page.removesuffix("_cycle"))
    facts = []
    for release in one["release"].values:
        here = one.sel(release=release, t_low=release)
        closed = float(here["closed_per_release"])
        facts.append(
            f"With T low {release:g} s "
            + (
                f"nothing closes: {float(here['end_release_pressure']):.0f} cmH2O are left"
                if closed < 5e-4
                else f"{tenths(closed)} of the units close, where "
                f"{tenths(float(here['closed_by_pressure']))} would if they closed at once, "
                f"and {tenths(float(here['reopened']))} reopen"
            )
        )
    return facts


def of_adjust(page: str, result: xr.Dataset) -> list[str]:
    if page == "practice":
        return [
            f"“{practice}”: "
            + ", ".join(
                f"{100 * (float(part['against_share'].sel(population=n))):.1f} % of {n} lungs"
                for n in names(result)
                if part["against_share"].sel(population=n) > 0
            )
            for practice, part in each(result, "practice")
            if (part["against_share"] > 0).any()
        ]
    one = result.sel(population=page.removesuffix("_steps"))
    now = one.isel(move=0)
    return [
        f"in the {page.removesuffix('_steps')} lung. Now: PaCO₂ {float(now['paco2']):.0f} mmHg, "
        f"PaO₂ {float(now['pao2']):.0f} mmHg, auto-PEEP {float(now['auto_peep']):.1f} cmH₂O",
        *(
            f"{rule.replace('_', ' ')} rule: {part['best_single'].item()}; of pairs: "
            f"{part['best_pair'].item()}"
            for rule, part in each(one, "rule")
        ),
    ]


def of_wean(page: str, result: xr.Dataset) -> list[str]:
    facts = []
    for rule, name, part in each(result, "rule", "population"):
        said = []
        for route, one in each(part, "route"):
            first = int(one["first_unsafe"])
            step = f"step {first}, " if first >= 0 else ""
            said.append(f"{route}: {step}{one['leaves'].item()}")
        facts.append(f"{name} lung, {rule.replace('_', ' ')} rule: {', '.join(said)}")
    return facts


def of_rules(page: str, result: xr.Dataset) -> list[str]:
    facts = []
    for model, part in each(result, "model"):
        total = part["sum"].values
        span = f"{total.min():.2f}"
        span += f" to {total.max():.2f}" if total.max() - total.min() > 5e-3 else ""
        facts.append(f"in the {model} lung they add up to {span}")
        # bundled ranges of both rules: 50 to 75 %
        both = np.all([(part[r] >= 0.5) & (part[r] <= 0.75) for r in RULES], axis=0).any(axis=0)
        place = part["t_low_in_time_constants"].values[both]
        facts.append(
            f"kept from {place[0]:.2g} to {place[-1]:.2g} in the {model} lung"
            if place.size
            else f"No release keeps both rules in the {model} lung"
        )
    return facts


def of_profile(page: str, result: xr.Dataset) -> list[str]:
    told = ", ".join(OUTCOMES[str(n)].long_name for n in result.data_vars if n in OUTCOMES)
    return [f"{told} along T low."]


def of_unknowns(page: str, result: xr.Dataset) -> list[str]:
    one = result.sel(rule=rule_of(page, result), conclusion="safe_share")
    told = [f"{rule_of(page, result).replace('_', ' ')} rule"]
    for name, part in each(one, "population"):
        ends = part["safe_share_interval"].values, part["safe_share_knowledge"].values
        share = in_percent(part["safe_share"], *ends)
        low, high = 100 * ends[1]
        at = f"safe at T low {result.attrs['t_low_asked']:g} s"
        told.append(f"{name}: {share} {at} (knowledge {low:.0f} to {high:.0f})")
        known = part["effect"].to_series().dropna()
        told += [f"mostly for {number_words(known.idxmax())}"] if len(known) else []
    return list(dict.fromkeys(told))


FACTS: dict[str, Callable[[str, xr.Dataset], list[str]]] = {
    name.removeprefix("of_"): function
    for name, function in list(globals().items())
    if name.startswith("of_")
}
