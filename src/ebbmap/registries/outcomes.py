"""The registry of outcomes: what a cycle means, each declared once with the function behind it.

A function takes other outcomes and parameters *by the names of its arguments*; the registry is
thereby a graph, and `plan` walks it. An outcome without a function is solved by the lung model.
All functions take and return arrays of shape (n,) that broadcast, in registry units.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.exchange import circulation, co2, load, oxygen
from ebbmap.lungs.base import Lung
from ebbmap.registries import conventional
from ebbmap.registries.parameters import PARAMETERS, inputs_of
from ebbmap.units import L_PER_ML, S_PER_MIN, UNITS, bracketed

#: Share of the lung by which two settled cycles must differ to be called two: the search that
#: tells them apart is good to half of it.
ANOTHER_CYCLE = 2e-3

CLOSED_FORM = "single-compartment closed form"
TWO_COMPARTMENTS = "two-compartment closed form"


@dataclass(frozen=True)
class Outcome:
    """One result of a cycle.

    Parameters
    ----------
    name, symbol, long_name, units : str
        Name in code and files, symbol (TeX), name in words, UDUNITS string.
    source : str
        Where the definition comes from.
    compute : callable or None
        Function of parameters and other outcomes, by name; None if the lung model solves it.
    comment : str
        What a reader must know to read the number.
    """

    name: str
    symbol: str
    long_name: str
    units: str
    source: str
    compute: Callable | None = None
    comment: str = ""

    def __post_init__(self) -> None:
        """Refuse an entry that contradicts itself."""
        if self.units not in UNITS or not self.source or self.name in PARAMETERS:
            raise EbbmapError(f"registry entry {self.name!r} is inconsistent.")

    @property
    def label(self) -> str:
        """Axis text: name in words and unit."""
        return bracketed(self.long_name, self.units)


def release_volume_per_kg(release_volume, predicted_body_weight):
    """Release volume per kg of predicted body weight [mL kg-1]."""
    return release_volume / predicted_body_weight


def auto_peep(end_release_pressure, p_low):
    """Alveolar pressure still above P low when the release ends [cmH2O]."""
    return end_release_pressure - p_low


def flow_ratio(end_release_flow, peak_expiratory_flow):
    """Flow at the end of the release over its peak [1]."""
    return end_release_flow / peak_expiratory_flow


def mean_airway_pressure(p_high, p_low, t_high, t_low):
    """Time-weighted mean of the set pressures [cmH2O].

    Examples
    --------
    >>> round(mean_airway_pressure(25.0, 0.0, 5.0, 0.5), 3)
    22.727
    """
    return (p_high * t_high + p_low * t_low) / (t_high + t_low)


def driving_pressure(end_high_pressure, end_release_pressure):
    """Alveolar pressure at the end of T high less that at the end of the release [cmH2O]."""
    return end_high_pressure - end_release_pressure


def release_rate(t_high, t_low):
    """Releases per minute [min-1]."""
    return S_PER_MIN / (t_high + t_low)


def release_minute_volume(release_volume, release_rate):
    """Gas released per minute [L min-1]."""
    return release_volume * release_rate * L_PER_ML


def release_in_time_constants(t_low, time_constant_exp):
    """T low over the expiratory time constant [1]."""
    return t_low / time_constant_exp


def end_high_transpulmonary_pressure(end_high_pressure, chest_wall_share):
    """Lung's part of the alveolar pressure at the end of T high [cmH2O]."""
    return end_high_pressure * (1.0 - chest_wall_share)


def mean_pleural_pressure(mean_alveolar_pressure, chest_wall_share):
    """Chest wall's part of the mean alveolar pressure [cmH2O]."""
    return mean_alveolar_pressure * chest_wall_share


def other_settled_cycle(closed_start_gap):
    """Whether a lung that began closed has a settled cycle of its own: 1 or 0 [1]."""
    return np.where(np.greater(closed_start_gap, ANOTHER_CYCLE), 1.0, 0.0)


_SHARE = (
    "Gattinoni et al., Crit Care 2004;8:350: pleural change = airway change x Ecw/Ers, "
    "passive chest"
)
_RELAXATION = "Change from the relaxed, passive state at atmospheric pressure."

_RECRUITMENT = (
    "Crotti et al., Am J Respir Crit Care Med 2001;164:131 (pressures); Neumann et al., "
    "J Appl Physiol 1998;85:1533 (time scale)"
)

_ALL = (
    Outcome(
        "release_volume",
        r"V_\mathrm{rel}",
        "release volume",
        "mL",
        CLOSED_FORM,
        comment="Gas that leaves the lung in one release of the settled cycle.",
    ),
    Outcome(
        "release_volume_per_kg",
        r"V_\mathrm{rel}/\mathrm{PBW}",
        "release volume per kg predicted body weight",
        "mL kg-1",
        "definition",
        release_volume_per_kg,
    ),
    Outcome(
        "trapped_volume",
        r"V_\mathrm{trap}",
        "trapped volume",
        "mL",
        CLOSED_FORM,
        comment="Gas above the volume at P low when the release ends.",
    ),
    Outcome(
        "end_high_pressure",
        r"P_\mathrm{A,high}",
        "alveolar pressure at end of T high",
        "cmH2O",
        CLOSED_FORM,
    ),
    Outcome(
        "end_high_volume",
        r"V_\mathrm{high}",
        "volume at end of T high",
        "mL",
        CLOSED_FORM,
        comment="Above the relaxation volume at atmospheric pressure: P low counts, set or "
        "trapped.",
    ),
    Outcome(
        "end_release_pressure",
        r"P_\mathrm{A,rel}",
        "alveolar pressure at end of release",
        "cmH2O",
        CLOSED_FORM,
        comment="Total PEEP: P low plus auto-PEEP.",
    ),
    Outcome(
        "auto_peep",
        r"\mathrm{PEEP_{auto}}",
        "auto-PEEP",
        "cmH2O",
        "definition: total less set end-expiratory pressure",
        auto_peep,
    ),
    Outcome(
        "fill_fraction",
        r"f_\mathrm{fill}",
        "filled fraction",
        "1",
        CLOSED_FORM,
        comment="Gas taken in during T high over what an endless T high would take in.",
    ),
    Outcome(
        "exhaled_fraction",
        r"f_\mathrm{ex}",
        "exhaled fraction",
        "1",
        CLOSED_FORM,
        comment="Gas released over what an endless release would let out.",
    ),
    Outcome(
        "peak_expiratory_flow",
        r"\dot V_\mathrm{peak}",
        "peak expiratory flow",
        "L s-1",
        CLOSED_FORM,
        comment="Outward flow, given as a positive number.",
    ),
    Outcome(
        "end_release_flow",
        r"\dot V_\mathrm{end}",
        "end-release flow",
        "L s-1",
        CLOSED_FORM,
        comment="Outward flow, given as a positive number.",
    ),
    Outcome(
        "flow_ratio",
        r"\dot V_\mathrm{end}/\dot V_\mathrm{peak}",
        "flow ratio",
        "1",
        "definition",
        flow_ratio,
        comment="End-release flow over peak expiratory flow.",
    ),
    Outcome(
        "mean_airway_pressure",
        r"\bar P_\mathrm{aw}",
        "mean airway pressure",
        "cmH2O",
        "time-weighted mean",
        mean_airway_pressure,
    ),
    Outcome(
        "mean_alveolar_pressure",
        r"\bar P_\mathrm{A}",
        "mean alveolar pressure",
        "cmH2O",
        CLOSED_FORM,
    ),
    Outcome(
        "driving_pressure",
        r"\Delta P",
        "driving pressure",
        "cmH2O",
        "Respir Res 2022;23:101: from the pressure of T high to the trapped end-release pressure",
        driving_pressure,
        comment="Fall of the alveolar pressure in a release: release volume over compliance in a "
        "linear lung. P high less the end-release pressure only where T high fills the lung.",
    ),
    Outcome(
        "release_rate",
        r"f_\mathrm{rel}",
        "release rate",
        "min-1",
        "definition",
        release_rate,
    ),
    Outcome(
        "release_minute_volume",
        r"\dot V_\mathrm{rel}",
        "release minute volume",
        "L min-1",
        "definition",
        release_minute_volume,
    ),
    Outcome(
        "time_constant_exp",
        r"\tau_\mathrm{E}",
        "expiratory time constant",
        "s",
        CLOSED_FORM,
        comment="Expiratory resistance times compliance, tube included. With a quadratic part: as "
        "the flow dies away. With two compartments: mean emptying time of the full lung.",
    ),
    Outcome(
        "release_in_time_constants",
        r"T_\mathrm{low}/\tau_\mathrm{E}",
        "T low in expiratory time constants",
        "1",
        "definition",
        release_in_time_constants,
    ),
    Outcome(
        "end_high_transpulmonary_pressure",
        r"P_\mathrm{L,high}",
        "transpulmonary pressure at end of T high",
        "cmH2O",
        _SHARE,
        end_high_transpulmonary_pressure,
        comment=_RELAXATION,
    ),
    Outcome(
        "mean_pleural_pressure",
        r"\bar P_\mathrm{pl}",
        "mean pleural pressure",
        "cmH2O",
        _SHARE,
        mean_pleural_pressure,
        comment=_RELAXATION,
    ),
    Outcome(
        "airway_dead_space",
        r"V_\mathrm{D,aw}",
        "airway dead space",
        "mL",
        "rule by body weight: Radford 1955 (from memory)",
        co2.airway_dead_space,
    ),
    Outcome(
        "dead_space_fraction",
        r"V_\mathrm{D}/V_\mathrm{rel}",
        "dead space over release volume",
        "1",
        "definition of Bohr and Enghoff (VD/VT)",
        co2.dead_space_fraction,
        comment="Airway, apparatus and alveolar dead space; 1 where no release clears the first "
        "two.",
    ),
    Outcome(
        "gas_beyond_dead_space",
        r"V_\mathrm{A}",
        "gas from beyond the dead space in a cycle",
        "mL",
        "definition: volume moved less that of the airways; textbook",
        co2.gas_beyond_dead_space,
        comment="Series dead space (airways, apparatus) taken off once for a passive release. With "
        "the patient's own efforts: of every breath, between and within releases, gas passing "
        "through the dead space unmixed. In first cycles the stepped lung knows what the dead "
        "space still holds; other lungs take it for fresh.",
    ),
    Outcome(
        "alveolar_ventilation",
        r"\dot V_\mathrm{A}",
        "alveolar ventilation (BTPS)",
        "L min-1",
        "release rate x (release volume - dead space) + own breathing; textbook",
        co2.alveolar_ventilation,
        comment="0 is a status of its own: no steady gas exchange exists, and the outcomes that "
        "rest on it are missing. Own breathing is counted once: what the lung solves for where "
        "effort_pressure is above 0, spontaneous_alveolar_ventilation elsewhere.",
    ),
    Outcome(
        "paco2",
        r"P_\mathrm{a,CO_2}",
        "arterial CO₂ tension",
        "mmHg",
        "0.863 VCO2 / VA; textbook",
        co2.paco2,
        comment="Steady state.",
    ),
    Outcome(
        "ph",
        r"\mathrm{pH}",
        "arterial pH",
        "1",
        "Henderson-Hasselbalch; textbook",
        co2.ph,
        comment="With the arterial bicarbonate, which bicarbonate_buffering lets answer to CO2.",
    ),
    Outcome(
        "alveolar_po2",
        r"P_\mathrm{A,O_2}",
        "alveolar oxygen tension",
        "mmHg",
        "full alveolar gas equation; textbook",
        oxygen.alveolar_po2,
    ),
    Outcome(
        "closed_fraction",
        r"f_\mathrm{closed}",
        "closed share of the lung",
        "1",
        "assumption: logistic in the mean alveolar pressure",
        oxygen.closed_fraction,
        comment="Assumed relation. Where units open and close (recruitable_share above 0) the "
        "stepped lung's own: the open fractions at both ends, weighted by time.",
    ),
    Outcome(
        "venous_admixture",
        r"\dot Q_\mathrm{s}/\dot Q_\mathrm{t}",
        "venous admixture",
        "1",
        "baseline plus blood through closed lung; assumption",
        oxygen.venous_admixture,
    ),
    Outcome(
        "arteriovenous_difference",
        r"C_\mathrm{a-\bar v,O_2}",
        "arteriovenous difference of oxygen content",
        "mL dL-1",
        "Fick; textbook",
        oxygen.arteriovenous_difference,
        comment="Cardiac output is given; it does not answer to the pressure in the chest.",
    ),
    Outcome(
        "arterial_oxygen_content",
        r"C_\mathrm{a,O_2}",
        "arterial oxygen content",
        "mL dL-1",
        "shunt equation; textbook",
        oxygen.arterial_oxygen_content,
        comment="0 where the lung cannot take up what the body consumes.",
    ),
    Outcome(
        "pao2",
        r"P_\mathrm{a,O_2}",
        "arterial oxygen tension",
        "mmHg",
        "content curve with Severinghaus, J Appl Physiol 1979;46:599, equation 1, inverted",
        oxygen.pao2,
        comment="Standard curve, not shifted by pH or CO2.",
    ),
    Outcome(
        "spo2",
        r"S_\mathrm{p,O_2}",
        "arterial oxygen saturation",
        "1",
        "Severinghaus, J Appl Physiol 1979;46:599, equation 1",
        oxygen.spo2,
        comment="Standard curve, not shifted by pH or CO2; taken to be what an oximeter reads.",
    ),
    Outcome(
        "venous_return_change",
        r"\Delta \dot Q_\mathrm{v}/\dot Q_\mathrm{v}",
        "relative change of the gradient for venous return (index)",
        "1",
        "Guyton's equation: Beard and Feigl, Am J Physiol Heart Circ Physiol 2011;301:H629",
        circulation.venous_return_change,
        comment="An index: the gradient falls by a given share of the mean pleural pressure, the "
        "resistance stays. -1: no gradient is left.",
    ),
    Outcome(
        "dynamic_strain",
        r"\epsilon_\mathrm{dyn}",
        "dynamic strain",
        "1",
        "Gattinoni et al., Curr Opin Crit Care 2012: volume over resting volume",
        load.dynamic_strain,
    ),
    Outcome(
        "total_strain",
        r"\epsilon_\mathrm{tot}",
        "total strain",
        "1",
        "Gattinoni et al., Curr Opin Crit Care 2012: volume over resting volume",
        load.total_strain,
        comment="Volume at the end of T high over the resting volume at atmospheric pressure: "
        "what P low holds and what is trapped count alike, as static strain.",
    ),
    Outcome(
        "mechanical_power",
        r"\mathrm{MP}",
        "mechanical power",
        "J min-1",
        "area of the inflation limb from atmospheric pressure x release rate",
        load.mechanical_power,
        comment="The part below P low is counted, as PEEP is in limits.",
    ),
    Outcome(
        "mechanical_power_above_p_low",
        r"\mathrm{MP}_\mathrm{loop}",
        "mechanical power above P low",
        "J min-1",
        "area of the pressure-volume loop x release rate",
        load.mechanical_power_above_p_low,
    ),
    Outcome(
        "elastic_power",
        r"\mathrm{MP}_\mathrm{el}",
        "elastic part of the mechanical power",
        "J min-1",
        "area under the recoil of a linear lung x release rate",
        load.elastic_power,
    ),
    Outcome(
        "resistive_power",
        r"\mathrm{MP}_\mathrm{res}",
        "resistive part of the mechanical power",
        "J min-1",
        "mechanical power less its elastic part",
        load.resistive_power,
    ),
    Outcome(
        "mechanical_power_simplified",
        r"\mathrm{MP}_\mathrm{simple}",
        "mechanical power, published simplified form",
        "J min-1",
        "Becher et al., Intensive Care Med 2019;45:1321 (from memory)",
        load.mechanical_power_simplified,
    ),
    Outcome(
        "mechanical_power_filling",
        r"\mathrm{MP}_\mathrm{fill}",
        "mechanical power, published form with the filled fraction",
        "J min-1",
        "van der Meijden et al., 2019 (from memory)",
        load.mechanical_power_filling,
    ),
    Outcome(
        "trapped_volume_fast",
        r"V_\mathrm{trap,fast}",
        "trapped volume in the fast compartment",
        "mL",
        TWO_COMPARTMENTS,
        comment="Gas above the volume at P low when the release ends.",
    ),
    Outcome(
        "trapped_volume_slow",
        r"V_\mathrm{trap,slow}",
        "trapped volume in the slow compartment",
        "mL",
        TWO_COMPARTMENTS,
        comment="Gas above the volume at P low when the release ends.",
    ),
    Outcome(
        "auto_peep_fast",
        r"\mathrm{PEEP_{auto,fast}}",
        "auto-PEEP of the fast compartment",
        "cmH2O",
        TWO_COMPARTMENTS,
        comment="The compartment's own pressure above P low when the release ends.",
    ),
    Outcome(
        "auto_peep_slow",
        r"\mathrm{PEEP_{auto,slow}}",
        "auto-PEEP of the slow compartment",
        "cmH2O",
        TWO_COMPARTMENTS,
        comment="The compartment's own pressure above P low when the release ends.",
    ),
    Outcome(
        "pendelluft_volume",
        r"V_\mathrm{pend}",
        "pendelluft volume",
        "mL",
        TWO_COMPARTMENTS,
        comment="Gas per cycle that one compartment takes in while the airway opening lets gas "
        "out, or gives off while it lets gas in: it moves between the compartments.",
    ),
    Outcome(
        "slow_exhaled_fraction",
        r"f_\mathrm{ex,slow}",
        "exhaled fraction of the slow compartment",
        "1",
        TWO_COMPARTMENTS,
        comment="Gas the slow compartment lets out over what it would in an endless release.",
    ),
    Outcome(
        "open_fraction_end_high",
        r"x_\mathrm{high}",
        "open fraction at end of T high",
        "1",
        _RECRUITMENT,
        comment="Share of all lung units that are open.",
    ),
    Outcome(
        "open_fraction_end_release",
        r"x_\mathrm{rel}",
        "open fraction at end of release",
        "1",
        _RECRUITMENT,
        comment="Share of all lung units that are open.",
    ),
    Outcome(
        "closed_per_release",
        r"\Delta x",
        "fraction of the lung that closes in one release",
        "1",
        _RECRUITMENT,
        comment="Open fraction at end of T high less that at end of release.",
    ),
    Outcome(
        "closed_start_gap",
        r"\Delta x_\mathrm{shut}",
        "open fraction less in the settled cycle of a lung that began closed",
        "1",
        _RECRUITMENT,
        comment="At the end of a release, of the passive lung. Hysteresis may allow two settled "
        "cycles: the one taken is that of a lung which P high has opened, the other that of a "
        "lung which began with all its units closed. What a higher pressure than P high would "
        "hold open is not looked for.",
    ),
    Outcome(
        "other_settled_cycle",
        r"n_\mathrm{other}",
        "another settled cycle exists",
        "1",
        _RECRUITMENT,
        other_settled_cycle,
        comment="1: a lung which began closed settles elsewhere, more than 0.002 of the lung away "
        "from the cycle taken, that of a lung which P high has opened. 0: none was found.",
    ),
    Outcome(
        "cycles_to_settle",
        r"n_\mathrm{settle}",
        "cycles to settle",
        "1",
        "definition: ln 100 over the logarithmic decrement of the cycle map (derived)",
        comment="Cycles until a disturbance of the trapped gas has faded to one hundredth; may be "
        "a fraction. Of the passive lung, open fraction held.",
    ),
    Outcome(
        "effort_share",
        r"f_\mathrm{spont}",
        "share of ventilation outside the releases",
        "1",
        "definition: expired gas less the net fall of volume in releases, over expired gas",
        comment="Zero in a passive patient with an immediate valve. With effort every outcome is "
        "a mean over its phase; shares are of all gas of these cycles.",
    ),
    Outcome(
        "transpulmonary_pressure_swing",
        r"\Delta P_\mathrm{L}",
        "swing of the transpulmonary pressure",
        "cmH2O",
        "definition: highest less lowest transpulmonary pressure of a cycle",
        comment="With effort it exceeds what the settings alone would give.",
    ),
    Outcome(
        "flow_limited_share",
        r"f_\mathrm{lim}",
        "share of the released gas that leaves at limited flow",
        "1",
        "definition; limit: Mead et al., J Appl Physiol 1967;22:95 (from memory)",
        comment="Gas that leaves while a lower pressure downstream would let out no more.",
    ),
    *(Outcome(**fields) for fields in conventional.OUTCOMES),
)

OUTCOMES: Mapping[str, Outcome] = MappingProxyType({o.name: o for o in _ALL})


def outcome(name: str) -> Outcome:
    """Return the registry entry of a name.

    Raises
    ------
    EbbmapError
        If no outcome has this name; the message gives the nearest one.

    Examples
    --------
    >>> outcome("auto_peep").units
    'cmH2O'
    """
    if name not in OUTCOMES:
        raise EbbmapError(unknown_name("outcome", name, OUTCOMES))
    return OUTCOMES[name]


@dataclass(frozen=True)
class Plan:
    """What to compute, in order, to get the outcomes that were asked for.

    Parameters
    ----------
    outcomes : tuple of str
        The outcomes that were asked for.
    steps : tuple of (name, function, argument names)
        Every function to call after the lung is solved, each after all that it needs.
    parameters : tuple of str
        Every parameter that the lung or a step takes.
    """

    outcomes: tuple[str, ...]
    steps: tuple[tuple[str, Callable, tuple[str, ...]], ...]
    parameters: tuple[str, ...]


def outcomes_of(lung: Lung) -> tuple[str, ...]:
    """Return the names of all outcomes that a lung model can give, in registry order."""
    return tuple(name for name in OUTCOMES if _reachable(lung, name))


def plan(lung: Lung, names: Iterable[str] | None = None) -> Plan:
    """Order the functions that yield the named outcomes of a lung.

    Parameters
    ----------
    lung : Lung
        The model that solves the cycle.
    names : iterable of str, optional
        Outcomes; all that the lung can give if None.

    Raises
    ------
    EbbmapError
        If a name is unknown, or this lung cannot give it.
    """
    wanted = outcomes_of(lung) if names is None else tuple(dict.fromkeys(names))
    steps: dict[str, tuple[Callable, tuple[str, ...]]] = {}
    parameters = dict.fromkeys(lung.parameters)

    def visit(name: str) -> None:
        if name in PARAMETERS:
            parameters[name] = None
        elif name not in lung.solves and name not in steps:
            outcome(name)
            function = _function(lung, name)
            if function is None:
                raise EbbmapError(
                    f"{name} is not an outcome of the lung {lung.name!r}. "
                    f"It has: {', '.join(outcomes_of(lung))}."
                )
            needs = inputs_of(function)
            for need in needs:
                visit(need)
            steps[name] = (function, needs)

    for name in wanted:
        outcome(name)
        visit(name)
    return Plan(wanted, tuple((n, f, needs) for n, (f, needs) in steps.items()), tuple(parameters))


def _reachable(lung: Lung, name: str) -> bool:
    if name in PARAMETERS or name in lung.solves:
        return True
    function = _function(lung, name)
    return function is not None and all(_reachable(lung, need) for need in inputs_of(function))


def _function(lung: Lung, name: str) -> Callable | None:
    """Return the function of an outcome in a lung: its own, or the registry's."""
    return lung.functions.get(name, OUTCOMES[name].compute)
