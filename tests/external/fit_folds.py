"""Find what must change in a population for a lung that lacks a tube or a slow part.

Lungs of the whole population are measured; of the lesser lung the compliance and resistances are
sought, lung by lung, that give the same readings. What their middle, spread and correlations differ
by is the fold. `fit_populations.py` calls this and keeps the result.
"""

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from ebbmap.cases.calibration import LEFT, LUNG, breath_for, even_lungs
from ebbmap.cases.measurement import measure

#: Which reading answers to which property.
ANSWERS = {
    "compliance": "static_compliance",
    "resistance_insp": "resistance_insp",
    "resistance_exp": "time_constant_exp",
}

#: What each lesser lung takes beside them.
KEPT = {
    "linear": (),
    "tube": ("resistance_quadratic",),
    "paired": ("slow_volume_share", "time_constant_slow"),
}

#: Steps of the secant method for the expiratory resistance, and how near the time constant comes;
#: a lung that comes no nearer is left out: its tube alone may resist more than is wanted.
STEPS, NEAR = 6, 1e-3

#: Slopes of the logarithm of a time constant on that of a resistance.
SLOPES = (0.2, 1.5)


def equal_lungs(
    kind: str, lungs: Mapping[str, np.ndarray], breath: Mapping[str, float]
) -> dict[str, np.ndarray]:
    """Return compliance and resistances with which a lesser lung reads as whole lungs do.

    Parameters
    ----------
    kind : str
        Of `KEPT`.
    lungs : mapping of str to ndarray, shape (n,)
        Of the lung `whole`.
    breath : mapping of str to float
        As `readings` takes it.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        NaN where there is none.

    Notes
    -----
    Compliance and inspiratory resistance have a closed form: without a slow part they are what is
    read, less what a tube resists at the flow of the breath; with it, what a tube resists at that
    flow is added to the resistance. The expiratory resistance is sought.
    """
    how = breath_for(lungs, breath)
    whole = {name: lungs[name] for name in LUNG if name in lungs}
    wanted = measure("whole", whole, how, left=LEFT)
    kept = {name: lungs[name] for name in KEPT[kind]}
    turbulent = lungs["resistance_quadratic"] * breath["flow"]
    if kind == "paired":
        found = {
            "compliance": lungs["compliance"],
            "resistance_insp": lungs["resistance_insp"] + turbulent,
        }
    else:
        found = {
            "compliance": wanted["static_compliance"],
            "resistance_insp": wanted["resistance_insp"] - (turbulent if kind == "tube" else 0.0),
        }
    usable = np.isfinite(wanted["time_constant_exp"]) & (found["resistance_insp"] > 0.0)
    given = {name: np.where(usable, value, 10.0) for name, value in found.items()} | kept
    target = np.log(np.where(usable, wanted["time_constant_exp"], 1.0))

    def off(place: np.ndarray) -> np.ndarray:
        read = measure(kind, given | {"resistance_exp": np.exp(place)}, how, left=LEFT)
        return np.log(read["time_constant_exp"]) - target

    place = np.log(lungs["resistance_exp"] + 0.5 * (kind != "tube") * turbulent)
    miss, slope = off(place), np.ones_like(place)
    for _ in range(STEPS):
        step = -np.nan_to_num(miss) / slope
        then = off(place + step)
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.clip(np.nan_to_num((then - miss) / step, nan=1.0), *SLOPES)
        place, miss = place + step, then
    near = usable & (np.abs(miss) < NEAR)
    return {
        name: np.where(near, value, np.nan)
        for name, value in (found | {"resistance_exp": np.exp(place)}).items()
    }


def fold(kind: str, group, breath: Mapping[str, float], *, n: int, seed: int) -> dict:
    """Return the changes for one lesser lung, as the file of a phenotype holds them."""
    lungs = even_lungs(group, n, seed=seed)
    lesser = lungs | equal_lungs(kind, lungs, breath)
    usable = np.all([np.isfinite(lesser[name]) for name in ANSWERS], axis=0)
    before, after = ({k: v[usable] for k, v in one.items()} for one in (lungs, lesser))
    centres, spreads = {}, {}
    for name in ANSWERS:
        quartiles = [np.quantile(np.log(one[name]), [0.25, 0.5, 0.75]) for one in (before, after)]
        widths = [high - low for low, _, high in quartiles]
        centres[name] = quartiles[1][1] - quartiles[0][1]
        spreads[name] = np.log(widths[1] / widths[0])
    pairs = {}
    for one, other in combinations(group.properties, 2):
        if one in ANSWERS or other in ANSWERS:
            was, now = (
                np.arctanh(np.corrcoef(np.log(x[one]), np.log(x[other]))[0, 1])
                for x in (before, after)
            )
            # 1,024 lungs: less is noise
            if abs(now - was) > 0.1:
                pairs[f"{one}, {other}"] = now - was
    return {
        "centres": centres,
        "spreads": spreads,
        "correlations": pairs,
        "left_out": int(n - usable.sum()),
    }
