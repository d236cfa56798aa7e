"""What parameters and outcomes share: how their values are said to a reader."""

from __future__ import annotations

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.units import UNITS, bracketed, display


class Quantity:
    """A parameter or an outcome, as readers meet it."""

    name: str
    long_name: str
    short_name: str
    units: str
    bounds: tuple[float, float]
    choices: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """Axis text: name in words and unit."""
        return bracketed(self.long_name, self.units)

    @property
    def is_share(self) -> bool:
        """Whether it is a share of something, which a sentence gives in per cent."""
        within = self.bounds[0] >= 0.0 and self.bounds[1] <= 1.0
        return self.units == "1" and within and not self.choices

    @property
    def said_units(self) -> str:
        """The unit as a sentence gives it; per cent for shares."""
        return "%" if self.is_share else display(self.units)

    def number(self, value: float, digits: int = 6) -> str:
        """Return a value to some significant digits, without its unit."""
        return f"{100.0 * value if self.is_share else value:.{digits}g}"

    def amount(self, value: float, digits: int = 6) -> str:
        """Return a value with its unit."""
        return f"{self.number(value, digits)} {self.said_units}".rstrip()

    def range(self, low: float, high: float, digits: int = 6) -> str:
        """Return a range with its unit; one value if its ends are the same."""
        before = "" if low == high else f"{self.number(low, digits)} to "
        return f"{before}{self.amount(high, digits)}"


def check_entry(name: str, units: str, source: str) -> None:
    """Refuse units that are not in the vocabulary, and an entry without a source.

    Raises
    ------
    EbbmapError
        With the nearest unit.
    """
    if units not in UNITS:
        raise EbbmapError(
            f"registry entry {name!r} is inconsistent: {unknown_name('unit', units, UNITS)}"
        )
    if not source.strip():
        raise EbbmapError(
            f"registry entry {name!r} is inconsistent: it needs a source. Give one, or say "
            "'common practice, no source'."
        )
