"""How a protocol or a policy was understood, in sentences: nothing is drawn and nothing solved."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic.fields import FieldInfo

from ebbmap.committee.draft import SETTINGS
from ebbmap.committee.protocol import Group, Own, Protocol
from ebbmap.committee.sizes import size_words
from ebbmap.committee.words import not_judged, say_eligible, say_setting, too_fine
from ebbmap.digits import share_text
from ebbmap.files.common.forgiving import plain
from ebbmap.files.protocol.schema import ProtocolFile
from ebbmap.policies.exact import listed
from ebbmap.policies.language import Policy, Reading, Rule
from ebbmap.policies.physiology import Breathing
from ebbmap.registries.derivations import ways
from ebbmap.registries.limits import Bound
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS

#: Scores of the quartiles of a distribution.
QUARTILE = 0.6744897501960817

#: Properties that stand for a population: what a ward knows of its patients.
TOLD = ("compliance", "resistance_exp", "predicted_body_weight")

#: Gas that patients breathe by themselves.
OWN = "spontaneous_alveolar_ventilation"


@dataclass(frozen=True)
class Section:
    """Sentences about one part of a file.

    Parameters
    ----------
    title : str
        What they are about.
    sentences : tuple of str
        The sentences.
    """

    title: str
    sentences: tuple[str, ...]

    def __post_init__(self) -> None:
        """Begin every sentence with a capital."""
        said = (f"{s[:1].upper()}{s[1:]}" for s in self.sentences)
        object.__setattr__(self, "sentences", tuple(said))


def explain_protocol(protocol: Protocol) -> list[Section]:
    """Return how a protocol was understood."""
    return [
        Section("what is asked", tuple(_asked(protocol))),
        Section("for whom", tuple(_groups(protocol, "the combinations of lung and setting"))),
        Section("what is set", (*_settings(protocol), *_fixed(protocol))),
        Section("own breathing", tuple(_own_breathing(protocol))),
        *_judgement(protocol),
        Section("how much is drawn", tuple(_sizes(protocol))),
        Section("what the file does not say", tuple(_defaults(protocol))),
    ]


def explain_policy(policy: Policy) -> list[Section]:
    """Return how a policy was understood."""
    protocol = policy.protocol
    rules = [rule for rule in policy.rules if rule is not policy.wean and not rule.takes_back]
    return [
        Section("what is asked", (*_asked(protocol), f"Source: {policy.source}")),
        Section("for whom", tuple(_groups(protocol, "these"))),
        Section("how it starts", (*_settings(protocol), *_fixed(protocol))),
        Section("own breathing", tuple(_breathing(policy.body.breathing))),
        Section("what is measured", tuple(map(_measured, policy.readings))),
        Section(
            "what is changed, the most urgent first",
            (
                f"Nothing is done while {policy.goal.said()}.",
                *(f"Rule {n}, {_rule(rule)}" for n, rule in enumerate(rules, start=1)),
            ),
        ),
        Section("how the mode ends", tuple(_ends(policy))),
        *_judgement(protocol),
        Section(
            "how much is drawn",
            (
                f"{protocol.lungs:,} patients of each group, followed for {policy.hours} h; seed "
                f"{protocol.seed}.",
                *protocol.notes,
            ),
        ),
        Section("what the file does not say", (*_defaults(protocol), *policy.leaves_out)),
    ]


def _asked(protocol: Protocol) -> Iterator[str]:
    yield f"{protocol.title}."
    if protocol.question:
        yield protocol.question
    yield f"The lungs are those of the model '{protocol.lung.name}': {protocol.lung.long_name}."


def _groups(protocol: Protocol, of: str) -> Iterator[str]:
    for number, group in enumerate(protocol.groups, start=1):
        yield (
            f"Group {number}, {group.name}: {share_text(group.weight)} of the patients; "
            f"{share_text(group.wanted)} of {of} must be safe."
        )
        if words := list(_middle(group)):
            yield f"Half of these lungs have {listed(words)}."
    yield f"Who gets the mode: {say_eligible(protocol)}."
    yield f"It holds if every group reaches its share, and the whole {share_text(protocol.wanted)}."


def _middle(group: Group) -> Iterator[str]:
    """Yield the quartiles of what a ward knows of its patients."""
    for name in TOLD:
        marginal = group.population.marginals.get(name)
        if marginal is not None:
            low, high = (float(marginal.at(score)) for score in (-QUARTILE, QUARTILE))  # type: ignore[arg-type]
            entry = PARAMETERS[name]
            yield f"{entry.long_name} {entry.range(low, high, 3)}"


def _settings(protocol: Protocol) -> list[str]:
    names = [*SETTINGS, *(["fio2"] if "fio2" in protocol.draft.spans else [])]
    said = [f"{PARAMETERS[name].long_name}: {say_setting(protocol.draft, name)}." for name in names]
    for group in protocol.groups:
        if group.own is not None:
            said += _own_settings(protocol, group, group.own)
    drafts = [group.own.draft if group.own else protocol.draft for group in protocol.groups]
    return [*said, *dict.fromkeys(text for draft in drafts for text in too_fine(draft))]


def _own_settings(protocol: Protocol, group: Group, own: Own) -> Iterator[str]:
    """Yield what is set and judged otherwise in one group."""
    for name in SETTINGS:
        text = say_setting(own.draft, name)
        if text != say_setting(protocol.draft, name):
            yield f"In {group.name}, {PARAMETERS[name].long_name}: {text}."
    for name, value in own.fixed.items():
        if protocol.fixed.get(name) != value:
            yield f"In {group.name}, {PARAMETERS[name].say(value)}."
    if own.limits != protocol.limits:
        yield f"In {group.name}, unsafe: {'; '.join(map(_bound, own.limits.hard))}."


def _judgement(protocol: Protocol) -> Iterator[Section]:
    """Yield what is judged, and what is not."""
    yield Section("what is judged", tuple(_judged(protocol)))
    left_out = not_judged(protocol.limits)
    said = (f"No hard limit here looks at: {'; '.join(left_out)}.",) if left_out else ()
    yield Section("what is not judged", said or ("Every bundled set of limits is judged.",))


def _breathing(breathing: Breathing) -> Iterator[str]:
    """Yield how patients of a policy breathe by themselves."""
    yield (
        f"Nobody breathes below a PaCO₂ of {breathing.threshold:g} mmHg; patients begin up to "
        f"{breathing.above:g} mmHg above it, and then take {breathing.slope:g} L/min for each mmHg "
        f"in the middle, at most {breathing.at_most:g} L/min."
    )


def _fixed(protocol: Protocol) -> Iterator[str]:
    for name, value in protocol.fixed.items():
        if name != OWN:
            yield f"{PARAMETERS[name].say(value)}, for every lung."


def _own_breathing(protocol: Protocol) -> Iterator[str]:
    if OWN not in _needed(protocol):
        yield "Nothing that is judged depends on it."
        return
    value = protocol.fixed.get(OWN)
    said = PARAMETERS[OWN].default if value is None else value
    passive = " The patient is passive." if said == 0.0 else ""
    stated = "" if value is not None else " This is the default: the file does not say."
    yield f"{said:g} L/min of alveolar ventilation by the patient's own breathing.{passive}{stated}"
    if protocol.own_breathing:
        levels = listed([f"{level:g}" for level in protocol.own_breathing])
        yield f"The verdict is counted again at {levels} L/min."


def _judged(protocol: Protocol) -> Iterator[str]:
    yield f"Unsafe: {'; '.join(map(_bound, protocol.limits.hard))}."
    if protocol.limits.caution:
        yield f"A warning: {'; '.join(map(_bound, protocol.limits.caution))}."
    if protocol.rules:
        yield f"The rule for T low is judged too: {listed(protocol.rules)}."


def _bound(bound: Bound) -> str:
    return bound.sentence


def _sizes(protocol: Protocol) -> Iterator[str]:
    yield (
        f"{protocol.lungs:,} lungs of each group, each at {protocol.settings_drawn:,} settings; "
        f"seed {protocol.seed}."
    )
    if protocol.sizes:
        yield f"{size_words(protocol.sizes)}."
    yield from protocol.notes


def _needed(protocol: Protocol) -> frozenset[str]:
    return frozenset(protocol.properties)


def _defaults(protocol: Protocol) -> Iterator[str]:
    """Yield the keys and the properties that take their defaults."""
    written = {plain(key) for key in tomllib.loads(_readable(protocol.text))}
    keys = [
        f"{name} = {_shown(info)}"
        for name, info in ProtocolFile.model_fields.items()
        if name in ("wanted", "seed", "lung") and plain(name) not in written
    ]
    if keys:
        yield f"Keys of the file that take their default: {', '.join(keys)}."
    taken: dict[str, list[str]] = {}
    for group in protocol.groups:
        given = {*group.population.properties, *protocol.fixed, *SETTINGS, *protocol.draft.spans}
        for name in protocol.properties:
            if name not in given and name != OWN and not ways(name, given):
                taken.setdefault(name, []).append(group.name)
    for name, names in taken.items():
        entry = PARAMETERS[name]
        of = "" if len(names) == len(protocol.groups) else f" in {listed(names)}"
        yield f"{entry.say(entry.default)}{of} (default)."
    if not keys and not taken:
        yield "Nothing: no default is taken."


def _readable(text: str) -> str:
    """Return a text that the parser takes; what was read with curly quotes is not looked at."""
    try:
        tomllib.loads(text)
    except ValueError:
        return ""
    return text


def _shown(info: FieldInfo) -> str:
    return f'"{info.default}"' if isinstance(info.default, str) else f"{info.default:g}"


def _measured(reading: Reading) -> str:
    entry = OUTCOMES[reading.name]
    parts = [f"{entry.long_name} every {_time(reading.every)}"]
    if math.isfinite(reading.after_change):
        parts.append(f"and {_time(reading.after_change)} after a change")
    if reading.delay:
        parts.append(f", known {_time(reading.delay)} later")
    errors = [entry.amount(reading.error)] if reading.error else []
    errors += [f"{share_text(reading.error_share)}"] if reading.error_share else []
    if errors:
        parts.append(f", with an error of {listed(errors)}")
    if reading.round_to:
        parts.append(f", rounded to {entry.amount(reading.round_to)}")
    return f"{' '.join(parts).replace(' ,', ',')}."


def _rule(rule: Rule) -> str:
    until = f" until {rule.until.said()}" if rule.until else ""
    caps = f", as far as {rule.caps.said('can be set')}" if rule.caps.ranges else ""
    again = f"; itself again after {_time(rule.again)}" if rule.again else ""
    return (
        f"{rule.name}: when {rule.when.said()}, {_steps(rule)}{until}{caps}. Then nothing for "
        f"{_time(rule.wait)}{again}."
    )


def _steps(rule: Rule) -> str:
    if rule.rows:
        columns = [
            f"{PARAMETERS[name].long_name} {', '.join(map(PARAMETERS[name].number, column))} "
            f"{PARAMETERS[name].said_units}".rstrip()
            for name, column in rule.rows.items()
        ]
        return f"the next row of {'; '.join(columns)}"
    return listed([_step(name, by) for name, by in rule.moves.items()])


def _step(name: str, by: float) -> str:
    entry = PARAMETERS[name]
    way = "up" if by > 0 else "down"
    return f"{entry.long_name} {way} by {entry.amount(abs(by))}"


def _ends(policy: Policy) -> Iterator[str]:
    for one in policy.criteria:
        yield f"{one.words}: when {one.when.said()} for {_time(one.lasting)}."
    for rule in policy.rules:
        if rule is policy.wean or rule.takes_back:
            yield f"{rule.name[0].upper()}{rule.name[1:]}: {_rule(rule).partition(': ')[2]}"
    if policy.weaned is not None:
        yield f"Weaned when {policy.weaned.said()}."


def _time(minutes: float) -> str:
    return f"{minutes / 60.0:g} h" if minutes >= 120.0 else f"{minutes:g} min"


def sections_data(sections: Iterable[Section]) -> list[Mapping[str, Any]]:
    """Return sections as JSON holds them."""
    return [{"title": one.title, "sentences": list(one.sentences)} for one in sections]
