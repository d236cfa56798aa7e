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

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.registries import conventional
from ebbmap.units import ML_PER_L, UNITS, bracketed, display

Kind = Literal["setting", "lung property", "patient", "gas exchange"]

RANGES = "common practice, no source: plausible adult range"
_STORES = "assumption: no measured store is used; set beside published apnoea rises in the tests"

CHELUCCI = "Chelucci et al., Eur Respir J 1993;6:785"


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
    kind : {"setting", "lung property", "patient", "gas exchange"}
        Chosen, given by the lung, given by the person, or how gas, blood and air meet.
    source : str
        Where the usual range comes from.
    choices : tuple of str
        For a category: the words, coded 0, 1, ... in this order.
    other_unit : tuple of (str, float), optional
        A unit often used by mistake and the factor that converts from it.
    short_name : str
        Name for legends and ticks; the name in words if empty.
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
    short_name: str = ""

    def __post_init__(self) -> None:
        """Refuse an entry that contradicts itself."""
        object.__setattr__(self, "short_name", self.short_name or self.long_name)
        ordered = self.low <= self.usual_low <= self.default <= self.usual_high <= self.high
        if self.units not in UNITS or not ordered or not self.source:
            raise EbbmapError(f"registry entry {self.name!r} is inconsistent.")

    @property
    def label(self) -> str:
        """Axis text: name in words and unit."""
        return bracketed(self.long_name, self.units)

    def say(self, value: float) -> str:
        """Say a value in words, for captions: name, number and unit."""
        if self.choices:
            return f"{self.name} {self.choices[int(value)]}"
        return f"{self.long_name} {value:.4g} {display(self.units)}".rstrip()

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
        "p_high",
        r"P_\mathrm{high}",
        "P high",
        "cmH2O",
        1.0,
        80.0,
        15.0,
        35.0,
        25.0,
        "setting",
        f"{RANGES}; cap of 30 in Zhou et al., Intensive Care Med 2017;43:1648",
    ),
    Parameter(
        "p_low",
        r"P_\mathrm{low}",
        "P low",
        "cmH2O",
        0.0,
        40.0,
        0.0,
        10.0,
        0.0,
        "setting",
        f"{RANGES}; 5 in Zhou et al., Intensive Care Med 2017;43:1648, "
        "0 in the tradition of Habashi, Crit Care Med 2005;33(3 Suppl):S228",
    ),
    Parameter(
        "t_high",
        r"T_\mathrm{high}",
        "T high",
        "s",
        0.05,
        120.0,
        2.0,
        8.0,
        5.0,
        "setting",
        f"{RANGES}; 4 to 6 s in Habashi, Crit Care Med 2005;33(3 Suppl):S228",
        other_unit=("milliseconds", 1e-3),
    ),
    Parameter(
        "t_low",
        r"T_\mathrm{low}",
        "T low",
        "s",
        0.01,
        60.0,
        0.2,
        1.8,
        0.5,
        "setting",
        f"{RANGES}; 0.3 to 1.5 s in Habashi, Crit Care Med 2005;33(3 Suppl):S228",
        other_unit=("milliseconds", 1e-3),
    ),
    Parameter(
        "t_low_in_time_constants",
        r"T_\mathrm{low}/\tau_\mathrm{E}",
        "T low in expiratory time constants",
        "1",
        0.001,
        100.0,
        0.2,
        2.0,
        0.7,
        "setting",
        f"{RANGES}; sets t_low = multiple x resistance_exp x compliance",
        short_name="T low in time constants",
    ),
    Parameter(
        "compliance",
        "C",
        "compliance",
        "mL cmH2O-1",
        1.0,
        1000.0,
        15.0,
        110.0,
        50.0,
        "lung property",
        RANGES,
        other_unit=("L/cmH₂O", ML_PER_L),
    ),
    Parameter(
        "resistance_insp",
        r"R_\mathrm{I}",
        "inspiratory resistance",
        "cmH2O s L-1",
        0.01,
        1000.0,
        5.0,
        40.0,
        12.0,
        "lung property",
        f"{RANGES} (tracheal tube included)",
    ),
    Parameter(
        "resistance_exp",
        r"R_\mathrm{E}",
        "expiratory resistance",
        "cmH2O s L-1",
        0.01,
        1000.0,
        5.0,
        60.0,
        14.0,
        "lung property",
        f"{RANGES} (tracheal tube included); 1 to 3 times the inspiratory one",
    ),
    Parameter(
        "chest_wall_share",
        r"E_\mathrm{cw}/E_\mathrm{rs}",
        "chest wall's share of the elastance",
        "1",
        0.0,
        1.0,
        0.1,
        0.8,
        0.4,
        "lung property",
        "0.20 and 0.47: Gattinoni et al., Am J Respir Crit Care Med 1998;158:3 (derived)",
        short_name="chest wall's share",
    ),
    Parameter(
        "predicted_body_weight",
        r"\mathrm{PBW}",
        "predicted body weight",
        "kg",
        20.0,
        150.0,
        40.0,
        90.0,
        65.0,
        "patient",
        RANGES,
    ),
    Parameter(
        "height",
        "h",
        "body height",
        "cm",
        120.0,
        250.0,
        145.0,
        200.0,
        170.0,
        "patient",
        "assumption: range of adult height",
        other_unit=("metres", 100.0),
    ),
    Parameter(
        "sex",
        r"\mathrm{sex}",
        "sex (as the predicted weight formula uses it)",
        "1",
        0.0,
        1.0,
        0.0,
        1.0,
        0.0,
        "patient",
        "assumption: the two categories of the predicted weight formula",
        choices=("female", "male"),
        short_name="sex",
    ),
    Parameter(
        "fio2",
        r"F_\mathrm{I,O_2}",
        "inspired oxygen fraction",
        "1",
        0.15,
        1.0,
        0.21,
        1.0,
        0.5,
        "setting",
        f"{RANGES}; 0.4 to 1.0 in lung injury",
        other_unit=("percent", 0.01),
    ),
    Parameter(
        "co2_production",
        r"\dot V_\mathrm{CO_2}",
        "CO₂ production (STPD)",
        "mL min-1",
        20.0,
        1000.0,
        130.0,
        350.0,
        200.0,
        "patient",
        f"{RANGES}; 200 is usual in textbooks",
        other_unit=("L/min", ML_PER_L),
    ),
    Parameter(
        "co2_production_per_kg",
        r"\dot V_\mathrm{CO_2}/\mathrm{PBW}",
        "CO₂ production per kg predicted body weight (STPD)",
        "mL min-1 kg-1",
        0.5,
        10.0,
        2.0,
        5.0,
        2.9,
        "patient",
        f"{RANGES}: 2.9; sets co2_production = this x predicted_body_weight",
        short_name="CO₂ production per kg",
    ),
    Parameter(
        "spontaneous_alveolar_ventilation",
        r"\dot V_\mathrm{A,sp}",
        "alveolar ventilation by the patient's own breathing",
        "L min-1",
        0.0,
        30.0,
        0.0,
        3.0,
        0.0,
        "patient",
        "assumption: passive patient; the mode permits breathing at any phase. Not added where "
        "effort_pressure is above 0: the stepped lung then solves for that breathing",
        short_name="own breathing",
    ),
    Parameter(
        "bicarbonate",
        r"\mathrm{HCO_3^-}",
        "plasma bicarbonate",
        "mmol L-1",
        2.0,
        60.0,
        18.0,
        34.0,
        24.0,
        "patient",
        "24 at pH 7.40 and 40 mmHg: textbooks; range from memory",
    ),
    Parameter(
        "hemoglobin",
        r"\mathrm{Hb}",
        "haemoglobin",
        "g dL-1",
        2.0,
        25.0,
        7.0,
        16.0,
        12.0,
        "patient",
        "assumption: from the transfusion threshold of 7 (from memory) to health",
        other_unit=("g/L", 0.1),
    ),
    Parameter(
        "cardiac_output",
        r"\dot Q",
        "cardiac output",
        "L min-1",
        1.0,
        25.0,
        3.5,
        10.0,
        5.0,
        "patient",
        "5 at rest: Guyton and Hall, Textbook of Medical Physiology (from memory)",
    ),
    Parameter(
        "venous_return_gradient",
        r"P_\mathrm{MSF}-P_\mathrm{RA}",
        "gradient for venous return before the rise of pressure",
        "mmHg",
        2.0,
        30.0,
        5.0,
        12.0,
        7.0,
        "patient",
        "filling pressure 7 at right atrial pressure 0: Guyton and Hall, Textbook of Medical "
        "Physiology (from memory); patients: assumption",
        short_name="venous return gradient",
    ),
    Parameter(
        "gradient_loss_share",
        r"k_\mathrm{vr}",
        "share of the pleural rise by which the gradient for venous return falls",
        "1",
        0.0,
        1.0,
        0.2,
        1.0,
        0.5,
        "patient",
        "assumption: the filling pressure makes up for half of the rise",
        short_name="loss of return gradient",
    ),
    Parameter(
        "functional_residual_capacity",
        r"\mathrm{FRC}",
        "resting lung volume",
        "mL",
        200.0,
        6000.0,
        800.0,
        3000.0,
        1500.0,
        "patient",
        "assumption: from a small injured lung to a healthy one lying down",
    ),
    Parameter(
        "functional_residual_capacity_per_kg",
        r"\mathrm{FRC}/\mathrm{PBW}",
        "resting lung volume per kg predicted body weight",
        "mL kg-1",
        5.0,
        80.0,
        12.0,
        40.0,
        23.0,
        "patient",
        "assumption: as functional_residual_capacity; sets it = this x predicted_body_weight",
        short_name="resting volume per kg",
    ),
    Parameter(
        "airway_dead_space_per_kg",
        r"V_\mathrm{D,aw}/\mathrm{PBW}",
        "airway dead space per kg predicted body weight",
        "mL kg-1",
        0.0,
        6.0,
        1.0,
        3.5,
        2.2,
        "gas exchange",
        f"{RANGES}; 2.2 is Radford's rule of 1 mL/lb, 1955 (from memory); body weight foretells "
        "it poorly (r2 = 0.0002 in 58 ventilated adults, Brewer 2008 as quoted), so keep it wide",
        short_name="airway dead space per kg",
    ),
    Parameter(
        "apparatus_dead_space",
        r"V_\mathrm{D,app}",
        "dead space of the apparatus",
        "mL",
        0.0,
        300.0,
        0.0,
        100.0,
        30.0,
        "gas exchange",
        "assumption: connector and filter, less the airway that the tube bypasses",
        short_name="apparatus dead space",
    ),
    Parameter(
        "alveolar_dead_space_share",
        r"V_\mathrm{D,alv}/V_\mathrm{A}",
        "share of the alveolar gas that meets no blood",
        "1",
        0.0,
        0.95,
        0.0,
        0.5,
        0.2,
        "gas exchange",
        "assumption: 0 in health; 0.4 brings a release of 600 mL at 65 kg to the VD/VT of 0.58 "
        "of Nuckton et al., N Engl J Med 2002;346:1281",
        short_name="alveolar dead space",
    ),
    Parameter(
        "respiratory_quotient",
        "R",
        "respiratory quotient",
        "1",
        0.5,
        1.3,
        0.7,
        1.0,
        0.8,
        "gas exchange",
        "0.8: textbooks (200/250 in a classroom example)",
    ),
    Parameter(
        "barometric_pressure",
        r"P_\mathrm{B}",
        "barometric pressure",
        "mmHg",
        350.0,
        1500.0,
        560.0,
        780.0,
        760.0,
        "gas exchange",
        "assumption: sea level to about 2500 m",
        other_unit=("kPa", 7.50062),
    ),
    Parameter(
        "shunt_baseline",
        r"\dot Q_\mathrm{s0}/\dot Q_\mathrm{t}",
        "venous admixture of an open lung",
        "1",
        0.0,
        0.9,
        0.02,
        0.2,
        0.05,
        "gas exchange",
        "0.04 to 0.05 in health: anaesthesia question book; upper end: assumption",
        short_name="baseline shunt",
    ),
    Parameter(
        "closed_perfusion_ratio",
        r"k_\mathrm{hpv}",
        "blood flow through closed over that through open lung",
        "1",
        0.05,
        2.0,
        0.3,
        1.0,
        0.5,
        "gas exchange",
        "assumption: hypoxia halves the flow through closed lung",
        short_name="flow through closed lung",
    ),
    Parameter(
        "collapsible_share",
        r"f_\mathrm{coll}",
        "share of the lung that closes when nothing holds it open",
        "1",
        0.0,
        1.0,
        0.0,
        0.8,
        0.4,
        "gas exchange",
        "assumption: none in health, most of it in severe injury",
        short_name="collapsible share",
    ),
    Parameter(
        "half_closed_pressure",
        r"P_\mathrm{half}",
        "mean alveolar pressure that leaves half of the collapsible lung closed",
        "cmH2O",
        -20.0,
        60.0,
        5.0,
        20.0,
        12.5,
        "gas exchange",
        "assumption: between the modes of closing (5) and opening (20) pressures of Crotti et "
        "al., Am J Respir Crit Care Med 2001;164:131",
        short_name="half-closing pressure",
    ),
    Parameter(
        "closing_width",
        r"w_\mathrm{half}",
        "spread of the closing pressures",
        "cmH2O",
        0.5,
        30.0,
        1.5,
        6.0,
        3.0,
        "gas exchange",
        "assumption: 3 is a standard deviation of 5.4",
        short_name="width of closing",
    ),
    Parameter(
        "co2_store_fast",
        r"K_\mathrm{fast}",
        "CO₂ store of lungs, blood and organs",
        "mL mmHg-1",
        2.0,
        500.0,
        20.0,
        60.0,
        30.0,
        "gas exchange",
        _STORES,
        short_name="fast CO₂ store",
    ),
    Parameter(
        "co2_store_slow",
        r"K_\mathrm{slow}",
        "CO₂ store of muscle and fat",
        "mL mmHg-1",
        2.0,
        2000.0,
        30.0,
        200.0,
        60.0,
        "gas exchange",
        _STORES,
        short_name="slow CO₂ store",
    ),
    Parameter(
        "co2_store_exchange",
        r"G_\mathrm{CO_2}",
        "exchange between the CO₂ stores",
        "mL min-1 mmHg-1",
        0.01,
        500.0,
        2.0,
        20.0,
        7.0,
        "gas exchange",
        _STORES,
        short_name="CO₂ store exchange",
    ),
    Parameter(
        "resistance_quadratic",
        r"K",
        "quadratic resistance (pressure drop per squared flow)",
        "cmH2O s2 L-2",
        0.0,
        1000.0,
        0.0,
        25.0,
        0.0,
        "lung property",
        "fit to Futagawa et al., BMC Anesthesiology 2017: 6 to 24 for tubes of 8 to 6 mm; "
        "assumption: 0 for no tube; comes on top of the resistances, which then are without it",
        short_name="quadratic resistance",
    ),
    Parameter(
        "compliance_fast",
        r"C_\mathrm{fast}",
        "compliance of the fast compartment",
        "mL cmH2O-1",
        0.1,
        1000.0,
        15.0,
        90.0,
        40.0,
        "lung property",
        f"{CHELUCCI}: 81 % of the volume in ARDS, 84 % in normal lungs",
        other_unit=("L/cmH₂O", ML_PER_L),
        short_name="fast compliance",
    ),
    Parameter(
        "compliance_slow",
        r"C_\mathrm{slow}",
        "compliance of the slow compartment",
        "mL cmH2O-1",
        0.1,
        1000.0,
        3.0,
        25.0,
        10.0,
        "lung property",
        f"{CHELUCCI}: 19 % of the volume in ARDS, 16 % in normal lungs",
        other_unit=("L/cmH₂O", ML_PER_L),
        short_name="slow compliance",
    ),
    Parameter(
        "resistance_fast",
        r"R_\mathrm{fast}",
        "resistance of the fast compartment's own airway",
        "cmH2O s L-1",
        0.01,
        5000.0,
        1.0,
        20.0,
        3.0,
        "lung property",
        f"{CHELUCCI}: 0.35 s in ARDS, with the default compliance and shared resistance",
        short_name="fast airway resistance",
    ),
    Parameter(
        "resistance_slow",
        r"R_\mathrm{slow}",
        "resistance of the slow compartment's own airway",
        "cmH2O s L-1",
        0.01,
        5000.0,
        50.0,
        1000.0,
        450.0,
        "lung property",
        f"{CHELUCCI}: 4.67 (SD 2.38) s in ARDS, with the default compliance",
        short_name="slow airway resistance",
    ),
    Parameter(
        "resistance_shared",
        r"R_\mathrm{shared}",
        "resistance of the shared airway, both ways",
        "cmH2O s L-1",
        0.001,
        1000.0,
        3.0,
        30.0,
        6.0,
        "lung property",
        "assumption: tracheal tube and large airways; sets both ways at once",
        short_name="shared resistance",
    ),
    Parameter(
        "slow_volume_share",
        r"s_\mathrm{slow}",
        "slow compartment's share of the compliance",
        "1",
        0.01,
        0.9,
        0.1,
        0.25,
        0.19,
        "lung property",
        f"{CHELUCCI}: 0.19 (SD 0.06) in ARDS, 0.16 (SD 0.07) in normal lungs; with "
        "time_constant_slow it sets both compartments from compliance and resistances",
        short_name="slow share",
    ),
    Parameter(
        "time_constant_slow",
        r"\tau_\mathrm{slow}",
        "time constant of the slow compartment's own airway",
        "s",
        0.1,
        100.0,
        2.0,
        6.0,
        4.67,
        "lung property",
        f"{CHELUCCI}: 4.67 (SD 2.38) s in ARDS, 3.27 (SD 1.54) s in normal lungs",
        short_name="slow time constant",
    ),
    Parameter(
        "slow_tissue_share",
        r"s_\mathrm{tissue}",
        "share of the slow part that is tissue that relaxes (the rest is gas)",
        "1",
        0.0,
        1.0,
        0.0,
        1.0,
        0.0,
        "lung property",
        "assumption: no measurement at the airway tells the two apart; 0 is the reading of "
        f"{CHELUCCI}, 1 that of Jonson et al., J Appl Physiol 1993;75:132",
    ),
    Parameter(
        "own_resistance_share",
        r"s_\mathrm{own}",
        "fast compartment's own share of the resistance",
        "1",
        0.0,
        1.0,
        0.1,
        0.6,
        1.0 / 3.0,
        "lung property",
        "assumption: the third that is the patient's own where tube and circuit make two (Guttmann "
        "et al., Eur Respir J 1995;8:114); of the smaller of both directions",
    ),
    Parameter(
        "resistance_shared_insp",
        r"R_\mathrm{shared,I}",
        "inspiratory resistance of the shared airway",
        "cmH2O s L-1",
        0.001,
        1000.0,
        3.0,
        30.0,
        6.0,
        "lung property",
        "assumption: tracheal tube and large airways",
        short_name="shared insp. resistance",
    ),
    Parameter(
        "resistance_shared_exp",
        r"R_\mathrm{shared,E}",
        "expiratory resistance of the shared airway",
        "cmH2O s L-1",
        0.001,
        1000.0,
        3.0,
        30.0,
        6.0,
        "lung property",
        "assumption: tracheal tube and large airways",
        short_name="shared exp. resistance",
    ),
    Parameter(
        "recoil_curvature",
        "k",
        "curvature of the lung's sigmoid recoil",
        "cmH2O-1",
        0.0,
        0.4,
        0.0,
        0.15,
        0.0,
        "lung property",
        "1/d of Venegas et al., J Appl Physiol 1998;84:389 (0: straight); range after the span "
        "and shape number of Narusawa, J Appl Physiol 2001;91:201 (d of 8 and more, derived)",
        short_name="recoil curvature",
    ),
    Parameter(
        "recoil_inflection",
        "c",
        "transpulmonary pressure of greatest lung compliance",
        "cmH2O",
        0.0,
        60.0,
        0.0,
        25.0,
        10.0,
        "lung property",
        "c of Venegas et al., J Appl Physiol 1998;84:389; range is an assumption: no fitted human "
        "table was at hand",
        short_name="recoil inflection",
    ),
    Parameter(
        "flow_limitation",
        "g",
        "flow limitation",
        "1",
        0.0,
        50.0,
        0.0,
        5.0,
        0.0,
        "lung property",
        "assumption: direction after Barbini et al., Ann Biomed Eng 2003;31:908, size is ours",
    ),
    Parameter(
        "valve_time",
        r"\tau_\mathrm{v}",
        "time constant of the valve",
        "s",
        0.0,
        2.0,
        0.0,
        0.2,
        0.0,
        "setting",
        "assumption: pressure at the airway follows a switch within some tenths of a second",
        short_name="valve time constant",
    ),
    Parameter(
        "recruitable_share",
        "r",
        "share of the lung that can open and close",
        "1",
        0.0,
        0.95,
        0.0,
        0.5,
        0.0,
        "lung property",
        "assumption: 0 switches recruitment off, half is a severely injured lung",
        short_name="recruitable share",
    ),
    Parameter(
        "opening_pressure",
        r"P_\mathrm{open}",
        "mode of the opening pressures",
        "cmH2O",
        0.0,
        80.0,
        5.0,
        40.0,
        20.0,
        "lung property",
        "20: Crotti et al., Am J Respir Crit Care Med 2001;164:131",
        short_name="opening pressure",
    ),
    Parameter(
        "opening_spread",
        r"\sigma_\mathrm{open}",
        "standard deviation of the opening pressures",
        "cmH2O",
        0.1,
        40.0,
        2.0,
        10.0,
        6.0,
        "lung property",
        "assumption: normal: Crotti et al., Am J Respir Crit Care Med 2001;164:131; width ours",
        short_name="spread of opening",
    ),
    Parameter(
        "closing_pressure",
        r"P_\mathrm{close}",
        "mode of the closing pressures",
        "cmH2O",
        0.0,
        80.0,
        0.0,
        15.0,
        5.0,
        "lung property",
        "5: Crotti et al., Am J Respir Crit Care Med 2001;164:131",
        short_name="closing pressure",
    ),
    Parameter(
        "closing_spread",
        r"\sigma_\mathrm{close}",
        "standard deviation of the closing pressures",
        "cmH2O",
        0.1,
        40.0,
        1.0,
        6.0,
        3.0,
        "lung property",
        "assumption: normal: Crotti et al., Am J Respir Crit Care Med 2001;164:131; width ours",
        short_name="spread of closing",
    ),
    Parameter(
        "opening_time_constant",
        r"\tau_\mathrm{open}",
        "time constant of opening",
        "s",
        0.01,
        1000.0,
        0.3,
        4.0,
        1.0,
        "lung property",
        "events mostly within 4 s, some within 0.6 s: Neumann et al., J Appl Physiol 1998;85:1533; "
        "the constant is ours",
    ),
    Parameter(
        "closing_time_constant",
        r"\tau_\mathrm{close}",
        "time constant of closing",
        "s",
        0.01,
        1000.0,
        0.3,
        4.0,
        1.0,
        "lung property",
        "events mostly within 4 s, some within 0.6 s: Neumann et al., J Appl Physiol 1998;85:1533; "
        "the constant is ours",
    ),
    Parameter(
        "effort_pressure",
        r"P_\mathrm{mus}",
        "peak inspiratory muscle pressure",
        "cmH2O",
        0.0,
        60.0,
        0.0,
        15.0,
        0.0,
        "patient",
        RANGES + "; 0 is a passive patient",
        short_name="peak muscle pressure",
    ),
    Parameter(
        "effort_rate",
        r"f_\mathrm{mus}",
        "rate of spontaneous efforts",
        "min-1",
        1.0,
        80.0,
        10.0,
        35.0,
        20.0,
        "patient",
        "assumption: adult rates of breathing from rest to distress",
        short_name="effort rate",
    ),
    Parameter(
        "effort_duration",
        r"T_\mathrm{mus}",
        "duration of one effort",
        "s",
        0.1,
        10.0,
        0.6,
        1.5,
        1.0,
        "patient",
        "assumption: usual neural inspiratory times; never longer than the time between efforts",
    ),
    Parameter(
        name="upstream_resistance",
        symbol=r"R_\mathrm{us}",
        long_name="upstream resistance of limited expiratory flow",
        units="cmH2O s L-1",
        low=0.0,
        high=1000.0,
        usual_low=0.0,
        usual_high=60.0,
        default=0.0,
        kind="lung property",
        source="recoil over maximal expiratory flow: Mead et al., J Appl Physiol 1967;22:95 (from "
        "memory), here by the recoil of the whole passive respiratory system; 0: no flow is "
        "limited; range: assumption",
        short_name="upstream resistance",
    ),
    *(Parameter(**fields) for fields in conventional.PARAMETERS),
)

PARAMETERS: Mapping[str, Parameter] = MappingProxyType({p.name: p for p in _ALL})


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
