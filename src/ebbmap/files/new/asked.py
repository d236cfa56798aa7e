"""What a new file asks, declared once: prompts, templates and the form are made of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType

from ebbmap.files.new.questions import Condition, Kind, Pair, Question, of_parameter
from ebbmap.registries.limits import LIMIT_SETS, RULES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS


def _share(key: str, label: str, default: float, when: Condition = None) -> Question:
    return Question(key, label, default, "number", "1", 0.01, 0.99, (0.01, 0.99), when=when)


def _choice(key: str, label: str, *choices: str, when: Condition = None) -> Question:
    """Return a choice, the first of which is the answer where nobody gives one."""
    return Question(key, label, choices[0], "choice", choices=choices, when=when)


_RANGE, _PLATEAU = ("p_high_rule", ("range",)), ("p_high_rule", ("plateau",))

TITLE = Question("title", "Title", "My draft")


def _weights() -> Iterator[Question]:
    for name, population in POPULATIONS.items():
        yield Question(
            f"weight_{name}",
            f"Share of the patients: {population.long_name}; 0 leaves them out",
            {"normal": 0.2, "restrictive": 0.6, "obstructive": 0.2}.get(name, 0.0),
            "number",
            "1",
            0.0,
            1.0,
        )


def _settings() -> Iterator[Question]:
    yield _choice(
        "p_high_rule", "P high: a range, or each patient's plateau pressure", "range", "plateau"
    )
    yield of_parameter("p_high_low", "P high, from", "p_high", 18.0, _RANGE)
    yield of_parameter("p_high_high", "P high, to", "p_high", 22.0, _RANGE)
    yield of_parameter(
        "plateau_volume", "Plateau at a tidal volume of", "plateau_volume_per_kg", 6.0, _PLATEAU
    )
    yield of_parameter("plateau_peep", "Plateau above a PEEP of", "plateau_peep", 10.0, _PLATEAU)
    yield of_parameter("p_high_at_most", "P high at most", "p_high_at_most", 30.0, _PLATEAU)
    by_value, by_share = ("p_low_rule", ("value",)), ("p_low_rule", ("share_of_p_high",))
    yield _choice("p_low_rule", "P low: a value, or a share of P high", "value", "share_of_p_high")
    yield of_parameter("p_low", "P low", "p_low", 0.0, by_value)
    yield of_parameter("p_low_share", "P low as a share of P high", "p_low_share", 0.2, by_share)
    high_range, by_frequency = ("t_high_rule", ("range",)), ("t_high_rule", ("frequency",))
    yield _choice(
        "t_high_rule",
        "T high: a range, or what T low leaves for so many releases per minute",
        "range",
        "frequency",
    )
    yield of_parameter("t_high_low", "T high, from", "t_high", 4.0, high_range)
    yield of_parameter("t_high_high", "T high, to", "t_high", 6.0, high_range)
    yield of_parameter(
        "per_minute_low", "Releases per minute, from", "release_frequency", 10.0, by_frequency
    )
    yield of_parameter(
        "per_minute_high", "Releases per minute, to", "release_frequency", 14.0, by_frequency
    )
    yield of_parameter("t_high_start", "T high at which T low is read", "t_high", 5.0, by_frequency)
    yield _choice(
        "t_low_rule",
        "T low: a range, where flow has fallen to a share of its peak, or a multiple of the "
        "measured time constant",
        "range",
        "flow_ratio",
        "time_constant",
    )
    by_range, by_flow = ("t_low_rule", ("range",)), ("t_low_rule", ("flow_ratio",))
    by_rule = ("t_low_rule", ("flow_ratio", "time_constant"))
    yield of_parameter("t_low_low", "T low, from", "t_low", 0.4, by_range)
    yield of_parameter("t_low_high", "T low, to", "t_low", 0.5, by_range)
    yield _share("flow_ratio", "The release ends at this share of peak flow", 0.75, by_flow)
    yield of_parameter(
        "multiple",
        "T low in measured time constants",
        "t_low_in_time_constants",
        0.6,
        ("t_low_rule", ("time_constant",)),
    )
    yield Question(
        "error",
        "Error of what is measured, as a share",
        0.1,
        "number",
        "1",
        0.0,
        0.5,
        (0.0, 0.5),
        when=by_rule,
    )


#: Answers to whether a group is set as all others.
AS_ALL, OWN = "as for all", "their own"

#: What a group may set in its own way, with a start for it: settings, and inspired oxygen.
OWN_SETTINGS: Mapping[str, tuple[str, str, float]] = MappingProxyType(
    {
        "p_high_low": ("P high, from", "p_high", 18.0),
        "p_high_high": ("P high, to", "p_high", 22.0),
        "p_low": ("P low", "p_low", 0.0),
        "t_high_low": ("T high, from", "t_high", 4.0),
        "t_high_high": ("T high, to", "t_high", 6.0),
        "t_low_low": ("T low, from", "t_low", 0.4),
        "t_low_high": ("T low, to", "t_low", 0.5),
        "fio2": ("inspired oxygen", "fio2", 0.6),
    }
)


def _own_settings() -> Iterator[Question]:
    for name, population in POPULATIONS.items():
        label = f"Settings of this group: {population.long_name}"
        yield _choice(f"own_{name}", label, AS_ALL, OWN, when=(f"weight_{name}", ("+",)))
        for key, (label, parameter, default) in OWN_SETTINGS.items():
            yield of_parameter(
                f"{name}_{key}",
                f"{population.long_name}: {label}",
                parameter,
                default,
                (f"own_{name}", (OWN,)),
            )


def _protocol() -> Iterator[Question]:
    yield TITLE
    yield Question("institution", "Whose draft it is", "invented")
    yield Question("question", "What it asks", "Is this draft safe, and for whom?")
    yield _share("wanted", "Share of combinations that must be safe", 0.8)
    yield from _weights()
    yield from _settings()
    yield of_parameter("fio2", "Inspired oxygen", "fio2", 0.6)
    yield of_parameter(
        "own_breathing",
        "Alveolar ventilation by the patient's own breathing",
        "spontaneous_alveolar_ventilation",
        2.0,
    )
    yield from _own_settings()
    yield Question(
        "exclude_above",
        "Longest expiratory time constant that gets the mode; 0 excludes nobody",
        0.0,
        "number",
        "s",
        0.0,
        20.0,
        (0.0, 8.0),
    )
    yield Question(
        "limits",
        "What counts as safe",
        "harm",
        "choice",
        choices=tuple(name for name in LIMIT_SETS if name not in RULES),
    )


def _population(prefix: str = "") -> Iterator[Question]:
    yield Question(f"{prefix}name", "Name of the patients, in a word", "our_patients")
    yield Question(
        f"{prefix}base",
        "What is not asked here is taken from",
        "restrictive",
        "choice",
        choices=tuple(POPULATIONS),
    )
    for name, (low, high) in PROPERTIES.items():
        label = PARAMETERS[name].long_name
        yield of_parameter(f"{prefix}{name}_from", f"Half of them have a {label} from", name, low)
        yield of_parameter(f"{prefix}{name}_to", f"Half of them have a {label} to", name, high)


#: What a ward can measure in its patients, and where half of an invented group lie.
PROPERTIES: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "compliance": (30.0, 45.0),
        "resistance_exp": (8.0, 14.0),
        "predicted_body_weight": (57.0, 71.0),
    }
)


def _study() -> Iterator[Question]:
    yield TITLE
    yield Question("question", "What it asks", "Which T low is safe, and for whom?")
    yield Question("population", "For whom", "restrictive", "choice", choices=tuple(POPULATIONS))
    yield of_parameter("p_high", "P high", "p_high", 20.0)
    yield of_parameter("p_low", "P low", "p_low", 0.0)
    yield of_parameter("t_high", "T high", "t_high", 5.0)
    yield of_parameter("t_low_low", "T low, from", "t_low", 0.2)
    yield of_parameter("t_low_high", "T low, to", "t_low", 1.2)
    yield of_parameter("fio2", "Inspired oxygen", "fio2", 0.6)
    yield of_parameter(
        "own_breathing",
        "Alveolar ventilation by the patient's own breathing",
        "spontaneous_alveolar_ventilation",
        2.0,
    )


_ORDER = "{second} must not be below {first}. They look swapped. Swap them."
_SWAPPED = "P low must stay below P high. They look swapped. Swap them."


def _ordered(questions: tuple[Question, ...]) -> Iterator[Pair]:
    """Yield the ranges among questions: ends must not be the wrong way round."""
    keys = {one.key: one for one in questions}
    for first, second in (("_low", "_high"), ("_from", "_to")):
        for key in keys:
            other = key.removesuffix(first) + second
            if key.endswith(first) and other in keys:
                yield Pair(key, other, _ORDER.format(first=key, second=other), first == "_from")


def _kind(name: str, make: Callable[[], Iterator[Question]], *more: Pair) -> Kind:
    questions = tuple(make())
    return Kind(name, questions, (*_ordered(questions), *more))


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "protocol": _kind(
            "protocol",
            _protocol,
            Pair("p_low", "p_high_low", _SWAPPED, strict=True),
            *(Pair(f"{n}_p_low", f"{n}_p_high_low", _SWAPPED, strict=True) for n in POPULATIONS),
        ),
        "study": _kind("study", _study, Pair("p_low", "p_high", _SWAPPED, strict=True)),
        "population": _kind("population", _population),
    }
)
