"""The lines of a new file, with their comments: Python and the form's script fill in the same."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from math import log, sqrt
from typing import Any

from ebbmap.caution import CAUTION
from ebbmap.files.new.asked import KINDS, OWN
from ebbmap.files.new.questions import Answers, Kind, Value, word
from ebbmap.files.protocol.schema import ProtocolFile
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.units import display

#: Twice the score of a quartile: what turns the logarithm of a ratio of quartiles into a spread.
QUARTILES = 1.3489795003921634

_KEY = re.compile(r"«(\w+)»")

_INVENTED = "The numbers are a start to write over, invented, and no advice."


@dataclass(frozen=True)
class Line:
    """A line of a file, or several.

    Parameters
    ----------
    text : str
        With keys of answers between « and ».
    when : tuple of (str, tuple of str)
        Answers with which it is written; for a number "0" stands for nothing, and "+" for more.
    """

    text: str
    when: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def written(self, answers: Answers) -> bool:
        """Return whether the answers ask for it."""
        return all(key in answers and word(answers[key]) in words for key, words in self.when)


def _usual(name: str) -> str:
    entry = PARAMETERS[name]
    unit = display(entry.units)
    return f"[{unit or 'share'}], usually {entry.usual_low:g} to {entry.usual_high:g}"


_POSITIVE = ("+",)


def _protocol() -> Iterator[Line]:
    yield Line(f"# {CAUTION}\n# {_INVENTED}")
    yield Line("title = «title»\ninstitution = «institution»\nquestion = «question»")
    yield Line(
        "\n# share of all combinations of lung and setting that must be safe; 0.8 is 80 %\n"
        "wanted = «wanted»\n# levels of own breathing at which the verdict is counted again "
        "[L/min]\nown_breathing = [0.0, 2.0, 4.0]"
    )
    yield Line("\n[settings]")
    yield Line(
        f"# P high {_usual('p_high')}\np_high = {{ low = «p_high_low», high = «p_high_high» }}",
        (("p_high_rule", ("range",)),),
    )
    yield Line(
        "# P high is the plateau pressure of a small tidal volume [mL/kg] above a PEEP [cmH₂O],\n"
        "# in steps that can be set\n"
        'p_high = { rule = "plateau", volume_per_kg = «plateau_volume», peep = '
        "«plateau_peep», at_most = «p_high_at_most», step = 1.0 }",
        (("p_high_rule", ("plateau",)),),
    )
    yield Line(f"# P low {_usual('p_low')}\np_low = «p_low»", (("p_low_rule", ("value",)),))
    yield Line(
        '# P low is a share of P high\np_low = { rule = "share_of_p_high", share = «p_low_share» }',
        (("p_low_rule", ("share_of_p_high",)),),
    )
    yield Line(
        f"# T high {_usual('t_high')}\nt_high = {{ low = «t_high_low», high = «t_high_high» }}",
        (("t_high_rule", ("range",)),),
    )
    yield Line(
        "# T high is what T low leaves of each cycle, for so many releases per minute; T low is "
        "read at\n# the start [s]\n"
        't_high = { rule = "frequency", per_minute = { low = «per_minute_low», high = '
        "«per_minute_high» }, start = «t_high_start» }",
        (("t_high_rule", ("frequency",)),),
    )
    yield Line(
        f"# T low {_usual('t_low')}\nt_low = {{ low = «t_low_low», high = «t_low_high» }}",
        (("t_low_rule", ("range",)),),
    )
    yield Line(
        "# T low is where expiratory flow has fallen to this share of its peak; error as a share,\n"
        "# step in which it can be set [s]\n"
        't_low = { rule = "flow_ratio", ratio = «flow_ratio», error = «error», step = 0.05 }',
        (("t_low_rule", ("flow_ratio",)),),
    )
    yield Line(
        "# T low is a multiple of the measured expiratory time constant; error as a share,\n"
        "# step in which it can be set [s]\n"
        't_low = { rule = "time_constant", multiple = «multiple», error = «error», step = 0.05 }',
        (("t_low_rule", ("time_constant",)),),
    )
    yield Line(
        "\n# one value for every lung\n[fixed]\n# inspired oxygen as a fraction; 0.6 is 60 %\n"
        "fio2 = «fio2»\n# alveolar ventilation by the patient's own breathing [L/min]\n"
        "spontaneous_alveolar_ventilation = «own_breathing»"
    )
    yield Line(
        "\n# who does not get the mode: longer expiratory time constants [s]\n[eligible]\n"
        "time_constant_exp = { high = «exclude_above» }",
        (("exclude_above", _POSITIVE),),
    )
    for name in POPULATIONS:
        yield Line(
            f'\n[[groups]]\npopulation = "{name}"\nweight = «weight_{name}»',
            ((f"weight_{name}", _POSITIVE),),
        )
        yield Line(
            "# settings of this group alone\n[groups.settings]\n"
            f"p_high = {{ low = «{name}_p_high_low», high = «{name}_p_high_high» }}\n"
            f"p_low = «{name}_p_low»\n"
            f"t_high = {{ low = «{name}_t_high_low», high = «{name}_t_high_high» }}\n"
            f"t_low = {{ low = «{name}_t_low_low», high = «{name}_t_low_high» }}\n"
            f"[groups.fixed]\nfio2 = «{name}_fio2»",
            ((f"own_{name}", (OWN,)),),
        )
    yield Line(
        "\n# what counts as safe: a bundled set; `ebbmap describe` lists them\n[limits]\n"
        "sets = [«limits»]"
    )


def _settings_of_study() -> str:
    return "\n[fixed]\n" + "\n".join(
        f"# {PARAMETERS[name].long_name} {_usual(name)}\n{name} = «{key}»"
        for name, key in (
            ("p_high", "p_high"),
            ("p_low", "p_low"),
            ("t_high", "t_high"),
            ("fio2", "fio2"),
            ("spontaneous_alveolar_ventilation", "own_breathing"),
        )
    )


def _study() -> Iterator[Line]:
    yield Line(f"# {CAUTION}\n# {_INVENTED}")
    yield Line("title = «title»\nquestion = «question»")
    yield Line("populations = [«population»]\n# lungs that are drawn\nlungs = 200")
    yield Line(_settings_of_study())
    yield Line(
        f"\n# T low {_usual('t_low')}\n[axes]\n"
        "t_low = { start = «t_low_low», stop = «t_low_high», count = 21 }"
    )
    yield Line('\n# what counts as safe\n[limits]\nsets = ["harm"]\nrules = []')
    yield Line(
        "\n# the T low that keep every limit, for each lung, and the T low that serve most of them"
        "\n[analyses.window]"
    )


#: Lines of each kind that do not hang on a table.
_LINES = {"protocol": _protocol, "study": _study}


@cache
def lines_of(kind: str) -> tuple[Line, ...]:
    """Return the lines of a kind of file."""
    return tuple(_LINES[kind]())


def shown(value: Value) -> str:
    r"""Return an answer as TOML has it.

    Examples
    --------
    >>> shown(20.0), shown(0.05), shown('a "word"')
    ('20.0', '0.05', '"a \\"word\\""')
    """
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(float(value))


def filled(lines: tuple[Line, ...], answers: Answers) -> str:
    """Return the text of lines, with answers in the place of their keys."""
    text = "\n".join(line.text for line in lines if line.written(answers))
    return _KEY.sub(lambda found: shown(answers[found[1]]), text) + "\n"


def text_of(kind: str, answers: Answers) -> str:
    """Return the whole of a new file.

    Parameters
    ----------
    kind : str
        Of `KINDS`.
    answers : mapping
        As `Kind.answers` gives them.
    """
    if kind == "population":
        return population_study([answers])
    return filled(lines_of(kind), answers)


def spread(low: float, high: float) -> tuple[float, float]:
    """Return median and spread of the lognormal of which half lies between two values.

    Examples
    --------
    >>> median, log_sd = spread(30.0, 45.0)
    >>> round(median, 3), round(log_sd, 4)
    (36.742, 0.3006)
    """
    return sqrt(low * high), log(high / low) / QUARTILES


def population_table(answers: Answers) -> str:
    """Return the table of one own population."""
    name = json.dumps(str(answers["name"]), ensure_ascii=False)
    lines = [
        f"\n[population.{name}]",
        f"# what is not named here is as in this population\nbase = {shown(answers['base'])}",
    ]
    for key in PARAMETERS:
        low, high = answers.get(f"{key}_from"), answers.get(f"{key}_to")
        if low is None or high is None:
            continue
        median, log_sd = spread(float(low), float(high))
        entry = PARAMETERS[key]
        lines.append(
            f"# {entry.long_name} [{display(entry.units)}]: half of them from {float(low):g} to "
            f'{float(high):g}\nproperties.{key} = {{ family = "lognormal", median = {median:.6g}, '
            f"log_sd = {log_sd:.6g}, low = {entry.low!r}, high = {entry.high!r} }}"
        )
    return "\n".join(lines)


def population_study(rows: Sequence[Answers]) -> str:
    """Return a small study of own populations, whose tables go into protocols and studies alike."""
    names = ", ".join(json.dumps(str(row["name"]), ensure_ascii=False) for row in rows)
    head = filled(
        lines_of("study"),
        KINDS["study"].answers({"title": "Own populations", "question": "Which T low is safe?"}),
    )
    head = head.replace('populations = ["restrictive"]', f"populations = [{names}]")
    tables = "\n".join(population_table(row) for row in rows)
    return f"{head}\n# These tables can be copied into any protocol or study.{tables}\n"


def with_groups(text: str, rows: Sequence[Answers]) -> str:
    """Return a protocol whose groups are those of a table's rows."""
    start, end = text.index("\n[[groups]]"), text.index("\n# what counts as safe")
    groups = "".join(
        f"\n[[groups]]\npopulation = {json.dumps(str(row['name']), ensure_ascii=False)}\n"
        f"weight = {shown(row.get('weight', 1.0))}\n"
        + (f"wanted = {shown(row['wanted'])}\n" if "wanted" in row else "")
        for row in rows
    )
    tables = "\n".join(population_table(row) for row in rows)
    return f"{text[:start]}{groups}{tables}\n{text[end:]}"


def template_of(kind: str) -> str:
    """Return a new file with its defaults, and every other key in comments."""
    text = text_of(kind, KINDS[kind].answers({}))
    if kind != "protocol":
        return text
    said = [
        f"# {name}: {info.description}"
        for name, info in ProtocolFile.model_fields.items()
        if info.description
    ]
    rest = [
        "\n# What else a protocol may say (take the mark off a line to use it):",
        *said,
        '# lung = "whole"    # or linear, tube, paired, stepped',
        "# seed = 0",
        "# lungs = 400",
        "# [[limits.own]]",
        '# outcome = "paco2"    # `ebbmap describe` lists outcomes and their units',
        '# high = "65 mmHg"',
        '# why = "invented"',
        '# severity = "caution"    # or "hard"',
        "# [population.our_patients]",
        '# base = "restrictive"',
        '# properties.compliance = { family = "lognormal", median = 37.0, log_sd = 0.3 }',
    ]
    return text + "\n".join(rest) + "\n"


def form_data(kind: Kind) -> dict[str, Any]:
    """Return what the form's script reads: questions, pairs, and lines."""
    return {
        "questions": [one.data() for one in kind.questions],
        "pairs": [
            {"first": p.first, "second": p.second, "said": p.swapped, "strict": p.strict}
            for p in kind.pairs
        ],
        "lines": [{"text": line.text, "when": line.when} for line in lines_of(kind.name)],
        "file": f"{kind.name}.toml",
    }
