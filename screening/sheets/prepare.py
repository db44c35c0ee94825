"""A home made ready for its sheet: pegs with their tapes, corners numbered, materials, what the plan shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening.sheets.materials import Materials, garden_materials
from screening.sheets.tapes import Tapes, find_tapes, insides, pegs_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from screening.sheets.gather import Feature, SheetHome
    from screening.sheets.languages import SheetUnits
    from screening.sheets.words import Words

    FloatArray = npt.NDArray[np.float64]

_LETTERS: Final = "ABCDEFGHJKLMNPQRSTUVWXYZ"  # no I and no O, which look like digits
# Tapes from the house that cross worse than this give way to those from other buildings of the lot.
_WEAK: Final = 0.25
_SAME_PLACE_M: Final = 0.05


@dataclass(frozen=True, slots=True)
class Rules:
    """What held in the run, as far as a sheet shows it.

    Attributes
    ----------
    building_gap_m, lot_line_m : float or None
        Distances kept to building outlines and to the lot line. [m]
    overhang_m : float
        By which walls lie inside outlines. [m]
    run_per_rise, berm_m : float
        Lean of the sides, width of the rim. [m/m], [m]
    horizon_y : int
        Years that were looked ahead.
    rule_set, rain : str
        Names of the rule set and of the rain.
    n_candidates : int
        Candidates in the result.
    """

    building_gap_m: float | None
    lot_line_m: float | None
    overhang_m: float
    run_per_rise: float
    berm_m: float
    horizon_y: int
    rule_set: str
    rain: str
    n_candidates: int


@dataclass(frozen=True, slots=True)
class Setting:
    """What is the same on every sheet of a book."""

    words: Words
    units: SheetUnits
    rules: Rules
    has_houses: bool
    source: str
    version: str


@dataclass(frozen=True, slots=True)
class Bed:
    """One garden on the sheet.

    Attributes
    ----------
    row : Mapping[str, object]
        Its row in `gardens`.
    outline : shapely Polygon
        [m]
    name : str
        Short name within the home.
    pegs_m : ndarray, shape (n, 2)
    peg_names : str
        A letter for each peg.
    tapes : Tapes or None
    corner_numbers : tuple of int
        The number on the sheet of each corner in `tapes`.
    materials : Materials
    overflow : Feature or None
        Way of its overflow.
    """

    row: Mapping[str, Any]
    outline: Any
    name: str
    pegs_m: FloatArray
    peg_names: str
    tapes: Tapes | None
    corner_numbers: tuple[int, ...]
    materials: Materials
    overflow: Feature | None


def short_name(identifier: str, home_id: str) -> str:
    """Return the part of an identifier that follows the home's, in capitals."""
    rest = identifier.removeprefix(home_id).lstrip("-_:/. ")
    return (rest or identifier).upper()


def make_beds(home: SheetHome, rules: Rules) -> list[Bed]:
    """Make the gardens of a home ready.

    Parameters
    ----------
    home : SheetHome
    rules : Rules
    """
    buildings = home.of("buildings")
    house, own = _walls(buildings, rules.overhang_m)
    walls = [_wall(one.geometry, rules.overhang_m) for one in buildings]
    obstacles = insides([wall for wall in walls if wall is not None])
    paths = {path.row["garden_id"]: path for path in home.of("overflow_paths")}
    corners: list[FloatArray] = []
    beds = []
    letter = 0
    for garden in home.of("gardens"):
        row = garden.row
        pegs = pegs_of(garden.geometry, is_free=row["shape_code"] == "free")
        tapes = _tapes(house, own, pegs, obstacles)
        if tapes is not None:
            pegs = tapes.pegs_m
        names = "".join(_LETTERS[(letter + number) % len(_LETTERS)] for number in range(len(pegs)))
        letter += len(pegs)
        beds.append(
            Bed(
                row=row,
                outline=garden.geometry,
                name=short_name(row["garden_id"], row["home_id"]),
                pegs_m=pegs,
                peg_names=names,
                tapes=tapes,
                corner_numbers=() if tapes is None else tuple(_number(corner, corners) for corner in tapes.corners_m),
                materials=_materials(home, garden, rules),
                overflow=paths.get(row["garden_id"]),
            )
        )
    return beds


def _number(corner: FloatArray, corners: list[FloatArray]) -> int:
    """The number of a corner on the sheet; a new one where it has none yet."""
    for number, known in enumerate(corners, start=1):
        if np.hypot(*(known - corner)) < _SAME_PLACE_M:
            return number
    corners.append(corner)
    return len(corners)


def _wall(outline: Any, overhang_m: float) -> Any:
    """The wall line inside a mapped outline; None where nothing is left."""
    if not overhang_m:
        return outline
    wall = shapely.buffer(outline, -overhang_m, join_style="mitre")
    return None if wall.is_empty else wall


def _walls(buildings: list[Feature], overhang_m: float) -> tuple[Any, Any]:
    """The house, and all buildings of the lot together; None where there are none."""
    found: list[list[Any]] = [[], []]
    for building in buildings:
        wall = _wall(building.geometry, overhang_m)
        if wall is None or building.row["role_code"] == "neighbour":
            continue
        found[1].append(wall)
        if building.row["role_code"] == "principal":
            found[0].append(wall)
    house, own = (
        shapely.multipolygons([part for wall in walls for part in shapely.get_parts(wall)]) if walls else None
        for walls in found
    )
    return house, own


def _tapes(house: Any, own: Any, pegs: FloatArray, obstacles: Any) -> Tapes | None:
    """Tapes from the house; from other buildings of the lot where those of the house cross badly."""
    if house is None:
        return None
    tapes = find_tapes(house, pegs, obstacles)
    if tapes is not None and tapes.strength >= _WEAK:
        return tapes
    others = find_tapes(own, pegs, obstacles)
    if others is not None and (tapes is None or others.strength > tapes.strength):
        return others
    return tapes


def _materials(home: SheetHome, garden: Feature, rules: Rules) -> Materials:
    """What a garden takes; numbers that the run didn't compute count as nothing."""
    row = garden.row
    runs = [run.row["length_m"] or 0.0 for run in home.of("inlet_runs") if run.row["garden_id"] == row["garden_id"]]
    return garden_materials(
        garden.geometry,
        storage_m3=row["storage_m3"] or 0.0,
        depth_m=(row["ponding_depth_mm"] or 0.0) / 1000.0,
        across_m=_across_m(garden.geometry, home.row["downslope_deg"]),
        slope_pct=row["slope_pct"] or 0.0,
        n_inlets=len(runs),
        run_m=sum(runs),
        run_per_rise=rules.run_per_rise,
        berm_m=rules.berm_m,
    )


def _across_m(outline: Any, downslope_deg: float | None) -> float:
    """Extent of a garden along the fall of the ground; along its short side where that has no direction."""
    xy = shapely.get_coordinates(outline)
    if downslope_deg is None:
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(outline))
        return float(np.hypot(*np.diff(box[:3], axis=0).T).min())
    angle = np.radians(downslope_deg)
    along = xy @ np.array([np.sin(angle), np.cos(angle)])
    return float(along.max() - along.min())
