"""Fit the collapse of injured lungs to the published answers of shunt and oxygen to pressure.

Baseline admixture has one meaning here: blood that meets no gas, or too little, in a lung that is
all open. Closed lung comes on top, once. Its share, the pressure that leaves half of it closed, how
widely that is spread within a lung, and how the share differs between lungs are moved until
admixture at two pressures, its spread between patients, and the gain of PaO2/FiO2 are published.
Run: OMP_NUM_THREADS=1 python tests/external/fit_collapse.py
It writes `collapse.toml` beside it: what was fitted, what is left, what was assumed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

from ebbmap.cases.evaluate import evaluate
from ebbmap.exchange import oxygen
from ebbmap.lungs import lung_model
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

DATA = Path(__file__).with_name("collapse.toml")
LUNGS, SEED = 2000, 0

#: Intensive Care Med 1983;9:307 (abstract read), 11 patients, PEEP 5 below and 5 above the clinical
#: one: venous admixture 0.37 (SD 0.13) and 0.27 (0.12), of which 0.074 (0.045) is no shunt.
ADMIXTURE, ADMIXTURE_SD, BASELINE = (0.37, 0.27), 0.125, (0.074, 0.045)

#: Ibarra-Estrada et al., Crit Care Med 2022;50:586 (abstract read): for 3.1 cmH2O of mean pressure.
RESPONSE, RESPONSE_PRESSURE = 26.0, 3.1

#: Assumed: mean alveolar pressures of the first; settings, and own breathing, of the second.
PRESSURES = (10.0, 20.0)
SETTINGS = dict(p_low=0.0, t_high=5.0, t_low=0.5, spontaneous_alveolar_ventilation=3.0)
P_HIGH = 20.0

#: Assumed spread between lungs: of the half-closing pressure [cmH2O], log-SD of its width.
PRESSURE_SD, WIDTH_LOG_SD = 3.0, 0.25

#: Standard errors: of the means in 11 patients as far as they move together, of their difference
#: as printed by two measures (0.10 and 0.07), of their SD, of the gain (13 to 38).
ERRORS = dict(level=0.038, fall=0.0125, spread=0.027, response=6.25)

START = dict(
    collapsible_share=0.5, collapsible_sd=0.12, half_closed_pressure=20.0, closing_width=4.0
)


def lungs(fitted: dict[str, float]) -> dict[str, np.ndarray]:
    """Return restrictive lungs with the collapse that is to be fitted, shape (n,) each."""
    drawn = POPULATIONS["restrictive"].sample(LUNGS, seed=SEED)
    scores = np.random.default_rng(SEED + 1).standard_normal((4, LUNGS))
    share, baseline, pressure, width = scores
    return drawn | {
        "shunt_baseline": np.clip(BASELINE[0] + BASELINE[1] * baseline, 0.0, 0.6),
        "collapsible_share": np.clip(
            fitted["collapsible_share"] + fitted["collapsible_sd"] * share, 0.0, 0.95
        ),
        "half_closed_pressure": fitted["half_closed_pressure"] + PRESSURE_SD * pressure,
        "closing_width": fitted["closing_width"] * np.exp(WIDTH_LOG_SD * width),
    }


def admixture(lung: dict[str, np.ndarray], pressure: float) -> np.ndarray:
    """Return venous admixture at a mean alveolar pressure [1], shape (n,)."""
    closed = oxygen.closed_fraction(
        pressure,
        lung["collapsible_share"],
        lung["half_closed_pressure"],
        lung["closing_width"],
    )
    ratio = PARAMETERS["closed_perfusion_ratio"].default
    return oxygen.venous_admixture(lung["shunt_baseline"], closed, ratio)


def response(lung: dict[str, np.ndarray]) -> np.ndarray:
    """Return the gain of PaO2/FiO2 when P high adds to the mean pressure [mmHg], shape (n,).

    NaN in a lung without a steady state of gas exchange at either pressure.
    """
    period = SETTINGS["t_high"] + SETTINGS["t_low"]
    more = RESPONSE_PRESSURE * period / SETTINGS["t_high"]
    usual = {name: np.asarray(value) for name, value in SETTINGS.items()}
    before, after = (
        evaluate(lung_model("whole"), lung | usual | {"p_high": np.asarray(p)}, ("pao2",)).outcomes[
            "pao2"
        ]
        for p in (P_HIGH, P_HIGH + more)
    )
    return (after - before) / PARAMETERS["fio2"].default


def measured(fitted: dict[str, float]) -> dict[str, float]:
    """Return what the fitted lungs do."""
    lung = lungs(fitted)
    low, high = (admixture(lung, pressure) for pressure in PRESSURES)
    return {
        "admixture_low": float(low.mean()),
        "admixture_high": float(high.mean()),
        "admixture_sd": float(0.5 * (low.std() + high.std())),
        "response": float(np.nanmedian(response(lung))),
    }


def residuals(found: dict[str, float]) -> np.ndarray:
    """Return differences from what was published, in standard errors, shape (4,)."""
    level = 0.5 * (found["admixture_low"] + found["admixture_high"] - sum(ADMIXTURE))
    fall = found["admixture_low"] - found["admixture_high"] - (ADMIXTURE[0] - ADMIXTURE[1])
    return np.array(
        [
            level / ERRORS["level"],
            fall / ERRORS["fall"],
            (found["admixture_sd"] - ADMIXTURE_SD) / ERRORS["spread"],
            (found["response"] - RESPONSE) / ERRORS["response"],
        ]
    )


def fit() -> dict[str, float]:
    """Return the four numbers."""
    names = tuple(START)

    def off(values):
        return residuals(measured(dict(zip(names, values, strict=True))))

    done = least_squares(
        off,
        np.array(list(START.values())),
        bounds=([0.05, 0.01, 5.0, 1.0], [0.9, 0.4, 40.0, 15.0]),
        x_scale=[0.1, 0.05, 5.0, 2.0],
        diff_step=1e-3,
    )
    return {name: round(float(v), 3) for name, v in zip(names, done.x, strict=True)}


def text(fitted: dict[str, float]) -> str:
    """Return the data file."""
    found = measured(fitted)
    names = ("admixture level", "fall of admixture", "its spread", "response of PaO2/FiO2")
    rows = [
        "# Collapse of injured lungs by fit_collapse.py: invented lungs that answer to pressure as",
        "# was published. Not a description of patients.",
        "",
        "[fitted]  # mean and SD between lungs [1], pressures [cmH2O]",
        *(f"{name} = {value}" for name, value in fitted.items()),
        "",
        "[measured]",
        *(f"{name} = {round(value, 4)}" for name, value in found.items()),
        "",
        "[published]  # abstracts read",
        f"admixture = {list(ADMIXTURE)}  # Intensive Care Med 1983;9:307, PEEP 10 apart, n = 11",
        f"admixture_sd = {ADMIXTURE_SD}",
        f"baseline = {list(BASELINE)}  # mean and SD of admixture less shunt",
        f"response = {RESPONSE}  # Ibarra-Estrada 2022, 13 to 38 for {RESPONSE_PRESSURE} cmH2O",
        "",
        "[residuals]  # in standard errors",
        *(
            f'"{name}" = {round(float(value), 2)}'
            for name, value in zip(names, residuals(found), strict=True)
        ),
        "",
        "[assumed]  # no source",
        f"mean_alveolar_pressures = {list(PRESSURES)}",
        f"p_high = {P_HIGH}",
        f"half_closed_pressure_sd = {PRESSURE_SD}",
        f"closing_width_log_sd = {WIDTH_LOG_SD}",
        *(f"{name} = {value}" for name, value in SETTINGS.items()),
        f"closed_perfusion_ratio = {PARAMETERS['closed_perfusion_ratio'].default}",
    ]
    return "\n".join(rows) + "\n"


if __name__ == "__main__":
    DATA.write_text(text(fit()), encoding="utf-8")
