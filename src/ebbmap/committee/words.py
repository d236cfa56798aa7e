"""A draft in words: its settings, who gets the mode, what it does not judge. No arrays."""

from __future__ import annotations

import numpy as np

from ebbmap.committee.draft import Draft, Span
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.rules import Rule
from ebbmap.digits import exact_share
from ebbmap.registries.bedside import STEPS
from ebbmap.registries.limits import LIMIT_SETS, RULES, LimitSet
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display


def say_setting(draft: Draft, name: str) -> str:
    """Return how the draft sets one setting, in words."""
    rule = draft.rules.get(name)
    if rule is not None:
        said = [_say_rule(draft, one) for one in rule.each]
        text = said[0] if rule.other is None else _TAKEN[rule.take].format(*said)
    elif name in draft.spans:
        span = draft.spans[name]
        return PARAMETERS[name].range(span.low, span.high)
    else:
        (way,) = (way for way in draft.derived if way.target == name)
        text = _DERIVED[way.trigger].format(_numbers(way.trigger, draft.spans[way.trigger]))
    if name in draft.starts:
        text += f"; other rules are read at {PARAMETERS[name].say(draft.starts[name])}"
    return text


#: How two rules are told, by which of them is taken.
_TAKEN = {
    "any": "either of two rules, whichever is picked, and both are judged. The first: {}. The "
    "second: {}",
    "shorter": "whichever of two rules gives the shorter. The first: {}. The second: {}",
    "longer": "whichever of two rules gives the longer. The first: {}. The second: {}",
}

#: How a setting that follows from others is told, by what it is derived from.
_DERIVED = {
    "p_low_share": "{} of P high",
    "release_frequency": "what T low leaves of each cycle, for {} releases per minute",
    "release_share": "such that T low is {} of the cycle",
    "t_high_in_time_constants": "{} x inspiratory time constant",
}


def _numbers(name: str, span: Span) -> str:
    """Return the numbers of a range, without a unit but for per cent."""
    entry = PARAMETERS[name]
    return entry.range(span.low, span.high) if entry.is_share else span.say()


def _say_rule(draft: Draft, rule: Rule) -> str:
    """Return what one rule does, how well it is measured, and where it stops."""
    unit = display(PARAMETERS[rule.sets].units)
    if rule.kind == "plateau":
        text = f"plateau pressure at {rule.target:g} mL/kg and PEEP {rule.base:g} cmH₂O"
        text += f" {rule.offset:+g} cmH₂O" if rule.offset else ""
    elif rule.kind == "flow_ratio":
        text = f"where flow has fallen to {exact_share(rule.target)} of its peak"
    elif rule.kind == "auto_peep":
        text = f"what leaves an auto-PEEP of {rule.target:g} cmH₂O, or comes nearest to it"
    elif rule.kind == "peep_table":
        rows = ", ".join(f"{exact_share(fio2)}: {p_low:g}" for fio2, p_low in rule.rows)
        return f"by a table of FiO₂ ({rows} cmH₂O)"
    else:
        text = f"{draft.spans['t_low_in_time_constants'].say()} x expiratory time constant"
    text += f", measured to {exact_share(rule.error)}" if rule.error else ""
    way = "high" if rule.bias > 0 else "low"
    text += f", read {exact_share(abs(rule.bias))} too {way}" if rule.bias else ""
    text += f", in steps of {rule.step:g} {unit}" if rule.step else ""
    if rule.fails:
        failing = exact_share(rule.fails)
        text += f", {rule.otherwise:g} {unit} in the {failing} in whom the reading fails"
    text += f", at least {rule.at_least:g} {unit}" if np.isfinite(rule.at_least) else ""
    return text + (f", at most {rule.at_most:g} {unit}" if np.isfinite(rule.at_most) else "")


def too_fine(draft: Draft) -> list[str]:
    """Return a sentence for each rule that sets values finer than the bedside can set."""
    said = []
    for name, rule in draft.rules.items():
        step = STEPS[name]
        if any(not one.step and one.kind != "peep_table" for one in rule.each):
            entry = PARAMETERS[name]
            unit = display(entry.units)
            said.append(
                f"The rule for {entry.long_name} gives any value, and the bedside has steps of "
                f"{step:g} {unit}. Add step = {step:g} to the rule."
            )
    return said


def say_eligible(protocol: Protocol) -> str:
    """Return who gets the mode, in words."""
    texts = []
    for name, ends in protocol.eligible.items():
        entry = PARAMETERS.get(name) or OUTCOMES[name]
        parts = [f"at least {entry.number(ends.low)}"] if np.isfinite(ends.low) else []
        parts += [f"at most {entry.number(ends.high)}"] if np.isfinite(ends.high) else []
        texts.append(f"{entry.long_name} {' and '.join(parts)} {entry.said_units}".rstrip())
    return "; ".join(texts) or "everybody"


def not_judged(limits: LimitSet) -> list[str]:
    """Return the names of the bundled sets of limits of which the hard limits judge nothing."""
    # what runs away without a steady state breaks its bound, so the bound judges that too
    judged = {name for bound in limits.hard for name in (bound.outcome, *bound.runs_away)}
    return [
        one.long_name
        for name, one in LIMIT_SETS.items()
        if name not in RULES and judged.isdisjoint(limit.outcome for limit in one.limits)
    ]
