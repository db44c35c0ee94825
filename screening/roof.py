"""Roofs: eaves, downspouts, and which part of the roof drains to which downspout."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.kernels import roofs as kernel

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


class Outline(NamedTuple):
    """The outer ring of a roof, counter-clockwise, and where its gutters are.

    Attributes
    ----------
    xy : (m, 2) array
        Vertices [m].
    along : (m + 1,) array
        Distance along the ring at each vertex [m].
    eave : (m,) bool array
        Edges that carry a gutter: all but party walls.
    corner : (m,) bool array
        Convex corners.
    """

    xy: FloatArray
    along: FloatArray
    eave: BoolArray
    corner: BoolArray


class RoofSplit(NamedTuple):
    """Downspouts of one roof and their shares.

    Attributes
    ----------
    xy : (n, 2) array
        Places of the downspouts [m].
    share_frac : (n,) array
        Share of the roof's plan area under the main form; sums to 1.
    gable_share_frac : (n,) array
        The same with gable eaves; equal to ``share_frac`` where the form is known.
    part : (n,) array of polygons
        Roof part of each downspout under the main form; None where it drains nothing.
    is_measured : bool
        Whether the places come from measured points.
    """

    xy: FloatArray
    share_frac: FloatArray
    gable_share_frac: FloatArray
    part: ObjectArray
    is_measured: bool


def outline_of(roof: shapely.Polygon, party_walls: shapely.Geometry | None) -> Outline:
    """Ring, eaves and corners of a roof.

    Parameters
    ----------
    roof : Polygon
        Roof outline [m].
    party_walls : geometry or None
        Ground within a hand's breadth of the neighbouring buildings; edges inside it are party walls.
    """
    simple = shapely.simplify(roof, NOISE_M, preserve_topology=True)
    ring = shapely.get_exterior_ring(shapely.orient_polygons(simple))
    xy = shapely.get_coordinates(ring)[:-1]
    if party_walls is not None:
        xy = _with_wall_ends(xy, party_walls)
    edge = np.roll(xy, -1, axis=0) - xy
    length = np.hypot(edge[:, 0], edge[:, 1])
    xy, edge, length = xy[length > 1e-6], edge[length > 1e-6], length[length > 1e-6]
    before = np.roll(edge, 1, axis=0)
    turn = np.degrees(
        np.arctan2(
            before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0],
            before[:, 0] * edge[:, 0] + before[:, 1] * edge[:, 1],
        )
    )
    if party_walls is None:
        eave = np.ones(len(xy), dtype=bool)
    else:
        middle = xy + 0.5 * edge
        eave = ~np.asarray(shapely.covers(party_walls, shapely.points(middle)))
    return Outline(xy, np.concatenate([[0.0], np.cumsum(length)]), eave, turn > CORNER_DEG)


def _with_wall_ends(xy: FloatArray, party_walls: shapely.Geometry) -> FloatArray:
    """Put a vertex where a party wall begins or ends within an edge."""
    following = np.roll(xy, -1, axis=0)
    edges = shapely.linestrings(np.stack([xy, following], axis=1))
    shared = shapely.intersection(edges, party_walls)
    out: list[FloatArray] = []
    for i in range(len(xy)):
        out.append(xy[i])
        if shapely.is_empty(shared[i]):
            continue
        ends = shapely.get_coordinates(shared[i])
        vector = following[i] - xy[i]
        length2 = float(vector @ vector)
        t = np.unique(np.round((ends - xy[i]) @ vector / length2, 9)) if length2 > 0 else np.empty(0)
        margin = 0.3 / math.sqrt(length2) if length2 > 0 else 1.0
        out.extend(xy[i] + value * vector for value in t if margin < value < 1.0 - margin)
    return np.array(out)


def gutters(eave: BoolArray) -> list[tuple[int, int]]:
    """Runs of edges with a gutter as (first edge, number of edges); one whole ring where all have."""
    m = len(eave)
    if eave.all():
        return [(0, m)]
    starts = [i for i in range(m) if eave[i] and not eave[i - 1]]
    out = []
    for start in starts:
        count = 0
        while eave[(start + count) % m]:
            count += 1
        out.append((start, count))
    return out


def count_downspouts(eave_length_m: float, roof_area_m2: float, params: RoofParams) -> int:
    """``max(2, ceil(eave / 10.7 m), ceil(roof / 55.7 m2))`` with the parameters' own numbers."""
    # a billionth of grace: 10.7 m of eave counted in feet must not become two downspouts
    return max(
        2,
        math.ceil(eave_length_m / params.eave_per_downspout_m - 1e-9),
        math.ceil(roof_area_m2 / params.area_per_downspout_m2 - 1e-9),
    )


def assumed_downspouts(outline: Outline, n: int) -> FloatArray:
    """Distances along the ring [m] of ``n`` assumed downspouts: at corners, as evenly as these allow.

    From every corner as a start, evenly spaced targets are moved to the nearest free corner; the start with the
    least sum of squared moves wins, the first of equals. Where there are fewer corners than downspouts, the
    longest gutter between two is halved until there are enough.
    """
    total = float(outline.along[-1])
    m = len(outline.xy)
    beside = outline.eave | np.roll(outline.eave, 1)
    places = outline.along[:-1][outline.corner & beside]
    if len(places) >= n:
        return _even_choice(places, n, total)
    chosen = list(places)
    runs = gutters(outline.eave)
    if not chosen:
        # a round house: an even spacing from where its outline starts
        chosen = [float(outline.along[runs[0][0]])] if runs else [0.0]
    while len(chosen) < n:
        best_gap, best_place = -1.0, 0.0
        for start, count in runs:
            a = float(outline.along[start])
            b = a + sum(
                float(outline.along[(start + k) % m + 1] - outline.along[(start + k) % m]) for k in range(count)
            )
            whole = count == m
            inside = sorted(((p - a) % total) + a for p in chosen if whole or ((p - a) % total) + a <= b + 1e-6)
            if not inside:
                gaps = [(b - a, 0.5 * (a + b))]
            elif whole:
                ring = [*inside, inside[0] + total]
                gaps = [(q - p, 0.5 * (p + q)) for p, q in zip(ring[:-1], ring[1:], strict=True)]
            else:
                gaps = [(q - p, 0.5 * (p + q)) for p, q in zip(inside[:-1], inside[1:], strict=True)]
                # a stretch with a downspout at one end only counts double: its water has one way to go
                gaps += [(2.0 * (inside[0] - a), a), (2.0 * (b - inside[-1]), b)]
            for gap, place in gaps:
                if gap > best_gap + 1e-6:
                    best_gap, best_place = gap, place % total
        if best_gap <= 1.0:
            break
        chosen.append(best_place)
    return np.sort(np.array(chosen, dtype=float))


def _even_choice(places: FloatArray, n: int, total: float) -> FloatArray:
    """``n`` of the places, as evenly spaced along a ring of length ``total`` as they allow."""
    best: tuple[float, FloatArray] | None = None
    for start in places:
        targets = (start + total * np.arange(n) / n) % total
        free = np.ones(len(places), dtype=bool)
        moved = 0.0
        picked = []
        for target in targets:
            gap = np.abs(places - target)
            gap = np.where(free, np.minimum(gap, total - gap), np.inf)
            k = int(np.argmin(np.round(gap, 6)))
            free[k] = False
            picked.append(places[k])
            moved += float(gap[k]) ** 2
        if best is None or moved < best[0] - 1e-6:
            best = (moved, np.sort(np.array(picked)))
    if best is None:
        return np.empty(0)
    return best[1]


def measured_downspouts(outline: Outline, points: FloatArray, snap_m: float) -> FloatArray:
    """Distances along the ring [m] of measured points, moved to the nearest eave; too far ones are left out.

    Parameters
    ----------
    outline : Outline
    points : (k, 2) array
        Measured places [m].
    snap_m : float
        Farthest distance from the eave [m].
    """
    out = []
    following = np.roll(outline.xy, -1, axis=0)
    vector = following - outline.xy
    length2 = (vector**2).sum(axis=1)
    for point in points:
        t = np.clip(((point - outline.xy) * vector).sum(axis=1) / length2, 0.0, 1.0)
        distance = np.hypot(*(outline.xy + t[:, None] * vector - point).T)
        distance[~outline.eave] = np.inf
        i = int(np.argmin(np.round(distance, 6)))
        if distance[i] <= snap_m:
            out.append((outline.along[i] + t[i] * math.sqrt(length2[i])) % outline.along[-1])
    return np.unique(np.round(np.array(out, dtype=float), 6))


def place_at(outline: Outline, along: FloatArray) -> FloatArray:
    """Points (n, 2) [m] at distances along the ring."""
    i = np.clip(np.searchsorted(outline.along, along, side="right") - 1, 0, len(outline.xy) - 1)
    following = np.roll(outline.xy, -1, axis=0)
    t = (along - outline.along[i]) / (outline.along[i + 1] - outline.along[i])
    return np.asarray(outline.xy[i] + t[:, None] * (following[i] - outline.xy[i]))


def drainage_parts(outline: Outline, eave: BoolArray, along: FloatArray) -> list[list[FloatArray]]:
    """Rings of the roof parts that drain to each downspout: to the nearest along each gutter.

    Parameters
    ----------
    outline : Outline
    eave : (m,) bool array
        Edges that carry water: those of the outline, or of them the long ones under a gable.
    along : (n,) array
        Distances of the downspouts along the ring [m], rising.

    Notes
    -----
    An eave whose gutter has no downspout of its own leads its water to the nearest along the ring.
    """
    total = float(outline.along[-1])
    m = len(outline.xy)
    parts: list[list[FloatArray]] = [[] for _ in along]
    # borders between downspouts along the whole ring
    following = np.append(along[1:], along[0] + total)
    border = 0.5 * (along + following)
    for start, count in gutters(eave):
        a = float(outline.along[start])
        b = a + sum(float(outline.along[(start + k) % m + 1] - outline.along[(start + k) % m]) for k in range(count))
        if count == m:
            a = float(border[-1]) - total
            b = a + total
        # on a gutter with ends, water goes to a downspout on it if there is one
        on_it = [k for k in range(len(along)) if count < m and (along[k] - a) % total <= b - a + 1e-6]
        marks = [(float((along[k] - a) % total) + a, k) for k in on_it]
        if count == m or not marks:
            cuts = sorted({float((c - a) % total) + a for c in border})
            cuts = [a, *[c for c in cuts if a + 1e-9 < c < b - 1e-9], b]
        else:
            marks.sort()
            cuts = [a, *[0.5 * (p[0] + q[0]) for p, q in zip(marks[:-1], marks[1:], strict=True)], b]
        for index, (c0, c1) in enumerate(zip(cuts[:-1], cuts[1:], strict=True)):
            if c1 - c0 <= 1e-9:
                continue
            if count == m or not marks:
                middle = (0.5 * (c0 + c1)) % total
                gap = np.abs(along - middle)
                k = int(np.argmin(np.round(np.minimum(gap, total - gap), 9)))
            else:
                k = marks[index][1]
            capacity = 64 + 3 * int((c1 - c0) / RAY_STEP_M + 1) + 30 * (m + 2)
            parts[k].append(
                kernel.gutter_part(
                    outline.xy,
                    eave,
                    outline.along,
                    c0 % total if c0 >= 0 else c0 + total,
                    (c0 % total if c0 >= 0 else c0 + total) + (c1 - c0),
                    RAY_STEP_M,
                    capacity,
                )
            )
    return parts


def shares_of(parts: list[list[FloatArray]]) -> FloatArray:
    """Share of each downspout, summing to 1."""
    area = np.array([sum(max(0.0, kernel.ring_area(ring)) for ring in rings) for rings in parts])
    return np.asarray(area / area.sum())


def long_eaves(outline: Outline, roof: shapely.Polygon) -> BoolArray:
    """Eaves of a gable roof: those that run along the house's long axis."""
    box = shapely.get_coordinates(shapely.oriented_envelope(roof))
    side = np.diff(box[:3], axis=0)
    axis = side[int(np.argmax(np.round(np.hypot(side[:, 0], side[:, 1]), 6)))]
    edge = np.roll(outline.xy, -1, axis=0) - outline.xy
    angle = np.degrees(np.arctan2(edge[:, 1], edge[:, 0]) - np.arctan2(axis[1], axis[0])) % 180.0
    out = outline.eave & (np.minimum(angle, 180.0 - angle) <= LONG_EAVE_DEG)
    return out if out.any() else outline.eave


def split_roof(
    roof: shapely.Polygon,
    party_walls: shapely.Geometry | None,
    points: FloatArray,
    params: RoofParams,
) -> RoofSplit:
    """Downspouts of a roof and the share of each.

    Parameters
    ----------
    roof : Polygon
        Roof outline [m].
    party_walls : geometry or None
        See `outline_of`.
    points : (k, 2) array
        Measured downspouts near this roof [m]; none: they are assumed.
    params : RoofParams
    """
    outline = outline_of(roof, party_walls)
    if not outline.eave.any():
        empty = np.empty(0)
        return RoofSplit(np.empty((0, 2)), empty, empty, np.empty(0, dtype=object), is_measured=False)
    length = np.diff(outline.along)
    along = measured_downspouts(outline, points, params.downspout_snap_m) if len(points) else np.empty(0)
    is_measured = len(along) > 0
    gable = long_eaves(outline, roof) if params.form != "hip" else outline.eave
    main = gable if params.form == "gable" else outline.eave
    if not is_measured:
        n = count_downspouts(float(length[main].sum()), float(shapely.area(roof)), params)
        if params.form == "gable":
            outline = outline._replace(eave=gable)
        along = assumed_downspouts(outline, n)
    rings = drainage_parts(outline, main, along)
    share = shares_of(rings)
    gable_share = share
    if params.form == "unknown" and not np.array_equal(gable, main):
        gable_share = shares_of(drainage_parts(outline, gable, along))
    part = np.array([_part_polygon(r, roof) for r in rings], dtype=object)
    return RoofSplit(place_at(outline, along), share, gable_share, part, is_measured)


def _part_polygon(rings: list[FloatArray], roof: shapely.Polygon) -> shapely.Geometry | None:
    """The rings of one downspout as a valid geometry within the roof; None where it drains nothing."""
    polygons = [
        # where two hips meet, the sweep from either side ends at the same point up to rounding
        shapely.remove_repeated_points(shapely.polygons(ring), 1e-5)
        for ring in rings
        if len(ring) > 2 and kernel.ring_area(ring) > 1e-4
    ]
    if not polygons:
        return None
    whole = polygons[0] if len(polygons) == 1 else shapely.union_all([shapely.make_valid(p) for p in polygons])
    if not whole.is_valid:
        whole = shapely.make_valid(whole, method="structure", keep_collapsed=False)
    if roof.interiors:
        whole = shapely.intersection(whole, roof)
    return None if shapely.is_empty(whole) else whole
