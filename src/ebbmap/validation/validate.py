"""The model beside every finding, as one result."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, flags, label_variables, provenance
from ebbmap.validation import SUBJECTS
from ebbmap.validation.finding import VERDICTS, Finding
from ebbmap.validation.measured import LUNGS, MEASURED_LUNGS
from ebbmap.validation.reading import RESAMPLES

#: Variables of the result; numbers of each finding are in the unit that `unit` names.
VARIABLES = {
    "value": Variable("number of the model, measured as it was published", None),
    "lungs_drawn": Variable(
        "95 % interval of the lungs drawn",
        None,
        {
            "ci_level": 0.95,
            "ci_method": f"percentiles of {RESAMPLES} resamples of the lungs",
            "comment": "How well the populations themselves are known is not in it.",
        },
    ),
    "published": Variable("published interval", None),
    "distance": Variable("distance from the middle of the published interval in half its width"),
    "distance_drawn": Variable("95 % interval of the lungs drawn, as a distance"),
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


def find_validation(*, progress: Callable[[int], object] | None = None) -> xr.Dataset:
    """Measure the model beside every published finding.

    Parameters
    ----------
    progress : callable, optional
        ``progress(count)`` is called with the number of findings just done.

    Returns
    -------
    Dataset
        `VARIABLES` along `finding`, whose labels are the names of the findings; intervals along
        `ci_bound` too. NaN where the two cannot be compared.
    """
    rows = []
    for subject, findings in SUBJECTS.items():
        for finding in findings:
            rows.append(_row(subject, finding))
            if progress is not None:
                progress(1)
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


def _row(subject: str, finding: Finding) -> dict[str, Any]:
    """Return what the result says of one finding."""
    value, ends, lungs = np.nan, np.full(2, np.nan), 0
    if finding.measure is not None:
        reading = finding.measure()
        value, ends, lungs = reading.value, np.array(reading.lungs_drawn()), reading.lungs
    verdict = finding.verdict(value)
    return {
        "value": value,
        "lungs_drawn": ends,
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
