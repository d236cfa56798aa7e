"""The model beside every finding, as one result."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, flags, label_variables, provenance
from ebbmap.kernels.knowledge import knowledge_interval
from ebbmap.validation import FINDINGS, SUBJECTS
from ebbmap.validation.finding import VERDICTS, Finding
from ebbmap.validation.measured import LUNGS, MEASURED_LUNGS, Draw, read_as
from ebbmap.validation.reading import RESAMPLES

#: Outer draws of the populations unless told otherwise; lungs of each, which are measured again
#: and again, and the level of their interval.
DRAWS, KNOWN_LUNGS, LEVEL = 40, 60, 0.95

#: Whether both intervals together reach the published one.
REACHES = ("out_of_reach", "within_reach")

#: Variables of the result; numbers of each finding are in the unit that `unit` names.
VARIABLES = {
    "value": Variable("number of the model, measured as it was published", None),
    "lungs_drawn": Variable(
        "95 % interval of the lungs drawn",
        None,
        {
            "ci_level": 0.95,
            "ci_method": f"percentiles of {RESAMPLES} resamples of the lungs",
        },
    ),
    "knowledge": Variable(
        "95 % interval over what is not known of the populations",
        None,
        {
            "ci_level": LEVEL,
            "ci_method": "order statistics of outer draws of the numbers behind the populations, "
            f"{KNOWN_LUNGS} of the same lungs each, around the number of the model",
        },
    ),
    "published": Variable("published interval", None),
    "distance": Variable("distance from the middle of the published interval in half its width"),
    "distance_drawn": Variable("95 % interval of the lungs drawn, as a distance"),
    "distance_knowledge": Variable("95 % interval of knowledge, as a distance"),
    "within_reach": flags("whether both intervals together reach the published one", REACHES),
    "lungs": Variable("lungs drawn; 0 if the number hangs on none"),
    "verdict": flags("verdict", VERDICTS),
    "subject": Variable("subject of the finding", None),
    "unit": Variable("unit of its numbers", None),
    "source": Variable("where it was published", None),
    "grade": Variable("how the published number is known", None),
    "how": Variable("how the model was measured", None),
    "note": Variable("what was assumed to compare the two", None),
    "why": Variable("why they disagree or cannot be compared", None),
}

#: Texts of a finding that the result takes as they are.
TEXTS = ("source", "grade", "how", "note")


def steps(draws: int = DRAWS) -> int:
    """Return how much of a validation is reported while it is made."""
    return len(FINDINGS) + (draws + 1 if draws else 0)


def find_validation(
    *, draws: int = DRAWS, progress: Callable[[int], object] | None = None
) -> xr.Dataset:
    """Measure the model beside every published finding.

    Parameters
    ----------
    draws : int
        Outer draws of what is not known of the populations; 0 leaves it out.
    progress : callable, optional
        ``progress(count)`` is called with the number of `steps` just done.

    Returns
    -------
    Dataset
        `VARIABLES` along `finding`, whose labels are the names of the findings; intervals along
        `ci_bound` too. NaN where the two cannot be compared.
    """
    report = progress or (lambda count: None)
    known = _knowledge(draws, report)
    rows = []
    for subject, findings in SUBJECTS.items():
        for finding in findings:
            rows.append(_row(subject, finding, known.get(finding.name)))
            report(1)
    names = [finding.name for findings in SUBJECTS.values() for finding in findings]
    dims = {name: ("finding", "ci_bound")[: np.ndim(rows[0][name]) + 1] for name in rows[0]}
    result = xr.Dataset(
        {name: (dims[name], np.array([row[name] for row in rows])) for name in dims},
        coords={"finding": names, "ci_bound": ["lower", "upper"]},
        attrs=provenance(
            "the model beside published findings",
            lung="whole, where no other is named",
            lungs_from=f"Invented lungs around published centres, {LUNGS} of each population "
            f"({MEASURED_LUNGS} where they are measured as patients were).",
        ),
    )
    return label_variables(result, VARIABLES)


def _knowledge(draws: int, report: Callable[[int], object]) -> dict[str, np.ndarray]:
    """Return by how much knowledge moves the number of each finding, downwards and upwards.

    Nothing for numbers that hang on no population.
    """
    compared = [finding for finding in FINDINGS if finding.measure is not None]
    found = np.empty((draws + 1, len(compared)))
    for row, number in zip(found, (None, *range(draws)), strict=True) if draws else ():
        with read_as(Draw(number, KNOWN_LUNGS)):
            row[:] = [finding.measure().value for finding in compared if finding.measure]
        report(1)
    if not draws:
        return {}
    ends = knowledge_interval(found[1:], level=LEVEL) - found[0]
    moved = np.ptp(found, axis=0) > 0.0
    return {one.name: ends[:, at] for at, one in enumerate(compared) if moved[at]}


def _row(subject: str, finding: Finding, known: np.ndarray | None) -> dict[str, Any]:
    """Return what the result says of one finding, with how far knowledge moves its number."""
    value, ends, lungs = np.nan, np.full(2, np.nan), 0
    if finding.measure is not None:
        reading = finding.measure()
        value, ends, lungs = reading.value, np.array(reading.lungs_drawn()), reading.lungs
    verdict = finding.verdict(value)
    knowledge = np.full(2, np.nan) if known is None else value + known
    return {
        "value": value,
        "lungs_drawn": ends,
        "knowledge": knowledge,
        "distance_knowledge": finding.distance(knowledge),
        "within_reach": np.int8(finding.reached(value, ends, knowledge)),
        "published": np.array(finding.interval),
        "distance": finding.distance(value),
        "distance_drawn": finding.distance(ends),
        "lungs": lungs,
        "verdict": np.int8(VERDICTS.index(verdict)),
        "subject": subject,
        "unit": finding.units,
        "why": finding.why if verdict in ("disagrees", "not comparable") else "",
        **{name: getattr(finding, name) for name in TEXTS},
    }
