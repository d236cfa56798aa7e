"""A lung from a trace, with what the trace leaves open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables, provenance
from ebbmap.errors import EbbmapError
from ebbmap.lungs import DEFAULT_LUNG, lung_model
from ebbmap.registries.copula import Population
from ebbmap.registries.folding import folded
from ebbmap.registries.parameters import PARAMETERS, parameter
from ebbmap.registries.populations import population
from ebbmap.registry import Active, activate
from ebbmap.traces.best import Best, find_best, supposing
from ebbmap.traces.compare import Explained, better_lung, compare_lungs, doubtful_lungs, explain
from ebbmap.traces.cycles import Cycles, find_cycles
from ebbmap.traces.disturbances import SUPPOSITIONS, sizes_of
from ebbmap.traces.doubts import Structure, identifiable, structure_of
from ebbmap.traces.models import RIVALS, TOLD, UNSEEN, fitted_of, scale_of
from ebbmap.traces.posterior import Draws, draw_posterior
from ebbmap.traces.profiles import LEVEL, Profiles, profiles
from ebbmap.traces.trace import Trace, read_trace

#: Name of a prior that says nothing within its range.
FLAT = "flat"

#: Large disturbances are taken up where they make the trace so much likelier (in logarithms).
LIKELIER = 2.0

VARIABLES: Mapping[str, Variable] = {
    "estimate": Variable("median of the posterior, in the property's unit", None),
    "lower": Variable("lower end of the 90 % interval", None),
    "upper": Variable("upper end of the 90 % interval", None),
    "identifiable": Variable("whether the trace determines the property"),
    "correlation": Variable("correlation of two properties in the posterior"),
    "draws": Variable("properties of lungs drawn from the posterior", None),
    "profile_value": Variable("value at which a property was held", None),
    "profile_worse": Variable("rise of -2 log likelihood there"),
    "flow": Variable("measured flow", "L s-1"),
    "fitted_flow": Variable("flow of the best lung with its disturbances", "L s-1"),
    "residual": Variable("measured less fitted flow", "L s-1"),
    "disturbance_estimate": Variable("disturbance of the measurement", None),
    "disturbance_error": Variable("its standard error", None),
    "supposition_share": Variable("how likely it is that this is large beside the lung"),
    "supposed": Variable("disturbance of the measurement where this is large", None),
    "evidence": Variable("log likelihood of each kind of lung, less that of the first"),
    "compliance": Variable("static compliance of the best lung of each kind", "mL cmH2O-1"),
    "likeliest": Variable("number of the likeliest supposition"),
    "held_out": Variable("root mean square of flow in samples left out of the fit", "L s-1"),
}


class Fitted(NamedTuple):
    """All parts of a fit."""

    best: Best
    draws: Draws
    profiles: Profiles
    structure: Structure
    own: Explained
    compared: Mapping[str, Explained]


def find_fit(
    trace: Any,
    *,
    lung: str = DEFAULT_LUNG,
    prior: str | Population = FLAT,
    properties: Sequence[str] | None = None,
    held: Mapping[str, float] | None = None,
    start: str | float | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    compare: bool = True,
    seed: int = 0,
    catalogue: Active | None = None,
) -> xr.Dataset:
    """Fit a lung to a trace of flow and airway pressure. Research and teaching only.

    Parameters
    ----------
    trace : path, DataFrame, mapping or Trace
        As `read_trace` takes it, with `columns` and `units`.
    lung : str
        Name of a lung model.
    prior : str or Population
        "flat", or a population: what is known of the lung before the trace. Properties that the
        population lacks are flat.
    properties : sequence of str, optional
        Properties that are sought; those that flow depends on if None.
    held : mapping of str to float, optional
        Values of other parameters of the lung; defaults if None.
    start : {"settled", "rest"} or float, optional
        As `find_cycles` takes it; told from the trace if None.
    compare : bool
        Whether other lung models are fitted too, to say which explains the trace better.
    seed : int
        Of every draw.
    catalogue : Catalogue, optional
        As in `simulate`.

    Returns
    -------
    xarray.Dataset
        By `property`: `estimate`, `lower`, `upper` (90 %), `identifiable`, `correlation`,
        `draws`, profiles; by `time`: flow, fitted flow and residual; disturbances, and
        how likely each `supposition` of large ones is; by `lung`: how
        likely the trace is of each, its compliance, and how well it explains what a fit has not
        seen. The attribute `better_lung` names one that explains the trace better, and is empty
        where none does; `doubtful` names those that the trace cannot tell from the lung.

    Raises
    ------
    EbbmapError
        If the trace cannot be read or is not plausible, or a name is unknown.
    """
    with activate(catalogue):
        model = lung_model(lung)
        read = (
            trace if isinstance(trace, Trace) else read_trace(trace, columns=columns, units=units)
        )
        cycles = find_cycles(read, start=start)
        group = _prior(prior, lung)
        fixed = {parameter(name).name: float(value) for name, value in (held or {}).items()}
        names = fitted_of(model, properties, group)
        if lung in TOLD and fixed:
            raise EbbmapError(f"nothing of the lung {lung} can be held: it is fitted together.")
        if twice := set(fixed) & set(names):
            names = tuple(name for name in names if name not in twice)
        if not names:
            raise EbbmapError("at least one property must be fitted; all are held. Hold fewer.")
        begun = find_best(model, scale_of(names, group, lung), cycles, fixed, wide=SUPPOSITIONS[-1])
        own = explain(begun.misfit, begun.place[None])
        best = _likelier(begun, own)
        draws = draw_posterior(best, seed=seed)
        parts = Fitted(
            best,
            draws,
            profiles(best, draws.places),
            structure_of(best, best.misfit.sample_residuals(best.place)),
            own,
            _compared(begun, cycles) if compare else {lung: own},
        )
        return _dataset(parts, lung, prior)


def _prior(prior: str | Population, lung: str) -> Population | None:
    """Return the prior as a population of this lung; None where it is flat."""
    if isinstance(prior, str):
        if prior == FLAT:
            return None
        prior = population(prior)
    return folded(prior, lung_model(lung))


def _likelier(begun: Best, found: Explained) -> Best:
    """Return the fit under the likeliest supposition of what is large beside the lung.

    Nothing is, unless the trace is much likelier with some.
    """
    number = found.likeliest
    if found.weights[number] < found.weights[0] + LIKELIER:
        number = 0
    return supposing(begun, SUPPOSITIONS[number], found.places[number])


def _compared(begun: Best, cycles: Cycles) -> dict[str, Explained]:
    """Return how the lung asked for and its rivals explain the trace."""
    richest = lung_model(RIVALS[-1])
    if begun.misfit.lung.name == richest.name:
        return compare_lungs(begun, begun)
    scale = scale_of(fitted_of(richest, None, None), None, richest.name)
    return compare_lungs(find_best(richest, scale, cycles, {}, wide=SUPPOSITIONS[-1]), begun)


def _dataset(parts: Fitted, lung: str, prior: str | Population) -> xr.Dataset:
    """Return a fit with labels."""
    best, misfit = parts.best, parts.best.misfit
    names = list(misfit.scale.properties)
    # what a flat prior reaches beyond the registry's range, as a slow part of no size, ends there
    limits = [(PARAMETERS[name].low, PARAMETERS[name].high) for name in names]
    table = np.clip(misfit.scale.table(parts.draws.places), *np.array(limits).T)
    tails = 0.5 * (1.0 - LEVEL)
    lower, middle, upper = np.quantile(table, [tails, 0.5, 1.0 - tails], axis=0)
    sure = identifiable(best, parts.profiles, np.stack([lower, upper]))
    residual = misfit.sample_residuals(best.place)
    flow = misfit.cycles.flow[misfit.used]
    sizes = sizes_of(misfit, best.names)
    wide = sizes_of(parts.own.misfit, best.names)
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = np.atleast_2d(np.corrcoef(table, rowvar=False))
    lungs = sorted(parts.compared, key=lambda one: one != lung)
    compared = [parts.compared[one] for one in lungs]
    dataset = xr.Dataset(
        {
            "estimate": ("property", middle),
            "lower": ("property", lower),
            "upper": ("property", upper),
            "identifiable": ("property", sure.astype(np.int8)),
            "correlation": (("property", "property_other"), correlation),
            "draws": (("draw", "property"), table),
            "profile_value": (("property", "place"), parts.profiles.values),
            "profile_worse": (("property", "place"), parts.profiles.worse),
            "flow": ("time", flow),
            "fitted_flow": ("time", flow - residual),
            "residual": ("time", residual),
            "disturbance_estimate": ("disturbance", best.found * sizes),
            "disturbance_error": ("disturbance", best.errors * sizes),
            "supposition_share": ("supposition", parts.own.shares),
            "supposed": (("supposition", "disturbance"), parts.own.beside() * wide),
            "held_out": ("lung", [np.sqrt(one.held_out() / flow.size) for one in compared]),
            "evidence": ("lung", [one.evidence - compared[0].evidence for one in compared]),
            "compliance": (("lung", "supposition"), [one.compliances for one in compared]),
            "likeliest": ("lung", np.array([one.likeliest for one in compared], dtype=np.int8)),
        },
        {
            "property": names,
            "property_other": names,
            "time": ("time", misfit.cycles.time[misfit.used], {"units": "s", "long_name": "time"}),
            "disturbance": list(best.names),
            "supposition": [" and ".join(one) or "nothing" for one in SUPPOSITIONS],
            "lung": lungs,
        },
        _attributes(parts, lung, prior),
    )
    return label_variables(dataset, VARIABLES)


def _attributes(parts: Fitted, lung: str, prior: str | Population) -> dict[str, Any]:
    """Return what a fit says of itself."""
    best, compared = parts.best, parts.compared
    doubtful = doubtful_lungs(lung, compared)
    cycles = best.misfit.cycles
    unseen = [n for n in best.misfit.lung.parameters if n in UNSEEN]
    held = {
        name: best.misfit.held.get(name, PARAMETERS[name].default)
        for name in best.misfit.lung.parameters
        if name not in {*best.misfit.scale.names, *best.misfit.scale.properties}
        and PARAMETERS[name].kind == "lung property"
    }
    return {
        **provenance("a lung fitted to a trace", lung=lung, lungs_from="One lung, as measured."),
        "better_lung": better_lung(lung, compared) or "",
        "doubtful": " ".join(doubtful),
        "doubtful_supposing": " ".join(map(str, doubtful.values())),
        "prior": prior if isinstance(prior, str) else prior.name,
        "posterior": parts.draws.method,
        "effective_draws": parts.draws.effective,
        "noise": best.noise,
        "residual_memory": parts.structure.memory,
        "structure": parts.structure.words,
        "effort_suspected": int(parts.structure.effort),
        "large_disturbances": int(bool(best.misfit.wide)),
        "cycles": cycles.count,
        "interval": cycles.interval,
        "settled": int(cycles.settled),
        "notes": "; ".join(cycles.notes),
        "unseen": " ".join(unseen),
        "held": ", ".join(f"{name} {value:g}" for name, value in held.items()),
        **{f"set_{name}": value for name, value in cycles.settings().items()},
    }
