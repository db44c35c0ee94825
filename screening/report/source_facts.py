"""Where the numbers come from: every parameter behind a home's volumes, with its source or that the run file set it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from screening.params.area_ratios import AREA_RATIOS
from screening.report.facts import Fact, flag_codes, rows_of
from screening.report.quantities import percent
from screening.report.recorded import (
    SET_BY_RUN_FILE,
    parameter_source,
    parameter_unit,
    parameter_value,
    recorded_params,
    town_soils,
    year_spans,
    years_used,
)
from screening.rules import GWQ037, PROGRAM_DEFAULT
from screening.sizing import DEPTH_LIMITS_MM, handbook_class
from screening.sizing.handbook import CLAYEY_MM_H, SANDY_MM_H

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.params import Params, SizingParams
    from screening.report.quantities import Units
    from screening.report.result_file import HomeResult

_CONNECTION: Final = (
    ("connected, low", "roof.connection_low_frac"),
    ("connected, likely", "roof.connection_likely_frac"),
    ("connected, high", "roof.connection_high_frac"),
)
_STORMS: Final = (
    ("storms a year", "rain.storms_per_y"),
    ("depth of a storm", "rain.storm_mean_mm"),
    ("length of a storm", "rain.storm_duration_h"),
)
_SHAPE: Final = (
    ("depths of the bands", "sizing.depths_mm"),
    ("slopes between bands", "sizing.slope_breaks_pct"),
    ("drawdown limit", "sizing.drawdown_limit_h"),
)
_METHOD: Final = {
    "handbook": (),
    "capture_depth": (("rain to store", "sizing.capture_depth_mm"),),
    "drain_in_a_day": (("rain to store", "sizing.capture_depth_mm"),),
    "fixed_area": (("fixed area", "sizing.fixed_area_m2"),),
    "area_ratio": (),
}
_SIDES: Final = (("lean of the sides", "sizing.side_run_per_rise"), ("berm", "sizing.berm_width_m"))
_WETTING: Final = (
    ("saturation when dry", "soil.start_saturation_frac"),
    ("soil dries over", "soil.recovery_h"),
)
_LOSSES: Final = (
    ("initial loss, low", "uncertainty.initial_loss_low_factor"),
    ("initial loss, high", "uncertainty.initial_loss_high_factor"),
)
_SHARED: Final = (
    ("soil shared by town", "uncertainty.soil_city_frac"),
    ("soil shared by class", "uncertainty.soil_class_frac"),
    ("roof shared", "uncertainty.roof_share_shared_frac"),
    ("loss shared", "uncertainty.initial_loss_shared_frac"),
    ("connection shared", "uncertainty.connection_shared_frac"),
)
_AGEING: Final = (("sediment", "ageing.sediment_mm_y"), ("part to keep", "ageing.keep_frac"))
_GROWING_IN: Final = (
    ("growing in", "ageing.establishment_y"),
    ("rate meanwhile", "ageing.establishment_rate_frac"),
)
_BARRELS: Final = (
    ("volume of a barrel", "barrel.volume_l"),
    ("roof for a barrel", "barrel.roof_per_barrel_m2"),
    ("emptied after", "barrel.empty_after_h"),
    ("emptied over", "barrel.empty_over_h"),
    ("step of a barrel", "barrel.rule"),
)
_STRIP: Final = (
    ("largest strip", "barrel.strip_area_m2"),
    ("stone under it", "barrel.strip_base_mm"),
    ("voids in the stone", "barrel.strip_void_frac"),
)
_LAWN: Final = (
    ("lawn for a roof", "barrel.lawn_area_per_roof"),
    ("water in the grass", "barrel.lawn_storage_mm"),
)

_Rows = tuple[tuple[str, str], ...]


def home_sources(home: HomeResult, units: Units) -> Iterator[Fact]:
    """Yield the parameters behind a candidate's volumes.

    Parameters
    ----------
    home : HomeResult
        A candidate.
    units : Units
        How numbers are written.
    """
    params = recorded_params(home.parameters)
    if params is None:
        return
    codes = flag_codes(home.row)
    yield from _facts(_rain_rows(home, is_assumed="rain_assumed" in codes), params, units)
    yield from _soil(home, params, units)
    if params.soil.infiltration != "constant":
        yield from _facts(_WETTING, params, units)
    yield from _facts(_CONNECTION, params, units)
    yield from _sizing(home, params, units)
    factor = "roof_share_factor" if "downspouts_assumed" in codes else "roof_share_measured_factor"
    rows: list[tuple[str, str]] = [("served roof", f"uncertainty.{factor}")]
    if params.roof.form == "unknown":
        rows.append(("chance of a gable", "uncertainty.gable_frac"))
    yield from _facts((*rows, *_LOSSES, *_SHARED, *_AGEING), params, units)
    if params.ageing.establishment_rate_frac < 1.0:
        yield from _facts(_GROWING_IN, params, units)
    if params.barrel.is_upstream:
        yield from _facts(_BARRELS, params, units)
        if params.barrel.empty_onto == "strip":
            yield from _facts(_STRIP, params, units)


def alternative_sources(home: HomeResult, units: Units) -> Iterator[Fact]:
    """Yield the parameters behind the figure of what to look at instead of a garden."""
    params = recorded_params(home.parameters)
    rows: _Rows = {"barrel": _BARRELS, "permeable_strip": _STRIP, "lawn_discharge": _LAWN}.get(
        home.row["alternative_code"] or "", ()
    )
    if params is None or not rows or home.row["alternative_m3_y"] is None:
        return
    yield from _facts(rows, params, units)
    if rows is not _BARRELS:
        yield from _town_soil(home, units)
    years = years_used(home.record)
    yield Fact(
        "runoff of a roof",
        units.show(home.recorded("runoff_roof_mm_y"), "mm/y"),
        f"mean of the rain record, {year_spans(years)}" if years else "of assumed storms: no rain record was given",
    )
    rain = _rain_rows(home, is_assumed=not years)
    yield from _facts((*rain, ("connected, likely", "roof.connection_likely_frac")), params, units)


def _rain_rows(home: HomeResult, *, is_assumed: bool) -> _Rows:
    """Parameters of rain and runoff that the run made use of."""
    loss = ("initial loss", "roof.initial_loss_mm")
    if is_assumed:
        return (*_STORMS, loss)
    daily = (("a day's rain falls in", "rain.daily_rain_h"),) if home.recorded("rain_step_h") == 24.0 else ()
    return (loss, ("dry again after", "rain.dry_spell_h"), *daily)


def _soil(home: HomeResult, params: Params, units: Units) -> Iterator[Fact]:
    """Yield rate and spread of the home's soil."""
    name, rate = home.row["soil_class"], home.row["soil_rate_mm_h"]
    if rate is not None:
        yield Fact("soil rate", units.given(rate, "mm/h"), home.record.get(f"soil.{name}.basis", ""))
    spread = home.recorded(f"soil.{name}.spread_factor")
    if spread is not None:
        is_own = abs(spread - params.soil.spread_factor) > 1e-4 * spread
        source = "the table's own range" if is_own else parameter_source(params, "soil.spread_factor")
        yield Fact("spread of the rate", f"{spread:g}", source)


def _town_soil(home: HomeResult, units: Units) -> Iterator[Fact]:
    """Yield the rates of the town's soils; which of several a parcel without a garden has is not recorded."""
    for name in town_soils(home.record):
        rate = home.recorded(f"soil.{name}.rate_mm_h")
        if rate is not None:
            yield Fact("soil rate", units.given(rate, "mm/h"), f"{name}: {home.record.get(f'soil.{name}.basis', '')}")


def _sizing(home: HomeResult, params: Params, units: Units) -> Iterator[Fact]:
    """Yield the sizing method and what it takes."""
    rules, rate = params.sizing, home.row["soil_rate_mm_h"]
    soil = rules.soil_class if rate is None else handbook_class(rules, rate)
    source = parameter_source(params, "sizing.method")
    if rules.method == "area_ratio":
        source = AREA_RATIOS[rules.ratio_rule].source
    elif rules.method == "handbook":
        depths = [garden["ponding_depth_mm"] or 0.0 for garden in rows_of(home, "gardens")]
        # which printed factors were not read: see `sizing.NEAR_SIZE_FACTORS`
        is_deep = max(depths, default=0.0) > DEPTH_LIMITS_MM[1]
        unread = ["near factor"] if soil == "clayey" or (soil == "silty" and is_deep) else []
        unread += ["far factors"] if rules.far_factors else []
        source = GWQ037 + (f"; {' and '.join(unread)} from memory" if unread else "")
    yield Fact("sizing method", rules.method, source)
    if soil and (rules.method == "handbook" or _ratio_by_soil(rules)):
        yield Fact("soil of the factors", soil, _soil_source(rules, units))
    yield from _facts(_METHOD[rules.method], params, units)
    yield from _facts(_SHAPE, params, units)
    if rules.side_run_per_rise or rules.berm_width_m:
        yield from _facts(_SIDES, params, units)


def _ratio_by_soil(rules: SizingParams) -> bool:
    """Whether the ratio in force is one for each soil class."""
    return rules.method == "area_ratio" and AREA_RATIOS[rules.ratio_rule].by_soil is not None


def _soil_source(rules: SizingParams, units: Units) -> str:
    """Say where the soil class of the factors comes from."""
    if rules.soil_class:
        return SET_BY_RUN_FILE
    sandy, clayey = units.given(SANDY_MM_H, "mm/h"), units.given(CLAYEY_MM_H, "mm/h")
    return f"by the soil's rate: sandy from {sandy} on, clayey below {clayey} ({PROGRAM_DEFAULT})"


def _facts(rows: _Rows, params: Params, units: Units) -> Iterator[Fact]:
    for label, key in rows:
        yield Fact(label, _written(parameter_value(params, key), key, units), parameter_source(params, key))


def _written(value: Any, key: str, units: Units) -> str:
    """Write a parameter with its unit."""
    if isinstance(value, str):
        return value
    if isinstance(value, tuple):
        *first, last = (units.given(one, parameter_unit(key)) for one in value)
        return ", ".join([*(text.split(" ")[0] for text in first), last])
    if key.endswith("_frac"):
        return percent(value)
    unit = parameter_unit(key)
    return units.given(value, unit)
