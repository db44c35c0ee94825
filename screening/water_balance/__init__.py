"""How much of a roof's yearly runoff a garden keeps: the whole rain record through a bucket."""

from screening.water_balance.curves import (
    LOG_RATIO_FIRST,
    LOG_RATIO_LAST,
    N_RATIOS,
    curve_ratios,
    record_curves,
    storm_curves,
)
from screening.water_balance.direct import (
    Balance,
    Catchments,
    Wetting,
    balance,
    catchments,
    kept_each_year,
    kept_long_term,
    long_term,
)
from screening.water_balance.series import RainSteps, rain_steps, spread_days
from screening.water_balance.storms import (
    StormStatistics,
    draw_storms,
    runoff_of_storms_mm_y,
    storm_kept_frac,
    storm_statistics,
    storm_table,
    storms_y,
)
from screening.water_balance.table import YieldTable, build_table, kept_at, kept_of_gardens, loss_axis, runoff_at

__all__ = [
    "LOG_RATIO_FIRST",
    "LOG_RATIO_LAST",
    "N_RATIOS",
    "Balance",
    "Catchments",
    "RainSteps",
    "StormStatistics",
    "Wetting",
    "YieldTable",
    "balance",
    "build_table",
    "catchments",
    "curve_ratios",
    "draw_storms",
    "kept_at",
    "kept_each_year",
    "kept_long_term",
    "kept_of_gardens",
    "long_term",
    "loss_axis",
    "rain_steps",
    "record_curves",
    "runoff_at",
    "runoff_of_storms_mm_y",
    "spread_days",
    "storm_curves",
    "storm_kept_frac",
    "storm_statistics",
    "storm_table",
    "storms_y",
]
