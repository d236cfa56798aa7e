"""Whole strategies, each from one source: how it starts a lung, what it must keep, what it omits.

Nothing here is put together from two sources. Where a source gives a range its middle is taken
and graded DERIVED; where it is silent, `leaves_out` says so and the study has to say it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from ebbmap.errors import EbbmapError
from ebbmap.registries.bounds import Limit, LimitSet
from ebbmap.registry import Registry

#: How far a number was followed: seen in a text of the source, recalled, or worked out from it.
Grade = Literal["READ", "MEMORY", "DERIVED"]

#: The settings of a strategy, in the order in which they are worked out for a lung.
SETTINGS = ("p_low", "p_high", "t_low", "t_high")

#: What each way of setting something takes its value for.
WAYS = {
    "p_low": {
        "value": "P low [cmH2O]",
        "fio2_table": "P low of the first step of `steps` that reaches the FiO2 [cmH2O]",
    },
    "p_high": {
        "plateau": "share of the plateau pressure of the breath before",
        "volume": "tidal volume above P low [mL kg-1]",
    },
    "t_low": {
        "value": "T low [s]",
        "flow_ratio": "end-release over peak expiratory flow",
        "rest_of_breath": "not used: what T high leaves of a breath at the rate before",
    },
    "t_high": {
        "value": "T high [s]",
        "releases": "releases per minute",
        "rate_before": "not used: what T low leaves of a breath at the rate before",
        "share_of_breath": "share of a breath at the rate before",
    },
}


@dataclass(frozen=True)
class Start:
    """How a strategy sets one setting of a lung at the start.

    Parameters
    ----------
    way : str
        One of `WAYS` of the setting.
    said : str
        What the source gives, in short.
    grade : {"READ", "MEMORY", "DERIVED"}
        How far the number was followed.
    value : float
        What the way takes it for.
    at_most : float
        Where it stops, in the setting's unit.
    steps : tuple of (float, float)
        Rising FiO2 and the P low up to it [1, cmH2O], of a table.
    """

    way: str
    said: str
    grade: Grade
    value: float = float("nan")
    at_most: float = float("inf")
    steps: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Strategy:
    """A published way of setting two-level ventilation, as its one source has it.

    Parameters
    ----------
    name, long_name : str
        Name in studies, and in words.
    source : str
        The one source.
    seen : str
        What of the source was read.
    starts : dict of str to Start
        For each of `SETTINGS`.
    keeps : LimitSet
        Limits and goals that the source itself states; may be empty.
    volume_before : float or None
        Tidal volume of the breath before, whose plateau is read [mL kg-1]; None where the source
        does not say.
    leaves_out : tuple of str
        What the source, as far as read, is silent on.
    against_itself : tuple of str
        Where the source contradicts itself.

    Raises
    ------
    EbbmapError
        If a setting has no start, or a way that it does not know.
    """

    name: str
    long_name: str
    source: str
    seen: str
    starts: dict[str, Start]
    keeps: LimitSet
    volume_before: float | None = None
    leaves_out: tuple[str, ...] = ()
    against_itself: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        """Refuse a strategy that cannot start a lung."""
        for setting in SETTINGS:
            start = self.starts.get(setting)
            if start is None or start.way not in WAYS[setting]:
                got = "nothing" if start is None else repr(start.way)
                raise EbbmapError(
                    f"strategy {self.name!r} needs a start of {setting} by one of "
                    f"{', '.join(WAYS[setting])}; got {got}."
                )

    @property
    def needs_rate(self) -> bool:
        """Whether it takes over the rate of the ventilation before."""
        ways = {start.way for start in self.starts.values()}
        return bool(ways & {"rest_of_breath", "rate_before", "share_of_breath"})

    @property
    def needs_plateau(self) -> bool:
        """Whether it takes P high from the plateau of the breath before."""
        return self.starts["p_high"].way == "plateau"


def _keeps(name: str, source: str, *limits: Limit) -> LimitSet:
    return LimitSet(name, f"limits and goals of {source}", limits)


_ARDSNET = "NIH ARDS Network, 6 mL/kg with the lower PEEP table"
_ZHOU = "Zhou Y et al., Intensive Care Med 2017;43:1648-1659"
_DELHI = "Clinical Trials Registry - India, CTRI/2020/08/027502 (New Delhi, COVID ARDS)"
_NIEMAN = "Nieman GF et al., Front Med 2026, doi 10.3389/fmed.2026.1741129"
_CAIRO = (
    "Cairo JM, Pilbeam's Mechanical Ventilation, chapter 23 (its table: Frawley and Habashi 2001)"
)
_GUIDE = "anonymous hospital guide, scribd 723629907"

_GOAL = "upper end of a goal, as settings then come down"

LOW_VOLUME = Strategy(
    "low_volume",
    "low tidal volume, conventional breaths",
    _ARDSNET,
    "three public copies, READ; weaning and rate step apart",
    {
        "p_low": Start(
            "fio2_table",
            "lower PEEP table by FiO2; the first cell of each FiO2 is taken",
            "READ",
            steps=(
                (0.3, 5),
                (0.4, 5),
                (0.5, 8),
                (0.6, 10),
                (0.7, 10),
                (0.8, 14),
                (0.9, 14),
                (1, 18),
            ),
        ),
        "p_high": Start("volume", "6 mL/kg", "READ", value=6.0),
        "t_high": Start(
            "share_of_breath",
            "I:E 1:1.0 to 1:1.3; the middle",
            "DERIVED",
            value=1.0 / 2.15,
        ),
        "t_low": Start("rest_of_breath", "rate for baseline minute volume, at most 35", "READ"),
    },
    _keeps(
        "low_volume",
        _ARDSNET,
        Limit("end_high_pressure", f"{_ARDSNET}: plateau at most 30 (READ)", high=30.0),
        Limit("release_volume_per_kg", f"{_ARDSNET}: 4 to 8 mL/kg (READ)", low=4.0, high=8.0),
        Limit("ph", f"{_ARDSNET}: goal 7.30 to 7.45 (READ)", low=7.30, width=0.15),
        Limit("ph", f"7.45, {_GOAL} (READ)", high=7.45, width=0.15, severity="caution"),
        Limit("spo2", f"{_ARDSNET}: SpO2 88 to 95 % (READ)", low=0.88, width=0.07),
        Limit("spo2", f"95 %, {_GOAL} (READ)", high=0.95, width=0.07, severity="caution"),
    ),
    leaves_out=(
        "rate where the baseline minute volume is not known",
        "FiO2 step",
        "weaning (MEMORY only)",
        "PaO2 55 to 80 mmHg would do in place of SpO2",
    ),
)

TRIAL_2017 = Strategy(
    "trial_2017",
    "early application, trial of 2017",
    _ZHOU,
    "abstract and registry entry NCT02639364, READ; no methods or supplement",
    {
        "p_low": Start("value", "5", "READ", value=5.0),
        "p_high": Start("plateau", "last plateau, at most 30", "READ", value=1.0, at_most=30.0),
        "t_low": Start("flow_ratio", "50 % of peak expiratory flow", "READ", value=0.50),
        "t_high": Start(
            "releases", "10 to 14 releases per minute; the middle", "DERIVED", value=12.0
        ),
    },
    _keeps(
        "trial_2017",
        _ZHOU,
        Limit("end_high_pressure", f"{_ZHOU}: P high at most 30 (READ)", high=30.0),
        Limit("release_rate", f"{_ZHOU}: 10 to 14 per minute (READ)", low=10.0, high=14.0),
    ),
    leaves_out=(
        "tidal volume and end-expiratory pressure of the breath before",
        "goals for pH, PaCO2 and oxygen (READ only in the registry entry of 2020)",
        "FiO2 at the start",
        "adjusting, leaving the mode",
        "weaning (MEMORY, uncertain)",
    ),
)

TRIAL_2020 = Strategy(
    "trial_2020",
    "COVID ARDS, registry entry of 2020",
    _DELHI,
    "registry entry, READ; cut after the sedation",
    {
        "p_low": Start("value", "5", "READ", value=5.0),
        "p_high": Start(
            "plateau", "plateau of 6 mL/kg, at most 30", "READ", value=1.0, at_most=30.0
        ),
        "t_low": Start(
            "flow_ratio", "1.5 expiratory time constants, then 75 % of peak", "READ", value=0.75
        ),
        "t_high": Start("value", "about 5 s, 10 to 14 releases per minute", "READ", value=5.0),
    },
    _keeps(
        "trial_2020",
        _DELHI,
        Limit("end_high_pressure", f"{_DELHI}: plateau at most 30 (READ)", high=30.0),
        Limit("ph", f"{_DELHI}: at least 7.30 (READ)", low=7.30, width=0.15),
        Limit("spo2", f"{_DELHI}: SpO2 88 to 98 % (READ)", low=0.88, width=0.10),
        Limit("spo2", f"98 %, {_GOAL} (READ)", high=0.98, width=0.10, severity="caution"),
    ),
    volume_before=6.0,
    leaves_out=(
        "end-expiratory pressure of the breath before",
        "FiO2, measuring, adjusting, weaning, leaving the mode, exclusions",
        "PaO2 55 to 100 mmHg would do in place of SpO2",
    ),
    against_itself=("1.5 time constants leave 22 % of peak flow, not 75 % (DERIVED)",),
)

CONSENSUS_2026 = Strategy(
    "consensus_2026",
    "consensus of 2026",
    _NIEMAN,
    "abstract and a summary page, READ; a start only",
    {
        "p_low": Start("value", "0", "READ", value=0.0),
        "p_high": Start("plateau", "plateau or peak of the mode before", "READ", value=1.0),
        "t_low": Start("flow_ratio", "75 % of peak expiratory flow", "READ", value=0.75),
        "t_high": Start("rate_before", "from the rate before", "READ"),
    },
    _keeps("consensus_2026", _NIEMAN),
    leaves_out=(
        "every limit and goal: harmful settings are named in the text that was not seen",
        "a cap on P high",
        "tidal volume, end-expiratory pressure and rate before",
        "FiO2, measuring, adjusting, weaning, leaving the mode",
    ),
)

TEXTBOOK = Strategy(
    "textbook",
    "textbook",
    _CAIRO,
    "public transcription of the chapter, READ; edition not stated",
    {
        "p_low": Start("value", "0", "READ", value=0.0),
        "p_high": Start(
            "plateau",
            "plateau on conventional ventilation, probable maximum 35",
            "READ",
            value=1.0,
            at_most=35.0,
        ),
        "t_low": Start("value", "0.5 to 1.0 s, typically 0.8 s", "READ", value=0.8),
        "t_high": Start("value", "at least 4.0 s", "READ", value=4.0),
    },
    _keeps(
        "textbook",
        _CAIRO,
        Limit("end_high_pressure", f"{_CAIRO}: probable maximum 35 (READ)", high=35.0),
        Limit(
            "end_high_pressure",
            f"{_CAIRO}: at most 30 while adjusting (READ)",
            high=30.0,
            severity="caution",
        ),
        Limit("flow_ratio", f"{_CAIRO}: about 50 to 75 % of peak (READ)", low=0.50, high=0.75),
        Limit(
            "release_rate",
            f"{_CAIRO}: more than 12 per minute may cost oxygenation (READ)",
            high=12.0,
            severity="caution",
        ),
    ),
    leaves_out=(
        "tidal volume and end-expiratory pressure of the breath before",
        "goals for pH, PaCO2, PaO2 and SpO2",
        "FiO2 at the start",
        "intervals and waits",
        "leaving the mode, exclusions",
    ),
    against_itself=(
        "T low 0.8 s leaves 18 % of peak flow in the median ARDS lung, not 50 to 75 % (DERIVED)",
        "T high 4.0 with T low 0.8 s is 12.5 releases per minute, above its own caution of 12 "
        "(DERIVED)",
        "P high at most 35 at the start and at most 30 while adjusting (READ)",
    ),
)


def _guide(name: str, long_name: str, said: str, t_low: float, *leaves_out: str) -> Strategy:
    """Return the hospital's guide for one kind of lung: T low is all that differs."""
    return Strategy(
        name,
        long_name,
        _GUIDE,
        "one copy with interleaved columns, READ earlier and not found again; low evidence",
        {
            "p_low": Start("value", "0 (to 5)", "READ", value=0.0),
            "p_high": Start(
                "plateau",
                "80 to 100 % of plateau, the middle; under 30",
                "DERIVED",
                value=0.9,
                at_most=30.0,
            ),
            "t_low": Start("value", said, "DERIVED", value=t_low),
            "t_high": Start("value", "4 to 6 s; the middle", "DERIVED", value=5.0),
        },
        _keeps(
            name,
            _GUIDE,
            Limit("end_high_pressure", f"{_GUIDE}: P high under 30 (READ)", high=30.0),
            Limit("release_volume_per_kg", f"{_GUIDE}: 6 to 8 mL/kg (READ)", low=6.0, high=8.0),
            Limit("flow_ratio", f"{_GUIDE}: 25 to 75 % of peak (READ)", low=0.25, high=0.75),
            Limit("paco2", f"{_GUIDE}: T low longer above 65 (READ)", high=65.0),
            Limit("pao2", f"{_GUIDE}: P high up below 60 (READ)", low=60.0, width=20.0),
        ),
        leaves_out=(
            "tidal volume and end-expiratory pressure of the breath before",
            "FiO2, so that PaO2 means little by itself",
            "goals for pH and SpO2",
            "PaO2 above 80, and low PaO2 together with high PaCO2",
            "leaving the mode, end of weaning",
            *leaves_out,
        ),
    )


HOSPITAL_GUIDE = _guide(
    "hospital_guide",
    "a hospital's titration guide",
    "0.5 to 0.8 s = 25 to 75 % of peak flow; the middle of the times",
    0.65,
)

HOSPITAL_GUIDE_COPD = _guide(
    "hospital_guide_copd",
    "a hospital's titration guide, its T low for COPD",
    "COPD 0.8 to 1.2 s; the middle",
    1.0,
    "the share of peak flow for COPD: that of other lungs is kept",
)

#: Every bundled strategy: one source each, for comparison and teaching, not advice.
STRATEGIES: Registry[Strategy] = Registry(
    "strategy",
    (
        LOW_VOLUME,
        TRIAL_2017,
        TRIAL_2020,
        CONSENSUS_2026,
        TEXTBOOK,
        HOSPITAL_GUIDE,
        HOSPITAL_GUIDE_COPD,
    ),
)
