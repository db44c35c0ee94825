"""Every text of a sheet in one place, so that another language is another `Words`.

Braces hold what a sheet puts in. A box to tick is ☐.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from screening.report.cautions import CAUTIONS, STANDING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The texts of a sheet in one language.

    Attributes are named after their places on the sheet; `language` is its tag for readers and speech programs,
    `decimal_mark` stands in its numbers, `per_year` after its units, `missing` for a number that was not computed.
    """

    language: str
    decimal_mark: str
    per_year: str
    missing: str
    document_title: str
    no_address: str
    home: str
    parcel: str
    rank: str
    rank_range: str
    sheet: str
    stop: str
    day: str
    standing: str
    cautions: tuple[str, ...]
    cautions_title: str
    foot: str
    # plan
    north: str
    print_full_size: str
    whole_lot: str
    overflow_ends: Mapping[str, str]
    goes_on: str
    legend: Mapping[str, str]
    # numbers
    yearly: str
    yearly_range: str
    gardens_title: str
    rows: Mapping[str, str]
    none_near: str
    pegs_title: str
    pegs_note: str
    pegs_free_note: str
    pegs_wall_note: str
    no_pegs: str
    no_house: str
    peg: str
    # why here
    why_title: str
    why_roof: str
    why_slope: str
    why_level: str
    winds: tuple[str, ...]
    why_overflow: str
    overflow_advice: Mapping[str, str]
    why_trust: str
    causes: Mapping[str, str]
    assumed: str
    assumed_flags: Mapping[str, str]
    flags: Mapping[str, str]
    more: str
    # to check
    check_title: str
    checks: tuple[str, ...]
    soil_title: str
    soil_note: str
    soil_rows: tuple[str, ...]
    soil_columns: tuple[str, ...]
    # materials
    materials_title: str
    materials: Mapping[str, tuple[str, str]]
    materials_note: str
    # upkeep
    upkeep_title: str
    seasons: str
    year: str
    upkeep: Mapping[str, str]
    dig_out: str
    dig_out_after: str
    dig_out_later: str
    upkeep_note: str
    # visit
    visit_title: str
    visit_fields: tuple[str, ...]
    outcome_title: str
    outcomes: tuple[str, ...]
    sketch_title: str


ENGLISH: Final = Words(
    language="en",
    decimal_mark=".",
    per_year="/y",
    missing="not computed",
    document_title="Visit sheets: candidate homes for rain gardens",
    no_address="no address in the parcel data",
    home="home {0}",
    parcel="parcel {0}",
    rank="rank {0} of {1}",
    rank_range=", could be {0} to {1}",
    sheet="sheet {0} of {1}",
    stop="stop {0} of {1}",
    day="day {0}",
    standing=STANDING,
    cautions=CAUTIONS,
    cautions_title="Before anybody digs",
    foot=(
        "screening {version} · {source} · rules {rules} · rain {rain} · for staff and this household only · "
        "the maps behind this are no survey"
    ),
    north="N",
    print_full_size="printed at 100 %",
    whole_lot="whole lot",
    overflow_ends={
        "street": "to the street",
        "drainage": "to a drain or water",
        "own_low_spot": "stays in a low spot of the lot",
        "own_ground": "stays on the lot",
        "neighbour_lot": "to a neighbour's lot",
        "building_setback": "toward a building",
        "off_elevation": "end not known",
    },
    goes_on="goes on, {0}",
    legend={
        "lot": "the lot",
        "open_ground": "where the distances allow a garden",
        "foundation": "{0} from buildings",
        "lot_line": "{0} from the lot line",
        "house": "house, parted by downspout",
        "unserved": "roof part that no garden takes",
        "garden": "candidate garden, pegs A B …",
        "corner": "house corner to hold a tape at",
        "spout": "spout: assumed, measured, unserved",
        "run": "water to the garden",
        "overflow": "overflow",
        "warning": "overflow to look at closely",
    },
    yearly="of roof water kept from running off, likely",
    yearly_range="{0} in 8 of 10 cases of rain, soil and roof",
    gardens_title="Candidate garden",
    rows={
        "size": "long × wide",
        "diagonal": "diagonals",
        "area": "area",
        "depth": "water when full",
        "storage": "holds",
        "roof": "roof to it",
        "drawdown": "soaks away in",
        "slope": "ground slopes",
        "building": "to a building",
        "lot_line": "to the lot line",
        "run": "longest run to it",
        "fall": "least fall to it",
    },
    none_near="none near",
    pegs_title="Peg it out: tape from house corners",
    pegs_note="Mapped corners may be the roof's edge: plumb down.",
    pegs_free_note="Lay a hose through the pegs; the plan shows the curve.",
    pegs_wall_note="Corners of the walls, {0} inside the mapped ones.",
    no_pegs="No corner of a building sees all pegs: measure from the lot line.",
    no_house="This result has no house outlines (detail = lean): measure from the lot line.",
    peg="peg",
    why_title="Why this spot",
    why_roof="Takes {0} of {1} downspouts by gravity, {2} of the roof.",
    why_slope="Ground around the house falls {0} to the {1}.",
    why_level="Ground around the house is level.",
    winds=("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"),
    why_overflow="Overflow of {0}: {1}{2}.",
    overflow_advice={
        "neighbour_lot": "; find another way for it",
        "building_setback": "; not as drawn",
        "own_low_spot": "; harmless there?",
    },
    why_trust="Trust in the data {0}; least sure: {1}.",
    causes={
        "soil_rate": "how fast the soil drinks",
        "roof_share": "how much roof each downspout drains",
        "roof_form": "hip or gable roof",
        "initial_loss": "how much rain wets the roof",
        "connection": "how much water reaches the downspouts",
        "rain_year": "wet or dry year",
        "own_differences": "what this home has for itself",
    },
    assumed="Assumed: {0}.",
    assumed_flags={
        "downspouts_assumed": "places of downspouts",
        "roof_form_assumed": "roof form",
        "rain_assumed": "storms",
    },
    flags={
        "coarse_elevation": "Heights are coarse: check every slope.",
        "neighbour_overflow": "Overflow runs onto a neighbour's lot.",
        "low_spot_overflow": "Overflow stays in a low spot of the lot.",
        "falls_toward_house": "Ground falls toward the house somewhere.",
        "steep_ground": "Over 5 % slope: a berm on the low side is needed.",
        "geometry_repaired": "A mapped outline was repaired.",
        "elevation_filled": "Small holes in the heights were filled.",
        "small_garden": "Smaller than the rule of size asks.",
        "several_buildings": "More than one building on the lot.",
        "split_building": "The house is part of a longer building.",
        "house_over_lots": "The house stands on more than one lot.",
        "lots_joined": "The lot is several parcels, joined.",
        "lot_overlapped": "Another parcel lies over a part of the lot.",
        "house_in_elevation": "Heights bulge under the house: check slopes.",
        "soil_mixed": "Several soils on the lot.",
        "soil_outside": "The soil map says nothing here.",
        "long_trace": "The overflow was not followed to its end.",
    },
    more="more: screening explain",
    check_title="Check first",
    checks=(
        "Basement  ☐ none  ☐ dry  ☐ wet: stop  ☐ not seen",
        "☐ sump  ☐ crawl space  ☐ window wells",
        "Septic, well, tank  ☐ none  ☐ where:",
        "Utilities marked  ☐ yes, no.:",
        "☐ private lines  ☐ wires overhead",
        "Downspouts  ☐ as drawn  ☐ other; number:",
        "They go to  ☐ ground  ☐ sewer  ☐ not seen",
        "Ground at the walls falls  ☐ away  ☐ to the house",
        "Fall from house to garden by string:",
        "☐ trees above  ☐ roots  ☐ fence  ☐ paving",
        "☐ water stands now  ☐ rock  ☐ fill, rubble",
        "Overflow walked to its end  ☐ safe  ☐ not safe",
        "Sun  ☐ 6 h and more  ☐ 3 to 6 h  ☐ less",
        "☐ play  ☐ pets  ☐ paths  ☐ metal roof",
    ),
    soil_title="Soil test: fill a hole {0} deep, let it drain, fill again",
    soil_note="Second filling gone in 24 h? If not, this is no place. Drop over hours is the rate.",
    soil_rows=("1st filling", "2nd filling"),
    soil_columns=("", "filled at", "empty at", "hours", "rate"),
    materials_title="Materials, a draft",
    materials={
        "dug": ("soil to dig", "bowl {0}, levelling {1}, soil work {2}"),
        "stone": ("stone", "{0} inlets, {1} outlets, each {2}"),
        "run": ("pipe or lined channel, {0} ways", ""),
        "compost": ("compost, {0} worked in", ""),
        "mulch": ("mulch, {0} over all", ""),
        "plants": ("plants, {0} apart", "floor {1}, sides {2}, edge {3}; {4} apart: {5}"),
        "water": ("water a week, first year", ""),
    },
    materials_note="Soil as it lies in the ground. The visit decides what is bought.",
    upkeep_title="Upkeep, first three years",
    seasons="Sp Su Au Wi",
    year="year {0}",
    upkeep={
        "water": "water weekly without rain",
        "weed": "weed",
        "mulch": "top up mulch to {0}",
        "inlets": "clear inlets, leaves",
        "replant": "replace dead plants",
        "cut": "cut back",
        "drain": "gone 24 h after rain?",
    },
    dig_out="Dig out again: {0}. Left undug they hold {1} in year 5, {2} in year 10.",
    dig_out_after="{0} after about {1} years",
    dig_out_later="{0} not within {1} years",
    upkeep_note="Water for 3 days: loosen or replace the top soil. New mulch every 3 years.",
    visit_title="Visit",
    visit_fields=("date, time", "visitor", "met with", "wants a garden", "photos no."),
    outcome_title="Outcome",
    outcomes=("garden here", "garden elsewhere", "barrel", "permeable strip", "lawn", "nothing; why:"),
    sketch_title="Sketch: one square is",
)

# The seasons in which each task of `upkeep` falls, three years of four: spring, summer, autumn, winter.
SEASONS: Final[Mapping[str, str]] = {
    # Watering: about 1 in a week in year 1 (Clermont SWCD), until established, about a year (Buncombe master
    # gardeners); dry spells of the second summer: common practice, no source.
    "water": "xxx. .x.. ....",
    # Weeding: often in years 1 and 2, plants dominate by year 3 (New Jersey rain garden maintenance text).
    "weed": "xxx. xxx. x...",
    # Mulch: top up each spring (Partnership for the Delaware Estuary).
    "mulch": ".... x... x...",
    # Inlets: leaves in spring and autumn (Central Ohio Rain Garden Initiative); sediment when there is some.
    "inlets": "x.x. x.x. x.x.",
    # Replacement planting: years 1 to 3 (Partnership for the Delaware Estuary).
    "replant": "..x. x.x. x...",
    # Cutting back: February to March (New Jersey text).
    "cut": "...x ...x ...x",
    # After a storm: act if water stands more than 3 days (New Jersey text).
    "drain": "xxx. xxx. xxx.",
}
