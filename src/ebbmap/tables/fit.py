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
    if attrs["large_disturbances"]:
        values = {
            str(name): float(value)
            for name, value in zip(
                fit["disturbance"].values, fit["disturbance_estimate"].values, strict=True
            )
        }
        told = ", ".join(f"{name} {values[name]:.2g} L/s" for name in ("offset", "drift"))
        said.append(f"Found beside the lung: {told}, leak {values['leak']:.2g} L/s per cmH₂O.")
    if attrs["better_lung"]:
        said.append(
            f"The lung {attrs['better_lung']} explains the trace better than {attrs['lung']}: do "
            "not trust these properties."
        )
    if attrs["disagreeing"]:
        said.append(
            "Lungs that explain cycles left out as well give another compliance: "
            f"{attrs['disagreeing'].replace(' ', ', ')}."
        )
    if attrs["held"]:
        said.append(f"Held: {attrs['held']}.")
    return said


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
            str(name): {"held_out": float(value), "units": "L s-1"}
            for name, value in zip(fit["lung"].values, fit["held_out"].values, strict=True)
        },
        disagreeing=attrs["disagreeing"].split(),
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
