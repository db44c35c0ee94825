"""Every number of one candidate home: its value, and how it came about.

A formula is shown only where it gives the recorded number again; where it does not, both are shown, so that the text
never explains a number by something else than what made it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from screening import confidence, sizing
from screening.columns import END_CODES, FLAG_CODES, SHAPE_CODES
from screening.errors import ParameterError
from screening.params import load_params
from screening.report.quantities import Units, percent, plain, wind

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from screening.params import SizingParams
    from screening.report.result_file import HomeResult

# Recorded numbers are rounded for the file; a formula on rounded numbers may differ by this part.
_AGREE_FRAC: Final = 5e-3


@dataclass(frozen=True, slots=True)
class Fact:
    """One line: what, how much, and how that came about."""

    label: str
    value: str
    how: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """Facts under one heading."""

    title: str
    facts: tuple[Fact, ...]


def home_parts(home: HomeResult, units: Units) -> tuple[Part, ...]:
    """Return all facts of a candidate.

    Parameters
    ----------
    home : HomeResult
        A candidate.
    units : Units
        How numbers are written.

    Returns
    -------
    tuple of Part
        In the order in which the numbers follow from each other.
    """
    gardens = rows_of(home, "gardens")
    return (
        Part("Lot and house", tuple(_lot(home, units))),
        Part("Roof and downspouts", tuple(_roof(home, units))),
        *(Part(f"Garden {garden_name(garden)}", tuple(_garden(home, garden, units))) for garden in gardens),
        Part("Water a year", tuple(_water(home, gardens, units))),
        Part("Rank", tuple(_rank(home, units))),
        Part("What to know", tuple(_flags(home))),
    )


def garden_name(garden: Mapping[str, Any]) -> str:
    """Return the short name of a garden within its home."""
    return short_name(garden["garden_id"], garden["home_id"])


def short_name(identifier: str, home_id: str) -> str:
    """Return the part of an identifier that follows the home's."""
    rest = identifier.removeprefix(home_id).lstrip("-_:/. ")
    return rest or identifier


def rows_of(home: HomeResult, layer: str) -> list[dict[str, Any]]:
    """Return the rows of a layer as plain values, null as None; downspouts as one counts, d2 before d10."""
    frame = home.layers.get(layer)
    if frame is None:
        return []
    rows = frame.drop(columns="geometry").astype(object).to_dict("records")
    plain_rows = [{key: plain(value) for key, value in row.items()} for row in rows]
    return sorted(plain_rows, key=lambda row: _counted(str(row.get("downspout_id", ""))))


def _counted(identifier: str) -> tuple[str, int]:
    """A key that puts the number at the end of an identifier in the order of counting."""
    number = re.search(r"\d*$", identifier)
    digits = number.group() if number else ""
    return identifier.removesuffix(digits), int(digits or 0)


def _formula(formula: str, computed: float | None, recorded: float | None, shown: str) -> str:
    """Give a formula, and say so where it doesn't give the recorded number."""
    if computed is None or recorded is None:
        return formula
    if abs(computed - recorded) <= _AGREE_FRAC * max(abs(computed), abs(recorded)) + 5e-4:
        return formula
    return f"as recorded; {formula} would give {shown}"


def building_gap_m(home: HomeResult) -> float | None:
    """Return the distance to building outlines that was in force [m]; walls lie inside them by the overhang."""
    without = home.parameters.get("rules.basement") == "no"
    distance_m = home.parameter("rules.foundation_no_basement_m" if without else "rules.foundation_m")
    if distance_m is None:
        return None
    return max(0.0, distance_m - (home.parameter("roof.overhang_m") or 0.0))


def _lot(home: HomeResult, units: Units) -> Iterator[Fact]:
    row = home.row
    yield Fact("lot", units.show(row["parcel_area_m2"], "m2"), "plan area of the parcel")
    yield Fact("house", row["building_id"], "principal building of the lot")
    basement = home.parameters.get("rules.basement", "unknown")
    basement_text = "basement unknown, counted as one" if basement == "unknown" else f"basement: {basement}"
    overhang_m = home.parameter("roof.overhang_m")
    if overhang_m:
        basement_text += f"; walls lie {units.limit(overhang_m, 'm')} inside the roof's outline"
    keep_away = [
        f"{kind} {units.limit(distance_m, 'm')}" if distance_m is not None else kind
        for kind, distance_m in keep_away_rules(home)
    ]
    yield Fact(
        "open ground",
        units.show(row["open_area_m2"], "m2"),
        f"parcel less {units.limit(home.parameter('rules.lot_line_m'), 'm')} along the lot line, "
        f"{units.limit(building_gap_m(home), 'm')} around every building ({basement_text})"
        + (f", and around keep-away layers: {', '.join(keep_away)}" if keep_away else "; no keep-away layer given"),
    )
    inner, outer = home.parameter("terrain.ring_inner_m"), home.parameter("terrain.ring_outer_m")
    ring = f"{units.number(inner, 'm', decimals=0)} to {units.limit(outer, 'm')}"
    yield Fact(
        "slope of the ground",
        units.show(row["ground_slope_pct"], "%"),
        f"plane through the ground {ring} around the house, by least squares",
    )
    direction = row["downslope_deg"]
    if direction is not None:
        yield Fact("falls toward", f"{wind(direction)}, {units.show(direction, 'deg')}", "clockwise from north")
    yield Fact("fit of that plane", units.show(row["slope_fit_frac"], ""), "R²: 1 is a perfect plane, 0 none at all")


def keep_away_rules(home: HomeResult) -> list[tuple[str, float | None]]:
    """Return the kinds of keep-away layers of the run and the distance kept to each [m]."""
    found = []
    for entry in filter(None, home.parameters.get("inputs.keep_away", "").split(";")):
        kind, distance, *_ = [*entry.split(","), ""]
        found.append((kind, float(distance) if distance else home.parameter(f"rules.{kind}_m")))
    return found


def _roof(home: HomeResult, units: Units) -> Iterator[Fact]:
    row = home.row
    with_sheds = home.parameters.get("homes.count_other_roofs") == "true"
    which = "all roofs of the lot" if with_sheds else "the house; sheds and garages do not count"
    yield Fact("roof", units.show(row["roof_area_m2"], "m2"), f"plan area of {which}")
    spouts = rows_of(home, "downspouts")
    if any(spout["is_measured"] for spout in spouts):
        how = "measured"
    else:
        per_m2, per_m = home.parameter("roof.area_per_downspout_m2"), home.parameter("roof.eave_per_downspout_m")
        how = (
            f"assumed at the roof's corners: one for every {units.limit(per_m, 'm')} of eave and every "
            f"{units.limit(per_m2, 'm2')} of roof, two at least"
        )
    yield Fact("downspouts", f"{row['n_downspouts']}", how)
    for spout in spouts:
        goes_to = "not served"
        if spout["garden_id"] is not None:
            goes_to = f"to garden {short_name(spout['garden_id'], spout['home_id'])}"
        area, total = spout["roof_area_m2"], row["roof_area_m2"]
        share = area / total if area is not None and total else None
        formula = f"{units.number(area, 'm2')} / {units.show(total, 'm2')} of roof"
        yield Fact(
            f"  {short_name(spout['downspout_id'], spout['home_id'])}",
            f"{units.show(area, 'm2')}, {percent(spout['roof_frac'])}",
            f"{_formula(formula, share, spout['roof_frac'], percent(share))}; {goes_to}",
        )
    treated = sum(spout["roof_area_m2"] or 0.0 for spout in spouts if spout["garden_id"] is not None)
    yield Fact(
        "treated roof",
        f"{units.show(row['treated_roof_m2'], 'm2')}, {percent(row['treated_roof_frac'])}",
        _formula("sum of the parts that drain to a garden", treated, row["treated_roof_m2"], units.show(treated, "m2")),
    )


def _sizing(home: HomeResult) -> SizingParams | None:
    """Return the sizing rules of the run, from its record; None where the record lacks them."""
    texts = {key: text for key, text in home.parameters.items() if key.startswith("sizing.")}
    overrides: dict[str, object] = {}
    try:
        for key, text in texts.items():
            if key in {"sizing.method", "sizing.soil_class"}:
                overrides[key] = text
            elif key in {"sizing.slope_breaks_pct", "sizing.depths_mm"}:
                overrides[key] = [float(number) for number in text.split(";") if number]
            else:
                overrides[key] = float(text)
        return load_params(None, overrides).sizing if texts else None
    except (ValueError, ParameterError):
        return None


def _garden(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Iterator[Fact]:
    rules = _sizing(home)
    yield Fact("form", SHAPE_CODES[garden["shape_code"]], "")
    yield Fact("area", units.show(garden["area_m2"], "m2"), _target(home, garden, rules, units))
    length, width = units.number(garden["length_m"], "m"), units.show(garden["width_m"], "m")
    axis = units.show(garden["long_axis_deg"], "deg")
    yield Fact("length x width", f"{length} x {width}", f"long side toward {axis}, clockwise from north")
    max_slope = units.limit(home.parameter("rules.max_slope_pct"), "%")
    yield Fact("slope under it", units.show(garden["slope_pct"], "%"), f"mean; nowhere more than {max_slope}")
    yield Fact("elevation", units.show(garden["elev_m"], "m"), "mean of the ground under it")
    yield Fact("ponding depth", units.show(garden["ponding_depth_mm"], "mm"), _depth(home, garden, rules, units))
    yield from _distances(home, garden, units)
    yield from _runs(home, garden, units)
    area, depth = garden["area_m2"], garden["ponding_depth_mm"]
    stored = area * depth / 1000.0 if area is not None and depth is not None else None
    yield Fact(
        "storage",
        units.show(garden["storage_m3"], "m3"),
        _formula(
            f"area x depth = {units.show(area, 'm2')} x {units.show(depth, 'mm')}",
            stored,
            garden["storage_m3"],
            units.show(stored, "m3"),
        ),
    )
    rate = home.row["soil_rate_mm_h"]
    hours = depth / rate if depth is not None and rate else None
    limit = units.limit(home.parameter("sizing.drawdown_limit_h"), "h")
    formula = f"depth / soil rate = {units.show(depth, 'mm')} / {units.show(rate, 'mm/h')}"
    yield Fact(
        "soaks away in",
        units.show(garden["drawdown_h"], "h"),
        f"{_formula(formula, hours, garden['drawdown_h'], units.show(hours, 'h'))}; {limit} at most",
    )
    yield _overflow(home, garden, units)


def _overflow(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Fact:
    code = garden["overflow_code"]
    for path in rows_of(home, "overflow_paths"):
        if path["garden_id"] == garden["garden_id"]:
            length, drop = units.show(path["length_m"], "m"), units.show(path["drop_m"], "m")
            how = f"{code}: steepest way over the ground from the low rim, {length} long, {drop} down"
            return Fact("overflow", END_CODES[code], how)
    if code is None:
        return Fact("overflow", "not computed")
    return Fact("overflow", END_CODES[code], f"{code}: its way ends where it begins")


def _target(home: HomeResult, garden: Mapping[str, Any], rules: SizingParams | None, units: Units) -> str:
    """Say what area the sizing rule asks for."""
    largest = units.limit(home.parameter("rules.max_garden_area_m2"), "m2")
    smallest = units.limit(home.parameter("rules.min_garden_area_m2"), "m2")
    bounds = f"{smallest} to {largest} allowed"
    roof, depth = garden["treated_roof_m2"], garden["ponding_depth_mm"]
    if rules is None or roof is None or depth is None:
        return bounds
    if rules.method == "handbook":
        factor = float(sizing.size_factor(rules.soil_class, depth))
        wanted, of_roof = units.show(factor * roof, "m2"), units.show(roof, "m2")
        rule = f"size factor {factor:g} ({rules.soil_class} soil, this depth) x {of_roof} of roof = {wanted}"
    elif rules.method == "capture_depth":
        wanted = units.show(float(sizing.capture_area_m2(roof, rules.capture_depth_mm, depth)), "m2")
        rule = f"roof x {units.limit(rules.capture_depth_mm, 'mm')} of rain / depth = {wanted}"
    else:
        rule = f"fixed area of {units.limit(rules.fixed_area_m2, 'm2')}"
    return f"target: {rule}; {bounds}; less where the ground gives less"


def _depth(home: HomeResult, garden: Mapping[str, Any], rules: SizingParams | None, units: Units) -> str:
    """Say which band of slope gives the depth, and whether the soil caps it."""
    rate, slope = home.row["soil_rate_mm_h"], garden["slope_pct"]
    if rules is None or rate is None or slope is None:
        return ""
    bands = [f"{units.number(depth, 'mm')}" for depth in rules.depths_mm]
    breaks = " and ".join(f"{limit:g}" for limit in rules.slope_breaks_pct)
    soaked = rate * rules.drawdown_limit_h
    formula = (
        f"{', '.join(bands)} {units.sign('mm')} for slopes parted at {breaks} %, no more than soaks away in "
        f"{units.limit(rules.drawdown_limit_h, 'h')} ({units.show(soaked, 'mm')})"
    )
    depth = float(sizing.depth_for_slope_mm(slope, rules, rate))
    return _formula(formula, depth, garden["ponding_depth_mm"], units.show(depth, "mm"))


def _distances(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Iterator[Fact]:
    foundation, lot_line = building_gap_m(home), home.parameter("rules.lot_line_m")
    for label, column, asked in (
        ("to own buildings", "own_building_dist_m", foundation),
        ("to other buildings", "other_building_dist_m", foundation),
        ("to the lot line", "lot_line_dist_m", lot_line),
    ):
        distance = garden[column]
        if distance is None:
            yield Fact(label, "none within 30 m" if not units.is_us else "none within 98 ft", "")
            continue
        how = ""
        if asked is not None:
            how = f"at least {units.limit(asked, 'm')} asked, {units.show(distance - asked, 'm')} to spare"
        yield Fact(label, units.show(distance, "m"), how)


def _runs(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Iterator[Fact]:
    most = units.limit(home.parameter("rules.max_run_m"), "m")
    least_pct = home.parameter("rules.min_fall_pct")
    for run in rows_of(home, "inlet_runs"):
        if run["garden_id"] != garden["garden_id"]:
            continue
        length, fall = run["length_m"], run["fall_m"]
        fall_text = ""
        if length and fall is not None:
            fall_text = f", {units.show(100.0 * fall / length, '%')}"
        yield Fact(
            f"water from {short_name(run['downspout_id'], run['home_id'])}",
            f"{units.show(length, 'm')}, falls {units.show(fall, 'm')}{fall_text}",
            f"straight over the lot; {most} at most, fall of {units.limit(least_pct, '%')} at least",
        )


def _water(home: HomeResult, gardens: Sequence[Mapping[str, Any]], units: Units) -> Iterator[Fact]:
    row = home.row
    runoff, roof = row["runoff_roof_m3_y"], row["roof_area_m2"]
    depth = 1000.0 * runoff / roof if runoff is not None and roof else None
    loss = units.show(home.parameter("roof.initial_loss_mm"), "mm", decimals=None if units.is_us else 2)
    years = home.record.get("rain_years", "")
    source = f"{home.parameters.get('inputs.rain') or 'the rain record'}{' of ' + years if years else ''}"
    if "rain_assumed" in flag_codes(row):
        source = "assumed storms, for no rain record was given"
    yield Fact(
        "runs off the roof",
        units.show(runoff, "m3/y"),
        f"roof x {units.show(depth, 'mm/y')} of runoff in a mean year, from {source}; the first {loss} of rain stay on "
        "a dry roof",
    )
    for garden in gardens:
        inflow = depth * garden["treated_roof_m2"] / 1000.0 if depth and garden["treated_roof_m2"] else None
        kept = garden["diverted_m3_y"] / inflow if inflow and garden["diverted_m3_y"] is not None else None
        yield Fact(
            f"garden {garden_name(garden)} keeps",
            units.show(garden["diverted_m3_y"], "m3/y"),
            f"{percent(kept)} of the {units.show(inflow, 'm3/y')} that its part of the roof sheds, likely; range "
            f"{units.span(garden['diverted_low_m3_y'], garden['diverted_high_m3_y'], 'm3/y')}",
        )
    total = sum(garden["diverted_m3_y"] or 0.0 for garden in gardens)
    yield Fact(
        "diverted",
        units.show(row["diverted_m3_y"], "m3/y"),
        _formula("sum of the gardens, likely", total, row["diverted_m3_y"], units.show(total, "m3/y")),
    )
    rates = [units.show(home.parameter(f"soil.{name}"), "mm/h") for name in ("rate_low_mm_h", "rate_high_mm_h")]
    connected = [percent(home.parameter(f"roof.connection_{name}_frac")) for name in ("low", "high")]
    yield Fact(
        "range",
        units.span(row["diverted_low_m3_y"], row["diverted_high_m3_y"], "m3/y"),
        f"low: soil {rates[0]}, {connected[0]} of the water arrives; high: soil {rates[1]}, {connected[1]}; both over "
        "the roof forms that may be",
    )


def _rank(home: HomeResult, units: Units) -> Iterator[Fact]:
    row = home.row
    yield Fact("rank", f"{row['rank']} of {home.n_candidates}", "by score, then volume, confidence and identifier")
    weighted, weights = 0.0, 0.0
    terms = []
    for name, column in (
        ("volume", "score_volume_frac"),
        ("confidence", "score_confidence_frac"),
        ("treated", "score_treated_frac"),
    ):
        weight = home.parameter(f"ranking.weight_{name}")
        if weight and row[column] is not None:
            weighted, weights = weighted + weight * row[column], weights + weight
            terms.append(f"{weight:g} x {name} {row[column]:.3f}")
    formula = f"({' + '.join(terms)}) / {weights:g}" if weights else "not recorded how"
    computed = weighted / weights if weights else None
    shown = units.show(computed, "", decimals=3)
    yield Fact("score", units.show(row["score"], "", decimals=3), _formula(formula, computed, row["score"], shown))
    yield Fact(
        "volume in it",
        units.show(row["score_volume_frac"], "", decimals=3),
        "volume diverted a year over the largest of all candidates",
    )
    yield Fact("confidence", percent(row["confidence_frac"]), _confidence(home, units))


def _confidence(home: HomeResult, units: Units) -> str:
    """Name the factors of the confidence: an order of trust, not a probability."""
    row, codes = home.row, flag_codes(home.row)
    recorded = row["confidence_frac"]
    slope, fit = row["ground_slope_pct"], row["slope_fit_frac"]
    falls = [run["fall_m"] for run in rows_of(home, "inlet_runs") if run["fall_m"] is not None]
    end = confidence.OVERFLOW.get(row["overflow_code"])
    if not falls or end is None or slope is None or recorded is None:
        return "how far the data carry this proposal"
    worst_fall = confidence.WORST_FALL
    factors = [
        ("places of downspouts assumed", confidence.ASSUMED_DOWNSPOUTS if "downspouts_assumed" in codes else 1.0),
        ("roof form assumed", confidence.ASSUMED_ROOF_FORM if "roof_form_assumed" in codes else 1.0),
        ("rain assumed", confidence.ASSUMED_RAIN if "rain_assumed" in codes else 1.0),
        (
            f"smallest fall {units.show(min(falls), 'm')}",
            worst_fall + (1.0 - worst_fall) * min(max(min(falls) / confidence.SURE_FALL_M, 0.0), 1.0),
        ),
        (f"overflow {row['overflow_code']}", end),
    ]
    if slope >= confidence.LEVEL_PCT and fit is not None:
        worst = confidence.WORST_PLANE
        factors.append(("fit of the plane", worst + (1.0 - worst) * min(max(fit, 0.0), 1.0)))
    cell_m, warn_m, most_m = (
        home.recorded("elevation_cell_m"),
        home.parameter("siting.warn_cell_m"),
        home.parameter("siting.max_cell_m"),
    )
    if cell_m is not None and warn_m is not None and most_m is not None and cell_m > warn_m:
        factor = confidence.COARSE_CELL if cell_m > most_m else confidence.MIDDLING_CELL
        factors.append((f"elevation cells of {units.limit(cell_m, 'm')}", factor))
    computed = math.prod(factor for _, factor in factors)
    named = [f"{name} {factor:.2f}" for name, factor in factors if factor < 1.0]
    return _formula(f"product of: {', '.join(named) or 'nothing in doubt'}", computed, recorded, percent(computed))


def flag_codes(row: Mapping[str, Any]) -> list[str]:
    """Return the codes in the column `flags`."""
    return [code for code in (row["flags"] or "").split(";") if code]


def _flags(home: HomeResult) -> Iterator[Fact]:
    codes = flag_codes(home.row)
    for code in codes:
        yield Fact(code, FLAG_CODES.get(code, ""), "")
    if not codes:
        yield Fact("nothing special", "", "")
