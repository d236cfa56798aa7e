"""Fit obstructive lungs with limited expiratory flow to what was measured in patients.

Lungs are drawn with fixed scores, measured as patients were (`cases.measurement`), and five numbers
are moved until resistance, time constant and the share of lungs with limited flow are those that
were published. Run: OMP_NUM_THREADS=1 python tests/external/fit_obstructive_limited.py
It writes `obstructive_limited.toml` beside it: what was fitted, what is left, what was assumed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtri
from scipy.stats import qmc

from ebbmap.cases.measurement import Breath, measure
from ebbmap.lungs.tracheal_tube import tracheal_tube

DATA = Path(__file__).with_name("obstructive_limited.toml")

LUNGS, SEED = 256, 0
PROPERTIES = ("compliance", "resistance_insp", "ratio", "limit", "slow_volume_share", "slow_time")

#: Medians of a tube of 7.5 mm; the spread of sizes is left out.
TUBE = float(tracheal_tube(7.5)[1])

#: Arnal et al., Respir Care 2018;63:158 (as transcriptions give it), 40 ventilated COPD lungs.
RESISTANCE, TIME_CONSTANT = (16.0, 22.0, 33.0), (0.68, 1.07, 2.14)

#: Armaganidis (abstract read): flow limitation in tidal breathing, 12 of 32 ventilated patients.
LIMITED = 12 / 32

#: Assumed: PEEP while resistance and time constant were measured, and while limitation was sought.
PEEP, NO_PEEP = 5.0, 0.0

START = dict(
    resistance_insp=14.0,
    resistance_insp_log_sd=0.6,
    exp_over_insp=0.9,
    upstream_over_exp=0.8,
    upstream_over_exp_log_sd=0.8,
)

#: Log-SD of R_exp / R_insp: assumption.
RATIO_LOG_SD = 0.2


def lungs(fitted: dict[str, float], count: int = LUNGS, seed: int = SEED) -> dict[str, np.ndarray]:
    """Return obstructive lungs for the whole lung, shape (n,) each."""
    cube = qmc.Sobol(len(PROPERTIES), scramble=True, seed=seed).random(count)
    score = dict(zip(PROPERTIES, ndtri(cube).T, strict=True))
    resistance_insp = fitted["resistance_insp"] * np.exp(
        fitted["resistance_insp_log_sd"] * score["resistance_insp"]
    )
    resistance_exp = (
        fitted["exp_over_insp"] * resistance_insp * np.exp(RATIO_LOG_SD * score["ratio"])
    )
    upstream = fitted["upstream_over_exp"] * np.exp(
        fitted["upstream_over_exp_log_sd"] * score["limit"]
    )
    return {
        # 59 [43 to 75] in the same series
        "compliance": 59.0 * np.exp(0.41 * score["compliance"]),
        "resistance_insp": resistance_insp,
        "resistance_exp": resistance_exp,
        "upstream_resistance": upstream * resistance_exp,
        "resistance_quadratic": np.full(count, TUBE),
        # as in the bundled population: our choice
        "slow_volume_share": np.clip(0.25 + 0.08 * score["slow_volume_share"], 0.05, 0.6),
        "time_constant_slow": 4.0 * np.exp(0.5 * score["slow_time"]),
    }


def measured(fitted: dict[str, float], count: int = LUNGS, seed: int = SEED) -> dict[str, object]:
    """Return quartiles and shares of the measured lungs."""
    drawn = lungs(fitted, count, seed)
    usual = measure("whole", drawn, Breath(peep=PEEP))
    flat = measure("whole", drawn, Breath(peep=NO_PEEP))

    def quartiles(reading, name):
        return np.nanquantile(reading[name], [0.25, 0.5, 0.75]).tolist()

    return {
        "resistance_insp": quartiles(usual, "resistance_insp"),
        "time_constant_exp": quartiles(usual, "time_constant_exp"),
        "limited": float(np.nanmean(flat["flow_limited_share"] > 0.0)),
        "auto_peep": quartiles(usual, "auto_peep"),
        "auto_peep_without_peep": quartiles(flat, "auto_peep"),
        "limited_at_peep": float(np.nanmean(usual["flow_limited_share"] > 0.0)),
        "unsettled": int(np.isnan(usual["auto_peep"]).sum() + np.isnan(flat["auto_peep"]).sum()),
    }


def residuals(found: dict) -> np.ndarray:
    """Logarithms of measured over published quartiles, and the share's difference, shape (7,)."""
    return np.concatenate(
        [
            np.log(np.divide(found["resistance_insp"], RESISTANCE)),
            np.log(np.divide(found["time_constant_exp"], TIME_CONSTANT)),
            [2.0 * (found["limited"] - LIMITED)],
        ]
    )


def fit() -> dict[str, float]:
    """Return the five numbers, by least squares on their logarithms."""
    names = tuple(START)

    def off(logarithms):
        return residuals(measured(dict(zip(names, np.exp(logarithms), strict=True))))

    start = np.log(np.array(list(START.values())))
    # a wide step of the derivatives: a share of 256 lungs moves by jumps
    done = least_squares(off, start, method="lm", diff_step=0.06, max_nfev=45)
    return {name: round(float(np.exp(v)), 3) for name, v in zip(names, done.x, strict=True)}


def text(fitted: dict[str, float]) -> str:
    """Return the data file."""
    found = measured(fitted)
    rows = [
        "# Obstructive lungs with limited expiratory flow, by fit_obstructive_limited.py: invented",
        "# lungs whose measurements have published quartiles. Not a description of patients.",
        f"lungs = {LUNGS}",
        f"seed = {SEED}",
        "",
        "[fitted]  # medians, log-SDs; resistances [cmH2O s L-1] without the tube's turbulent part",
        *(f"{name} = {value}" for name, value in fitted.items()),
        "",
        "[measured]  # quartiles of the fitted lungs, and shares",
        *(
            f"{name} = {np.round(value, 3).tolist() if name != 'unsettled' else value}"
            for name, value in found.items()
        ),
        "",
        "[published]",
        f"resistance_insp = {list(RESISTANCE)}  # Arnal 2018, transcription",
        f"time_constant_exp = {list(TIME_CONSTANT)}  # Arnal 2018, transcription",
        f"limited = {LIMITED}  # Armaganidis, 12 of 32, abstract read",
        "",
        "[residuals]  # logarithm of measured over published; difference for the share",
        f"resistance_insp = {residuals(found)[:3].round(3).tolist()}",
        f"time_constant_exp = {residuals(found)[3:6].round(3).tolist()}",
        f"limited = {round(0.5 * float(residuals(found)[6]), 3)}",
        "",
        "[assumed]  # no source",
        f"peep = {PEEP}  # while resistance and time constant were measured [cmH2O]",
        f"peep_limited = {NO_PEEP}  # while limited flow was sought [cmH2O]",
        f"exp_over_insp_log_sd = {RATIO_LOG_SD}",
        f"resistance_quadratic = {round(TUBE, 4)}",
        "slow_volume_share = [0.25, 0.08]",
        "time_constant_slow = [4.0, 0.5]",
    ]
    return "\n".join(rows) + "\n"


if __name__ == "__main__":
    DATA.write_text(text(fit()), encoding="utf-8")
