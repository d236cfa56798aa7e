"""Two compartments, fast and slow, behind a shared airway: the two-phase cycle in closed form.

Each compartment has its own compliance and resistance; the shared airway may resist differently
in and out. Sizes: n cases, t time points. Pressures [cmH2O], times [s], compliances
[mL cmH2O-1], resistances [cmH2O s L-1]. All functions broadcast.

With y the alveolar pressures less the airway pressure, a phase is dy/dt = -B y with

    B = C^-1 G,    G = M^-1,    M = [[R_fast + R_shared, R_shared], [R_shared, R_slow + R_shared]].

B is similar to the symmetric C^-1/2 G C^-1/2, so its two rates are real and positive and its two
modes can be written without a difference of like numbers, for equal compartments as well.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.lungs.base import SOLVED, WAVES, Lung
from ebbmap.units import L_PER_ML

#: Stands in for zero under a logarithm and as a divisor.
SMALLEST = 1e-200

#: What this model solves for beyond `SOLVED`.
SOLVED_EACH = (
    "trapped_volume_fast",
    "trapped_volume_slow",
    "auto_peep_fast",
    "auto_peep_slow",
    "pendelluft_volume",
    "slow_exhaled_fraction",
)


class Airway(NamedTuple):
    """The two modes of a phase; each shape (n,)."""

    quick_rate: np.ndarray
    """Rate of the quick mode [s-1]."""
    late_rate: np.ndarray
    """Rate of the late mode [s-1], the smaller one."""
    rate_gap: np.ndarray
    """Quick less late rate [s-1]."""
    share: np.ndarray
    """Part of the quick mode in the fast compartment [1]."""
    other_share: np.ndarray
    """1 - share [1], with all its digits."""
    fast_link: np.ndarray
    """How the slow compartment enters the fast one, over the gap of the rates [1]."""
    slow_link: np.ndarray
    """How the fast compartment enters the slow one, over the gap of the rates [1]."""
    fast_conductance: np.ndarray
    """Flow at the airway opening per pressure in the fast compartment [L s-1 cmH2O-1]."""
    slow_conductance: np.ndarray
    """Flow at the airway opening per pressure in the slow compartment [L s-1 cmH2O-1]."""


class Passage(NamedTuple):
    """What a phase of some length does to pressures y across the airway; each shape (n,).

    `spent` is 1 - exp(-B t) and `left` is exp(-B t), each as the four entries fast-fast,
    fast-slow, slow-fast, slow-slow.
    """

    spent: tuple
    left: tuple

    def fall(self, fast, slow):
        """Pressures at the start less those at the end [cmH2O]."""
        return _apply(self.spent, fast, slow)

    def rest(self, fast, slow):
        """Pressures at the end [cmH2O]."""
        return _apply(self.left, fast, slow)


def solve(
    p_high,
    p_low,
    t_high,
    t_low,
    compliance_fast,
    compliance_slow,
    resistance_fast,
    resistance_slow,
    resistance_shared_insp,
    resistance_shared_exp,
):
    """Solve the settled cycle.

    Parameters
    ----------
    p_high, p_low : array_like, shape (n,)
        Set pressures [cmH2O], p_high > p_low.
    t_high, t_low : array_like, shape (n,)
        Set times [s], > 0.
    compliance_fast, compliance_slow : array_like, shape (n,)
        Compliance of each compartment [mL cmH2O-1], > 0.
    resistance_fast, resistance_slow : array_like, shape (n,)
        Resistance of each compartment's own airway, both ways [cmH2O s L-1], > 0.
    resistance_shared_insp, resistance_shared_exp : array_like, shape (n,)
        Resistance of the shared airway while filling and while emptying [cmH2O s L-1], > 0.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED` and `SOLVED_EACH`, in registry units.

    Notes
    -----
    Flows are those at the airway opening. Volumes and fractions are of both compartments together.
    `end_high_pressure`, `end_release_pressure` and `mean_alveolar_pressure` are the alveolar
    pressures weighted by compliance: total volume over total compliance. Over a settled cycle the
    mean alveolar pressure is the same in both compartments, since each takes in through its own
    airway what it lets out through it.

    `time_constant_exp` is the mean time that gas of a full lung stays in an endless release: the
    area under volume over time by the volume at its start,
    R_shared (C_fast + C_slow) + (R_fast C_fast^2 + R_slow C_slow^2) / (C_fast + C_slow). It is
    R C for a single exponential.

    `pendelluft_volume` is the gas that moves from one compartment to the other over a cycle.
    While the airway opening lets gas out, what a compartment takes in can only come from the
    other; while it lets gas in, what a compartment gives off can only go to the other. Both are
    integrated to the moment when the flow turns. This happens at the start of a phase or not at
    all, and in one compartment at a time.

    References
    ----------
    .. [1] Otis AB et al., J Appl Physiol 1956;8:427 (from memory): parallel pathways.
    .. [2] Chelucci GL et al., Eur Respir J 1993;6:785-790: fast and slow emptying in ARDS.

    Examples
    --------
    >>> settled = solve(25.0, 0.0, 5.0, 0.5, 40.0, 10.0, 3.0, 450.0, 6.0, 6.0)
    >>> round(float(settled["auto_peep_fast"]), 2), round(float(settled["auto_peep_slow"]), 2)
    (6.38, 22.15)
    """
    fill, release, filling, emptying = _phases(
        t_high,
        t_low,
        compliance_fast,
        compliance_slow,
        resistance_fast,
        resistance_slow,
        resistance_shared_insp,
        resistance_shared_exp,
    )
    height = _settled_heights(p_high - p_low, filling, emptying)
    # what T high left unfilled plus what the release let fall: exact for short releases
    fall = emptying.fall(*height)
    opening = tuple(p_high - p_low - y + down for y, down in zip(height, fall, strict=True))
    return _describe(
        fill,
        release,
        filling,
        emptying,
        opening,
        height,
        p_high,
        p_low,
        t_high,
        t_low,
        compliance_fast,
        compliance_slow,
        resistance_fast,
        resistance_slow,
        resistance_shared_insp,
        resistance_shared_exp,
    )


def settle(
    p_high,
    p_low,
    t_high,
    t_low,
    compliance_fast,
    compliance_slow,
    resistance_fast,
    resistance_slow,
    resistance_shared_insp,
    resistance_shared_exp,
):
    """Return the state of the settled cycle.

    Parameters
    ----------
    p_high, p_low, t_high, t_low : array_like, shape (n,)
        As in `solve`.
    compliance_fast, compliance_slow, resistance_fast, resistance_slow : array_like, shape (n,)
        As in `solve`.
    resistance_shared_insp, resistance_shared_exp : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    tuple of two ndarrays, shape (n,)
        Alveolar pressures of the fast and the slow compartment when a release ends [cmH2O].
    """
    _, _, filling, emptying = _phases(
        t_high,
        t_low,
        compliance_fast,
        compliance_slow,
        resistance_fast,
        resistance_slow,
        resistance_shared_insp,
        resistance_shared_exp,
    )
    fast, slow = emptying.rest(*_settled_heights(p_high - p_low, filling, emptying))
    return p_low + fast, p_low + slow


def rest(start_pressure, **_):
    """Return the state of a lung at rest: both compartments at `start_pressure` [cmH2O]."""
    pressure = np.asarray(start_pressure, dtype=float)
    return pressure, pressure


def cycle(
    state,
    *,
    p_high,
    p_low,
    t_high,
    t_low,
    compliance_fast,
    compliance_slow,
    resistance_fast,
    resistance_slow,
    resistance_shared_insp,
    resistance_shared_exp,
):
    """Run one cycle from the alveolar pressures at the end of the previous release.

    Parameters
    ----------
    state : tuple of two array_like, shape (n,)
        Alveolar pressures of the fast and the slow compartment when T high begins [cmH2O].
    p_high, p_low, t_high, t_low : array_like, shape (n,)
        As in `solve`.
    compliance_fast, compliance_slow, resistance_fast, resistance_slow : array_like, shape (n,)
        As in `solve`.
    resistance_shared_insp, resistance_shared_exp : array_like, shape (n,)
        As in `solve`. The inspiratory one holds during T high and the expiratory one during the
        release, even where a start outside the set pressures makes the gas run the other way.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        The outcomes of this cycle; pendelluft as `solve` defines it, for a start within the set
        pressures.
    state : tuple of two ndarrays, shape (n,)
        The alveolar pressures at the end of this release [cmH2O].

    Examples
    --------
    >>> start = dict(p_high=25.0, p_low=0.0, t_high=5.0, t_low=0.5)
    >>> two = dict(compliance_fast=40.0, compliance_slow=10.0)
    >>> own = dict(resistance_fast=3.0, resistance_slow=450.0)
    >>> shared = dict(resistance_shared_insp=6.0, resistance_shared_exp=6.0)
    >>> _, (fast, slow) = cycle((5.0, 5.0), **start, **two, **own, **shared)
    >>> bool(slow > fast)
    True
    """
    fill, release, filling, emptying = _phases(
        t_high,
        t_low,
        compliance_fast,
        compliance_slow,
        resistance_fast,
        resistance_slow,
        resistance_shared_insp,
        resistance_shared_exp,
    )
    opening = p_high - state[0], p_high - state[1]
    height = tuple(p_high - p_low - unfilled for unfilled in filling.rest(*opening))
    outcomes = _describe(
        fill,
        release,
        filling,
        emptying,
        opening,
        height,
        p_high,
        p_low,
        t_high,
        t_low,
        compliance_fast,
        compliance_slow,
        resistance_fast,
        resistance_slow,
        resistance_shared_insp,
        resistance_shared_exp,
    )
    end = p_low + outcomes["auto_peep_fast"], p_low + outcomes["auto_peep_slow"]
    return outcomes, end


def waveform(
    state,
    times,
    *,
    p_high,
    p_low,
    t_high,
    t_low,
    compliance_fast,
    compliance_slow,
    resistance_fast,
    resistance_slow,
    resistance_shared_insp,
    resistance_shared_exp,
):
    """Return what a monitor would draw over one cycle, and the pressure in each compartment.

    Parameters
    ----------
    state : tuple of two array_like, shape (n,)
        Alveolar pressures of the fast and the slow compartment when T high begins [cmH2O].
    times : array_like, shape (t,)
        From the start of T high, within one cycle [s].
    p_high, p_low, t_high, t_low : array_like, shape (n,)
        As in `cycle`.
    compliance_fast, compliance_slow, resistance_fast, resistance_slow : array_like, shape (n,)
        As in `cycle`.
    resistance_shared_insp, resistance_shared_exp : array_like, shape (n,)
        As in `cycle`.

    Returns
    -------
    dict of str to ndarray, shape (n, t)
        The signals in `WAVES`, and `alveolar_pressure_fast` and `alveolar_pressure_slow`.
    """
    fast, slow, high, low, long, c_fast, c_slow, r_fast, r_slow, r_insp, r_exp = (
        np.asarray(value, dtype=float)[..., None]
        for value in (
            *state,
            p_high,
            p_low,
            t_high,
            compliance_fast,
            compliance_slow,
            resistance_fast,
            resistance_slow,
            resistance_shared_insp,
            resistance_shared_exp,
        )
    )
    times = np.asarray(times, dtype=float)
    in_release = times >= long
    fill = _airway(c_fast, c_slow, r_fast, r_slow, r_insp)
    release = _airway(c_fast, c_slow, r_fast, r_slow, r_exp)
    opening = high - fast, high - slow
    unfilled = _passage(fill, np.minimum(times, long)).rest(*opening)
    full = (high - low - y for y in _passage(fill, long).rest(*opening))
    unreleased = _passage(release, np.maximum(times - long, 0.0)).rest(*full)
    alveolar_fast, alveolar_slow = (
        np.where(in_release, low + out, high - into)
        for into, out in zip(unfilled, unreleased, strict=True)
    )
    volume = c_fast * alveolar_fast + c_slow * alveolar_slow
    return {
        "airway_pressure": np.broadcast_to(np.where(in_release, low, high), volume.shape),
        "alveolar_pressure": volume / (c_fast + c_slow),
        "flow": np.where(
            in_release, -_opening_flow(release, *unreleased), _opening_flow(fill, *unfilled)
        ),
        "volume": volume,
        "alveolar_pressure_fast": alveolar_fast,
        "alveolar_pressure_slow": alveolar_slow,
    }


def _airway(compliance_fast, compliance_slow, resistance_fast, resistance_slow, shared):
    """Modes of a phase.

    B = [[a, -b_fast], [-b_slow, d]]. With half the difference D = (a - d) / 2 and
    S = sqrt(D^2 + b_fast b_slow) the rates are (a + d) / 2 +- S, and the quick mode lies with
    (S + D) / 2S in the fast compartment. The larger of S + D and S - D is a sum; the other one,
    and the smaller rate, follow from products that are known: nothing cancels.
    """
    determinant = resistance_fast * resistance_slow + shared * (resistance_fast + resistance_slow)
    fast = determinant * compliance_fast * L_PER_ML
    slow = determinant * compliance_slow * L_PER_ML
    fast_rate, slow_rate = (resistance_slow + shared) / fast, (resistance_fast + shared) / slow
    fast_link, slow_link = shared / fast, shared / slow
    half = 0.5 * (fast_rate - slow_rate)
    product = fast_link * slow_link
    root = np.sqrt(half * half + product)
    large = root + np.abs(half)
    small = product / large
    fast_leads = half >= 0.0
    quick_rate = 0.5 * (fast_rate + slow_rate) + root
    gap = 2.0 * root
    return Airway(
        quick_rate=quick_rate,
        late_rate=determinant / (fast * slow * quick_rate),
        rate_gap=gap,
        share=np.where(fast_leads, large, small) / gap,
        other_share=np.where(fast_leads, small, large) / gap,
        fast_link=fast_link / gap,
        slow_link=slow_link / gap,
        fast_conductance=resistance_slow / determinant,
        slow_conductance=resistance_fast / determinant,
    )


def _passage(airway, duration):
    """Return what a phase of a length [s] does; sums of positive terms only."""
    late = airway.late_rate * duration
    late_left, late_spent = np.exp(-late), -np.expm1(-late)
    # exp(-late) - exp(-quick)
    between = late_left * -np.expm1(-airway.rate_gap * duration)
    quick_left, quick_spent = np.exp(-airway.quick_rate * duration), late_spent + between
    share, other = airway.share, airway.other_share
    fast_slow, slow_fast = between * airway.fast_link, between * airway.slow_link
    return Passage(
        spent=(
            quick_spent * share + late_spent * other,
            -fast_slow,
            -slow_fast,
            quick_spent * other + late_spent * share,
        ),
        left=(
            quick_left * share + late_left * other,
            fast_slow,
            slow_fast,
            quick_left * other + late_left * share,
        ),
    )


def _phases(
    t_high,
    t_low,
    compliance_fast,
    compliance_slow,
    resistance_fast,
    resistance_slow,
    resistance_shared_insp,
    resistance_shared_exp,
):
    """Modes of T high and of the release, and what each does over its set time."""
    own = compliance_fast, compliance_slow, resistance_fast, resistance_slow
    fill, release = _airway(*own, resistance_shared_insp), _airway(*own, resistance_shared_exp)
    return fill, release, _passage(fill, t_high), _passage(release, t_low)


def _apply(matrix, fast, slow):
    """Product of a 2 x 2 matrix, given as four entries, with a pair."""
    return matrix[0] * fast + matrix[1] * slow, matrix[2] * fast + matrix[3] * slow


def _settled_heights(drop, filling, emptying):
    """Pressures above P low at the end of T high, in the settled cycle [cmH2O].

    They solve (1 - E_high E_low) y = (1 - E_high) drop with E = exp(-B T). The matrix is taken
    as (1 - E_high) + E_high (1 - E_low), which keeps its digits in short phases.
    """
    raised = _apply(filling.spent, drop, drop)
    columns = (emptying.spent[0], emptying.spent[2]), (emptying.spent[1], emptying.spent[3])
    (ff, sf), (fs, ss) = (_apply(filling.left, *column) for column in columns)
    ff, fs = filling.spent[0] + ff, filling.spent[1] + fs
    sf, ss = filling.spent[2] + sf, filling.spent[3] + ss
    determinant = ff * ss - fs * sf
    return (
        (raised[0] * ss - fs * raised[1]) / determinant,
        (raised[1] * ff - sf * raised[0]) / determinant,
    )


def _opening_flow(airway, fast, slow):
    """Flow at the airway opening [L s-1] from the pressures across the airway."""
    return airway.fast_conductance * fast + airway.slow_conductance * slow


def _pendelluft(airway, duration, start, fall, compliance_fast, compliance_slow):
    """Gas that a compartment moves against the phase before its flow turns [mL].

    The pressure across a compartment is quick exp(-quick_rate t) + late exp(-late_rate t). Only
    the one whose quick part is negative can run backwards; its pressure then grows until
    exp(-gap t) = turn, with turn = late_rate late / (quick_rate |quick|) below one, and there is
    late exp(-late_rate t) gap / quick_rate.
    """
    fast, slow = start
    fast_quick = airway.share * fast - airway.fast_link * slow
    slow_quick = airway.other_share * slow - airway.slow_link * fast
    is_slow = slow_quick < fast_quick
    here, quick = np.where(is_slow, slow, fast), np.minimum(slow_quick, fast_quick)
    late = here - quick
    turn = airway.late_rate * late / np.maximum(airway.quick_rate * -quick, SMALLEST)
    turn_time = np.log(np.minimum(np.maximum(turn, SMALLEST), 1.0)) / -airway.rate_gap
    greatest = late * np.exp(-airway.late_rate * turn_time) * airway.rate_gap / airway.quick_rate
    unturned = -np.where(is_slow, fall[1], fall[0])
    gain = np.where(turn_time < duration, greatest - here, unturned)
    return np.where(is_slow, compliance_slow, compliance_fast) * np.maximum(gain, 0.0)


def _share(part, whole):
    """Return part / whole, 0 where there is no whole."""
    return part / np.where(whole == 0.0, 1.0, whole)


def _describe(
    fill,
    release,
    filling,
    emptying,
    opening,
    height,
    p_high,
    p_low,
    t_high,
    t_low,
    compliance_fast,
    compliance_slow,
    resistance_fast,
    resistance_slow,
    resistance_shared_insp,
    resistance_shared_exp,
):
    """Outcomes of a cycle from the pressures across the airway at the start of its two phases.

    The time integral of those pressures over a phase is M times the volumes that moved: what the
    shared airway takes of both volumes, and each compartment's own airway of its own.
    """
    compliance = compliance_fast + compliance_slow
    rise, fall, left = filling.fall(*opening), emptying.fall(*height), emptying.rest(*height)
    in_fast, in_slow = compliance_fast * rise[0], compliance_slow * rise[1]
    out_fast, out_slow = compliance_fast * fall[0], compliance_slow * fall[1]
    trapped_fast, trapped_slow = compliance_fast * left[0], compliance_slow * left[1]
    taken, released = in_fast + in_slow, out_fast + out_slow
    fillable = compliance_fast * opening[0] + compliance_slow * opening[1]
    releasable = compliance_fast * height[0] + compliance_slow * height[1]
    weight_fast = resistance_fast * compliance_fast
    weight_slow = resistance_slow * compliance_slow
    own_share = weight_fast * (out_fast - in_fast) + weight_slow * (out_slow - in_slow)
    airway_share = (
        resistance_shared_exp * released - resistance_shared_insp * taken + own_share / compliance
    ) * L_PER_ML
    backwards = _pendelluft(fill, t_high, opening, rise, compliance_fast, compliance_slow)
    backwards = backwards + _pendelluft(
        release, t_low, height, fall, compliance_fast, compliance_slow
    )
    own_time = weight_fast * compliance_fast + weight_slow * compliance_slow
    return {
        "release_volume": released,
        "trapped_volume": trapped_fast + trapped_slow,
        "end_high_pressure": p_low + releasable / compliance,
        "end_high_volume": p_low * compliance + releasable,
        "end_release_pressure": p_low + (trapped_fast + trapped_slow) / compliance,
        "peak_expiratory_flow": _opening_flow(release, *height),
        "end_release_flow": _opening_flow(release, *left),
        "mean_alveolar_pressure": (p_high * t_high + p_low * t_low + airway_share)
        / (t_high + t_low),
        "fill_fraction": _share(taken, fillable),
        "exhaled_fraction": _share(released, releasable),
        "time_constant_exp": (resistance_shared_exp * compliance + own_time / compliance)
        * L_PER_ML,
        "trapped_volume_fast": trapped_fast,
        "trapped_volume_slow": trapped_slow,
        "auto_peep_fast": left[0],
        "auto_peep_slow": left[1],
        "pendelluft_volume": backwards,
        "slow_exhaled_fraction": _share(fall[1], height[1]),
    }


PAIRED = Lung(
    name="paired",
    long_name="two compartments behind a shared airway",
    source="Otis et al., J Appl Physiol 1956;8:427 (from memory); closed form, 2 x 2 eigenvalues",
    parameters=(
        "p_high",
        "p_low",
        "t_high",
        "t_low",
        "compliance_fast",
        "compliance_slow",
        "resistance_fast",
        "resistance_slow",
        "resistance_shared_insp",
        "resistance_shared_exp",
    ),
    solves=SOLVED + SOLVED_EACH,
    signals=(*WAVES, "alveolar_pressure_fast", "alveolar_pressure_slow"),
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
)
