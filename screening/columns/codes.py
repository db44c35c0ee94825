"""The closed lists of codes, each with its plain meaning."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

REASON_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "not_a_lot": "the polygon is a street, a railway or water, and no lot",
        "not_residential": "the land use is not among the eligible ones",
        "no_building": "no building stands on the lot",
        "building_too_small": "no building on the lot is large enough to be a house, or none is of the kind asked for",
        "shared_stack": "several parcels share this outline, or lie on it as units do: the yard has several owners",
        "no_open_ground": "the setbacks leave no ground, or less than the smallest garden needs",
        "too_narrow": "the ground left by the setbacks is nowhere wide enough for the smallest garden",
        "too_steep": "where a garden would fit the ground is too steep",
        "no_downhill_place": "where a garden would fit the water of no downspout runs to it by itself",
        "run_too_long": "where a garden would fit every downspout is too far away",
        "run_blocked": "every way from a downspout to the garden would cross a building or leave the lot",
        "overflow_to_building": "where a garden would fit its overflow would run at a building",
        "elevation_gap": "elevation is missing where a garden would fit or where the ground has to be measured",
        "outside_elevation": "the lot lies outside the elevation raster",
        "tile_failed": "the tile of the lot could not be screened; the run can be taken up again",
        "soil_unknown": "neither the soil map nor the run file says what soil the lot has",
        "bad_geometry": "the lot has no outline or one that cannot be repaired",
    }
)
"""Why a parcel is no candidate."""

NOT_SCREENED: Final = (
    "not_a_lot",
    "not_residential",
    "no_building",
    "building_too_small",
    "outside_elevation",
    "tile_failed",
    "soil_unknown",
    "bad_geometry",
)
"""Reasons that say nothing of room for a garden: there was no home, or it could not be looked at.

Maps give these parcels a sign of their own.
"""

END_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "street": "reaches the street",
        "drainage": "reaches a drainage feature",
        "own_low_spot": "stays in a low spot of the own lot",
        "own_ground": "is still on the own lot where the trace ends",
        "neighbour_lot": "runs onto a neighbour's lot",
        "building_setback": "runs into the setback of a building",
        "off_elevation": "leaves the elevation raster or meets missing elevation",
    }
)
"""Where the overflow of a garden ends."""

FLAG_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "rain_assumed": "no rain record was given; yearly volumes rest on assumed storms",
        "coarse_elevation": "the elevation cells are larger than the limit of confidence",
        "downspouts_assumed": "the places of the downspouts are assumed, not measured",
        "roof_form_assumed": "the form of the roof is assumed; the range covers hip and gable",
        "neighbour_overflow": "the overflow of a garden runs onto a neighbour's lot",
        "low_spot_overflow": "the overflow of a garden stays in a low spot of the lot",
        "falls_toward_house": "the ground beside the house falls toward it somewhere",
        "steep_ground": "the ground under a garden is steeper than 5 %: a berm on the low side is needed",
        "geometry_repaired": "the outline of the lot or of a building had to be repaired",
        "elevation_filled": "small holes in the elevation were filled",
        "small_garden": "a garden is smaller than its target area",
        "several_buildings": "more than one building stands on the lot",
        "split_building": "the house is part of a building that lot lines divide",
        "house_over_lots": "the house stands on more than one lot: they may be one home, or the map is shifted",
        "lots_joined": "the lot is joined of several parcels that the city's data link",
        "lot_overlapped": "another parcel lies over a part of the lot",
        "house_in_elevation": "the ground model bulges under the house, so the ground beside it may look too steep",
        "soil_mixed": "the open ground lies on several soils; the one that most of it is counts",
        "soil_outside": "the soil map says nothing of most of the open ground; the run file's default counts",
        "long_trace": "the way of an overflow was cut at the greatest length followed",
    }
)
"""What a person should know about a candidate."""

ALTERNATIVE_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "barrel": "rain barrel, emptied before the next rain",
        "permeable_strip": "strip of permeable paving",
        "lawn_discharge": "downspout turned onto the lawn",
        "none": "nothing to propose from map data",
    }
)
"""What to look at on a visit where no garden fits."""

CAUSE_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "soil_rate": "how fast the soil takes in water",
        "roof_share": "how much of the roof the served downspouts drain",
        "roof_form": "hip or gable",
        "initial_loss": "how much rain wets the roof and never runs off",
        "connection": "how much of the roof's water reaches the downspouts",
        "rain_year": "which year it is",
        "own_differences": "what each home has for itself, and causes acting together",
    }
)
"""What makes a volume unsure."""

TIGHTEST_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "foundation": "distance to buildings",
        "lot_line": "distance to the lot line",
        "keep_away": "distance to a keep-away layer",
        "slope": "steepest ground",
        "fall": "least fall from downspout to garden",
        "run": "longest run from downspout to garden",
        "area": "smallest area or width of a garden",
    }
)
"""The rule whose relaxation alone would let a garden fit."""

MERGE_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "stack": "another parcel of the same outline, so the yard has more than one owner",
        "unit": "a unit on common ground, or cut out of it, whose yard has more than one owner",
        "linked": "a part of the lot of a home, as the city's data link them",
        "duplicate": "the same parcel, written once more",
    }
)
"""Why a parcel has no row of its own."""

SHAPE_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "rectangle": "rectangle",
        "free": "bed of free form",
    }
)
"""Form of a garden."""

ROLE_CODES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "principal": "the house of the lot",
        "other": "another building of the same lot",
        "neighbour": "a building of another lot",
    }
)
"""What a building is to a candidate."""
