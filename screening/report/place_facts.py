"""Facts about the place: lot and house, roof and downspouts, distances, runs and overflow."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from screening.columns import END_CODES
from screening.report.facts import Fact, building_gap_m, formula_text, keep_away_rules, rows_of, short_name
from screening.report.quantities import Units, percent, wind

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from screening.report.result_file import HomeResult


N_NAMES: Final = 20
"""Parcels without a row of their own that are named."""

MERGED: Final = {
    "stack": ("same outline", "has the same outline as"),
    "unit": ("units on it", "is a unit on the ground of"),
    "linked": ("joined with it", "is joined to the lot of"),
}
"""By merge code: the heading over the parcels that a row stands for, and what such a parcel is to the row's own."""


def merged_facts(home: HomeResult) -> Iterator[Fact]:
    """Yield the parcels that this row stands for."""
    for code, (label, _) in MERGED.items():
        names = [
            str(one["parcel_id"]) if one["parcel_id"] else "one without identifier"
            for one in home.merged
            if one["merge_code"] == code
        ]
        if names:
            more = "" if len(names) <= N_NAMES else f" and {len(names) - N_NAMES} more"
            how = f"this row stands for them too: {', '.join(names[:N_NAMES])}{more}"
            yield Fact(label, f"{len(names)} other parcel{'s' if len(names) > 1 else ''}", how)


def lot_facts(home: HomeResult, units: Units) -> Iterator[Fact]:
    """Yield the lot, the house, the open ground and the slope of the ground."""
    row = home.row
    yield from merged_facts(home)
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


def roof_facts(home: HomeResult, units: Units) -> Iterator[Fact]:
    """Yield the roof and its downspouts."""
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
            f"{formula_text(formula, share, spout['roof_frac'], percent(share))}; {goes_to}",
        )
    treated = sum(spout["roof_area_m2"] or 0.0 for spout in spouts if spout["garden_id"] is not None)
    yield Fact(
        "treated roof",
        f"{units.show(row['treated_roof_m2'], 'm2')}, {percent(row['treated_roof_frac'])}",
        formula_text(
            "sum of the parts that drain to a garden", treated, row["treated_roof_m2"], units.show(treated, "m2")
        ),
    )


def overflow_fact(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Fact:
    """Say where the overflow of a garden ends."""
    code = garden["overflow_code"]
    for path in rows_of(home, "overflow_paths"):
        if path["garden_id"] == garden["garden_id"]:
            length, drop = units.show(path["length_m"], "m"), units.show(path["drop_m"], "m")
            how = f"{code}: steepest way over the ground from the low rim, {length} long, {drop} down"
            return Fact("overflow", END_CODES[code], how)
    if code is None:
        return Fact("overflow", "not computed")
    return Fact("overflow", END_CODES[code], f"{code}: its way ends where it begins")


def distance_facts(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Iterator[Fact]:
    """Yield the distances of a garden and what is to spare."""
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


def run_facts(home: HomeResult, garden: Mapping[str, Any], units: Units) -> Iterator[Fact]:
    """Yield the ways from the downspouts to a garden."""
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
