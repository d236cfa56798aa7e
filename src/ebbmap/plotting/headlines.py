"""What a picture shows, in one sentence: the finding, not the method."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
import xarray as xr

from ebbmap.analyses.registry import ANALYSES
from ebbmap.digits import share_text
from ebbmap.plotting.style import words
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: Template, and what stands in its braces.
Sentence = tuple[str, dict[str, str]]


def headline(kind: str, result: xr.Dataset) -> str:
    """Return the finding of a result that a slide shows.

    Parameters
    ----------
    kind : str
        Name of the analysis.
    result : xarray.Dataset
        One population and rule, where the slide shows one.
    """
    make = _HEADLINES.get(kind)
    template, values = make(result) if make is not None else ("", {})
    if not template:
        template, values = "{lung}: {what}", {"lung": _lung(result), "what": _long_name(kind)}
    text = template.format(**values)
    return f"{text[:1].upper()}{text[1:]}"


def _long_name(kind: str) -> str:
    return ANALYSES[kind].long_name


def _lung(result: xr.Dataset) -> str:
    if "population" in result.dims:
        return "all lungs"
    name = str(result["population"].values) if "population" in result.variables else "all"
    return "the lung" if name == "all" else f"{words(name)} lung"


def _said(name: str, value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return f"{text} {display(PARAMETERS[name].units)}".rstrip()


def _compare(result: xr.Dataset) -> Sentence:
    one = result.isel(case=0) if "case" in result.dims else result
    if "trapped_volume" not in one:
        return "", {}
    return "{lung}: after {t_low} it still holds {volume} L of gas", {
        "lung": _lung(result),
        "t_low": _said("t_low", float(one["t_low"]), 2),
        "volume": f"{float(one['trapped_volume']) / 1000.0:.2f}",
    }


def _window(result: xr.Dataset) -> Sentence:
    if result.attrs.get("along"):
        return "", {}
    served = result["served_share"]
    best = []
    for name in served["population"].values.astype(str):
        own = served.sel(population=name)
        top = int(np.nanargmax(own.values))
        share = share_text(float(own[top]))
        best.append((float(own[top]), name, share, float(own["t_low"][top])))
    _, name, share, t_low = min(best)
    return "no single T low serves more than {share} of {lungs} lungs (best {t_low})", {
        "share": share,
        "lungs": words(name),
        "t_low": _said("t_low", t_low, 2),
    }


def _map(result: xr.Dataset) -> Sentence:
    share = result["safe_share"]
    if not np.isfinite(share).any():
        return "", {}
    place = share.where(share == share.max(), drop=True).isel(dict.fromkeys(share.dims, 0))
    at = " and ".join(
        f"{words(str(dim))} {_said(str(dim), float(place[dim]), 2)}" for dim in reversed(share.dims)
    )
    return "at best {share} of {lungs} lungs are safe, at {place}", {
        "share": share_text(float(share.max())),
        "lungs": words(str(result["population"].values)),
        "place": at,
    }


def _wean(result: xr.Dataset) -> Sentence:
    stops = [int(step) for step in result["first_unsafe"].values]
    leaves = str(result["leaves"].values[0])
    if stops[0] < 0:
        return "{lung}: the usual way breaks no limit on harm in this one lung", {
            "lung": _lung(result)
        }
    return "{lung}: the usual way stops at step {step}, for {limit}", {
        "lung": _lung(result),
        "step": str(stops[0]),
        "limit": leaves,
    }


def _drivers(result: xr.Dataset) -> Sentence:
    outcome = str(np.atleast_1d(result["outcome"].values)[0])
    one = result.sel(outcome=outcome) if "outcome" in result.dims else result
    index = "total" if "total" in one else "first"
    means = one[index].mean([dim for dim in one[index].dims if dim != "parameter"])
    if not np.isfinite(means).any():
        return "", {}
    return "{property} decides most about {outcome} in {lungs} lungs", {
        "property": words(str(means["parameter"].values[int(np.nanargmax(means.values))])),
        "outcome": words(outcome),
        "lungs": words(str(result["population"].values)),
    }


def _course(result: xr.Dataset) -> Sentence:
    return "after a change of the settings CO₂ takes minutes to settle", {}


def _startup(result: xr.Dataset) -> Sentence:
    return "gas is trapped within the first few releases", {}


def _profile(result: xr.Dataset) -> Sentence:
    along = next(str(d) for d in result.dims if d in PARAMETERS)
    return "what {setting} does", {"setting": words(along)}


def _adjust(result: xr.Dataset) -> Sentence:
    if "best_single" not in result:
        return "", {}
    step = str(np.ravel(result["best_single"].values)[0])
    if step.startswith("none"):
        return "{lung}: no one step clears CO₂ and keeps the limits", {"lung": _lung(result)}
    return "{lung}: of all single steps {step} clears most CO₂", {
        "lung": _lung(result),
        "step": step,
    }


def _limits(result: xr.Dataset) -> Sentence:
    gained = result["gained_share"]
    lungs = words(str(result["population"].values))
    top = gained.isel(bound=int(np.nanargmax(gained.values)))
    if not float(top) > 0.0:
        return "no limit alone keeps {lungs} lungs from being safe", {"lungs": lungs}
    return "{limit} alone keeps {share} of {lungs} lungs from being safe", {
        "limit": words(str(top["bound"].values)),
        "share": share_text(float(top)),
        "lungs": lungs,
    }


def _boxes(result: xr.Dataset) -> Sentence:
    first = result.isel(event=0) if "event" in result.dims else result
    if not np.isfinite(first["share"]).any():
        return "", {}
    most = first.isel(population=int(np.nanargmax(first["share"].values)))
    box = str(most["sentence"].values).partition(" covers ")[0]
    lungs, share = words(str(most["population"].values)), share_text(float(most["share"]))
    if box == str(most["sentence"].values):
        return "no box of properties holds the {share} of {lungs} cases that are unsafe", {
            "share": share,
            "lungs": lungs,
        }
    return "of {lungs} cases {share} are unsafe: most have {box}", {
        "lungs": lungs,
        "share": share,
        "box": box,
    }


_HEADLINES: Mapping[str, Callable[[xr.Dataset], Sentence]] = MappingProxyType(
    {
        "adjust": _adjust,
        "boxes": _boxes,
        "compare": _compare,
        "course": _course,
        "given": _drivers,
        "limits": _limits,
        "map": _map,
        "profile": _profile,
        "sobol": _drivers,
        "startup": _startup,
        "wean": _wean,
        "window": _window,
    }
)

#: Every template, for translators; a test compares it with the catalogues.
TEMPLATES = (
    "{lung}: {what}",
    "{lung}: after {t_low} it still holds {volume} L of gas",
    "no single T low serves more than {share} of {lungs} lungs (best {t_low})",
    "at best {share} of {lungs} lungs are safe, at {place}",
    "{lung}: the usual way breaks no limit on harm in this one lung",
    "{lung}: the usual way stops at step {step}, for {limit}",
    "{property} decides most about {outcome} in {lungs} lungs",
    "after a change of the settings CO₂ takes minutes to settle",
    "gas is trapped within the first few releases",
    "what {setting} does",
    "{lung}: no one step clears CO₂ and keeps the limits",
    "{lung}: of all single steps {step} clears most CO₂",
    "no limit alone keeps {lungs} lungs from being safe",
    "{limit} alone keeps {share} of {lungs} lungs from being safe",
    "no box of properties holds the {share} of {lungs} cases that are unsafe",
    "of {lungs} cases {share} are unsafe: most have {box}",
)
