"""Roofs: eaves, downspouts, and which part of the roof drains to which downspout."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.kernels import downspouts as downspout_kernel
from screening.kernels import roof_split as kernel

if TYPE_CHECKING:
    from screening.params import RoofParams

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[Any]

CORNER_DEG = 30.0
"""An outline turns a corner where it turns by more (program default)."""

NOISE_M = 0.15
"""Vertices that move the outline by less are no corners: digitised outlines jitter (program default)."""

RAY_STEP_M = 0.5
LONG_EAVE_DEG = 30.0
"""A gable roof's eaves run within this angle of the house's long axis (program default)."""

WALL_END_M = 0.3
"""A party wall that ends this near a corner of the house ends at the corner (program default)."""

ROW_WALL_FRAC = 2.0 / 3.0
"""A house with a party wall along more of its depth stands in a row (program default)."""

LEAST_PART_M2 = 1e-4

FORMS = {"hip": kernel.HIP, "gable": kernel.GABLE, "unknown": kernel.UNKNOWN}


class Outlines(NamedTuple):
    """The outer rings of roofs, and where their gutters are.

    Attributes
    ----------
    xy : (v, 2) array
        Vertices, counter-clockwise from a start that does not depend on the data's, not closed [m].
    first : (n + 1,) int array
        Roof ``i`` has the vertices ``first[i]`` to ``first[i + 1]``.
    eave : (v,) bool array
        Edges that carry a gutter: all but party walls.
    axis : (n, 2) array
        Unit vector along the ridge of a gable: the long side of the smallest rectangle around the roof; in a row of
        houses, square to the party walls.
    """

    xy: FloatArray
    first: IntArray
    eave: BoolArray
    axis: FloatArray


class RoofSplits(NamedTuple):
    """Downspouts of roofs and their shares, by roof and in order along each outline.

    Attributes
    ----------
    roof : (k,) int array
        Roof of each downspout; a roof with party walls all around has none.
    xy : (k, 2) array
        Places of the downspouts [m].
    share_frac : (k,) array
        Share of the roof's plan area under the main form; sums to 1 for each roof.
    gable_share_frac : (k,) array
        The same with gable eaves; equal to ``share_frac`` where the form is known.
    part : (k,) array of polygons or multipolygons
        Roof part of each downspout under the main form; None where it drains nothing.
    is_measured : (k,) bool array
        Whether the place comes from a measured point.
    """

    roof: IntArray
    xy: FloatArray
    share_frac: FloatArray
    gable_share_frac: FloatArray
    part: ObjectArray
    is_measured: BoolArray


class RoofSplit(NamedTuple):
    """Downspouts of one roof and their shares; the fields of `RoofSplits`."""

    xy: FloatArray
    share_frac: FloatArray
    gable_share_frac: FloatArray
    part: ObjectArray
    is_measured: bool


def outlines_of(roofs: ObjectArray, party_walls: ObjectArray) -> Outlines:
    """Rings, eaves and long axes of roofs.

    Parameters
    ----------
    roofs : (n,) array of polygons
        Roof outlines [m]; inner courts do not matter here.
    party_walls : (n,) array of geometries or None
        Ground within a hand's breadth of the neighbouring buildings; edges inside it are party walls.
    """
    xy, first = _settled(roofs)
    shells = _polygons(xy, first)
    xy, first = _settled(shapely.simplify(shells, NOISE_M, preserve_topology=True))
    open_ring = np.ones(len(xy), dtype=bool)
    open_ring[first[1:] - 1] = False
    xy, first = xy[open_ring], first - np.arange(len(first))
    outlines = Outlines(xy, first, np.ones(len(xy), dtype=bool), _long_axes(shells))
    touching = np.flatnonzero(~shapely.is_missing(party_walls))
    return _with_party_walls(outlines, touching, party_walls) if len(touching) else outlines


def _settled(roofs: ObjectArray) -> tuple[FloatArray, IntArray]:
    """Closed outer rings in a fixed direction and from a fixed start, and where each begins."""
    xy, owner = shapely.get_coordinates(shapely.get_exterior_ring(roofs), return_index=True)
    first = np.searchsorted(owner, np.arange(len(roofs) + 1)).astype(np.int64)
    return kernel.settle(xy, first), first


def _polygons(xy: FloatArray, first: IntArray) -> ObjectArray:
    """Polygons of closed rings in flat arrays."""
    return np.asarray(shapely.from_ragged_array(shapely.GeometryType.POLYGON, xy, (first, np.arange(len(first)))))


def _long_axes(roofs: ObjectArray) -> FloatArray:
    """Unit vectors (n, 2) along the long sides of the smallest rectangles; of equal sides the first."""
    box, owner = shapely.get_coordinates(shapely.oriented_envelope(roofs), return_index=True)
    first = np.searchsorted(owner, np.arange(len(roofs) + 1))
    # the envelope of a roof as thin as a line is a line
    second = np.minimum(first[:-1] + 1, first[1:] - 1)
    third = np.minimum(first[:-1] + 2, first[1:] - 1)
    one, other = box[second] - box[first[:-1]], box[third] - box[second]
    length, width = np.hypot(*one.T), np.hypot(*other.T)
    axis = np.where((np.round(length, 6) >= np.round(width, 6))[:, None], one, other)
    return np.asarray(axis / np.maximum(np.maximum(length, width), 1e-12)[:, None])


def _with_party_walls(outlines: Outlines, touching: IntArray, party_walls: ObjectArray) -> Outlines:
    """The outlines with a vertex where a party wall begins or ends, and without eaves on these."""
    is_touching = np.zeros(len(party_walls), dtype=bool)
    is_touching[touching] = True
    owner = np.repeat(np.arange(len(party_walls)), np.diff(outlines.first))
    edge = np.flatnonzero(is_touching[owner])
    walls = party_walls[owner[edge]]
    shapely.prepare(walls)
    start = outlines.xy[edge]
    vector = _following(outlines.xy, outlines.first)[edge] - start
    lines = shapely.linestrings(np.stack([start, start + vector], axis=1))
    near = np.flatnonzero(shapely.intersects(walls, lines) & ~shapely.covers(walls, lines))
    ends, of = shapely.get_coordinates(shapely.intersection(lines[near], walls[near]), return_index=True)
    of = near[of]
    length2 = (vector[of] ** 2).sum(axis=1)
    t = np.round(((ends - start[of]) * vector[of]).sum(axis=1) / np.maximum(length2, 1e-12), 9)
    margin = WALL_END_M / np.sqrt(np.maximum(length2, 1e-12))
    inner = (t > margin) & (t < 1.0 - margin)
    found = np.unique(np.column_stack([of[inner], t[inner]]), axis=0)
    of, t = found[:, 0].astype(np.int64), found[:, 1]
    xy = np.insert(outlines.xy, edge[of] + 1, start[of] + t[:, None] * vector[of], axis=0)
    added = np.bincount(owner[edge[of]], minlength=len(party_walls))
    first = outlines.first + np.concatenate([[0], np.cumsum(added)])
    owner = np.repeat(np.arange(len(party_walls)), np.diff(first))
    edge = np.flatnonzero(is_touching[owner])
    middle = 0.5 * (xy[edge] + _following(xy, first)[edge])
    eave = np.ones(len(xy), dtype=bool)
    eave[edge] = ~shapely.covers(party_walls[owner[edge]], shapely.points(middle))
    return Outlines(xy, first, eave, _row_axes(xy, first, eave, outlines.axis))


def _row_axes(xy: FloatArray, first: IntArray, eave: BoolArray, axis: FloatArray) -> FloatArray:
    """The axes, turned square to the party wall of those that have one along most of a side.

    The ridge of a row runs through all its houses; the long side of an end house tells nothing about it.
    """
    vector = _following(xy, first) - xy
    length = np.hypot(*vector.T)
    owner = np.repeat(np.arange(len(axis)), np.diff(first))
    wall = np.flatnonzero(~eave & (length > 0.0))
    wall = wall[np.lexsort((wall, -length[wall], owner[wall]))]
    roof, longest = np.unique(owner[wall], return_index=True)
    wall = wall[longest]
    along = vector[wall] / length[wall][:, None]
    direction = np.zeros_like(axis)
    direction[roof] = along
    reach = (xy * direction[owner]).sum(axis=1)
    depth = np.maximum.reduceat(reach, first[:-1]) - np.minimum.reduceat(reach, first[:-1])
    in_row = length[wall] >= ROW_WALL_FRAC * depth[roof]
    out = axis.copy()
    out[roof[in_row]] = np.column_stack([-along[in_row, 1], along[in_row, 0]])
    return out


def _following(xy: FloatArray, first: IntArray) -> FloatArray:
    """The next vertex along the ring of each vertex."""
    following = np.arange(1, len(xy) + 1)
    following[first[1:] - 1] = first[:-1]
    return xy[following]


def count_downspouts(eave_length_m: float, roof_area_m2: float, params: RoofParams) -> int:
    """``max(2, ceil(eave / 10.7 m), ceil(roof / 55.7 m2))`` with the parameters' own numbers."""
    return int(
        downspout_kernel.number_of(
            eave_length_m, roof_area_m2, params.eave_per_downspout_m, params.area_per_downspout_m2
        )
    )


def split_all(
    roofs: ObjectArray, party_walls: ObjectArray, points: FloatArray, first_point: IntArray, params: RoofParams
) -> RoofSplits:
    """Downspouts of roofs and the share of each.

    Parameters
    ----------
    roofs : (n,) array of polygons
        Roof outlines [m].
    party_walls : (n,) array of geometries or None
        See `outlines_of`.
    points : (p, 2) array
        Measured downspouts near the roofs [m]; a roof without any on its eaves gets assumed ones.
    first_point : (n + 1,) int array
        Those near roof ``i`` are ``first_point[i]`` to ``first_point[i + 1]``.
    params : RoofParams
    """
    outlines = outlines_of(roofs, party_walls)
    habits = kernel.Habits(
        FORMS[params.form],
        params.eave_per_downspout_m,
        params.area_per_downspout_m2,
        params.downspout_snap_m,
        CORNER_DEG,
        LONG_EAVE_DEG,
        RAY_STEP_M,
    )
    has_court = shapely.get_num_interior_rings(roofs) > 0
    split = kernel.split_all(*outlines, shapely.area(roofs), has_court, points, first_point, habits)
    roof = split.spout[:, 0].astype(np.int64)
    size_m2, gable_m2 = split.spout[:, 3].copy(), split.spout[:, 4].copy()
    polygons = _polygons(split.ring_xy, split.first)
    bad = np.flatnonzero(~shapely.is_valid(polygons))
    polygons[bad] = shapely.make_valid(polygons[bad], method="structure", keep_collapsed=False)
    # what an inner court takes from each part
    cut = np.flatnonzero(has_court[roof[split.ring_spout]])
    if len(cut):
        polygons[cut] = _areas_only(shapely.intersection(polygons[cut], roofs[roof[split.ring_spout[cut]]]))
        _measure_again(polygons, split, has_court[roof], size_m2, gable_m2)
    keep = ~split.is_gable & (shapely.area(polygons) > LEAST_PART_M2)
    part = _joined(polygons[keep], split.ring_spout[keep], len(roof))
    return RoofSplits(
        roof,
        split.spout[:, 1:3],
        _shares(size_m2, roof, len(roofs)),
        _shares(gable_m2, roof, len(roofs)),
        part,
        split.spout[:, 5] > 0.0,
    )


def _measure_again(
    polygons: ObjectArray, split: kernel.Split, is_cut: BoolArray, size_m2: FloatArray, gable_m2: FloatArray
) -> None:
    """Put the areas of cut parts in the place of those that the kernel found."""
    area, n = shapely.area(polygons), len(is_cut)
    main, gable = (
        np.bincount(split.ring_spout[which], weights=area[which], minlength=n)
        for which in (~split.is_gable, split.is_gable)
    )
    # no ring of a gable: it is the same as the main form
    roof = split.spout[:, 0]
    other_form = np.isin(roof, roof[split.ring_spout[split.is_gable]])
    size_m2[is_cut] = main[is_cut]
    gable_m2[is_cut] = np.where(other_form, gable, main)[is_cut]


def _areas_only(geometry: ObjectArray) -> ObjectArray:
    """Polygonal part of each geometry: where outlines merely touch, an intersection has lines and points too."""
    out = geometry.copy()
    for i in np.flatnonzero(shapely.get_type_id(out) == shapely.GeometryType.GEOMETRYCOLLECTION):
        parts = shapely.get_parts(out[i])
        out[i] = shapely.union_all(parts[shapely.get_dimensions(parts) == 2])
    return out


def _joined(polygons: ObjectArray, group: IntArray, n: int) -> ObjectArray:
    """Union of the polygons of each group; None where there is none."""
    out = np.full(n, None, dtype=object)
    out[group] = polygons
    counts = np.bincount(group, minlength=n)
    several = np.flatnonzero(counts > 1)
    if len(several):
        order = np.flatnonzero(counts[group] > 1)
        order = order[np.argsort(group[order], kind="stable")]
        row = np.searchsorted(several, group[order])
        column = np.arange(len(order)) - np.searchsorted(row, row)
        table = np.full((len(several), int(counts.max())), None, dtype=object)
        table[row, column] = polygons[order]
        out[several] = shapely.union_all(table, axis=1)
    return out


def _shares(size_m2: FloatArray, roof: IntArray, n: int) -> FloatArray:
    """Share of each downspout in its roof; a roof as thin as a line is shared evenly."""
    total = np.bincount(roof, weights=size_m2, minlength=n)[roof]
    even = 1.0 / np.bincount(roof, minlength=n)[roof]
    return np.where(total > 0.0, size_m2 / np.where(total > 0.0, total, 1.0), even)


def split_roof(
    roof: shapely.Polygon, party_walls: shapely.Geometry | None, points: FloatArray, params: RoofParams
) -> RoofSplit:
    """Downspouts of one roof and the share of each; `split_all` of many is a hundred times as fast.

    Parameters
    ----------
    roof : Polygon
        Roof outline [m].
    party_walls : geometry or None
        See `outlines_of`.
    points : (k, 2) array
        Measured downspouts near this roof [m]; none: they are assumed.
    params : RoofParams
    """
    roofs, walls = np.empty(1, dtype=object), np.empty(1, dtype=object)
    roofs[0], walls[0] = roof, party_walls
    split = split_all(roofs, walls, points, np.array([0, len(points)]), params)
    return RoofSplit(*split[1:5], bool(split.is_measured.any()))
