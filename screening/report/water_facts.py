"""Facts about the water: the rain of the run, the soil, what gardens keep, how far that may be off, and ageing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from screening import soils
from screening.columns import CAUSE_CODES
from screening.report.facts import Fact, flag_codes, formula_text
from screening.report.quantities import Units, percent
from screening.report.recorded import recorded_params, year_spans, years_used
from screening.soils.tables import RAWLS_SOURCE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from screening.params import Params, RainParams
    from screening.report.result_file import HomeResult

_MONTHS: Final = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_LATER_YEARS: Final = (5, 10, 20)
_STEPS: Final = {1.0: "hourly", 24.0: "daily"}


def rain_facts(home: HomeResult, units: Units) -> Iterator[Fact]:
    """Yield the rain of the run, and what of it runs off the roof."""
    row, params = home.row, recorded_params(home.parameters)
    depth = home.recorded("runoff_roof_mm_y")
    if params is not None:
        loss = units.given(params.roof.initial_loss_mm, "mm")
        if "rain_assumed" in flag_codes(row) or not years_used(home.record):
            yield from _assumed_rain(params, depth, units)
        else:
            yield _record_rain(home, params)
            dry = units.limit(params.rain.dry_spell_h, "h")
            yield Fact("initial loss", loss, f"of rain wets a dry roof and stays there; dry again {dry} after rain")
            formula = "rain less initial losses, mean of these years"
            yield Fact("runoff of a roof", units.show(depth, "mm/y"), formula)
        if params.rain.frozen_months:
            months = ", ".join(_MONTHS[month - 1] for month in sorted(set(params.rain.frozen_months)))
            yield Fact("frozen months", months, "their rain counts neither as runoff nor as diverted")
    runoff, roof = row["runoff_roof_m3_y"], row["roof_area_m2"]
    computed = None if depth is None or roof is None else roof * depth / 1000.0
    formula = f"roof x runoff = {units.show(roof, 'm2')} x {units.show(depth, 'mm/y')}"
    yield Fact(
        "runs off the roof",
        units.show(runoff, "m3/y"),
        formula_text(formula, computed, runoff, units.show(computed, "m3/y")),
    )


def _record_rain(home: HomeResult, params: Params) -> Fact:
    """Name the record, its years and what is missing of them."""
    years = years_used(home.record)
    step_h = home.recorded("rain_step_h")
    step = "" if step_h is None else f", {_STEPS.get(step_h, f'every {step_h:g} h')}"
    missing = home.recorded("rain_missing_frac")
    lost = "" if missing is None else f"; {100.0 * missing:.1f} % of it missing"
    file = home.record.get("input.rain.name") or home.parameters.get("inputs.rain") or "the rain record"
    spread = f"; a day's rain falls in {params.rain.daily_rain_h} h" if step_h == 24.0 else ""
    number = f"{len(years)} year{'' if len(years) == 1 else 's'}"
    return Fact("rain", f"{number}: {year_spans(years)}", f"{file}{step}{lost}{spread}")


def _assumed_rain(params: Params, depth_mm_y: float | None, units: Units) -> Iterator[Fact]:
    """Yield storms, and the runoff that follows from them."""
    rain, loss_mm = params.rain, params.roof.initial_loss_mm
    mean = units.given(rain.storm_mean_mm, "mm")
    yield Fact(
        "rain",
        "assumed storms",
        f"no rain record was given: {rain.storms_per_y:g} storms a year of {mean}, {rain.storm_duration_h:g} h long "
        f"and {rain.mean_dry_h:.3g} h apart in the mean, all exponentially distributed",
    )
    yield Fact("initial loss", units.given(loss_mm, "mm"), "of each storm wets the roof and stays there")
    computed = storm_runoff_mm_y(rain, loss_mm)
    formula = f"storms x mean x exp(-loss / mean) = {rain.storms_per_y:g}"
    if rain.frozen_months:
        formula += f" x {12 - len(set(rain.frozen_months))} / 12 months"
    formula += f" x {mean} x {math.exp(-loss_mm / rain.storm_mean_mm):.3f}"
    how = formula_text(formula, computed, depth_mm_y, units.show(computed, "mm/y"))
    yield Fact("runoff of a roof", units.show(depth_mm_y, "mm/y"), how)


def storm_runoff_mm_y(rain: RainParams, loss_mm: float) -> float:
    """Return what exponentially distributed storms let run off a roof in a mean year [mm] (docs/method/storms.md)."""
    storms = rain.storms_per_y * (1.0 - len(set(rain.frozen_months)) / 12.0)
    return storms * rain.storm_mean_mm * math.exp(-loss_mm / rain.storm_mean_mm)


def soil_facts(home: HomeResult, units: Units) -> Iterator[Fact]:
    """Yield soil class, its rate, where that comes from, and how unsure it is."""
    row = home.row
    name, rate = row["soil_class"], row["soil_rate_mm_h"]
    params = recorded_params(home.parameters)
    layer = home.parameters.get("inputs.soils", "")
    codes = flag_codes(row)
    if layer and "soil_outside" in codes:
        where = f"the run file's default: {layer} says nothing of most of the open ground"
    elif layer:
        where = f"from {layer}, by the open ground" + (
            "; the ground lies on several, most of it counts" if "soil_mixed" in codes else ""
        )
    else:
        where = "of the whole town; no soil layer was given"
    yield Fact("soil", name or "not recorded", where)
    basis = home.record.get(f"soil.{name}.basis", "")
    yield Fact("design rate", "not computed" if rate is None else units.given(rate, "mm/h"), basis)
    spread = home.recorded(f"soil.{name}.spread_factor")
    if rate is not None and spread is not None:
        yield Fact(
            "rate may be",
            f"{units.span(rate / spread, rate * spread, 'mm/h')}",
            f"rate over and times {spread:g}: one in ten is slower, one in ten faster",
        )
    if params is not None:
        yield Fact("infiltration", *_infiltration(name, params, units, is_assumed="rain_assumed" in codes))


def _infiltration(name: str | None, params: Params, units: Units, *, is_assumed: bool) -> tuple[str, str]:
    """Say how water soaks in: value and words."""
    if params.soil.infiltration == "constant":
        return "constant", "at the design rate while water stands"
    if is_assumed or not name:
        return "constant", "at the design rate: Green and Ampt's equation needs a rain record"
    soil = soils.soil_class(name, params.soil)
    if soil is None or soil.green_ampt is None:
        return "Green-Ampt", ""
    found = soil.green_ampt
    return "Green-Ampt", (
        f"K x (1 + (suction + water) x deficit / soaked in), K {units.given(found.k_mm_h, 'mm/h')}, suction "
        f"{units.given(found.suction_mm, 'mm')}, deficit {found.moisture_deficit:.3g}; {RAWLS_SOURCE}"
    )


def kept_facts(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Iterator[Fact]:
    """Yield what arrives at a garden, what it keeps, its share of the home's likely volume, and the years to come."""
    params = recorded_params(home.parameters)
    depth, roof = home.recorded("runoff_roof_mm_y"), garden["treated_roof_m2"]
    connected = home.parameter("roof.connection_likely_frac")
    inflow = None
    if depth is not None and roof is not None and connected is not None:
        inflow = roof * connected * depth / 1000.0
        yield Fact(
            "arrives",
            units.show(inflow, "m3/y"),
            f"its roof x connected part x runoff = {units.show(roof, 'm2')} x {percent(connected)} x "
            f"{units.show(depth, 'mm/y')}",
        )
    likely = garden["all_likely_m3_y"]
    kept = likely / inflow if inflow and likely is not None else None
    yield Fact(
        "keeps, all likely",
        f"{units.show(likely, 'm3/y')}, {percent(kept)}",
        "of what arrives in a mean year, every cause at its likely value" + _how_kept(home, garden, params, units),
    )
    home_likely, home_volume = home.row["all_likely_m3_y"], home.row["diverted_m3_y"]
    share = None
    if likely is not None and home_likely and home_volume is not None:
        share = home_volume * likely / home_likely
    formula = f"its share of the home's likely volume = {units.number(home_volume, 'm3/y')} x "
    formula += f"{units.number(likely, 'm3/y')} / {units.show(home_likely, 'm3/y')}"
    yield Fact(
        "likely",
        units.show(garden["diverted_m3_y"], "m3/y"),
        formula_text(formula, share, garden["diverted_m3_y"], units.show(share, "m3/y")),
    )
    if params is not None:
        yield from _ageing(garden, params, units)


def _how_kept(home: HomeResult, garden: Mapping[str, Any], params: Params | None, units: Units) -> str:
    """Say what the part kept was computed by, and from what."""
    area, roof = garden["storage_area_m2"], garden["treated_roof_m2"]
    if params is None or area is None or not roof:
        return ""
    ratio = area / (roof * params.roof.connection_likely_frac)
    bucket = (
        f"a bucket of {ratio:.3f} area of garden for 1 of roof, {units.show(garden['ponding_depth_mm'], 'mm')} deep, "
        f"that takes rain of its own, soaks in and spills when full"
    )
    if "rain_assumed" in flag_codes(home.row):
        return f": closed form for such storms, of {bucket}"
    if params.barrel.is_upstream:
        return f": these years' rain sent through {_barrels(params, units)}, then through {bucket}"
    way = "sent through" if params.rain.each_garden else "read from simulated curves for"
    return f": these years' rain {way} {bucket}"


def _barrels(params: Params, units: Units) -> str:
    """Say which barrels stand upstream."""
    barrel = params.barrel
    onto = "the garden" if barrel.empty_onto == "garden" else "a permeable strip"
    volume, roof = units.given(barrel.volume_l, "L"), units.given(barrel.roof_per_barrel_m2, "m2")
    return (
        f"barrels ({volume} for every {roof} of roof begun below a downspout, emptied into {onto} "
        f"{barrel.empty_after_h:g} h after water came)"
    )


def _ageing(garden: Mapping[str, Any], params: Params, units: Units) -> Iterator[Fact]:
    """Yield volumes of later years, and when to dig the bowl out again."""
    ageing, depth = params.ageing, garden["ponding_depth_mm"]
    rate = units.given(ageing.sediment_mm_y, "mm/y")
    likely = garden["all_likely_m3_y"]
    for year in _LATER_YEARS:
        part = garden[f"year_{year}_frac"]
        if part is None or depth is None or year > ageing.horizon_y:
            continue
        left = max(0.0, depth - ageing.sediment_mm_y * (year - 0.5))
        volume = "" if likely is None else f", {units.show(part * likely, 'm3/y')}"
        how = f"of all likely, if nobody digs: depth {units.show(depth, 'mm')} - {rate} x {year - 0.5:g} y = "
        how += f"{units.show(left, 'mm')} in its middle"
        if params.barrel.is_upstream:
            how += "; as without barrels"
        if year <= ageing.establishment_y:
            how += f"; plants grow in, {percent(ageing.establishment_rate_frac)} of the rate"
        yield Fact(f"in year {year}", f"{percent(part)}{volume}", how)
    keep = percent(ageing.keep_frac)
    if garden["dig_out_after_y"] is None:
        yield Fact(
            "dig out again",
            f"not within {ageing.horizon_y} years",
            f"it keeps {keep} of its volume as dug, with {rate} of sediment",
        )
        return
    due = int(garden["dig_out_after_y"])
    when = "in its first year" if due == 0 else f"after {due} year{'' if due == 1 else 's'}"
    how = f"then {rate} of sediment leave less than {keep} of the volume as dug"
    yield Fact("dig out again", when, how)


def volume_facts(home: HomeResult, gardens: Sequence[Mapping[str, Any]], units: Units) -> Iterator[Fact]:
    """Yield the home's volumes: all likely, low, likely and high, and what makes them unsure."""
    row, params = home.row, recorded_params(home.parameters)
    total = sum(garden["all_likely_m3_y"] or 0.0 for garden in gardens)
    yield Fact(
        "all likely",
        units.show(row["all_likely_m3_y"], "m3/y"),
        formula_text("sum of the gardens", total, row["all_likely_m3_y"], units.show(total, "m3/y"))
        + "; a mean year with every cause at its likely value",
    )
    draws = "the draws" if params is None else f"{params.uncertainty.n_draws:,} draws of the causes below"
    mean = params is not None and params.uncertainty.rain_year == "mean"
    of_what = "" if params is None else f", for {'the mean year' if mean else 'a single year'}"
    low, middle, high = (row[f"diverted_{name}m3_y"] for name in ("low_", "", "high_"))
    yield Fact("low", units.show(low, "m3/y"), f"10 % point of {draws}{of_what}: in one of ten it is less")
    formula = "sum of the gardens" if gardens else ""
    total = sum(garden["diverted_m3_y"] or 0.0 for garden in gardens)
    check = formula_text(formula, total, middle, units.show(total, "m3/y"))
    yield Fact("diverted, likely", units.show(middle, "m3/y"), f"50 % point: in half of them it is less; {check}")
    yield Fact("high", units.show(high, "m3/y"), "90 % point: in one of ten it is more")
    yield Fact("range", units.span(low, high, "m3/y"), "low to high: four in five lie between")
    code, part = row["main_cause_code"], row["main_cause_frac"]
    if code is None:
        yield Fact("unsure most of all", "nothing", "")
    else:
        yield Fact(
            "unsure most of all",
            f"{code}, {percent(part)}",
            f"{CAUSE_CODES.get(code, code)}: so much of the variance would go if it were known",
        )


def cause_facts(home: HomeResult, gardens: Sequence[Mapping[str, Any]], units: Units) -> Iterator[Fact]:
    """Yield how each cause of uncertainty was varied."""
    params = recorded_params(home.parameters)
    if params is None:
        return
    row, roof, vary = home.row, params.roof, params.uncertainty
    name, rate = row["soil_class"], row["soil_rate_mm_h"]
    spread = home.recorded(f"soil.{name}.spread_factor")
    if rate is not None and spread is not None:
        is_wetting = params.soil.infiltration != "constant" and "rain_assumed" not in flag_codes(row)
        what = "conductivity" if is_wetting else units.given(rate, "mm/h")
        yield Fact(
            "soil rate",
            f"{what} x or / {spread:g}",
            f"log-normal; {percent(vary.soil_city_frac)} of its log variance shared by the town, "
            f"{percent(vary.soil_class_frac)} by one soil",
        )
    assumed = "downspouts_assumed" in flag_codes(row)
    factor = vary.roof_share_factor if assumed else vary.roof_share_measured_factor
    yield Fact(
        "served roof",
        f"{units.show(row['treated_roof_m2'], 'm2')} x or / {factor:g}",
        f"log-normal, downspouts {'assumed' if assumed else 'measured'}; never more than the whole roof; "
        f"{percent(vary.roof_share_shared_frac)} shared",
    )
    if roof.form == "unknown":
        gable = sum(garden["treated_roof_gable_m2"] or 0.0 for garden in gardens)
        how = (
            f"a gable drains {units.show(gable, 'm2')} to the gardens, a hip {units.show(row['treated_roof_m2'], 'm2')}"
        )
        yield Fact("roof form", f"gable: {percent(vary.gable_frac)}", how)
    else:
        yield Fact("roof form", f"{roof.form}: known", "set by the run file")
    low_mm, high_mm = (
        roof.initial_loss_mm * factor for factor in (vary.initial_loss_low_factor, vary.initial_loss_high_factor)
    )
    yield Fact(
        "initial loss",
        f"{units.given(low_mm, 'mm').removesuffix(' ' + units.sign('mm'))} to {units.given(high_mm, 'mm')}",
        f"10 and 90 % points, likely {units.given(roof.initial_loss_mm, 'mm')}; "
        f"{percent(vary.initial_loss_shared_frac)} shared",
    )
    yield Fact(
        "connected part",
        f"{percent(roof.connection_low_frac)} to {percent(roof.connection_high_frac)}",
        f"10 and 90 % points, likely {percent(roof.connection_likely_frac)}: water that reaches the downspouts; "
        f"{percent(vary.connection_shared_frac)} shared",
    )
    yield Fact("rain year", *_rain_year(home, params))


def _rain_year(home: HomeResult, params: Params) -> tuple[str, str]:
    """Say how years were varied: value and words."""
    if params.uncertainty.rain_year == "mean":
        return "not varied", "the range is that of the mean year"
    years = years_used(home.record)
    if len(years) == 1:
        return "not varied", "the record has one year"
    if years:
        return f"{len(years)} years", "each equally likely, the same one for all homes"
    how = "standard deviation of a gamma distributed factor, sqrt(2 / (storms x exp(-loss / mean))), shared by all"
    return f"varies by {percent(year_spread(params))}", how


def year_spread(params: Params) -> float:
    """Return the standard deviation of a year over its mean for assumed storms (docs/method/uncertainty.md)."""
    rain = params.rain
    return math.sqrt(2.0 / (rain.storms_per_y * math.exp(-params.roof.initial_loss_mm / rain.storm_mean_mm)))
