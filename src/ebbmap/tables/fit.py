"""The table and the plain data of a lung fitted to a trace."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.model import HUNDREDTHS, PRECISE, Column, Table, table
from ebbmap.tables.plain import document
from ebbmap.traces.doubts import COVERED, ENOUGH
from ebbmap.units import display

#: Units of what disturbs a measurement; of a switch they are seconds.
UNITS = {
    "offset": "L s-1",
    "drift": "L s-1",
    "leak": "L s-1 cmH2O-1",
    "p_high": "cmH2O",
    "p_low": "cmH2O",
    "start_pressure": "cmH2O",
}

#: Disturbances that are told.
TOLD = ("offset", "drift", "leak")

#: Least share of a supposition that is told, and the one that nothing is large beside the lung.
LIKELY, NOTHING = 0.1, "nothing"

#: Suppositions in a sentence.
BESIDE = {
    "offset": "an offset",
    "leak": "a leak",
    "offset and leak": "an offset and a leak",
    NOTHING: NOTHING,
}


def fit_table(fit: xr.Dataset) -> Table:
    """Return the properties of a fitted lung, each with its interval and what the trace tells."""
    rows: list[tuple[Any, ...]] = []
    for name in map(str, fit["property"].values):
        one = fit.sel(property=name)
        ends = tuple(float(one[end]) for end in ("estimate", "lower", "upper"))
        told = "told by the trace" if int(one["identifiable"]) else "not told by the trace"
        rows.append((name, ends, display(PARAMETERS[name].units), told))
    title = f"lung {fit.attrs['lung']} fitted to {fit.attrs['cycles']} cycles, 90 % intervals"
    columns = (
        Column("property"),
        Column("estimate", form=PRECISE),
        Column("unit"),
        Column("identifiable"),
    )
    return Table(title, columns, tuple(rows), notes=tuple(fit_sentences(fit)))


def follow_tables(follow: xr.Dataset) -> list[Table]:
    """Return what is probably safe for a fitted lung, and what to measure next."""
    limits = f"Limits: {follow.attrs['limits']}. Held: {follow.attrs['held']}."
    inside = [
        (float(t_low), float(share))
        for t_low, share in zip(follow["t_low"].values, follow["inside"].values, strict=True)
        if 0.0 < share
    ]
    moves = zip(follow["move"].values, follow["safe_after"].values, strict=True)
    measurements = zip(
        follow["measurement"].values,
        follow["mean_reduction"].values,
        follow["reduction"].values,
        strict=True,
    )
    names = [str(name) for name in follow["property"].values]
    return [
        table(
            f"T low inside all limits, {follow.attrs['lungs']} draws of this lung",
            [Column("T low", HUNDREDTHS, "s"), Column("probability", HUNDREDTHS)],
            inside,
            notes=[limits, "" if inside else "No T low from 0.2 to 2 s is inside for any draw."],
        ),
        table(
            "one step from the settings of the trace",
            ["step", Column("probability of being safe", HUNDREDTHS)],
            [(str(move), float(share)) for move, share in moves],
        ),
        table(
            "what to measure next: expected narrowing of each property",
            ["measurement", Column("mean", HUNDREDTHS), *(Column(n, HUNDREDTHS) for n in names)],
            [(str(what), float(mean), *map(float, row)) for what, mean, row in measurements],
        ),
    ]


def follow_document(follow: xr.Dataset) -> dict[str, Any]:
    """Return what follows for a fitted lung as plain data."""
    return {
        "limits": follow.attrs["limits"],
        "inside": [
            {"t_low": float(t_low), "probability": float(share)}
            for t_low, share in zip(follow["t_low"].values, follow["inside"].values, strict=True)
        ],
        "steps": [
            {"step": str(move), "probability": float(share)}
            for move, share in zip(follow["move"].values, follow["safe_after"].values, strict=True)
        ],
        "next": {
            str(what): {
                str(name): float(follow["reduction"].sel(measurement=what, property=name))
                for name in follow["property"].values
            }
            for what in follow["measurement"].values
        },
    }


def fit_sentences(fit: xr.Dataset) -> list[str]:
    """Return what a fit says beside its numbers."""
    attrs = fit.attrs
    said = [
        *_of_other_lungs(fit),
        f"{attrs['notes']}; P high {attrs['set_p_high']:.3g} and P low {attrs['set_p_low']:.3g} "
        f"cmH₂O, T high {attrs['set_t_high']:.3g} and T low {attrs['set_t_low']:.3g} s, valve "
        f"{attrs['set_valve_time']:.2g} s.",
        f"Noise {attrs['noise']:.2g} L/s; {attrs['structure']}.",
        f"Prior: {attrs['prior']}; posterior by {attrs['posterior']}, worth "
        f"{attrs['effective_draws']:.0f} draws.",
    ]
    covered = COVERED.get(str(attrs["lung"]))
    if covered is None:
        said.append(f"How often intervals of the lung {attrs['lung']} hold was not measured.")
    elif covered < ENOUGH:
        said.append(
            f"These intervals are too narrow: in random patients they held the truth in "
            f"{100.0 * covered:.0f} of 100 instead of 90."
        )
    said += _beside(fit)
    if attrs["held"]:
        said.append(f"Held: {attrs['held']}.")
    return said


def _beside(fit: xr.Dataset) -> list[str]:
    """Return which offset, drift or leak the trace has, each supposition that is likely."""
    share = fit["supposition_share"].to_series().sort_values(ascending=False)
    likely = [str(name) for name in share.index[share >= LIKELY]]
    if likely == [NOTHING]:
        return []
    told = []
    for name in likely:
        found = {
            what: float(fit["supposed"].sel(supposition=name, disturbance=what)) for what in TOLD
        }
        parts = []
        if "offset" in name:
            parts.append(f"an offset of {found['offset']:.2g} L/s (drift {found['drift']:.2g})")
        if "leak" in name:
            parts.append(f"a leak of {found['leak']:.2g} L/s per cmH₂O")
        words = " and ".join(parts) or name
        told.append(f"{words} ({100.0 * share[name]:.0f} %)" if len(likely) > 1 else words)
    return [f"Beside the lung: {', or '.join(told)}."]


def _of_other_lungs(fit: xr.Dataset) -> list[str]:
    """Return which lungs explain the trace better, or as well, and with which compliance."""
    lung, better = str(fit.attrs["lung"]), fit.attrs["better_lung"]
    unit = display(PARAMETERS["compliance"].units)
    own = int(fit["likeliest"].sel(lung=lung))
    if better:
        there = _compliance(fit, better, int(fit["likeliest"].sel(lung=better)))
        return [
            f"The lung {better} (compliance {there:.3g} {unit}) explains the trace better than "
            f"{lung} ({_compliance(fit, lung, own):.3g}): do not trust these properties."
        ]
    rivals = str(fit.attrs["doubtful"]).split()
    if not rivals:
        return []
    beside = [BESIDE[str(name)] for name in fit["supposition"].values]
    numbers = map(int, str(fit.attrs["doubtful_supposing"]).split())
    named = " or ".join(
        f"{one} with {beside[number]} (compliance {_compliance(fit, one, number):.3g} {unit})"
        for one, number in zip(rivals, numbers, strict=True)
    )
    return [
        f"The trace cannot tell {lung} with {beside[own]} ({_compliance(fit, lung, own):.3g}) from "
        f"{named}: these properties hold only if the lung is right."
    ]


def _compliance(fit: xr.Dataset, lung: str, supposition: int) -> float:
    return float(fit["compliance"].sel(lung=lung)[supposition])


def fit_document(fit: xr.Dataset, follow: xr.Dataset | None = None) -> dict[str, Any]:
    """Return a fit as plain data, with what follows from it where that was asked."""
    names = [str(name) for name in fit["property"].values]
    attrs = fit.attrs
    return document(
        lung=attrs["lung"],
        properties={
            name: {
                **{
                    end: float(fit[end].sel(property=name))
                    for end in ("estimate", "lower", "upper")
                },
                "units": PARAMETERS[name].units,
            }
            for name in names
        },
        identifiable={name: bool(fit["identifiable"].sel(property=name)) for name in names},
        better_lung=attrs["better_lung"] or None,
        correlations={
            one: {
                other: float(fit["correlation"].sel(property=one, property_other=other))
                for other in names
                if other != one
            }
            for one in names
        },
        lungs={
            str(name): {
                "held_out": float(fit["held_out"].sel(lung=name)),
                "units": "L s-1",
                "evidence": float(fit["evidence"].sel(lung=name)),
                "compliance": _compliance(fit, str(name), int(fit["likeliest"].sel(lung=name))),
            }
            for name in fit["lung"].values
        },
        doubtful=attrs["doubtful"].split(),
        disturbances={
            str(name): {
                "estimate": float(fit["disturbance_estimate"][place]),
                "error": float(fit["disturbance_error"][place]),
                "units": UNITS.get(str(name), "s"),
            }
            for place, name in enumerate(fit["disturbance"].values)
            if str(name) in TOLD
        },
        settings={
            key.removeprefix("set_"): {
                "value": float(value),
                "units": PARAMETERS[key.removeprefix("set_")].units,
            }
            for key, value in attrs.items()
            if key.startswith("set_")
        },
        cycles=int(attrs["cycles"]),
        settled=bool(attrs["settled"]),
        noise=float(np.asarray(attrs["noise"])),
        structure=attrs["structure"],
        effort_suspected=bool(attrs["effort_suspected"]),
        not_measurable=attrs["unseen"].split(),
        held=attrs["held"],
        prior=attrs["prior"],
        posterior=attrs["posterior"],
        notes=fit_sentences(fit),
        **({} if follow is None else {"follow": follow_document(follow)}),
    )
