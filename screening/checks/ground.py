"""Looks at the elevation: holes, steps along seams, coarse heights, remnants of houses, slopes of the yards."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from affine import Affine
from rasterio.features import rasterize

from screening.batch.prepare import even_sample, look_around_houses
from screening.checks.remnants import Remnants
from screening.checks.words import count, do

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from screening.checks.finding import Findings
    from screening.checks.lots import CleanLots
    from screening.checks.seen import Seen
    from screening.clean import CleanBuildings
    from screening.params import Params
    from screening.raster import ElevationSource, ElevationWindow

    ObjectArray = npt.NDArray[np.object_]
    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]

BLOCK_CELLS: Final = 1000
OVERLAP_CELLS: Final = 4
MAX_BLOCKS: Final = 36
"""The raster is looked at in blocks of so many cells, a little over each other; of a large city in some of them."""

HOLE_CELLS: Final = 9
HOLE_FRAC: Final = 0.02
"""A lot has a hole in its ground where more cells than this, and more of it than this, are missing."""

SEAM_STEP_M: Final = 0.08
SEAM_OVER_NOISE: Final = 8.0
SEAM_ROWS_FRAC: Final = 0.75
SEAM_CELLS: Final = 150
"""A seam: a step so high, so much clearer than elsewhere, in so many of the rows of a block with so many rows."""

STRIP_CELLS: Final = 50
COARSE_STEP_M: Final = 0.2
FLAT_PCT: Final = 0.02
"""Widest strip without heights that counts as a gap between tiles [cells]; coarsest step that is told, and the median
slope under which ground is dead flat.  All program defaults."""

STEPS: Final = (1.0, 0.5, 0.25, 0.2, 0.1)


@dataclass(slots=True)
class _Sums:
    """What the blocks add up to."""

    cells: IntArray
    missing: IntArray
    slopes: list[FloatArray] = field(default_factory=list)
    heights: list[FloatArray] = field(default_factory=list)
    seams: dict[tuple[str, int], list[tuple[float, float, float]]] = field(default_factory=dict)
    strips: dict[tuple[str, int], tuple[float, float]] = field(default_factory=dict)


def look_at_ground(seen: Seen, lots: CleanLots | None, buildings: CleanBuildings | None, findings: Findings) -> None:
    """Look at the ground where the lots are."""
    source = seen.elevation
    if source is None or lots is None:
        return
    if buildings is not None:
        with findings.catching("elevation"):
            ground = look_around_houses(_sample_of_houses(lots, buildings, seen.params), source, seen.params)
            for note in ground.notes:
                if not (seen.unit_is_assumed and getattr(note, "code", "") == "slope_doubtful"):
                    findings.tell_note(note)
    _reach(source, lots, findings)
    sums = _Sums(np.zeros(len(lots.geometry), dtype=np.int64), np.zeros(len(lots.geometry), dtype=np.int64))
    tree = shapely.STRtree(lots.geometry)
    remnants = None
    if buildings is not None and not findings.has_error("elevation"):
        # of a surface model everything is a remnant
        remnants = Remnants(buildings.kept.geometry.to_numpy(), seen.params.homes.min_principal_area_m2)
    with findings.catching("elevation"):
        for first in _blocks(source, lots.places_m):
            part = _block(source, first)
            _look_at_block(part, first, lots.geometry, tree, sums)
            if remnants is not None:
                remnants.look(part)
        _tell(seen, source, lots, sums, findings)
        if remnants is not None:
            remnants.tell(source.name, findings)


def _sample_of_houses(lots: CleanLots, buildings: CleanBuildings, params: Params) -> ObjectArray:
    """Outlines of some buildings as large as a house that stand where a home may be: those that a run looks at."""
    footprints = buildings.kept.geometry.to_numpy()
    may_be_home = np.ones(len(lots.geometry), dtype=bool)
    if params.homes.land_use:
        may_be_home = lots.cleaned.kept["land_use"].isin(params.homes.land_use).to_numpy(dtype=bool)
    large = np.flatnonzero(shapely.area(footprints) >= params.homes.min_principal_area_m2)
    tree = shapely.STRtree(shapely.point_on_surface(footprints[large]))
    large = large[np.unique(tree.query(lots.geometry[may_be_home], predicate="intersects")[1])]
    return footprints[large[even_sample(len(large))]] if len(large) else np.empty(0, dtype=object)


def _reach(source: ElevationSource, lots: CleanLots, findings: Findings) -> None:
    """Tell lots that the raster leaves out, whole or in part."""
    boxes = getattr(source, "rasters_m", np.array([source.bounds_m]))
    ground = shapely.union_all(shapely.box(*boxes.T))
    shapely.prepare(ground)
    part = ~shapely.covers(ground, shapely.box(*shapely.bounds(lots.geometry).T))
    out = ~shapely.intersects(ground, lots.geometry)
    if not part.any():
        return
    n_out, n_cut = int(out.sum()), int((part & ~out).sum())
    said = []
    if n_out:
        said.append(f"{n_out:,} {do(n_out, 'lies', 'lie')} outside {source.name}")
    if n_cut:
        said.append(f"{n_cut:,} {do(n_cut, 'reaches', 'reach')} beyond the edge of {source.name}")
    findings.say(
        "elevation_partial",
        f"of {len(lots.geometry):,} lots {' and '.join(said)}.",
        role="elevation",
        n=n_out + n_cut,
        of=len(lots.geometry),
        ids=list(lots.ids[part][:10]),
        places_m=lots.places_m[part],
    )


def _blocks(source: ElevationSource, places_m: FloatArray) -> Iterator[tuple[int, int]]:
    """First row and column of the blocks that hold lots; some of them if they are many."""
    row = np.floor((source.y0_m - places_m[:, 1]) / source.cell_m / BLOCK_CELLS).astype(np.int64)
    col = np.floor((places_m[:, 0] - source.x0_m) / source.cell_m / BLOCK_CELLS).astype(np.int64)
    there = (row >= 0) & (col >= 0) & (row * BLOCK_CELLS < source.height) & (col * BLOCK_CELLS < source.width)
    found = np.unique(np.column_stack([row, col])[there], axis=0)
    if len(found):
        for k in np.unique(np.linspace(0, len(found) - 1, min(MAX_BLOCKS, len(found))).astype(np.int64)):
            yield int(found[k, 0]) * BLOCK_CELLS, int(found[k, 1]) * BLOCK_CELLS


def _block(source: ElevationSource, first: tuple[int, int]) -> ElevationWindow:
    """Read a block."""
    cell = source.cell_m
    west, north = source.x0_m + first[1] * cell, source.y0_m - first[0] * cell
    size = (BLOCK_CELLS + OVERLAP_CELLS) * cell
    # a hair inside, so that no further row comes along
    return source.read((west + 0.01 * cell, north - size + 0.01 * cell, west + size - 0.01 * cell, north - 0.01 * cell))


def _look_at_block(
    part: ElevationWindow, first: tuple[int, int], lots: ObjectArray, tree: shapely.STRtree, sums: _Sums
) -> None:
    """Add a block's cells to the sums."""
    z, cell = part.z_m, part.cell_m
    if not z.size:
        return
    west, north = part.x0_m, part.y0_m
    rows = tree.query(shapely.box(west, north - z.shape[0] * cell, west + z.shape[1] * cell, north))
    if not len(rows):
        return
    grid = Affine(cell, 0.0, part.x0_m, 0.0, -cell, part.y0_m)
    shapes = ((shape, number) for number, shape in enumerate(lots[rows], start=1))
    lot = rasterize(shapes, z.shape, transform=grid, dtype="int32")
    gone = np.isnan(z)
    sums.cells[rows] += np.bincount(lot.ravel(), minlength=len(rows) + 1)[1:]
    sums.missing[rows] += np.bincount(lot[gone], minlength=len(rows) + 1)[1:]
    thin = z[::7, ::7]
    sums.heights.append(thin[np.isfinite(thin)])
    if min(z.shape) >= 3:
        # every n-th cell is enough for a median
        east = (z[1:-1, 2:] - z[1:-1, :-2])[::5, ::5] / (2.0 * cell)
        up = (z[:-2, 1:-1] - z[2:, 1:-1])[::5, ::5] / (2.0 * cell)
        slope = 100.0 * np.hypot(east, up)[lot[1:-1, 1:-1][::5, ::5] > 0]
        sums.slopes.append(slope[np.isfinite(slope)])
    for name, sheet, start in (("column", z, first[1]), ("row", z.T, first[0])):
        _seams(sheet, name, start, part.x0_m, part.y0_m, cell, sums)


def _seams(z: FloatArray, name: str, start: int, x0_m: float, y0_m: float, cell: float, sums: _Sums) -> None:
    """Look for a step between two neighbouring columns that runs through the rows, and for empty strips."""
    known = np.isfinite(z).any(axis=0)
    some = np.flatnonzero(known)
    middle = z.shape[0] / 2.0 * cell

    def place(column: int) -> tuple[float, float]:
        along = (column + 1) * cell
        return (x0_m + along, y0_m - middle) if name == "column" else (x0_m + middle, y0_m - along)

    if len(some) and z.shape[0] >= SEAM_CELLS:
        edges = np.flatnonzero(np.diff(some) > 1)
        for k in edges:
            if some[k + 1] - some[k] - 1 <= STRIP_CELLS:
                sums.strips[name, start + int(some[k])] = place(int(some[k]))
    if z.shape[0] < SEAM_CELLS or z.shape[1] < 20:
        return
    step = np.diff(z[::3], axis=1)
    # a slope goes on across the line, a seam does not
    jump = step[:, 1:-1] - 0.5 * (step[:, :-2] + step[:, 2:])
    n_known = np.isfinite(jump).sum(axis=0)
    enough = n_known >= SEAM_CELLS / 3.0
    if enough.sum() < 10:
        return
    jump = jump[:, enough]
    usual = np.nanmedian(jump, axis=0)
    noise = 1.4826 * float(np.median(np.abs(usual)))
    with np.errstate(invalid="ignore"):
        agrees = (np.abs(jump - usual) < 0.5 * np.abs(usual)).sum(axis=0) / n_known[enough]
    clear = (np.abs(usual) > max(SEAM_STEP_M, SEAM_OVER_NOISE * noise)) & (agrees > SEAM_ROWS_FRAC)
    columns = np.flatnonzero(enough)[clear] + 1
    for column, height in zip(columns.tolist(), usual[clear].tolist(), strict=True):
        sums.seams.setdefault((name, start + column), []).append((*place(column), height))


def _tell(seen: Seen, source: ElevationSource, lots: CleanLots, sums: _Sums, findings: Findings) -> None:
    """Tell what the blocks have shown."""
    holes = (sums.missing > HOLE_CELLS) & (sums.missing > HOLE_FRAC * np.maximum(sums.cells, 1))
    n_looked_at = int((sums.cells > 0).sum())
    name = source.name
    if holes.any():
        wanted = holes & lots.is_eligible
        shown = np.flatnonzero(wanted if wanted.any() else holes)
        findings.say(
            "elevation_holes",
            f"{name} has holes on {holes.sum():,} of {count(n_looked_at, 'lot')} looked at.",
            role="elevation",
            n=int(holes.sum()),
            of=n_looked_at,
            ids=list(lots.ids[shown][:10]),
            places_m=lots.places_m[shown],
            is_mild=not wanted.any(),
        )
    if sums.strips:
        findings.say(
            "elevation_holes",
            f"{name} has {count(len(sums.strips), 'straight strip')} without heights, as between tiles that lie apart.",
            role="elevation",
            n=len(sums.strips),
            places_m=list(sums.strips.values()),
        )
    if sums.seams:
        places = [one for group in sums.seams.values() for one in group]
        worst = max(places, key=lambda one: abs(one[2]))
        lines = len(sums.seams)
        findings.say(
            "elevation_seam",
            f"{name} makes a step along {count(lines, 'straight line')}, the highest of about {abs(worst[2]):.2f} m.",
            role="elevation",
            n=lines,
            places_m=[one[:2] for one in places],
        )
    heights = np.concatenate(sums.heights) if sums.heights else np.empty(0)
    if _coarse_heights(source, heights, findings):
        # terraces are flat between their steps
        return
    slopes = np.concatenate(sums.slopes) if sums.slopes else np.empty(0)
    if len(slopes) >= 100 and float(np.median(slopes)) < FLAT_PCT and not seen.unit_is_assumed:
        findings.say(
            "slope_doubtful",
            f"the ground of {name} is dead flat on the lots: the median slope is {np.median(slopes):.3f} %.",
            role="elevation",
        )


def _coarse_heights(source: ElevationSource, heights_m: FloatArray, findings: Findings) -> bool:
    """Tell heights that only take whole steps of the file's unit; whether they do."""
    if source.is_warped or len(heights_m) < 100 or np.ptp(heights_m) < 3 * COARSE_STEP_M:
        return False
    raw = heights_m / source.z_factor
    for step in STEPS:
        if step * source.z_factor < COARSE_STEP_M:
            return False
        on_step = np.abs(raw / step - np.round(raw / step)) < 1e-3
        if on_step.mean() > 0.999:
            unit = {1.0: "m"}.get(source.z_factor, "ft" if 0.3 < source.z_factor < 0.31 else "units")
            findings.say(
                "heights_in_steps",
                f"{source.name} has heights in steps of {step:g} {unit} only.",
                role="elevation",
            )
            return True
    return False
