"""Rule sets by jurisdiction: the distances and limits a garden has to keep, each with its source.

A rule set is published guidance turned into numbers, not the law of a place: local codes and
licensed practice decide.  A number for which no source was found is marked ``program default``; one
that was written down from memory says so.  All distances are horizontal, from the edge of the
garden to the feature.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

Basis = Literal["read", "quoted", "from memory", "program default"]

BASIS_MEANINGS: Final[Mapping[Basis, str]] = MappingProxyType(
    {
        "read": "the number was seen in the named source",
        "quoted": "the number was seen where another text quotes the named source",
        "from memory": "written down from memory of the named source, not looked up",
        "program default": "no source was found for this jurisdiction; a cautious value of ours",
    }
)


@dataclass(frozen=True, slots=True)
class RuleValue:
    """One number of a rule set.

    Attributes
    ----------
    value : float or None
        The number, in the unit of the rule; None where the guidance gives none.
    source : str
        Where it comes from: publisher, title, page or address.
    basis : str
        How sure that is, one of the keys of `BASIS_MEANINGS`.
    """

    value: float | None
    source: str
    basis: Basis = "read"


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """Distances and limits of one jurisdiction.

    Attributes
    ----------
    name : str
        Name used in the run file, ``[rules] base``.
    title : str
        What the set stands for.
    foundation_m : RuleValue
        Garden to a building with a basement, or whose basement is unknown [m].
    foundation_no_basement_m : RuleValue
        Garden to a building known to have no basement [m].
    lot_line_m : RuleValue
        Garden to the lot line [m].
    septic_m, well_m : RuleValue
        Garden to a septic system and to a well [m]; without value the run file must say it.
    max_slope_pct : RuleValue
        Steepest ground under a garden [%].
    min_garden_area_m2, max_garden_area_m2 : RuleValue
        Smallest and largest single garden [m2].
    min_garden_width_m : RuleValue
        Narrowest garden [m].
    max_run_m : RuleValue
        Longest way from downspout to garden [m].
    min_fall_pct : RuleValue
        Least fall from the discharge point to the garden, over the run [%].
    keep_away_m : Mapping[str, RuleValue]
        Distances to further kinds of ``[[inputs.keep_away]]`` layers [m].
    groundwater_m : RuleValue
        Least height of the garden's bottom over high groundwater [m]; printed as a caution, for
        this program has no groundwater data.
    notes : tuple of str
        What a person has to know before using the set.
    """

    name: str
    title: str
    foundation_m: RuleValue
    foundation_no_basement_m: RuleValue
    lot_line_m: RuleValue
    septic_m: RuleValue
    well_m: RuleValue
    max_slope_pct: RuleValue
    min_garden_area_m2: RuleValue
    max_garden_area_m2: RuleValue
    min_garden_width_m: RuleValue
    max_run_m: RuleValue
    min_fall_pct: RuleValue
    groundwater_m: RuleValue
    keep_away_m: Mapping[str, RuleValue] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def limits(self) -> Iterator[tuple[str, RuleValue]]:
        """Yield the names and values that a run file may override, in a fixed order."""
        for name in OVERRIDABLE:
            value: RuleValue = getattr(self, name)
            yield name, value


OVERRIDABLE: Final = (
    "foundation_m",
    "foundation_no_basement_m",
    "lot_line_m",
    "septic_m",
    "well_m",
    "max_slope_pct",
    "min_garden_area_m2",
    "max_garden_area_m2",
    "min_garden_width_m",
    "max_run_m",
    "min_fall_pct",
)
"""Names of the rule values that ``[rules]`` of a run file may override."""

PROGRAM_DEFAULT: Final = "program default"

GWQ037: Final = (
    "R. Bannerman, E. Considine, Rain Gardens: A how-to manual for homeowners, UW-Extension GWQ037 / "
    "Wisconsin DNR PUB-WT-776 (2003)"
)
_UWEX: Final = f"{GWQ037}; https://fyi.uwex.edu/sewraingardens/sample-page/step-1-sizing-and-siting-the-rain-garden/"
_MPCA: Final = (
    "Minnesota Pollution Control Agency, Minnesota Stormwater Manual, Summary of horizontal and "
    "vertical setback distances (recommended); https://stormwater.pca.state.mn.us/"
)
_RUTGERS: Final = "Rutgers Cooperative Extension, Rain garden technical-assistance slides, p. 17"
_WSU: Final = (
    "WSU Extension / Washington Department of Ecology, Rain Garden Handbook for Western Washington (2013), p. 13"
)
_STEP: Final = (
    "Sustainable Technologies Evaluation Program (TRCA), LID planning and design guide, Site considerations, "
    "bioretention; https://wiki.sustainabletechnologies.ca/"
)
_BUCKS: Final = (
    "Buckinghamshire Council, Design standards for SuDS components, soakaways; https://buckinghamshire.gov.uk/"
)
_LFU: Final = (
    "DWA-A 138, quoted by Bayerisches Landesamt für Umwelt, Abstand zu Gebäuden und Grundstücksgrenzen; "
    "https://www.lfu.bayern.de/wasser/ben/abstand_gebaeude_grundstuecksgrenzen/"
)
_ARQ: Final = "Engineers Australia, Australian Runoff Quality (2006) / South Australia WSUD technical manual"


def _default(value: float | None, why: str = "") -> RuleValue:
    """Return a value of ours, marked as such."""
    source = f"{PROGRAM_DEFAULT}: {why}" if why else PROGRAM_DEFAULT
    return RuleValue(value, source, "program default")


def _none(why: str) -> RuleValue:
    """Return the mark that the guidance gives no number; the run file has to."""
    return RuleValue(None, why, "program default")


_MIN_AREA = _default(4.6, "50 ft2, half of the smallest usual garden")
_MIN_WIDTH = _default(1.5, "5 ft, room for a level bottom with side slopes")
_MAX_RUN = _default(15.0, "about 50 ft, the longest swale or pipe a household digs by hand")
_MIN_FALL = _default(
    1.0, "1 % from house to garden as builders use it, and the usual least fall of a buried pipe (from memory)"
)
_MAX_AREA_UWEX = RuleValue(27.9, f"usual residential size 100-300 ft2, {_UWEX}")
_MAX_AREA = _default(27.9, "300 ft2, upper end of the usual residential size in UW-Extension GWQ037")

US_MIDWEST: Final = RuleSet(
    name="us-midwest",
    title="Upper Middle West of the United States (Wisconsin, Iowa, Missouri)",
    foundation_m=RuleValue(3.05, f"10 ft, {_UWEX}"),
    foundation_no_basement_m=RuleValue(3.05, f"10 ft without regard to a basement, {_UWEX}"),
    lot_line_m=_default(1.52, "5 ft; the guides read are silent"),
    septic_m=_default(7.62, "25 ft; the guides read only say not over a septic system"),
    well_m=_default(15.24, "50 ft, as for a private well in the Minnesota Stormwater Manual"),
    max_slope_pct=RuleValue(12.0, f"steeper lawns need another location, {_UWEX}"),
    min_garden_area_m2=_MIN_AREA,
    max_garden_area_m2=_MAX_AREA_UWEX,
    min_garden_width_m=_MIN_WIDTH,
    max_run_m=_MAX_RUN,
    min_fall_pct=_MIN_FALL,
    groundwater_m=_default(0.61, "2 ft"),
)

US_MN: Final = RuleSet(
    name="us-mn",
    title="Minnesota",
    foundation_m=RuleValue(3.05, f"10 ft, ground sloping away, {_MPCA}"),
    foundation_no_basement_m=RuleValue(3.05, f"10 ft without regard to a basement, {_MPCA}"),
    lot_line_m=RuleValue(3.05, f"10 ft, {_MPCA}"),
    septic_m=RuleValue(10.67, f"35 ft, {_MPCA}; 50 ft for practices of 1,000 gallons or more"),
    well_m=RuleValue(15.24, f"50 ft from a private well, {_MPCA}"),
    max_slope_pct=_default(12.0, "as in UW-Extension GWQ037"),
    min_garden_area_m2=_MIN_AREA,
    max_garden_area_m2=_MAX_AREA,
    min_garden_width_m=_MIN_WIDTH,
    max_run_m=_MAX_RUN,
    min_fall_pct=_MIN_FALL,
    groundwater_m=RuleValue(0.91, f"3 ft to saturated soil and bedrock, required, {_MPCA}"),
    keep_away_m={"steep_slope": RuleValue(60.96, f"200 ft from the toe of a slope of 20 % or more, {_MPCA}")},
)

US_NJ: Final = RuleSet(
    name="us-nj",
    title="New Jersey",
    foundation_m=RuleValue(3.05, f"10 ft with a basement, {_RUTGERS}; also taken where the basement is unknown"),
    foundation_no_basement_m=RuleValue(0.61, f"2 ft without a basement, {_RUTGERS}"),
    lot_line_m=_default(1.52, "5 ft"),
    septic_m=RuleValue(7.62, f"25 ft, {_RUTGERS}"),
    well_m=_default(15.24, "50 ft"),
    max_slope_pct=_default(12.0, "as in UW-Extension GWQ037; the slides say flat ground first"),
    min_garden_area_m2=_MIN_AREA,
    max_garden_area_m2=_MAX_AREA,
    min_garden_width_m=_MIN_WIDTH,
    max_run_m=_MAX_RUN,
    min_fall_pct=_MIN_FALL,
    groundwater_m=RuleValue(0.61, f"2 ft below the garden's bottom to seasonal high water, {_RUTGERS}"),
    notes=("A garden also stays outside the dripline of trees: give a tree layer as [[inputs.keep_away]].",),
)

US_WA_WEST: Final = RuleSet(
    name="us-wa-west",
    title="Western Washington State",
    foundation_m=RuleValue(3.05, f"10 ft, {_WSU}"),
    foundation_no_basement_m=RuleValue(3.05, f"10 ft without regard to a basement, {_WSU}"),
    lot_line_m=_default(1.52, "5 ft"),
    septic_m=RuleValue(15.24, f"50 ft where the garden lies uphill of it (10 ft, 3.05 m, downhill), {_WSU}"),
    well_m=_default(30.5, "100 ft"),
    max_slope_pct=RuleValue(10.0, f"less than 10 % for a usual garden, {_WSU}"),
    min_garden_area_m2=_MIN_AREA,
    max_garden_area_m2=_MAX_AREA,
    min_garden_width_m=_MIN_WIDTH,
    max_run_m=_MAX_RUN,
    min_fall_pct=_MIN_FALL,
    groundwater_m=_default(0.30, "1 ft"),
    keep_away_m={
        "steep_slope": RuleValue(
            15.24, f"within 50 ft of a slope over 10 % a geotechnical professional is asked first, {_WSU}"
        )
    },
    notes=("The septic distance is the one for a garden uphill of it; 3.05 m serves where every system lies uphill.",),
)

CA_ON: Final = RuleSet(
    name="ca-on",
    title="Ontario",
    foundation_m=RuleValue(4.0, f"4 m, {_STEP}"),
    foundation_no_basement_m=RuleValue(4.0, f"4 m without regard to a basement, {_STEP}"),
    lot_line_m=_default(1.0),
    septic_m=_default(5.0),
    well_m=_none(f"no distance but restricted inside two-year wellhead areas, {_STEP}"),
    max_slope_pct=_default(12.0, "as in UW-Extension GWQ037"),
    min_garden_area_m2=_MIN_AREA,
    max_garden_area_m2=_MAX_AREA,
    min_garden_width_m=_MIN_WIDTH,
    max_run_m=_MAX_RUN,
    min_fall_pct=_MIN_FALL,
    groundwater_m=RuleValue(1.0, f"1 m to high water or bedrock, {_STEP}"),
)

UK_5M: Final = RuleSet(
    name="uk-5m",
    title="England, soakaway distances",
    foundation_m=RuleValue(5.0, f"5 m from a building, {_BUCKS}"),
    foundation_no_basement_m=RuleValue(5.0, f"5 m without regard to a basement, {_BUCKS}"),
    lot_line_m=RuleValue(5.0, f"5 m from the site boundary, {_BUCKS}; 2.5 m is common local practice elsewhere"),
    septic_m=_default(5.0),
    well_m=_default(50.0),
    max_slope_pct=RuleValue(
        10.0, "UK developer guidance (trade text): rain gardens up to 10 %; https://geoson.co.uk/", "quoted"
    ),
    min_garden_area_m2=_MIN_AREA,
    max_garden_area_m2=_MAX_AREA,
    min_garden_width_m=_MIN_WIDTH,
    max_run_m=_MAX_RUN,
    min_fall_pct=_MIN_FALL,
    groundwater_m=RuleValue(1.0, f"1 m above groundwater, {_BUCKS}"),
    keep_away_m={
        "retaining_wall": RuleValue(5.0, f"5 m from a retaining structure, {_BUCKS}"),
        "road": RuleValue(5.0, f"5 m from a highway, {_BUCKS}"),
    },
    notes=("In sand that erodes or soluble chalk and gypsum a UK warranty body asks for 10 m from buildings.",),
)

DE_A138: Final = RuleSet(
    name="de-a138",
    title="Germany, after DWA-A 138",
    foundation_m=RuleValue(
        6.0,
        "6 m from a basement that is not waterproofed, lay guidance (trade text), "
        "https://hausjournal.net/abstand-versickerung-grundstuecksgrenze; "
        f"with a known depth h of the excavation it is 1.5 h from its toe and at least 2 m, {_LFU}",
        "quoted",
    ),
    foundation_no_basement_m=RuleValue(
        2.0, f"1.5 times the foundation's depth, {_LFU}; a federal guide adds: at least 2 m", "quoted"
    ),
    lot_line_m=RuleValue(2.0, "at least 2 m, Kreis Rendsburg-Eckernförde; 3 m in other districts", "quoted"),
    septic_m=_none("the texts read give no distance"),
    well_m=_none("the texts read give no distance"),
    max_slope_pct=_default(12.0, "the texts read give no limit but ask for a soil expert on slopes"),
    min_garden_area_m2=_MIN_AREA,
    max_garden_area_m2=_MAX_AREA,
    min_garden_width_m=_MIN_WIDTH,
    max_run_m=_MAX_RUN,
    min_fall_pct=_MIN_FALL,
    groundwater_m=RuleValue(1.0, f"1 m to the mean highest groundwater, {_LFU}", "quoted"),
    notes=(
        (
            "Where the depth h of the excavation for the basement is known, set foundation_m to 1.5 h plus the "
            "width of the excavation beside the wall, at least 2 m."
        ),
        "A waterproofed basement needs no distance by this rule; this program does not know which are.",
    ),
)

AU_SOIL_FOUNDATION_M: Final[Mapping[str, float]] = MappingProxyType(
    {"sand": 1.0, "sandy clay": 2.0, "weathered rock": 2.0, "medium clay": 4.0, "reactive clay": 5.0}
)
"""Distance to footings and lot lines by soil [m], Australia; from memory, see the rule set `au-soil`."""

AU_SOIL: Final = RuleSet(
    name="au-soil",
    title="Australia, by soil; the distance of reactive clay unless the run file says another",
    foundation_m=RuleValue(5.0, f"5 m in reactive clay, {_ARQ}", "from memory"),
    foundation_no_basement_m=RuleValue(5.0, f"5 m in reactive clay, {_ARQ}", "from memory"),
    lot_line_m=RuleValue(5.0, f"as to footings, 5 m in reactive clay, {_ARQ}", "from memory"),
    septic_m=_none("no distance known to us"),
    well_m=_none("no distance known to us"),
    max_slope_pct=_default(12.0, "as in UW-Extension GWQ037"),
    min_garden_area_m2=_MIN_AREA,
    max_garden_area_m2=_MAX_AREA,
    min_garden_width_m=_MIN_WIDTH,
    max_run_m=_MAX_RUN,
    min_fall_pct=_MIN_FALL,
    groundwater_m=_none("no distance known to us"),
    notes=(
        "The distance depends on the soil (from memory): "
        + ", ".join(f"{soil} {distance_m:g} m" for soil, distance_m in AU_SOIL_FOUNDATION_M.items())
        + "; set foundation_m, foundation_no_basement_m and lot_line_m once the soil is known.",
    ),
)

DEFAULT_RULE_SET: Final = "us-midwest"

RULE_SETS: Final[Mapping[str, RuleSet]] = MappingProxyType(
    {rule_set.name: rule_set for rule_set in (US_MIDWEST, US_MN, US_NJ, US_WA_WEST, CA_ON, UK_5M, DE_A138, AU_SOIL)}
)
"""Every rule set by its name; the first is the default."""
