"""The lung models: each solves the two-phase cycle for arrays of cases (NumPy and SciPy only)."""

from __future__ import annotations

from ebbmap.lungs.base import Lung
from ebbmap.lungs.breathing import BREATHING
from ebbmap.lungs.linear import LINEAR
from ebbmap.lungs.paired import PAIRED
from ebbmap.lungs.stepped import STEPPED
from ebbmap.lungs.tube import TUBE
from ebbmap.lungs.whole import WHOLE
from ebbmap.registry import Registry

#: The lung where none is named: it has tube, slow part and valve, as measured lungs do.
DEFAULT_LUNG = WHOLE.name

LUNGS: Registry[Lung] = Registry("lung", (LINEAR, TUBE, PAIRED, STEPPED, WHOLE, BREATHING))

lung_model = LUNGS.named

__all__ = ["DEFAULT_LUNG", "LUNGS", "Lung", "lung_model"]
