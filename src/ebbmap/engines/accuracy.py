"""What single precision costs: the largest error of every outcome, measured while it is used."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.units import display


@dataclass
class Accuracy:
    """Errors against double precision, on cases that were solved in both.

    Parameters
    ----------
    cases : int
        How many were solved twice.
    statuses : int
        Cases whose status differs.
    errors : dict of str to float
        Largest distance of each outcome, in registry units.
    verdicts, judged : int
        Verdicts that differ, and all that were compared.
    """

    cases: int = 0
    statuses: int = 0
    errors: dict[str, float] = field(default_factory=dict)
    verdicts: int = 0
    judged: int = 0

    def note(
        self,
        exact: Mapping[str, np.ndarray],
        found: Mapping[str, np.ndarray],
        statuses: tuple[np.ndarray, np.ndarray],
    ) -> None:
        """Take in cases that were solved twice.

        Parameters
        ----------
        exact, found : mapping of str to ndarray, shape (n,)
            Outcomes in double and in single precision; where either is missing they are not
            compared, for the status says that.
        statuses : tuple of ndarray, shape (n,)
            Both statuses.
        """
        self.cases += statuses[0].size
        self.statuses += int(np.count_nonzero(statuses[0] != statuses[1]))
        for name, values in exact.items():
            apart = np.abs(found[name] - values)
            known = apart[np.isfinite(apart)]
            largest = float(known.max()) if known.size else 0.0
            self.errors[name] = max(self.errors.get(name, 0.0), largest)

    def note_verdicts(self, exact: np.ndarray, found: np.ndarray) -> float:
        """Take in verdicts on cases that were solved twice, shape (n,); return how many differ.

        As a share of these.
        """
        differing = int(np.count_nonzero(exact != found))
        self.judged += exact.size
        self.verdicts += differing
        return differing / exact.size

    @property
    def errors_text(self) -> str:
        """The largest error of every outcome, in words."""
        return ", ".join(
            f"{OUTCOMES[name].long_name} {error:.1g} {display(OUTCOMES[name].units)}".rstrip()
            for name, error in self.errors.items()
        )

    @property
    def sentence(self) -> str:
        """What was measured, and that it is no bound.

        Examples
        --------
        >>> Accuracy(cases=10, errors={"paco2": 1e-4}).sentence.split("; ")[1]
        'largest errors: arterial CO₂ tension 0.0001 mmHg'
        """
        if not self.cases:
            return "its error was not measured"
        verdicts = f" and {self.verdicts} of {self.judged:,} verdicts" if self.judged else ""
        return (
            f"against double precision on {self.cases:,} of the cases {self.statuses} statuses"
            f"{verdicts} differ; largest errors: {self.errors_text}"
        )
