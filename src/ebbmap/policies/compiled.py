"""Minutes of a policy that JAX compiles and repeats, and the rare lung that NumPy must solve.

Sizes: n patients.
"""

from __future__ import annotations

import numpy as np

from ebbmap.engines import compiles, has_accelerator, in_single
from ebbmap.engines.masked import part_of
from ebbmap.engines.repeated import Repeated, filled_size, on_device, on_host
from ebbmap.policies.cohort import Cohort
from ebbmap.policies.language import Policy
from ebbmap.policies.minutes import Minutes
from ebbmap.policies.ward import BY_MINUTE, Patients, Ward, first_patients, first_ward

#: Patients that are simulated together by NumPy: a believable lung costs more by the call than by
#: the patient, so that half as many took a quarter longer (measured).
PIECE = 5000

#: The same where their minutes are compiled, on a processor and on an accelerator.
PROCESSOR_PIECE, DEVICE_PIECE = 2**15, 2**20

#: Patients times minutes from which on the minutes of a policy are worth being compiled.
WORTH = 2e7

#: Policies of which what was compiled is kept.
KEPT = 4

#: What was compiled last, with its policy, by whose identity it is found.
_COMPILED: dict[int, tuple[Policy, Minutes, Repeated, Repeated]] = {}


def worth_compiling(policy: Policy, patients: int, minutes: int) -> bool:
    """Return whether the engine in use compiles the minutes of so many patients."""
    return patients * minutes >= WORTH and _compiles(policy)


def _compiles(policy: Policy) -> bool:
    """Return whether the engine in use can; in single precision it solves lungs alone."""
    lung = policy.protocol.lung
    return compiles(lung) and not in_single(lung)


def compiled_work(policy: Policy) -> str:
    """Return what another engine than NumPy does in a run of a policy, in words."""
    patients = min(policy.protocol.lungs, piece_size(policy))
    minutes = worth_compiling(policy, patients, policy.hours * 60)
    return "settled cycles, minutes of patients" if minutes else "settled cycles"


def piece_size(policy: Policy) -> int:
    """Return how many patients are simulated together; no answer depends on it."""
    if not _compiles(policy):
        return PIECE
    return DEVICE_PIECE if has_accelerator() else PROCESSOR_PIECE


def run_compiled(policy: Policy, cohort: Cohort, numbers: np.ndarray, minutes: int) -> Ward:
    """Follow a cohort for some minutes on the device, and return how it is at the end.

    Parameters
    ----------
    policy, cohort, numbers
        As `Simulation` takes them.
    minutes : int
        How many.

    Returns
    -------
    Ward
        What a course is made of as arrays of NumPy; the rest stays on the device.
    """
    steps, stepping, last = _of_policy(policy)
    n = cohort.size
    filled = np.minimum(np.arange(filled_size(n)), n - 1)
    cohort = cohort.part(filled)
    fixed = first_patients(policy, steps.bodies, cohort, numbers[filled])
    values = {name: np.broadcast_to(v, filled.shape) for name, v in fixed.values.items()}
    patients = on_device(fixed._replace(values=values))
    ward = first_ward(policy, steps.bodies, cohort, minutes)
    ward.bedside.active[n:] = False  # what fills it up is nobody
    ward, minute = on_device(ward), 0
    while minute < minutes:
        minute, ward = stepping.run(minute, minutes, ward, patients)
        ward = _mended(steps, stepping, minute, ward, patients)
    _, ward = last.run(minutes, minutes + 1, ward, patients)
    return _counted(n, ward)


def _of_policy(policy: Policy) -> tuple[Minutes, Repeated, Repeated]:
    """Return the steps of a policy and what is compiled of them: minutes, and the last look."""
    key = id(policy)
    if key not in _COMPILED:
        if len(_COMPILED) >= KEPT:
            del _COMPILED[next(iter(_COMPILED))]
        steps = Minutes(policy, compiled=True)
        stepping = Repeated(steps.step, lambda ward: ward.left)
        look = Repeated(lambda *now: steps.observe(*now)[0], lambda ward: ward.left)
        _COMPILED[key] = policy, steps, stepping, look
    return _COMPILED[key][1:]


def _mended(
    steps: Minutes, repeated: Repeated, minute: int, ward: Ward, patients: Patients
) -> Ward:
    """Solve by NumPy the lungs that no compiled way could, as they are from a minute on."""
    bodies = steps.bodies
    for cases in repeated.left(ward):
        given = patients.values, ward.bedside.hand.settings
        (values, settings), lost = repeated.take((given, ward.tally.lost), cases)
        found, _ = bodies.solved_by(bodies.lung, steps.values_at(minute, values), settings)
        lost = lost | np.isnan(found["release_volume"])
        solved, left, lost = repeated.put(
            (ward.solved, ward.left, ward.tally.lost), cases, (found, lost & False, lost)
        )
        ward = ward._replace(solved=solved, left=left, tally=ward.tally._replace(lost=lost))
    return ward


def _counted(n: int, ward: Ward) -> Ward:
    """Return a ward with what a course is made of as arrays of NumPy, of the first n patients."""
    bedside, tally = ward.bedside, on_host(ward.tally)
    own = [name for name in tally._fields if name not in BY_MINUTE]
    return ward._replace(
        bedside=bedside._replace(
            hand=part_of(on_host(bedside.hand), slice(n)),
            left=np.asarray(bedside.left)[:n],
            fired=np.asarray(bedside.fired),
        ),
        tally=tally._replace(**{name: getattr(tally, name)[..., :n] for name in own}),
    )
