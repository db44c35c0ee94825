"""The parameter sections of a run, one frozen object each, gathered in `Params`.

Only declarations: default, unit, meaning, range and source stand here, the checks in `fields`, the
reading of run files in `load`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Final, Literal, cast

from screening.params.ageing import AgeingParams
from screening.params.barrel import BarrelParams
from screening.params.fields import FROM_RULE_SET, P, Section, declared, show
from screening.params.rain import RainParams
from screening.params.sizing import SizingParams
from screening.params.soil import SoilParams
from screening.params.uncertainty import UncertaintyParams
from screening.rules import DEFAULT_RULE_SET, GWQ037, OVERRIDABLE, PROGRAM_DEFAULT, RULE_SETS, RuleSet

INPUT_NAMES: Final = ("parcels", "buildings", "elevation", "streets", "rain", "downspouts", "soils", "districts")
"""Names of the single input files of ``[inputs]``."""

LAYER_INPUTS: Final = ("parcels", "buildings", "streets", "downspouts", "soils", "districts")
"""Inputs that may have layers."""

CRS_INPUTS: Final = ("parcels", "buildings", "elevation", "streets", "downspouts", "soils", "districts")
"""Inputs that have a coordinate reference system."""

RuleSetName = Literal["us-midwest", "us-mn", "us-nj", "us-wa-west", "ca-on", "uk-5m", "de-a138", "au-soil"]

_UDFCD: Final = "Denver UDFCD, Drainage Criteria Manual (1984), Table 2-1: sloped roof 0.05 in"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepAway(Section):
    """One layer of things a garden stays away from: wells, septic systems, trees, walls, water, pavement."""

    path: Path = P(None, "", "file with the features")
    kind: str = P("", "", "what the features are: septic, well, or a word of your own")
    distance_m: float | None = P(
        None, "m", "distance a garden keeps; left out: the rule set's distance of that kind", ge=0
    )
    layer: str = P("", "", "layer of the file, where it has several")

    def contradictions(self) -> Iterator[str]:
        """Ask for the kind."""
        if not self.kind:
            yield 'kind is missing; say what the features are, for example kind = "well"'


@dataclass(frozen=True, slots=True, kw_only=True)
class InputParams(Section):
    """The files of a run; relative paths count from the folder of the run file."""

    parcels: Path | None = P(None, "", "lots: polygons")
    buildings: Path | None = P(None, "", "building footprints: polygons")
    elevation: Path | tuple[Path, ...] | None = P(
        None, "", "bare-earth elevation: a raster, a list of rasters, or a folder of tiles"
    )
    elevation_unit: Literal["", "m", "ft", "us-ft"] = P(
        "", "", "unit of the heights; needed only where the raster does not say it"
    )
    elevation_nodata: float | None = P(
        None, "", "height that stands for missing; needed only where the raster does not say it"
    )
    streets: Path | None = P(None, "", "street lines or areas, optional: end of overflow and names for totals")
    rain: Path | None = P(None, "", "rain record, optional: table with the columns time, rain_mm")
    downspouts: Path | None = P(None, "", "measured downspouts, optional: points")
    soils: Path | None = P(None, "", "soil map, optional: polygons with the field of [fields] soil")
    districts: Path | None = P(
        None, "", "neighbourhoods, sewersheds or other areas by which totals are wanted, optional: polygons"
    )
    working_crs: str = P(
        "", "", 'coordinate system of the work, for example "EPSG:26915"; left out: that of the elevation in metres'
    )
    layers: Mapping[str, str] = P(dict, "", "layer name of an input whose file has several")
    crs: Mapping[str, str] = P(dict, "", "coordinate system of an input whose file does not say it")
    keep_away: tuple[KeepAway, ...] = P((), "", "things a garden stays away from, one table each")

    def contradictions(self) -> Iterator[str]:
        """Look for tables about inputs that do not exist, and an empty list of rasters."""
        if self.elevation == ():
            yield "elevation: the list is empty; name at least one raster"
        for table, names in (("layers", LAYER_INPUTS), ("crs", CRS_INPUTS)):
            for name in getattr(self, table):
                if name not in names:
                    yield f"{table}.{name}: must be one of {', '.join(names)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldParams(Section):
    """Which column of the inputs is what; "" means that there is none."""

    parcel_id: str = P("", "", "parcels: identifier of the lot; none: made from its place")
    address: str = P("", "", "parcels: address of the lot, never of its owner")
    street: str = P("", "", "parcels: street name, for totals")
    land_use: str = P("", "", "parcels: land use, for [homes] land_use")
    lot_kind: str = P("", "", "parcels: kind of polygon, for [homes] street_values and water_values")
    linked_lot: str = P("", "", "parcels: identifier of the lot that this one belongs to, where one home has several")
    building_type: str = P("", "", "buildings: kind of building, for [homes] principal_values")
    building_id: str = P("", "", "buildings: identifier; none: made from its place")
    street_name: str = P("", "", "streets: name of the street")
    soil: str = P("", "", "soils: map-unit symbol of [soil.classes], or the soil in words")
    district: str = P("", "", "districts: name of the area")


@dataclass(frozen=True, slots=True, kw_only=True)
class HomeParams(Section):
    """Which parcels are homes, and which building is the house."""

    land_use: tuple[str, ...] = P((), "", "land-use values of eligible parcels; empty: every parcel")
    street_values: tuple[str, ...] = P((), "", "lot-kind values of streets, railways and other ways among the parcels")
    water_values: tuple[str, ...] = P((), "", "lot-kind values of water among the parcels")
    principal_values: tuple[str, ...] = P((), "", "building-type values of houses; empty: the largest building")
    min_principal_area_m2: float = P(
        40.0, "m2", "a smaller building is no house but a shed or garage", ge=0, source=PROGRAM_DEFAULT
    )
    sliver_frac: float = P(
        0.10,
        "",
        "part of a building beyond the lot line that may be a drawing error, if also shallow",
        ge=0,
        lt=0.5,
        source=PROGRAM_DEFAULT,
    )
    sliver_depth_m: float = P(
        0.5, "m", "depth of such a part up to which it is taken for a drawing error", ge=0, source=PROGRAM_DEFAULT
    )
    count_other_roofs: bool = P(False, "", "count the roofs of sheds and garages as well")  # noqa: FBT003


def _rule(
    unit: str,
    meaning: str,
    *,
    optional: bool = False,
    ge: float | None = None,
    gt: float | None = None,
    le: float | None = None,
) -> float:
    """Declare a number that the base rule set fills in."""
    what = "set by the rule set" if not optional else "set by the rule set, where it has one"
    parameter: float = P(FROM_RULE_SET, unit, meaning, ge=ge, gt=gt, le=le, source=what)
    return parameter


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleParams(Section):
    """The rules a garden obeys; a value given here overrides that of the base rule set."""

    base: RuleSetName = P(DEFAULT_RULE_SET, "", "rule set that gives every value below")
    foundation_m: float = _rule("m", "garden to a building with a basement", ge=0)
    foundation_no_basement_m: float = _rule("m", "garden to a building without a basement", ge=0)
    basement: Literal["unknown", "yes", "no"] = P(
        "unknown", "", "whether the buildings have basements; unknown counts as yes", source="cautious reading"
    )
    lot_line_m: float = _rule("m", "garden to the lot line", ge=0)
    septic_m: float | None = _rule("m", "garden to a septic system, for keep-away layers", optional=True, ge=0)
    well_m: float | None = _rule("m", "garden to a well, for keep-away layers", optional=True, ge=0)
    max_slope_pct: float = _rule("%", "steepest ground anywhere under a garden", gt=0, le=100)
    min_garden_area_m2: float = _rule("m2", "smallest garden", gt=0)
    max_garden_area_m2: float = _rule("m2", "largest single garden", gt=0)
    min_garden_width_m: float = _rule("m", "narrowest garden", gt=0)
    max_run_m: float = _rule("m", "longest way from a downspout to its garden", gt=0)
    min_fall_pct: float = _rule("%", "least fall from the downspout's outlet to the garden, over the run", ge=0, le=100)

    @property
    def rule_set(self) -> RuleSet:
        """The base rule set."""
        return RULE_SETS[self.base]

    @property
    def foundation_distance_m(self) -> float:
        """Distance to buildings in force [m]: the one without basement only where that is known."""
        return self.foundation_no_basement_m if self.basement == "no" else self.foundation_m

    def keep_away_distance_m(self, kind: str) -> float | None:
        """Return the distance [m] that the rules give for a kind of keep-away layer, None if they give none."""
        if kind == "septic":
            return self.septic_m
        if kind == "well":
            return self.well_m
        value = self.rule_set.keep_away_m.get(kind)
        return None if value is None else value.value

    def fill(self) -> None:
        """Take from the base rule set what was not given."""
        rule_set = RULE_SETS.get(self.base)
        for name in OVERRIDABLE:
            if getattr(self, name) is FROM_RULE_SET:
                # An unknown base is reported by the checks that follow; any number serves until then.
                value = getattr(rule_set, name).value if rule_set else 1.0
                object.__setattr__(self, name, value)

    def contradictions(self) -> Iterator[str]:
        """Compare sizes with each other."""
        if self.min_garden_area_m2 > self.max_garden_area_m2:
            yield "min_garden_area_m2 must not be larger than max_garden_area_m2"
        if self.min_garden_width_m**2 > self.max_garden_area_m2:
            yield "min_garden_width_m is too wide: even a square of that width is larger than max_garden_area_m2"


@dataclass(frozen=True, slots=True, kw_only=True)
class SitingParams(Section):
    """How a place for a garden is looked for."""

    allow_coarse: bool = P(False, "", "work with elevation cells larger than max_cell_m")  # noqa: FBT003
    max_cell_m: float = P(
        3.0, "m", "larger elevation cells are refused: they cannot show a yard", gt=0, source=PROGRAM_DEFAULT
    )
    warn_cell_m: float = P(
        1.0, "m", "larger elevation cells bring a warning and lower confidence", gt=0, source=PROGRAM_DEFAULT
    )
    search_step_m: float = P(0.25, "m", "step of the search for a place", ge=0.05, le=1, source=PROGRAM_DEFAULT)
    shape_ratios: tuple[float, ...] = P(
        (2.0, 1.5, 1.0, 3.0),
        "",
        "length over width of rectangles to try, in this order",
        ge=1,
        le=10,
        length=1,
        source=f"about 2 : 1 with the long side across the slope, {GWQ037}; the others are program defaults",
    )
    free_form: bool = P(True, "", "try a bed of free form where rectangles do badly")  # noqa: FBT003
    free_form_gain_frac: float = P(
        0.10,
        "",
        "gain in diverted water over the best rectangle that makes it worth while",
        ge=0,
        source=PROGRAM_DEFAULT,
    )
    second_garden: bool = P(True, "", "try a second garden for downspouts the first does not serve")  # noqa: FBT003
    second_garden_roof_m2: float = P(
        20.0, "m2", "least roof that the first garden leaves over for a second one", ge=0, source=PROGRAM_DEFAULT
    )
    garden_spacing_m: float = P(1.5, "m", "least distance between two gardens", ge=0, source=PROGRAM_DEFAULT)

    def contradictions(self) -> Iterator[str]:
        """Compare the cell limits."""
        if self.warn_cell_m > self.max_cell_m:
            yield "warn_cell_m must not be larger than max_cell_m"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoofParams(Section):
    """How roofs drain and where downspouts are."""

    form: Literal["unknown", "hip", "gable"] = P(
        "unknown", "", "roof form; unknown computes as hip and widens the range to cover gable"
    )
    overhang_m: float = P(0.0, "m", "how far roofs reach beyond the walls", ge=0, le=3, source=PROGRAM_DEFAULT)
    eave_per_downspout_m: float = P(
        10.7, "m", "eave length that one downspout serves", gt=0, source="one per 35 ft (trade text)"
    )
    area_per_downspout_m2: float = P(
        55.7,
        "m2",
        "roof area that one downspout serves",
        gt=0,
        source="City of Irving, Texas, Gutters and downspouts: 600-700 ft2 for 2 x 3 in; the lower end",
    )
    downspout_snap_m: float = P(
        2.0, "m", "a measured downspout farther from every roof edge is not used", gt=0, source=PROGRAM_DEFAULT
    )
    initial_loss_mm: float = P(
        1.27, "mm", "rain of each storm that wets the roof and stays there", ge=0, le=100, source=_UDFCD
    )
    connection_low_frac: float = P(
        0.7, "", "part of the roof's water that really arrives, low estimate", gt=0, le=1, source=PROGRAM_DEFAULT
    )
    connection_likely_frac: float = P(
        1.0, "", "part of the roof's water that really arrives, likely", gt=0, le=1, source=PROGRAM_DEFAULT
    )
    connection_high_frac: float = P(
        1.0, "", "part of the roof's water that really arrives, high estimate", gt=0, le=1, source=PROGRAM_DEFAULT
    )

    def contradictions(self) -> Iterator[str]:
        """Compare the estimates."""
        if not self.connection_low_frac <= self.connection_likely_frac <= self.connection_high_frac:
            yield "connection_low_frac, connection_likely_frac, connection_high_frac must not fall"


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainParams(Section):
    """How the ground is measured."""

    ring_inner_m: float = P(
        1.0, "m", "ground nearer to the building is not used for its downslope direction", ge=0, source=PROGRAM_DEFAULT
    )
    ring_outer_m: float = P(
        10.0, "m", "ground farther from the building is not used for it", gt=0, source=PROGRAM_DEFAULT
    )
    max_fill_cells: int = P(
        2, "cells", "holes in the elevation up to this width are filled", ge=0, le=20, source=PROGRAM_DEFAULT
    )
    surface_model_height_m: float = P(
        2.0,
        "m",
        "if buildings stand higher than this over their ring, the raster has roofs in it and is refused",
        gt=0,
        source=PROGRAM_DEFAULT,
    )

    def contradictions(self) -> Iterator[str]:
        """Compare the ring's radii."""
        if self.ring_inner_m >= self.ring_outer_m:
            yield "ring_inner_m must be smaller than ring_outer_m"


@dataclass(frozen=True, slots=True, kw_only=True)
class OverflowParams(Section):
    """How the way of the overflow is followed."""

    max_trace_m: float = P(
        100.0, "m", "length after which the way is no longer followed", gt=0, le=5000, source=PROGRAM_DEFAULT
    )
    pit_fill_m: float = P(
        0.10, "m", "depth of hollows that the overflow fills and passes", ge=0, le=2, source=PROGRAM_DEFAULT
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RankingParams(Section):
    """What makes one candidate stand before another."""

    weight_volume: float = P(1.0, "", "weight of the volume diverted a year", ge=0, source="order by volume")
    weight_confidence: float = P(0.0, "", "weight of the confidence", ge=0, source=PROGRAM_DEFAULT)
    weight_treated: float = P(0.0, "", "weight of the part of the roof that is treated", ge=0, source=PROGRAM_DEFAULT)

    def contradictions(self) -> Iterator[str]:
        """Ask for one weight at least."""
        if self.weight_volume + self.weight_confidence + self.weight_treated <= 0:
            yield "one of the weights must be larger than 0"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputParams(Section):
    """What is written."""

    detail: Literal["full", "lean"] = P("full", "", "lean leaves out roof_parts, open_ground and buildings")
    display_units: Literal["metric", "us"] = P("metric", "", "units of texts for people; the layers stay metric")


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchParams(Section):
    """How the work is cut up; changes nothing in the result and is not recorded in it."""

    tile_size_m: float = P(1000.0, "m", "edge of a tile", ge=50, le=100_000, source=PROGRAM_DEFAULT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Params:
    """Every parameter of a run."""

    inputs: InputParams = field(default_factory=InputParams)
    fields: FieldParams = field(default_factory=FieldParams)
    homes: HomeParams = field(default_factory=HomeParams)
    rules: RuleParams = field(default_factory=RuleParams)
    siting: SitingParams = field(default_factory=SitingParams)
    roof: RoofParams = field(default_factory=RoofParams)
    terrain: TerrainParams = field(default_factory=TerrainParams)
    overflow: OverflowParams = field(default_factory=OverflowParams)
    sizing: SizingParams = field(default_factory=SizingParams)
    soil: SoilParams = field(default_factory=SoilParams)
    rain: RainParams = field(default_factory=RainParams)
    barrel: BarrelParams = field(default_factory=BarrelParams)
    ageing: AgeingParams = field(default_factory=AgeingParams)
    uncertainty: UncertaintyParams = field(default_factory=UncertaintyParams)
    ranking: RankingParams = field(default_factory=RankingParams)
    output: OutputParams = field(default_factory=OutputParams)
    batch: BatchParams = field(default_factory=BatchParams)

    def record(self) -> dict[str, str]:
        """Return every recorded parameter as text, by ``section.key``.

        File names stand without their folders and ``[batch]`` is left out, so that the same data with
        the same rules give the same record wherever and however they are computed.
        """
        found: dict[str, str] = {}
        for section_name, section_type in SECTIONS.items():
            if section_name == "batch":
                continue
            section = getattr(self, section_name)
            for name in declared(section_type):
                found[f"{section_name}.{name}"] = _record_text(getattr(section, name))
        return found

    def digest(self) -> str:
        """Return the SHA-256 [hex] of `record`: equal digests mean equal parameters."""
        text = "\n".join(f"{key}={value}" for key, value in self.record().items())
        return hashlib.sha256(text.encode()).hexdigest()


def _record_text(value: object) -> str:
    """Return a parameter's value as text for the record."""
    if value is None:
        return ""
    if isinstance(value, Path):
        return value.name
    if isinstance(value, str):
        return value
    if isinstance(value, KeepAway):
        distance = "" if value.distance_m is None else show(value.distance_m)
        return f"{value.kind},{distance},{value.path.name},{value.layer}"
    if isinstance(value, tuple):
        return ";".join(_record_text(item) for item in value)
    if isinstance(value, Mapping):
        return ";".join(f"{key}={text}" for key, text in sorted(value.items()))
    return show(value)


SECTIONS: Final[Mapping[str, type[Section]]] = {
    entry.name: cast("type[Section]", entry.default_factory) for entry in fields(Params)
}
"""Section classes by their names in the run file, in order."""
