"""Which properties bear on being unsafe, and which still matter among the unsafe, from a sample.

Sizes: n cases, d factors.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable
from ebbmap.kernels.hsic import LEAST_CASES, Dependence, conditional_hsic, target_hsic

_TEST = {"p_value_method": "permutations of the cases"}

DEPENDENCE: Mapping[str, Variable] = {
    "unsafe_share": Variable("share of the cases that are unsafe"),
    "target_hsic": Variable("dependence of being unsafe on the property (normalised HSIC)"),
    "target_p_value": Variable("chance of as much dependence if there were none", "1", _TEST),
    "conditional_hsic": Variable(
        "dependence of the margin on the property among the unsafe (normalised HSIC)"
    ),
    "conditional_p_value": Variable(
        "chance of as much dependence among the unsafe if there were none", "1", _TEST
    ),
}


def estimate_dependence(
    values: xr.Dataset,
    outputs: xr.Dataset,
    rules: Iterable[str],
    *,
    rng: int | np.random.Generator | np.random.SeedSequence | None = None,
) -> dict[str, Any]:
    """Estimate target and conditional HSIC of being unsafe under each rule; no case is solved.

    Parameters
    ----------
    values : Dataset
        The factors, each with dim `sample`; they may be correlated.
    outputs : Dataset
        `margin_RULE` and `safe_RULE` of the same rows, as `add_judgements` gives them. Rows
        whose verdict or margin is not known are left out.
    rules : iterable of str
        The rules.
    rng : int, Generator or SeedSequence, optional
        Source of the permutations; fresh entropy if None.

    Returns
    -------
    dict
        `DEPENDENCE` with dims (rule, parameter), or (rule) for the share. NaN where fewer than
        `LEAST_CASES` cases are safe, or unsafe.

    Examples
    --------
    >>> x, y = np.random.default_rng(0).standard_normal((2, 500))
    >>> values = xr.Dataset({"compliance": ("sample", x), "resistance_exp": ("sample", y)})
    >>> outputs = xr.Dataset({"margin_a": 1.0 - values["compliance"]})
    >>> outputs["safe_a"] = (outputs["margin_a"] >= 0).astype(float)
    >>> found = estimate_dependence(values, outputs, ["a"], rng=0)
    >>> bool(found["target_p_value"][1][0, 0] < 0.01 < found["target_p_value"][1][0, 1])
    True
    """
    x = np.stack([array.values for array in values.data_vars.values()], axis=1)
    generator = np.random.default_rng(rng)
    rows = [
        _of_rule(
            x,
            outputs[f"margin_{rule}"].values.reshape(-1),
            outputs[f"safe_{rule}"].values.reshape(-1),
            generator,
        )
        for rule in rules
    ]
    d = x.shape[1]
    indices = [name for name in DEPENDENCE if name != "unsafe_share"]
    shares = [share for share, *_ in rows]
    columns = np.array([each for _, *each in rows]).reshape(len(rows), len(indices), d)
    found: dict[str, Any] = {"unsafe_share": ("rule", np.array(shares, float))}
    for number, name in enumerate(indices):
        found[name] = (("rule", "parameter"), columns[:, number])
    return found


def _of_rule(
    x: np.ndarray, margin: np.ndarray, safe: np.ndarray, rng: np.random.Generator
) -> tuple[Any, ...]:
    """Return the unsafe share, then target index and p value, and the conditional ones."""
    known = np.isfinite(margin) & np.isfinite(safe)
    x, margin, unsafe = x[known], margin[known], safe[known] == 0
    nothing = np.full(x.shape[1], np.nan)
    target = among = Dependence(nothing[:, None], nothing[:, None])
    if len(x) >= LEAST_CASES:
        target = target_hsic(x, unsafe[:, None], rng=rng)
        among = conditional_hsic(x, margin[:, None], unsafe, rng=rng)
    pairs = (target.index, target.p_value, among.index, among.p_value)
    return float(unsafe.mean()) if len(x) else np.nan, *(array[:, 0] for array in pairs)
