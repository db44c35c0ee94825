"""Facts about one garden: its size and depth, what it stores, and how fast that soaks away."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from screening import sizing
from screening.columns import SHAPE_CODES
from screening.params.area_ratios import AREA_RATIOS
from screening.report.facts import Fact, formula_text, rows_of
from screening.report.place_facts import distance_facts, overflow_fact, run_facts
from screening.report.recorded import recorded_params

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from screening.params import SizingParams
    from screening.report.quantities import Units
    from screening.report.result_file import HomeResult

LAWN_SIDE_RATIO: Final = 2.0
"""Length over width of a garden for which the lawn between house and garden is counted (docs/method/sizing.md)."""

AT_BREAK_PCT: Final = 0.05
"""The search sums slopes up over a drawing of the ground, the result over the ground: they may differ so much [%]."""


def garden_facts(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Iterator[Fact]:
    """Yield form, size, distances, depth and storage of a garden.

    Parameters
    ----------
    home : HomeResult
        A candidate.
    garden : Mapping[str, object]
        One of its rows of `gardens`.
    units : Units
        How numbers are written.
    """
    params = recorded_params(home.parameters)
    rules = None if params is None else params.sizing
    yield Fact("form", SHAPE_CODES[garden["shape_code"]], "")
    yield _served_roof(home, garden, units)
    yield Fact("area", units.show(garden["area_m2"], "m2"), _target(home, garden, rules, units))
    length, width = units.number(garden["length_m"], "m"), units.show(garden["width_m"], "m")
    axis = units.show(garden["long_axis_deg"], "deg")
    yield Fact("length x width", f"{length} x {width}", f"long side toward {axis}, clockwise from north")
    max_slope = units.limit(home.parameter("rules.max_slope_pct"), "%")
    yield Fact("slope under it", units.show(garden["slope_pct"], "%"), f"mean; nowhere more than {max_slope}")
    yield Fact("elevation", units.show(garden["elev_m"], "m"), "mean of the ground under it")
    yield from distance_facts(home, garden, units)
    yield from run_facts(home, garden, units)
    yield Fact("ponding depth", units.show(garden["ponding_depth_mm"], "mm"), _depth(garden, rules, units))
    yield Fact("storage area", units.show(garden["storage_area_m2"], "m2"), _storage_area(home, garden, rules, units))
    area, depth = garden["storage_area_m2"], garden["ponding_depth_mm"]
    stored = area * depth / 1000.0 if area is not None and depth is not None else None
    formula = f"storage area x depth = {units.show(area, 'm2')} x {units.show(depth, 'mm')}"
    yield Fact(
        "storage",
        units.show(garden["storage_m3"], "m3"),
        formula_text(formula, stored, garden["storage_m3"], units.show(stored, "m3")),
    )
    rate = garden["soil_rate_mm_h"]
    hours = depth / rate if depth is not None and rate else None
    limit = units.limit(home.parameter("sizing.drawdown_limit_h"), "h")
    formula = f"depth / soil rate = {units.show(depth, 'mm')} / {units.given(rate, 'mm/h')}" if rate else "depth / rate"
    yield Fact(
        "soaks away in",
        units.show(garden["drawdown_h"], "h"),
        f"{formula_text(formula, hours, garden['drawdown_h'], units.show(hours, 'h'))}; {limit} at most",
    )
    yield overflow_fact(home, garden, units)


def _served_roof(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Fact:
    """Sum up the roof that drains to it, for both roof forms where the form is unknown."""
    roof, gable = garden["treated_roof_m2"], garden["treated_roof_gable_m2"]
    parts = [
        spout["roof_area_m2"] or 0.0
        for spout in rows_of(home, "downspouts")
        if spout["garden_id"] == garden["garden_id"]
    ]
    formula = f"roof of its {garden['n_downspouts']} downspout{'' if garden['n_downspouts'] == 1 else 's'}"
    how = formula_text(formula, sum(parts), roof, units.show(sum(parts), "m2"))
    if home.parameters.get("roof.form") == "unknown" and gable is not None:
        how += f"; {units.show(gable, 'm2')} if the roof is a gable"
    return Fact("serves", units.show(roof, "m2"), how)


def _target(home: HomeResult, garden: Mapping[str, Any], rules: SizingParams | None, units: Units) -> str:
    """Say what area the sizing rule asks for."""
    largest = units.limit(home.parameter("rules.max_garden_area_m2"), "m2")
    smallest = units.limit(home.parameter("rules.min_garden_area_m2"), "m2")
    bounds = f"{smallest} to {largest} allowed"
    roof, depth = garden["treated_roof_m2"], garden["ponding_depth_mm"]
    if rules is None or roof is None or not depth or garden["soil_rate_mm_h"] is None:
        return bounds
    of_roof = f"{units.show(roof, 'm2')} of roof"
    if rules.method == "handbook":
        rule = _handbook(home, garden, rules, units)
    elif rules.method == "area_ratio":
        ratio = AREA_RATIOS[rules.ratio_rule]
        factor = ratio.figure(_soil(garden, rules), rules.ratio_choice)
        rule = f"ratio {factor:.3g} ({ratio.title}) x {of_roof} = {units.show(factor * roof, 'm2')}"
    elif rules.method in {"capture_depth", "drain_in_a_day"}:
        wanted = units.show(float(sizing.capture_area_m2(roof, rules.capture_depth_mm, depth)), "m2")
        rule = f"{of_roof} x {units.given(rules.capture_depth_mm, 'mm')} of rain / depth = {wanted}"
    else:
        rule = f"fixed area of {units.limit(rules.fixed_area_m2, 'm2')}"
    if rules.side_run_per_rise or rules.berm_width_m:
        rule += " of storage area, and around it what sides and berm take"
    return f"target, {rules.method}: {rule}; {bounds}; less where the ground gives less"


def _handbook(home: HomeResult, garden: Mapping[str, Any], rules: SizingParams, units: Units) -> str:
    """Say what the handbook's tables ask for, with the far factor where it counts."""
    roof, soil = garden["treated_roof_m2"], _soil(garden, rules)
    near = float(sizing.size_factor(soil, garden["ponding_depth_mm"]))
    far_roof, lawn_m = _far_roof(home, garden, rules) if rules.far_factors else (0.0, 0.0)
    limit = units.limit(rules.near_limit_m, "m")
    if not far_roof:
        which = f"near the house, {soil} soil, this depth"
        wanted = units.show(near * roof, "m2")
        return f"size factor {near:g} ({which}) x {units.show(roof, 'm2')} of roof = {wanted}"
    far = sizing.FAR_SIZE_FACTORS[soil]
    area = sizing.handbook_area_m2(
        roof - far_roof, far_roof, lawn_m, near_factor=near, far_factor=far, side_ratio=LAWN_SIDE_RATIO
    )
    return (
        f"size factor {near:g} x {units.show(roof - far_roof, 'm2')} of roof within {limit} + {far:g} x "
        f"({units.show(far_roof, 'm2')} of roof beyond + a lawn as wide as the garden and {units.show(lawn_m, 'm')} "
        f"deep) = {units.show(float(area), 'm2')} ({soil} soil, this depth)"
    )


def _soil(garden: Mapping[str, Any], rules: SizingParams) -> str:
    """Return the handbook's soil class that the garden was sized for."""
    return sizing.handbook_class(rules, garden["soil_rate_mm_h"])


def _far_roof(home: HomeResult, garden: Mapping[str, Any], rules: SizingParams) -> tuple[float, float]:
    """Return the roof beyond the near limit [m2] and the shortest run to the garden [m]."""
    roof_of = {spout["downspout_id"]: spout["roof_area_m2"] or 0.0 for spout in rows_of(home, "downspouts")}
    runs = [run for run in rows_of(home, "inlet_runs") if run["garden_id"] == garden["garden_id"]]
    far = sum(roof_of.get(run["downspout_id"], 0.0) for run in runs if run["length_m"] > rules.near_limit_m)
    return far, min((run["length_m"] for run in runs), default=0.0)


def _depth(garden: Mapping[str, Any], rules: SizingParams | None, units: Units) -> str:
    """Say which band of slope gives the depth, and whether the soil caps it."""
    rate, slope = garden["soil_rate_mm_h"], garden["slope_pct"]
    if rules is None or rate is None or slope is None:
        return ""
    breaks = " and ".join(f"{limit:g}" for limit in rules.slope_breaks_pct)
    soaked = units.show(rate * rules.drawdown_limit_h, "mm")
    if rules.method == "drain_in_a_day":
        day = units.limit(sizing.DAY_H, "h")
        band = f"what drains in {day}, {units.show(rate * sizing.DAY_H, 'mm')}, but {_most(rules, units)} at most"
    else:
        depths = ", ".join(units.number(depth, "mm") for depth in rules.depths_mm)
        band = f"{depths} {units.sign('mm')} for slopes parted at {breaks} %"
    formula = (
        f"the smaller of {band}, and of soil rate x drawdown limit = {units.given(rate, 'mm/h')} x "
        f"{units.limit(rules.drawdown_limit_h, 'h')} = {soaked}"
    )
    recorded = garden["ponding_depth_mm"]
    depth = float(sizing.depth_for_slope_mm(slope, rules, rate))
    for other in (slope - AT_BREAK_PCT, slope + AT_BREAK_PCT):
        nearby = float(sizing.depth_for_slope_mm(max(other, 0.0), rules, rate))
        if recorded is not None and abs(depth - recorded) > abs(nearby - recorded):
            depth, formula = (
                nearby,
                f"{formula}; its slope stands at a break, and the search took it for the other side",
            )
    return formula_text(formula, depth, recorded, units.show(depth, "mm"))


def _most(rules: SizingParams, units: Units) -> str:
    """Write the deepest of the bands."""
    return units.limit(max(rules.depths_mm), "mm")


def _storage_area(home: HomeResult, garden: Mapping[str, Any], rules: SizingParams | None, units: Units) -> str:
    """Say what sides and berm leave of the area."""
    area, depth_mm, recorded = garden["area_m2"], garden["ponding_depth_mm"], garden["storage_area_m2"]
    if rules is None or area is None or depth_mm is None or recorded is None:
        return "storage over depth"
    lean, berm_m = rules.side_run_per_rise, rules.berm_width_m
    if lean == 0.0 and berm_m == 0.0:
        formula = "the area: sides upright, no berm"
        return formula_text(formula, area, recorded, units.show(area, "m2"))
    depth = depth_mm / 1000.0
    if garden["shape_code"] == "free":
        frame = home.layers["gardens"]
        (outline,) = frame.geometry[(frame["garden_id"] == garden["garden_id"]).to_numpy()]
        perimeter = outline.length
        stored = sizing.bed_storage_m2(area, perimeter, depth, run_per_rise=lean, berm_m=berm_m)
        of_what = f"outline of {units.show(area, 'm2')} and {units.show(perimeter, 'm')} around"
    else:
        length, width = garden["length_m"], garden["width_m"]
        stored = sizing.rectangle_storage_m2(length, width, depth, run_per_rise=lean, berm_m=berm_m)
        of_what = f"outline of {units.number(length, 'm')} x {units.show(width, 'm')}"
    formula = (
        f"storage over depth of an {of_what} inside a berm of {units.given(berm_m, 'm')}, sides {lean:g} across for 1 "
        "down"
    )
    return formula_text(formula, float(stored), recorded, units.show(float(stored), "m2"))
