"""How many lungs and settings a check looks at: stated in the protocol, else by the lung's cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Size:
    """A size of a check.

    Parameters
    ----------
    text : str
        What it counts.
    least, most : int
        Between which it may be stated.
    costly : int
        What is taken where the lung is costly and the protocol states nothing; for other lungs
        each part of the check has its own.
    """

    text: str
    least: int
    most: int
    costly: int


#: Every size that a protocol may state in ``[sizes]``.
SIZES: Mapping[str, Size] = MappingProxyType(
    {
        "search_lungs": Size("lungs on which boxes and safe settings are searched", 16, 16384, 200),
        "search_settings": Size("settings of the grid on which boxes are searched", 16, 4096, 125),
        "own_settings": Size("settings tried in search of a safe one for each lung", 64, 8192, 128),
        "certificate_lungs": Size("fresh lungs that certify a box or a default", 64, 65536, 400),
        "certificate_settings": Size("fresh settings that certify a box", 8, 1024, 32),
        "choice_lungs": Size("lungs on which a way of choosing T low is tuned", 16, 16384, 64),
        "tried_lungs": Size("fresh lungs on which it is tried", 64, 65536, 300),
        "window_lungs": Size("lungs whose release windows are found", 16, 16384, 150),
        "map_lungs": Size("lungs of the map", 16, 16384, 60),
        "map_places": Size("places along each axis of the map", 5, 101, 15),
        "driver_rows": Size("base rows of the sensitivity indices, a power of two", 64, 8192, 128),
    }
)

#: Lungs of each group and settings of each lung in the verdict: of a costly lung, and of others.
COSTLY_VERDICT, VERDICT = (400, 64), (4096, 512)

COSTLY: Mapping[str, int] = MappingProxyType({name: one.costly for name, one in SIZES.items()})


def size_words(sizes: Mapping[str, int]) -> str:
    """Return the sizes in words, for the report.

    Examples
    --------
    >>> size_words({"map_lungs": 60})
    'lungs of the map: 60'
    """
    return "; ".join(f"{SIZES[name].text}: {number:,}" for name, number in sizes.items())
