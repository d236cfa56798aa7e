"""Entries of one's own, one of each kind: an outcome, a limit set, a lung and a population.

All numbers are invented for this example. Research and teaching only, not for setting a
ventilator: local protocols and licensed clinicians decide.
"""

import numpy as np

import ebbmap
from ebbmap.lungs import lung_model

INVENTED = "invented for this example"

#: P high from which the lung stiffens [cmH2O], and by how much [share per cmH2O].
STIFFENS_FROM, STIFFENS_BY = 20.0, 0.02

LINEAR = lung_model("linear")


@ebbmap.outcome(units="1", source=INVENTED)
def clearing_share(gas_beyond_dead_space, release_volume):
    """Share of the released gas that comes from beyond the dead space."""
    return gas_beyond_dead_space / release_volume


CLEARING = ebbmap.LimitSet(
    "clearing",
    "share of the released gas that clears CO2",
    (
        ebbmap.Limit("clearing_share", low=0.4, why=INVENTED),
        ebbmap.Limit("clearing_share", low=0.5, severity="caution", why=INVENTED),
    ),
)


def stiffened(p_high, compliance):
    """Return the compliance [mL cmH2O-1] of a lung that P high stretches, shape (n,)."""
    return compliance / (1.0 + STIFFENS_BY * np.maximum(p_high - STIFFENS_FROM, 0.0))


def settle(*, p_high, compliance, **others):
    """Return the state of the settled cycle."""
    return LINEAR.settle(p_high=p_high, compliance=stiffened(p_high, compliance), **others)


def rest(start_pressure, *, p_high, compliance, **others):
    """Return the lung at rest at a pressure [cmH2O]."""
    stiff = stiffened(p_high, compliance)
    return LINEAR.rest(start_pressure, p_high=p_high, compliance=stiff, **others)


def cycle(state, *, p_high, compliance, **others):
    """Return the outcomes of one cycle, and the state after it."""
    return LINEAR.cycle(state, p_high=p_high, compliance=stiffened(p_high, compliance), **others)


def waveform(state, times, *, p_high, compliance, **others):
    """Return the signals of one cycle, shape (n, t)."""
    stiff = stiffened(p_high, compliance)
    return LINEAR.waveform(state, times, p_high=p_high, compliance=stiff, **others)


@ebbmap.lung(
    source=INVENTED,
    long_name="one compartment that P high stiffens",
    signals=LINEAR.signals,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
)
def stiffening(p_high, p_low, t_high, t_low, compliance, resistance_insp, resistance_exp):
    """Solve the settled cycle."""
    return LINEAR.solve(
        p_high=p_high,
        p_low=p_low,
        t_high=t_high,
        t_low=t_low,
        compliance=stiffened(p_high, compliance),
        resistance_insp=resistance_insp,
        resistance_exp=resistance_exp,
    )


SMALL_ADULTS = ebbmap.Population(
    "small_adults",
    "small adults with stiff lungs",
    "Invented lungs. Not a description of patients.",
    {
        "compliance": ebbmap.Marginal("lognormal", 30.0, 0.3, INVENTED),
        "resistance_insp": ebbmap.Marginal("lognormal", 12.0, 0.3, INVENTED),
        "resistance_exp": ebbmap.Marginal("lognormal", 15.0, 0.3, INVENTED),
        "predicted_body_weight": ebbmap.Marginal(
            "normal", 50.0, 5.0, INVENTED, low=40.0, high=60.0
        ),
    },
    {("resistance_insp", "resistance_exp"): 0.9, ("compliance", "predicted_body_weight"): 0.4},
)
