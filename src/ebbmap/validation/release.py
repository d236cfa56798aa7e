"""Published releases, collapse within them, and the tube that gas leaves through."""

from __future__ import annotations

from functools import partial

from ebbmap.validation import measured
from ebbmap.validation.finding import Finding, of_share
from ebbmap.validation.sources import CROTTI, GUTTMANN, HABASHI, IBARRA_ESTRADA, NEUMANN

RELEASE = (
    Finding(
        "restrictive: release volume per kg",
        "Hirshberg et al., Crit Care Med 2018;46:1943",
        "read",
        (7.8, 9.6),
        measured.released_at_half_flow,
        units="mL kg-1",
        note="P high 25, P low 0, flow falls to half: assumed",
        why="their settings are not known",
    ),
    Finding(
        "restrictive: lungs with auto-PEEP at conventional rates",
        "Crit Care 2019, s13054-019-2611-6, n = 217: 40 %",
        "read",
        of_share(87, 217),
        partial(measured.trapping_share, "restrictive"),
        note="what counts as auto-PEEP is not said: from 0.5 cmH2O, half of a printed digit",
        why="conventional rates here leave time to breathe out",
    ),
    Finding(
        "mean pressure above that of conventional ventilation",
        IBARRA_ESTRADA,
        "read",
        (2.1, 4.1),
        None,
        units="cmH2O",
        why="the settings of neither arm are known here",
    ),
    Finding(
        "restrictive: T low where flow is 75 % of its peak",
        HABASHI,
        "read",
        (0.25, 0.35),
        partial(measured.t_low_at, "restrictive", 0.75),
        units="s",
        note="0.3 s by the clock; P high 25, P low 0: assumed",
        why="the tube holds back the first gas, and the valve takes its time to open",
    ),
    Finding(
        "obstructive: T low where flow is 25 % of its peak",
        HABASHI,
        "read",
        (1.45, 1.55),
        partial(measured.t_low_at, "obstructive", 0.25),
        units="s",
        note="up to 1.5 s by the clock; P high 25, P low 0: assumed",
        why="'up to' bounds what was set, not what every lung would need",
    ),
    Finding(
        "share of the collapse that is over in 4 s",
        NEUMANN,
        "read",
        (0.5, 1.0),
        partial(measured.closed_share, 4.0),
        note="'mostly within 4 s'",
    ),
    Finding(
        "share of the collapse within 0.5 s",
        NEUMANN,
        "read",
        (0.0, 0.1),
        partial(measured.closed_share, 0.5),
        note="a release below 0.6 s avoids it; a tenth is our reading of that",
        why="the closing constant of 1 s is ours, set within their 0.6 to 4 s",
    ),
    Finding(
        "opening pressures, mode",
        CROTTI,
        "read",
        (17.5, 22.5),
        partial(measured.mean, "restrictive", "opening_pressure"),
        units="cmH2O",
        fitted=True,
        note="to half a step of 5",
    ),
    Finding(
        "closing pressures, mode",
        CROTTI,
        "read",
        (2.5, 7.5),
        partial(measured.mean, "restrictive", "closing_pressure"),
        units="cmH2O",
        fitted=True,
        note="to half a step of 5",
    ),
)


TUBE = (
    Finding(
        "a tube's loss foretold from four other sizes",
        "Futagawa et al., BMC Anesthesiology 2017",
        "read",
        (0.0, 0.1),
        measured.held_out_tube,
        note="largest relative error; our tolerance",
    ),
    Finding(
        "tube and circuit multiply the time constant",
        GUTTMANN,
        "read",
        (2.5, 3.5),
        measured.tube_multiple,
        fitted=True,
        note="about 3 times; to half a unit",
    ),
    Finding(
        "a smooth straight tube's share of the loss",
        "Lofaso et al., Am Rev Respir Dis 1992;146:974 (Blasius)",
        "derived",
        (0.0, 0.5),
        measured.laminar_share,
        note="turbulent flow in a smooth tube loses half of what was measured; laminar less",
    ),
)
