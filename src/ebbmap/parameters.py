"""The registry of inputs: every setting, lung property and patient datum, declared once.

Hard bounds (`low`, `high`) say what can be computed and make sense at all; a value outside them
is an error. The usual range is where adult practice lies; sweeps and axes start from it.
Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from inspect import signature
from types import MappingProxyType
from typing import Literal

import numpy as np

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.units import ML_PER_L, UNITS, display

Kind = Literal["setting", "lung property", "patient"]

RANGES = "published-values compilation of this project: plausible range"


@dataclass(frozen=True)
class Parameter:
    """One input of the model.

    Parameters
    ----------
    name, symbol, long_name, units : str
        Name in code and files, mathematical symbol (TeX), name in words, UDUNITS string.
    low, high : float
        Hard bounds, both inclusive.
    usual_low, usual_high : float
        Where adult practice lies.
    default : float
        Used where a caller names no value.
    kind : {"setting", "lung property", "patient"}
        Chosen, given by the lung, or given by the person.
    source : str
        Where the usual range comes from.
    choices : tuple of str
        For a category: the words, coded 0, 1, ... in this order.
    other_unit : tuple of (str, float), optional
        A unit often used by mistake and the factor that converts from it.
    """

    name: str
    symbol: str
    long_name: str
    units: str
    low: float
    high: float
    usual_low: float
    usual_high: float
    default: float
    kind: Kind
    source: str
    choices: tuple[str, ...] = ()
    other_unit: tuple[str, float] | None = None

    def __post_init__(self) -> None:
        """Refuse an entry that contradicts itself."""
        ordered = self.low <= self.usual_low <= self.default <= self.usual_high <= self.high
        if self.units not in UNITS or not ordered or not self.source:
            raise EbbmapError(f"registry entry {self.name!r} is inconsistent.")

    @property
    def label(self) -> str:
        """Axis text: name in words and unit."""
        return self.long_name if self.choices else f"{self.long_name} [{display(self.units)}]"

    def code(self, value: object) -> object:
        """Return the number for a category's word; any other value unchanged."""
        if isinstance(value, str) and self.choices:
            if value not in self.choices:
                raise EbbmapError(unknown_name(self.name, value, self.choices))
            return float(self.choices.index(value))
        return value

    def complaint(self, value: float) -> str | None:
        """Return the sentence for one value that cannot be, or None if it is legal."""
        if self.low <= value <= self.high:
            return None
        unit = display(self.units)
        text = f"{self.name} must be between {self.low:g} and {self.high:g} {unit}; got {value:g}"
        if self.other_unit is not None:
            other, factor = self.other_unit
            if self.usual_low <= value * factor <= self.usual_high:
                return f"{text}. This looks like {other}: {value * factor:g} {unit}?"
        return text


_ALL = (
    Parameter(
        "p_high", r"P_\mathrm{high}", "P high", "cmH2O",
        1.0, 80.0, 15.0, 35.0, 25.0, "setting",
        f"{RANGES}; cap of 30 in Zhou et al., Intensive Care Med 2017;43:1648",
    ),
    Parameter(
        "p_low", r"P_\mathrm{low}", "P low", "cmH2O",
        0.0, 40.0, 0.0, 10.0, 0.0, "setting",
        f"{RANGES}; 5 in Zhou et al., Intensive Care Med 2017;43:1648, "
        "0 in the tradition of Habashi, Crit Care Med 2005;33(3 Suppl):S228",
    ),
    Parameter(
        "t_high", r"T_\mathrm{high}", "T high", "s",
        0.05, 120.0, 2.0, 8.0, 5.0, "setting",
        f"{RANGES}; 4 to 6 s in Habashi, Crit Care Med 2005;33(3 Suppl):S228",
        other_unit=("milliseconds", 1e-3),
    ),
    Parameter(
        "t_low", r"T_\mathrm{low}", "T low", "s",
        0.01, 60.0, 0.2, 1.8, 0.5, "setting",
        f"{RANGES}; 0.3 to 1.5 s in Habashi, Crit Care Med 2005;33(3 Suppl):S228",
        other_unit=("milliseconds", 1e-3),
    ),
    Parameter(
        "t_low_in_time_constants", r"T_\mathrm{low}/\tau_\mathrm{E}",
        "T low as a multiple of the expiratory time constant", "1",
        0.001, 100.0, 0.2, 2.0, 0.7, "setting",
        f"{RANGES}; sets t_low = multiple x resistance_exp x compliance",
    ),
    Parameter(
        "compliance", "C", "compliance", "mL cmH2O-1",
        1.0, 1000.0, 15.0, 110.0, 50.0, "lung property",
        RANGES, other_unit=("L/cmH₂O", ML_PER_L),
    ),
    Parameter(
        "resistance_insp", r"R_\mathrm{I}", "inspiratory resistance", "cmH2O s L-1",
        0.01, 1000.0, 5.0, 40.0, 12.0, "lung property",
        f"{RANGES} (tracheal tube included)",
    ),
    Parameter(
        "resistance_exp", r"R_\mathrm{E}", "expiratory resistance", "cmH2O s L-1",
        0.01, 1000.0, 5.0, 60.0, 14.0, "lung property",
        f"{RANGES} (tracheal tube included); 1 to 3 times the inspiratory one",
    ),
    Parameter(
        "chest_wall_share", r"E_\mathrm{cw}/E_\mathrm{rs}",
        "chest wall's share of the elastance", "1",
        0.0, 1.0, 0.1, 0.8, 0.4, "lung property",
        "0.20 and 0.47: Gattinoni et al., Am J Respir Crit Care Med 1998;158:3 (derived)",
    ),
    Parameter(
        "predicted_body_weight", r"\mathrm{PBW}", "predicted body weight", "kg",
        20.0, 150.0, 40.0, 90.0, 65.0, "patient", RANGES,
    ),
    Parameter(
        "height", "h", "body height", "cm",
        120.0, 250.0, 145.0, 200.0, 170.0, "patient",
        "assumption: range of adult height", other_unit=("metres", 100.0),
    ),
    Parameter(
        "sex", r"\mathrm{sex}", "sex (as the predicted weight formula uses it)", "1",
        0.0, 1.0, 0.0, 1.0, 0.0, "patient",
        "assumption: the two categories of the predicted weight formula",
        choices=("female", "male"),
    ),
    Parameter(
        "resistance_quadratic", "K", "quadratic resistance", "cmH2O s2 L-2",
        0.0, 1000.0, 0.0, 15.0, 0.0, "lung property",
        "tracheal tubes at 0.5 L/s: Futagawa et al., BMC Anesthesiology 2017 (derived)",
    ),
    Parameter(
        "recoil_curvature", "k", "curvature of the lung's sigmoid recoil", "cmH2O-1",
        0.0, 0.4, 0.0, 0.15, 0.0, "lung property",
        "1/d of Venegas et al., J Appl Physiol 1998;84:389 (0: straight); range after the span "
        "and shape number of Narusawa, J Appl Physiol 2001;91:201 (d of 8 and more, derived)",
    ),
    Parameter(
        "recoil_inflection", "c", "transpulmonary pressure of greatest lung compliance", "cmH2O",
        0.0, 60.0, 0.0, 25.0, 10.0, "lung property",
        "c of Venegas et al., J Appl Physiol 1998;84:389; range is an assumption: no fitted human "
        "table was at hand",
    ),
    Parameter(
        "flow_limitation", "g", "flow limitation", "1",
        0.0, 50.0, 0.0, 5.0, 0.0, "lung property",
        "assumption: direction after Barbini et al., Ann Biomed Eng 2003;31:908, size is ours",
    ),
    Parameter(
        "valve_time", r"\tau_\mathrm{v}", "time constant of the valve", "s",
        0.0, 2.0, 0.0, 0.2, 0.0, "setting",
        "assumption: pressure at the airway follows a switch within some tenths of a second",
    ),
    Parameter(
        "recruitable_share", "r", "share of the lung that can open and close", "1",
        0.0, 0.95, 0.0, 0.5, 0.0, "lung property",
        "assumption: 0 switches recruitment off, half is a severely injured lung",
    ),
    Parameter(
        "opening_pressure", r"P_\mathrm{open}", "mode of the opening pressures", "cmH2O",
        0.0, 80.0, 5.0, 40.0, 20.0, "lung property",
        "20: Crotti et al., Am J Respir Crit Care Med 2001;164:131",
    ),
    Parameter(
        "opening_spread", r"\sigma_\mathrm{open}", "standard deviation of the opening pressures",
        "cmH2O", 0.1, 40.0, 2.0, 10.0, 6.0, "lung property",
        "assumption: normal: Crotti et al., Am J Respir Crit Care Med 2001;164:131; width ours",
    ),
    Parameter(
        "closing_pressure", r"P_\mathrm{close}", "mode of the closing pressures", "cmH2O",
        0.0, 80.0, 0.0, 15.0, 5.0, "lung property",
        "5: Crotti et al., Am J Respir Crit Care Med 2001;164:131",
    ),
    Parameter(
        "closing_spread", r"\sigma_\mathrm{close}", "standard deviation of the closing pressures",
        "cmH2O", 0.1, 40.0, 1.0, 6.0, 3.0, "lung property",
        "assumption: normal: Crotti et al., Am J Respir Crit Care Med 2001;164:131; width ours",
    ),
    Parameter(
        "opening_time_constant", r"\tau_\mathrm{open}", "time constant of opening", "s",
        0.01, 1000.0, 0.3, 4.0, 1.0, "lung property",
        "events mostly within 4 s, some within 0.6 s: Neumann et al., J Appl Physiol 1998;85:1533; "
        "the constant is ours",
    ),
    Parameter(
        "closing_time_constant", r"\tau_\mathrm{close}", "time constant of closing", "s",
        0.01, 1000.0, 0.3, 4.0, 1.0, "lung property",
        "events mostly within 4 s, some within 0.6 s: Neumann et al., J Appl Physiol 1998;85:1533; "
        "the constant is ours",
    ),
    Parameter(
        "effort_pressure", r"P_\mathrm{mus}", "peak inspiratory muscle pressure", "cmH2O",
        0.0, 60.0, 0.0, 15.0, 0.0, "patient",
        RANGES + "; 0 is a passive patient",
    ),
    Parameter(
        "effort_rate", r"f_\mathrm{mus}", "rate of spontaneous efforts", "min-1",
        1.0, 80.0, 10.0, 35.0, 20.0, "patient",
        "assumption: adult rates of breathing from rest to distress",
    ),
    Parameter(
        "effort_duration", r"T_\mathrm{mus}", "duration of one effort", "s",
        0.1, 10.0, 0.6, 1.5, 1.0, "patient",
        "assumption: usual neural inspiratory times; never longer than the time between efforts",
    ),
)  # fmt: skip

PARAMETERS: Mapping[str, Parameter] = MappingProxyType({p.name: p for p in _ALL})


def predicted_body_weight(height, sex):
    """Predicted body weight from height and sex.

    Parameters
    ----------
    height : array_like, shape (n,)
        Body height [cm].
    sex : array_like, shape (n,)
        0 female, 1 male.

    Returns
    -------
    ndarray, shape (n,)
        Predicted body weight [kg].

    Notes
    -----
    50 (male) or 45.5 (female) + 0.91 (height - 152.4).

    References
    ----------
    .. [1] NIH ARDS Network strategy, as restated in BMC Pulm Med 2017 and reference pages.

    Examples
    --------
    >>> round(float(predicted_body_weight(175.0, 1.0)), 2)
    70.57
    """
    return 45.5 + 4.5 * np.asarray(sex) + 0.91 * (np.asarray(height) - 152.4)


def t_low_from_multiple(t_low_in_time_constants, resistance_exp, compliance):
    """T low [s] as a multiple of the expiratory time constant R_exp * C, shape (n,).

    Examples
    --------
    >>> float(t_low_from_multiple(1.0, 10.0, 50.0))
    0.5
    """
    return np.asarray(t_low_in_time_constants) * resistance_exp * compliance / ML_PER_L


#: A parameter that may be given indirectly, and the function of others that sets it.
DERIVATIONS: Mapping[str, Callable] = MappingProxyType(
    {"predicted_body_weight": predicted_body_weight, "t_low": t_low_from_multiple}
)

#: The parameter that, when it is given, asks for the derivation.
TRIGGERS = MappingProxyType({"predicted_body_weight": "height", "t_low": "t_low_in_time_constants"})


def parameter(name: str) -> Parameter:
    """Return the registry entry of a name.

    Raises
    ------
    EbbmapError
        If no parameter has this name; the message gives the nearest one.

    Examples
    --------
    >>> parameter("t_low").units
    's'
    """
    if name not in PARAMETERS:
        raise EbbmapError(unknown_name("parameter", name, PARAMETERS))
    return PARAMETERS[name]


def inputs_of(function: Callable) -> tuple[str, ...]:
    """Return the argument names of a function: the names of what it needs."""
    return tuple(signature(function).parameters)
