"""The lung models: each solves the two-phase cycle for arrays of cases (NumPy and SciPy only)."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.lungs.base import Lung
from ebbmap.lungs.linear import LINEAR
from ebbmap.lungs.paired import PAIRED
from ebbmap.lungs.stepped import STEPPED
from ebbmap.lungs.tube import TUBE
from ebbmap.lungs.whole import WHOLE

LUNGS: Mapping[str, Lung] = MappingProxyType(
    {lung.name: lung for lung in (LINEAR, TUBE, PAIRED, STEPPED, WHOLE)}
)

__all__ = ["LUNGS", "Lung", "lung_model"]


def lung_model(name: str) -> Lung:
    """Return the lung model of a name.

    Raises
    ------
    EbbmapError
        If no model has this name; the message gives the nearest one.

    Examples
    --------
    >>> lung_model("linear").name
    'linear'
    """
    if name not in LUNGS:
        raise EbbmapError(unknown_name("lung", name, LUNGS))
    return LUNGS[name]
