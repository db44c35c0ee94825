"""What names of layers say: words met in cities' files for each thing a run knows.

Common practice, no source; a name alone never makes a guess sure.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from screening.survey.words import run_together, word_set, words_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.survey.facts import LayerFacts

ROLE_WORDS: Final[Mapping[str, frozenset[str]]] = {
    "parcels": word_set(
        "parcel parcels parc lot lots taxlot taxlots plot plots cadastre cadastral cadaster kadaster property "
        "properties assessor pluto flurstueck flurstuecke flurstück flurstücke parzelle parzellen parcelle parcelles "
        "parcelas"
    ),
    "buildings": word_set(
        "building buildings bldg bldgs bldgfp footprint footprints structure structures roof roofs rooftop rooftops "
        "roofprints house houses gebaeude gebäude batiment batiments edificio edificios"
    ),
    "streets": word_set(
        "street streets road roads rd rds centerline centerlines centreline centrelines roadway roadways highways "
        "strasse strassen straße straßen rue rues voirie carreteras thoroughfares tiger"
    ),
    "downspouts": word_set("downspout downspouts downpipe downpipes leaders"),
    "soils": word_set("soil soils ssurgo gssurgo soilmu mupolygon boden"),
    "districts": word_set(
        "neighborhood neighborhoods neighbourhood neighbourhoods ward wards district districts sewershed sewersheds "
        "watershed watersheds catchment catchments subbasin subbasins basins quartier quartiers"
    ),
}
"""Whole words, by input of the run file."""

ROLE_PARTS: Final[Mapping[str, re.Pattern[str]]] = {
    "parcels": re.compile(r"parcel|taxlot|cadast|flurst"),
    "buildings": re.compile(r"building|bldg|footprint|gebaeude"),
    "streets": re.compile(r"street|(?<!rail)road|centerlin|centrelin|strasse"),
    "downspouts": re.compile(r"downspout|downpipe"),
    "soils": re.compile(r"soils?mu|ssurgo|mupoly"),
    "districts": re.compile(r"neighbou?rh|sewershed|watershed|catchment"),
}
"""Parts of names without gaps between the words."""

KEEP_AWAY_WORDS: Final[Mapping[str, frozenset[str]]] = {
    "septic": word_set(
        "septic septics ossf ssts onsite leachfield leachfields drainfield drainfields cesspool cesspools"
    ),
    "well": word_set("well wells borehole boreholes"),
    "utility": word_set(
        "gas sewer sewers pipe pipes pipeline pipelines main mains conduit conduits electric cables utility "
        "utilities culvert culverts watermain watermains storm"
    ),
    "wetland": word_set("wetland wetlands nwi marsh swamp vernal"),
    "water": word_set(
        "water waterbody waterbodies waterway waterways stream streams creek creeks river rivers lake lakes pond "
        "ponds hydro hydrography hydrology nhd flowline flowlines brook ditch ditches canal canals shoreline "
        "gewaesser"
    ),
    "tree": word_set("tree trees canopy treecanopy trunk trunks baum baeume bäume arbres"),
    "retaining_wall": word_set("retaining"),
    "wall": word_set("wall walls"),
    "deck": word_set("deck decks porch porches patio patios terrace terraces veranda verandas"),
    "pool": word_set("pool pools swimming"),
    "easement": word_set("easement easements servitude"),
    "pavement": word_set(
        "driveway driveways sidewalk sidewalks parking pavement paved impervious imperviousness walkway walkways"
    ),
    "steep_slope": word_set("landslide landslides bluff bluffs scarp scarps steep"),
}
"""Kinds of things a garden stays away from.  The first that fits counts."""

NO_WATER: Final = word_set(
    "district districts service area areas zone zones boundary boundaries limits meter meters hydrant hydrants tower "
    "towers quality table supply provider providers watershed"
)
"""Words that make something else of water, wells, trees: a service area is no pond."""

PLAIN_WORDS: Final = word_set(
    "city town county village layer poly polygon polygons point points line lines area areas private public existing "
    "large big main data export shp of the and in a b inventory locations location large small gis us natural "
    "features"
)
"""Words that change nothing about what a layer is."""

NOT_USED: Final[tuple[tuple[frozenset[str], str], ...]] = (
    (
        word_set("contour contours spot spots breakline breaklines"),
        "heights as lines or points; make a raster of them, or better get the city's bare-earth raster",
    ),
    (word_set("zoning zones"), "zoning says what may be built, not what is there"),
    (word_set("tessellation tessellations voronoi"), "made by a computation around buildings, not lots"),
    (word_set("block blocks tract tracts blockgroup blockgroups census county counties"), "areas of statistics"),
    (word_set("boundary boundaries limit limits border borders outline mask"), "an outline of the place"),
    (word_set("railroad railroads railway railways rail rails"), "railways are no streets"),
    (word_set("addresses address addr"), "addresses as points; a run takes the address from a field of the parcels"),
    (word_set("park parks greenspace"), "parks; the land use of the parcels says it"),
    (word_set("fence fences hedge hedges"), "not something a garden keeps away from"),
)
"""Layers that look like an input and are none, with the reason."""


@dataclass(frozen=True, slots=True)
class NameEvidence:
    """What the names of a layer say.

    Attributes
    ----------
    roles : mapping of str to int
        Points by input: 4 for a word of the layer's name, 3 for a part of it, 1 for the file's where it has several.
    kind : str
        Kind of keep-away layer; empty if none.
    not_used : str
        Why it is none of the inputs; empty if nothing says so.
    is_plain : bool
        Whether the names say the kind of keep-away layer and nothing else.
    """

    roles: Mapping[str, int]
    kind: str
    not_used: str
    is_plain: bool


def names_of(facts: LayerFacts) -> list[str]:
    """Names that say what a layer is: its own, and its file's where that has no other layer."""
    return [facts.layer] if facts.n_layers > 1 else [facts.layer, facts.path.stem]


def name_evidence(facts: LayerFacts, place: frozenset[str] = frozenset()) -> NameEvidence:
    """Read the names of a layer and its file.

    Parameters
    ----------
    facts : LayerFacts
        The layer.
    place : frozenset of str
        Words that are the place's name.
    """
    names = names_of(facts)
    words = {word for name in names for word in words_of(name)} - place
    roles: dict[str, int] = {}
    for role, known in ROLE_WORDS.items():
        if words & known:
            roles[role] = 4
        elif any(ROLE_PARTS[role].search(run_together(name)) for name in names):
            roles[role] = 3
        elif facts.n_layers > 1 and set(words_of(facts.path.stem)) & known:
            roles[role] = 1
    not_used, is_outline = "", False
    for known, why in NOT_USED:
        if words & known:
            not_used, is_outline = why, "outline" in why
            break
    kind = next((kind for kind, known in KEEP_AWAY_WORDS.items() if words & known), "")
    if words & NO_WATER or (not_used and not is_outline):
        kind = ""
    if kind == "wall" and any("retain" in word for word in words):
        kind = "retaining_wall"
    is_plain = bool(kind) and words <= KEEP_AWAY_WORDS[kind] | KEEP_AWAY_WORDS["wall"] | PLAIN_WORDS
    return NameEvidence(roles, kind, "" if kind else not_used, is_plain=is_plain)
