"""Entries of one's own: an outcome, a limit set, a lung, a population and an analysis.

All numbers are invented for this example. Research and teaching only, not for setting a
ventilator: local protocols and licensed clinicians decide.
"""

import numpy as np
from pydantic import Field

import ebbmap
from ebbmap.analyses.options import NO_AXES, Options, axis_of
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import join_groups
from ebbmap.cases.question import draw_cases
from ebbmap.cases.uses import Use, add_provenance
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


class Enough(Options):
    """What the analysis can be asked."""

    least: float = Field(0.45, ge=0, le=1, description="clearing share that is enough")


VARIABLES = {"enough_share": Variable("share of lungs that clear enough gas")}


@ebbmap.analysis(
    options=Enough,
    variables=VARIABLES,
    lays_out=lambda asked: ["t_low"],
    draws=lambda asked: True,
    computes=lambda options: ("clearing_share",),
)
def find_enough(question, options, *, axes=NO_AXES, progress=None):
    """Share of lungs whose releases clear enough gas, along T low."""
    grid = axis_of(axes, "t_low")
    counted = []
    for group in question.groups():
        lungs = draw_cases(question, group, {"t_low": grid})
        cases = ebbmap.simulate(
            question.lung, outcomes=["clearing_share"], progress=progress, **lungs
        )
        enough = (cases["clearing_share"] >= options.least).mean("sample")
        counted.append(enough.rename("enough_share").to_dataset())
    result = join_groups(counted, question.group_names)
    label_variables(result, VARIABLES, axes=["t_low"])
    use = Use(("t_low",), outcomes=("clearing_share",))
    return add_provenance(result, question, "lungs that clear enough gas", use)
