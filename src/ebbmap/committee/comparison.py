"""Fixed T low or a rule? The share of lungs that each way of choosing T low serves.

Every lung meets one setting of the draft's other ranges. What a rule measures is measured with
an error; targets are chosen on one sample of lungs and tried on another. Sizes: n lungs.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr
from scipy.stats import qmc

from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.base import Part
from ebbmap.committee.draft import T_LOW, beside_t_low
from ebbmap.committee.lungs import RULES, Drawn, draw_lungs, fixed, streams
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.committee.rules import flow_ratio_time
from ebbmap.committee.verdict import LEVEL, share_with_interval
from ebbmap.digits import share_text
from ebbmap.kernels.judging import judge
from ebbmap.kernels.shares import share_words

#: Relative errors of the measured time constant.
ERRORS = (0.0, 0.1, 0.2, 0.3)

#: Lungs on which targets are chosen, and lungs on which they are tried.
CHOICE_LUNGS = 1024
TRIED_LUNGS = 4096

#: Targets that are looked at.
TIMES = np.round(np.geomspace(0.1, 4.0, 60), 4)
MULTIPLES = np.round(np.geomspace(0.05, 3.0, 60), 4)
RATIOS = np.round(np.arange(0.06, 0.96, 0.02), 2)

#: Targets of common practice, with their sources.
COMMON_TARGETS = (
    ("time_constant", 1.0, "Zhou et al., Intensive Care Med 2017;43:1648 (from memory)"),
    ("flow_ratio", 0.50, "Zhou et al., Intensive Care Med 2017;43:1648"),
    ("flow_ratio", 0.75, "Jain et al., Intensive Care Med Exp 2016;4:11 (the figure from memory)"),
)

WAYS = {
    "one T low for all, best": "fixed",
    "T low from the time constant, best multiple": "time_constant",
    "T low from the flow ratio, best ratio": "flow_ratio",
}


def _common_name(kind: str, target: float) -> str:
    if kind == "flow_ratio":
        return f"T low from the flow ratio, {share_text(target)} of peak"
    return f"T low from the time constant, {target:g} times"


VARIABLES: Mapping[str, Variable] = {
    "served_share": Variable(f"{share_words('safe_share')} with T low chosen this way"),
    "served_share_interval": Variable(
        "interval of the share", attrs={"ci_method": "Wilson score", "ci_level": LEVEL}
    ),
    "target": Variable("T low [s], multiple of the time constant, or flow ratio"),
    "error": Variable("relative error of the measured time constant", None),
    "way": Variable(
        "way of choosing T low",
        None,
        {
            "comment": "; ".join(
                f"{_common_name(kind, target)}: {source}" for kind, target, source in COMMON_TARGETS
            )
        },
    ),
}


def compare_ways(protocol: Protocol) -> xr.Dataset:
    """Compare one T low for all with T low from the time constant and from the flow ratio.

    Parameters
    ----------
    protocol : Protocol
        The protocol; its own T low is not used, its other settings are.

    Returns
    -------
    xarray.Dataset
        Dims (group, way, error): `served_share` with its interval, and the `target` that was
        used: T low [s], multiple of the time constant, or flow ratio.

    Notes
    -----
    The measured time constant is the true one times exp(error x z). T low by the flow ratio is
    the time at which the model's flow falls to the ratio, times the same factor: in a lung with
    one time constant -ln(ratio) is a multiple, so the two rules differ by their targets only.
    """
    return ways_pieces(protocol).whole()


def ways_pieces(protocol: Protocol) -> Pieces[xr.Dataset]:
    """Cut the comparison into groups; see `compare_ways`."""
    ways = [*WAYS, *(_common_name(kind, target) for kind, target, _ in COMMON_TARGETS)]

    def solve(number: int, progress: Progress) -> xr.Dataset:
        group = protocol.groups[number]
        shape = (len(ways), len(ERRORS))
        share, target = np.full((*shape, 3), np.nan), np.full(shape, np.nan)
        choice = _Sample(protocol, group, protocol.size("choice_lungs", CHOICE_LUNGS), RULES)
        tried = _Sample(protocol, group, protocol.size("tried_lungs", TRIED_LUNGS), RULES + 10)
        if choice.drawn.size < 2 or tried.drawn.size < 2:
            return _kept(share, target)
        for w, (kind, common) in enumerate(_kinds()):
            for e, error in enumerate(ERRORS):
                if common is None:
                    every = _TARGETS[kind]
                    counts = [choice.safe(kind, one, error).mean() for one in every]
                    target[w, e] = every[int(np.argmax(counts))]
                else:
                    target[w, e] = common
                share[w, e] = share_with_interval(tried.safe(kind, target[w, e], error))
        return _kept(share, target)

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        share, target = (np.stack([one[n].values for one in found]) for n in ("share", "target"))
        dims = ("group", "way", "error")
        data = {
            "served_share": (dims, share[..., 0]),
            "served_share_interval": ((*dims, "ci_bound"), share[..., 1:]),
            "target": (dims, target),
        }
        coords = {
            "group": [group.name for group in protocol.groups],
            "way": ways,
            "error": list(ERRORS),
            "ci_bound": ["lower", "upper"],
        }
        return label_variables(xr.Dataset(data, coords), VARIABLES)

    return listed(len(protocol.groups), solve, join)


def _kept(share: np.ndarray, target: np.ndarray) -> xr.Dataset:
    dims = ("way", "error")
    return xr.Dataset({"share": ((*dims, "value"), share), "target": (dims, target)})


_TARGETS = {"fixed": TIMES, "time_constant": MULTIPLES, "flow_ratio": RATIOS}


def _kinds() -> list[tuple[str, float | None]]:
    best: list[tuple[str, float | None]] = [(kind, None) for kind in WAYS.values()]
    return [*best, *((kind, target) for kind, target, _ in COMMON_TARGETS)]


class _Sample:
    """Lungs of a group, each with one setting of the other ranges."""

    def __init__(self, protocol: Protocol, group: Group, n: int, purpose: int):
        self.protocol = protocol
        self.drawn: Drawn = draw_lungs(protocol, group, n, purpose)
        if not self.drawn.size:
            return
        draft = protocol.draft.without_t_low()
        size = self.drawn.size
        held = {k: np.broadcast_to(v, (size,)) for k, v in fixed(protocol).items()}
        lungs = {**self.drawn.values, **held}
        unit = np.zeros((size, 0))
        if draft.free:
            rng = np.random.default_rng(streams(protocol, group.name, purpose)[2])
            power = int(np.ceil(np.log2(max(size, 2))))
            unit = qmc.Sobol(len(draft.free), rng=rng).random_base2(power)[:size]
        own = beside_t_low(protocol.lung, protocol.draft, lungs, self.drawn.scores, unit)
        self.values = {**lungs, **own}
        self._times: dict[float, np.ndarray] = {}
        self.time_constant = evaluate(
            protocol.lung, {**self.values, "t_low": np.ones(size)}, ("time_constant_exp",)
        ).outcomes["time_constant_exp"]

    def safe(self, kind: str, target: float, error: float) -> np.ndarray:
        """Return which lungs are safe with T low chosen this way, shape (n,)."""
        blur = np.exp(error * self.drawn.scores)
        if kind == "fixed":
            t_low = np.full(self.drawn.size, target)
        elif kind == "time_constant":
            t_low = self.time_constant * target * blur
        else:
            if target not in self._times:
                self._times[target] = flow_ratio_time(self.protocol.lung, self.values, target)
            t_low = self._times[target] * blur
        limits = self.protocol.limits
        solved = evaluate(self.protocol.lung, {**self.values, "t_low": t_low}, limits.outcomes)
        return judge(limits, solved.outcomes).safe


def _ways_cases(protocol: Protocol) -> int:
    targets = sum(len(every) for every in _TARGETS.values())
    choice = protocol.size("choice_lungs", CHOICE_LUNGS)
    tried = protocol.size("tried_lungs", TRIED_LUNGS)
    return len(protocol.groups) * len(ERRORS) * (targets * choice + len(_kinds()) * tried)


PART = Part(
    name="ways",
    pieces=ways_pieces,
    variables=VARIABLES,
    cases=_ways_cases,
    lays_out=lambda draft: T_LOW,
)
