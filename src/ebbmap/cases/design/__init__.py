"""Designs: points of the unit cube as labelled Datasets that say how they were drawn."""

from __future__ import annotations

from ebbmap.cases.design.check import check_counted, check_design, check_kind
from ebbmap.cases.design.draw import (
    draw_morris_design,
    draw_random_design,
    draw_shapley_design,
    draw_sobol_design,
)
from ebbmap.cases.design.factors import (
    DESIGN_STREAM,
    OTHER_LUNGS_STREAM,
    RESAMPLING_STREAM,
    Groups,
    factors_of,
    seed_stream,
)

__all__ = [
    "DESIGN_STREAM",
    "OTHER_LUNGS_STREAM",
    "RESAMPLING_STREAM",
    "Groups",
    "check_counted",
    "check_design",
    "check_kind",
    "draw_morris_design",
    "draw_random_design",
    "draw_shapley_design",
    "draw_sobol_design",
    "factors_of",
    "seed_stream",
]
