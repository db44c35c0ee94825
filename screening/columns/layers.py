"""The registry of the output's layers: the only place that says which columns there are.

Names and meanings are a promise to other programs; the writer, the column guide inside the file
and the reference page all follow this list.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from screening.columns.codes import (
    ALTERNATIVE_CODES,
    CAUSE_CODES,
    END_CODES,
    FLAG_CODES,
    MERGE_CODES,
    REASON_CODES,
    ROLE_CODES,
    SHAPE_CODES,
    TIGHTEST_CODES,
)
from screening.columns.model import Column, Layer

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.columns.model import Kind


def _town(name: str, dtype: Kind, unit: str, meaning: str, codes: Mapping[str, str] | None = None) -> Column:
    """A column that needs the whole town."""
    return Column(name, dtype, unit, meaning, codes, needs_town=True)


_HOME_ID: Final = Column("home_id", "str", "", "identifier of the home", is_required=True)
_GARDEN_ID: Final = Column("garden_id", "str", "", "identifier of the garden", is_required=True)
_DOWNSPOUT_ID: Final = Column("downspout_id", "str", "", "identifier of the downspout", is_required=True)
_DIVERTED: Final = "roof water a year that no longer runs off"

_MAIN_CAUSE: Final = (
    Column(
        "main_cause_code",
        "str",
        "",
        "what is unsure that widens the range most; null: nothing",
        CAUSE_CODES,
        needs_town=True,
    ),
    _town("main_cause_frac", "float", "", "its part of the variance"),
)

CANDIDATE_HOMES: Final = Layer(
    "candidate_homes",
    "MultiPolygon",
    (
        _town("rank", "int", "", "place in the order of candidates, 1 is best"),
        _HOME_ID,
        Column("parcel_id", "str", "", "identifier of the parcel in the input; null: it had none"),
        Column("address", "str", "", "address of the parcel in the input"),
        Column("street", "str", "", "street the home is counted to"),
        Column("building_id", "str", "", "identifier of the house", is_required=True),
        Column("roof_area_m2", "float", "m2", "plan area of the roofs that count"),
        Column("n_downspouts", "int", "", "downspouts of those roofs"),
        Column("ground_slope_pct", "float", "%", "slope of the plane through the ground around the house"),
        Column("downslope_deg", "float", "deg", "direction in which that plane falls, clockwise from north"),
        Column("parcel_area_m2", "float", "m2", "area of the parcel"),
        Column("open_area_m2", "float", "m2", "ground of the parcel where the distance rules allow a garden"),
        Column("n_gardens", "int", "", "proposed gardens"),
        Column("garden_area_m2", "float", "m2", "area of the gardens together"),
        Column("treated_roof_m2", "float", "m2", "plan area of roof that drains to the gardens"),
        Column("treated_roof_frac", "float", "", "that area over the area of all roofs that count"),
        Column("storage_m3", "float", "m3", "water the gardens hold when full"),
        Column("drawdown_h", "float", "h", "time in which the slowest full garden soaks away"),
        Column("runoff_roof_m3_y", "float", "m3/y", "water that runs off all roofs in a mean year"),
        Column(
            "diverted_m3_y", "float", "m3/y", f"{_DIVERTED}, likely: in half of the draws it is less", needs_town=True
        ),
        Column(
            "diverted_low_m3_y",
            "float",
            "m3/y",
            f"{_DIVERTED}, low estimate: in one of ten draws it is less",
            needs_town=True,
        ),
        Column(
            "diverted_high_m3_y",
            "float",
            "m3/y",
            f"{_DIVERTED}, high estimate: in one of ten draws it is more",
            needs_town=True,
        ),
        Column("overflow_code", "str", "", "worst end of the gardens' overflow", END_CODES),
        _town("score", "float", "", "weighted score the rank follows, 0 to 1"),
        Column("confidence_frac", "float", "", "how far the data carry this proposal, 0 to 1"),
        Column("flags", "str", "", "what to know about this home, codes joined by ;", FLAG_CODES, is_list=True),
        Column("slope_fit_frac", "float", "", "coefficient of determination (R2) of the plane through the ground"),
        Column("soil_class", "str", "", "soil whose rate counts; the run record says where the rate comes from"),
        Column("soil_rate_mm_h", "float", "mm/h", "design infiltration rate of that soil"),
        Column(
            "district", "str", "", "area of the layer of districts in which the lot lies; null: none", needs_town=True
        ),
        Column("all_likely_m3_y", "float", "m3/y", f"{_DIVERTED} in a mean year with every cause at its likely value"),
        _town("rank_best", "int", "", "rank that the home does better than in one of ten draws"),
        _town("rank_worst", "int", "", "rank that the home does worse than in one of ten draws"),
        Column(
            "first_n_chance_frac",
            "float",
            "",
            "chance of being among the first [uncertainty] n_first homes",
            needs_town=True,
        ),
        *_MAIN_CAUSE,
        Column(
            "score_volume_frac",
            "float",
            "",
            "measure of volume in the score, before its weight, 0 to 1",
            needs_town=True,
        ),
        Column(
            "score_confidence_frac",
            "float",
            "",
            "measure of confidence in the score, before its weight, 0 to 1",
            needs_town=True,
        ),
        Column(
            "score_treated_frac",
            "float",
            "",
            "measure of treated roof in the score, before its weight, 0 to 1",
            needs_town=True,
        ),
    ),
    one_row_per="home where a garden fits that keeps every rule of the run, in rank order",
    key="home_id",
)

GARDENS: Final = Layer(
    "gardens",
    "Polygon",
    (
        _GARDEN_ID,
        _HOME_ID,
        Column("shape_code", "str", "", "form of the garden", SHAPE_CODES, is_required=True),
        Column("area_m2", "float", "m2", "area of the garden", is_required=True),
        Column("length_m", "float", "m", "long side; of a free form the long side of its smallest rectangle"),
        Column("width_m", "float", "m", "short side; of a free form the width that fits everywhere"),
        Column("long_axis_deg", "float", "deg", "direction of the long side, clockwise from north, 0 to 180"),
        Column("slope_pct", "float", "%", "mean slope of the ground under the garden"),
        Column("ponding_depth_mm", "float", "mm", "depth of water when full"),
        Column("own_building_dist_m", "float", "m", "to the nearest building of the own lot; null: none within 30 m"),
        Column("other_building_dist_m", "float", "m", "to the nearest other building; null: none within 30 m"),
        Column("lot_line_dist_m", "float", "m", "to the lot line"),
        Column("n_downspouts", "int", "", "downspouts it serves"),
        Column("treated_roof_m2", "float", "m2", "plan area of roof that drains to it"),
        Column("fall_m", "float", "m", "smallest fall from a served downspout's outlet to the garden"),
        Column("run_m", "float", "m", "longest way from a served downspout to the garden"),
        Column("storage_m3", "float", "m3", "water it holds when full"),
        Column("drawdown_h", "float", "h", "time in which the full garden soaks away"),
        Column(
            "diverted_m3_y",
            "float",
            "m3/y",
            f"{_DIVERTED}, likely: its share of what the home diverts",
            needs_town=True,
        ),
        Column("all_likely_m3_y", "float", "m3/y", f"{_DIVERTED} in a mean year with every cause at its likely value"),
        Column("overflow_code", "str", "", "end of its overflow", END_CODES),
        Column("elev_m", "float", "m", "mean elevation of the ground under the garden"),
        Column("storage_area_m2", "float", "m2", "storage over depth: the area less what sides and berm take"),
        Column("treated_roof_gable_m2", "float", "m2", "plan area of roof that drains to it if the roof is a gable"),
        Column("soil_class", "str", "", "soil whose rate counts; the run record says where the rate comes from"),
        Column("soil_rate_mm_h", "float", "mm/h", "design infiltration rate of that soil"),
        _town(
            "dig_out_after_y",
            "int",
            "y",
            "years after which sediment has taken so much depth that the bowl should be dug out again; null: later "
            "than the years looked ahead",
        ),
        Column(
            "year_5_frac",
            "float",
            "",
            "volume of the 5th year over that as dug, if nobody digs it out",
            needs_town=True,
        ),
        _town("year_10_frac", "float", "", "the same for the 10th year"),
        _town("year_20_frac", "float", "", "the same for the 20th year"),
    ),
    one_row_per="proposed garden",
    key="garden_id",
)

DOWNSPOUTS: Final = Layer(
    "downspouts",
    "Point",
    (
        _DOWNSPOUT_ID,
        _HOME_ID,
        Column("is_measured", "bool", "", "whether the place is measured; otherwise it is assumed", is_required=True),
        Column("roof_area_m2", "float", "m2", "plan area of roof that drains to it"),
        Column("roof_frac", "float", "", "that area over the area of all roofs of the home that count"),
        Column("garden_id", "str", "", "garden that takes its water; null: not served"),
        Column("ground_elev_m", "float", "m", "elevation of the ground at its outlet"),
        Column("building_id", "str", "", "building it drains", is_required=True),
    ),
    one_row_per="downspout, measured or assumed",
    key="downspout_id",
)

INLET_RUNS: Final = Layer(
    "inlet_runs",
    "LineString",
    (
        _HOME_ID,
        _DOWNSPOUT_ID,
        _GARDEN_ID,
        Column("length_m", "float", "m", "length of the way"),
        Column("fall_m", "float", "m", "fall of the ground from the downspout's outlet to the garden"),
    ),
    one_row_per="way of the water from a downspout to its garden, drawn in the direction of flow",
)

OVERFLOW_PATHS: Final = Layer(
    "overflow_paths",
    "LineString",
    (
        _HOME_ID,
        _GARDEN_ID,
        Column("end_code", "str", "", "where the way ends", END_CODES, is_required=True),
        Column("length_m", "float", "m", "length of the way"),
        Column("drop_m", "float", "m", "fall from the mean ground under the garden to the end of the way"),
    ),
    one_row_per="way of a garden's overflow, drawn in the direction of flow",
)

BUILDINGS: Final = Layer(
    "buildings",
    "MultiPolygon",
    (
        Column("building_id", "str", "", "identifier of the building", is_required=True),
        _HOME_ID,
        Column("role_code", "str", "", "what the building is to the home", ROLE_CODES, is_required=True),
        Column("area_m2", "float", "m2", "plan area"),
    ),
    one_row_per="building on or near a candidate's lot",
    is_detail=True,
)

ROOF_PARTS: Final = Layer(
    "roof_parts",
    "MultiPolygon",
    (
        _DOWNSPOUT_ID,
        _HOME_ID,
        Column("area_m2", "float", "m2", "plan area"),
    ),
    one_row_per="part of a roof that drains to one downspout",
    is_detail=True,
)

OPEN_GROUND: Final = Layer(
    "open_ground",
    "MultiPolygon",
    (
        _HOME_ID,
        Column("area_m2", "float", "m2", "area"),
    ),
    one_row_per="ground of a candidate's lot where the distance rules allow a garden",
    is_detail=True,
)

OTHER_PARCELS: Final = Layer(
    "other_parcels",
    "MultiPolygon",
    (
        Column("parcel_id", "str", "", "identifier of the parcel in the input; null: it had none"),
        Column("address", "str", "", "address of the parcel in the input"),
        Column("reason_code", "str", "", "why the parcel is no candidate", REASON_CODES, is_required=True),
        Column("reason_text", "str", "", "the same in words, with the numbers of this parcel", is_required=True),
        Column(
            "tightest_rule_code",
            "str",
            "",
            "rule whose relaxation alone would let a garden fit; null: no single rule would",
            TIGHTEST_CODES,
        ),
        Column(
            "tightest_margin_m",
            "float",
            "m",
            "how much that distance would have to give; null where the rule is no distance",
        ),
        Column("alternative_code", "str", "", "what to look at on a visit instead", ALTERNATIVE_CODES),
        Column("alternative_m3_y", "float", "m3/y", "what that would divert in a mean year; null: no home, or nothing"),
        Column("area_m2", "float", "m2", "area of the parcel"),
        Column("home_id", "str", "", "identifier of the home; null where the parcel has none"),
    ),
    one_row_per="other input parcel, with the reason why it is no candidate",
    geometry_may_be_null=True,
)

STREETS: Final = Layer(
    "streets",
    "MultiLineString",
    (
        Column("street", "str", "", "name of the street", is_required=True),
        Column("n_candidates", "int", "", "candidate homes on the street", is_required=True),
        Column("n_gardens", "int", "", "proposed gardens"),
        Column("diverted_m3_y", "float", "m3/y", f"{_DIVERTED}, likely, all candidates"),
        Column("diverted_low_m3_y", "float", "m3/y", f"{_DIVERTED}, low estimate, all candidates"),
        Column("diverted_high_m3_y", "float", "m3/y", f"{_DIVERTED}, high estimate, all candidates"),
        *_MAIN_CAUSE,
        Column("length_m", "float", "m", "length of the street's lines; null: no street layer was given"),
    ),
    one_row_per="street with its totals",
    geometry_may_be_null=True,
)

DISTRICTS: Final = Layer(
    "districts",
    "MultiPolygon",
    (
        Column("district", "str", "", "name of the area in the input", is_required=True),
        Column("n_candidates", "int", "", "candidate homes in the area", is_required=True),
        Column("n_gardens", "int", "", "proposed gardens"),
        Column("runoff_roof_m3_y", "float", "m3/y", "runoff of all roofs of the candidates in a mean year"),
        Column("diverted_m3_y", "float", "m3/y", f"{_DIVERTED}, all candidates, likely"),
        Column("diverted_low_m3_y", "float", "m3/y", f"{_DIVERTED}, all candidates, low estimate"),
        Column("diverted_high_m3_y", "float", "m3/y", f"{_DIVERTED}, all candidates, high estimate"),
        *_MAIN_CAUSE,
    ),
    one_row_per="area of the layer of districts, with its totals; only where such a layer was given",
    key="district",
)

MERGED_PARCELS: Final = Layer(
    "merged_parcels",
    None,
    (
        Column("parcel_id", "str", "", "identifier of the parcel in the input; null: it had none"),
        Column("address", "str", "", "address of the parcel in the input"),
        Column("merge_code", "str", "", "why it has no row of its own", MERGE_CODES, is_required=True),
        Column(
            "kept_parcel_id",
            "str",
            "",
            "parcel_id of the row that stands for it, in candidate_homes or other_parcels; null: that had none either",
        ),
    ),
    one_row_per="input parcel without a row of its own: another's stands for both (same outline, unit, linked lot)",
)

RUN_RECORD: Final = Layer(
    "run_record",
    None,
    (
        Column("key", "str", "", "what is recorded", is_required=True),
        Column("value", "str", "", "its value as text"),
    ),
    one_row_per="fact about the run: versions, inputs with SHA-256, parameters, coordinate system, counts",
    key="key",
)

COLUMN_GUIDE: Final = Layer(
    "column_guide",
    None,
    (
        Column("layer", "str", "", "name of the layer", is_required=True),
        Column("column", "str", "", "name of the column", is_required=True),
        Column("type", "str", "", "type of the values: str, int, float, bool or a geometry type", is_required=True),
        Column("unit", "str", "", "unit of the values; empty for text, codes, counts and switches"),
        Column("meaning", "str", "", "what the values say", is_required=True),
    ),
    one_row_per="column of a layer",
)

LAYERS: Final = (
    CANDIDATE_HOMES,
    GARDENS,
    DOWNSPOUTS,
    INLET_RUNS,
    OVERFLOW_PATHS,
    BUILDINGS,
    ROOF_PARTS,
    OPEN_GROUND,
    OTHER_PARCELS,
    STREETS,
    DISTRICTS,
    MERGED_PARCELS,
    RUN_RECORD,
    COLUMN_GUIDE,
)
"""Every layer of the output, in the order in which they are written."""
