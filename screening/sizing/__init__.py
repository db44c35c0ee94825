"""How large and how deep a garden should be, by published sizing rules, and what it then holds."""

from screening.sizing.depth import DAY_H, band_depths_mm, depth_for_slope_mm, levelling_depth_m
from screening.sizing.handbook import (
    DEPTH_LIMITS_MM,
    FAR_SIZE_FACTORS,
    NEAR_SIZE_FACTORS,
    handbook_area_m2,
    handbook_class,
    size_factor,
)
from screening.sizing.methods import Wanted, area_per_roof, capture_area_m2, unmet_conditions, wanted
from screening.sizing.split import Split, split_target
from screening.sizing.storage import bed_storage_m2, rectangle_storage_m2

__all__ = [
    "DAY_H",
    "DEPTH_LIMITS_MM",
    "FAR_SIZE_FACTORS",
    "NEAR_SIZE_FACTORS",
    "Split",
    "Wanted",
    "area_per_roof",
    "band_depths_mm",
    "bed_storage_m2",
    "capture_area_m2",
    "depth_for_slope_mm",
    "handbook_area_m2",
    "handbook_class",
    "levelling_depth_m",
    "rectangle_storage_m2",
    "size_factor",
    "split_target",
    "unmet_conditions",
    "wanted",
]
