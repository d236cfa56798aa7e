"""The table and the plain data of a lung fitted to a trace."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.model import PRECISE, Column, Table
from ebbmap.tables.plain import document
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


def fit_document(fit: xr.Dataset) -> dict[str, Any]:
    """Return a fit as plain data."""
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
    )
