"""The streets as a net to walk on: distances between places, and the line of a way along them."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra, minimum_spanning_tree
from scipy.spatial import Delaunay, QhullError
from shapely.ops import substring

if TYPE_CHECKING:
    from collections.abc import Sequence

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[Any]

AROUND_M: Final = 500.0
"""Streets this far beyond the places belong to the net (program default)."""

LINK_M: Final = 300.0
"""Ends of streets no farther apart than this, with no lot between them, are taken for joined by a street that the
result does not have (program default)."""

CROSSING_M: Final = 15.0
"""What going over to another street side counts (program default)."""

DETOUR: Final = 1.5
"""Such a link is only made where the way along the streets is longer by more than this factor (program default)."""

_SAME_M: Final = 1e-3
_ROWS: Final = 256


class Net(NamedTuple):
    """Streets cut at crossings and places.

    Attributes
    ----------
    xy_m : (k, 2) array
        Nodes.
    steps : (k, k) sparse array
        Lengths of the pieces between them [m].
    node : (n,) int array
        Node of each place.
    piece : dict
        Line of each piece along a street by its two nodes, the smaller first and drawn that way.
    is_straight : bool
        Whether there is no street at all, so that every way is straight.
    """

    xy_m: FloatArray
    steps: csr_array
    node: IntArray
    piece: dict[tuple[int, int], Any]
    is_straight: bool = False


def street_net(lines: ObjectArray, places_m: FloatArray, lots: ObjectArray) -> Net:
    """Make a net of streets that joins all places.

    Parameters
    ----------
    lines : (m,) array of lines
        Streets [m]; none: the places are joined straight.
    places_m : (n, 2) array
        Places to walk to; those off the streets are joined straight to the nearest.
    lots : (l,) array of polygons
        What nobody walks across.

    Notes
    -----
    A result has the lines of those streets only that have a candidate. Gaps are bridged by straight links: between
    ends of streets near each other that no lot separates, and, where the net is still in pieces, by the shortest that
    join them.
    """
    parts = _noded(lines, places_m)
    ends = _ends(parts)
    points = shapely.points(places_m)
    if not len(parts):
        return Net(places_m, csr_array((len(places_m),) * 2), np.arange(len(places_m)), {}, is_straight=True)
    part = shapely.STRtree(parts).query_nearest(points, all_matches=True)
    # of equally near parts the first
    order = np.lexsort(part[::-1])
    first = np.flatnonzero(np.diff(part[0][order], prepend=-1))
    on = part[1][order][first]
    along = shapely.line_locate_point(parts[on], points)
    foot = shapely.line_interpolate_point(parts[on], along)
    off_m = shapely.distance(foot, points)
    cuts = np.concatenate([shapely.get_coordinates(foot), ends])
    xy, at = _unique(np.concatenate([cuts, places_m[off_m > _SAME_M]]))
    node = at[: len(places_m)].copy()
    away = np.flatnonzero(off_m > _SAME_M)
    node[away] = at[len(cuts) :]
    steps = [(int(at[place]), int(node[place]), float(off_m[place])) for place in away]
    pieces: dict[tuple[int, int], Any] = {}
    start_node, stop_node = at[len(places_m) :][: len(parts)], at[len(places_m) + len(parts) :][: len(parts)]
    length = shapely.length(parts)
    cut_order = np.lexsort((along, on))
    bounds = np.searchsorted(on[cut_order], np.arange(len(parts) + 1))
    for k in range(len(parts)):
        inner = cut_order[bounds[k] : bounds[k + 1]]
        nodes = [int(start_node[k]), *at[inner].tolist(), int(stop_node[k])]
        places = [0.0, *along[inner].tolist(), float(length[k])]
        for (one, other), (begin, end) in zip(pairwise(nodes), pairwise(places), strict=True):
            if one == other:
                continue
            steps.append((one, other, end - begin))
            key = (min(one, other), max(one, other))
            if key not in pieces or pieces[key][1] > end - begin:
                pieces[key] = ((parts[k], begin, end) if one < other else (parts[k], end, begin)), end - begin
    return _joined(xy, node, steps, {key: cut for key, (cut, _) in pieces.items()}, ends, lots)


def _noded(lines: ObjectArray, places_m: FloatArray) -> ObjectArray:
    """Streets around the places, cut where they cross, in an order that does not hang on how they were drawn."""
    if not len(lines) or not len(places_m):
        return np.empty(0, dtype=object)
    west, south = places_m.min(axis=0) - AROUND_M
    east, north = places_m.max(axis=0) + AROUND_M
    parts = shapely.get_parts(lines)
    parts = parts[shapely.intersects(parts, shapely.box(west, south, east, north)) & (shapely.length(parts) > _SAME_M)]
    if not len(parts):
        return np.empty(0, dtype=object)
    cut = shapely.normalize(shapely.get_parts(shapely.node(shapely.multilinestrings(parts))))
    cut = cut[shapely.length(cut) > _SAME_M]
    return np.asarray(cut[np.argsort(shapely.to_wkb(cut), kind="stable")])


def _ends(parts: ObjectArray) -> FloatArray:
    """First and then last points of lines."""
    if not len(parts):
        return np.zeros((0, 2))
    ends = np.concatenate([shapely.get_point(parts, 0), shapely.get_point(parts, -1)])
    return np.asarray(shapely.get_coordinates(ends))


def _unique(xy: FloatArray) -> tuple[FloatArray, IntArray]:
    """Nodes, and the node of each point: points that agree to a millimetre are one."""
    _, first, node = np.unique(np.round(xy / _SAME_M).astype(np.int64), axis=0, return_index=True, return_inverse=True)
    return xy[first], node.ravel().astype(np.int64)


def _joined(
    xy: FloatArray,
    node: IntArray,
    steps: list[tuple[int, int, float]],
    cuts: dict[tuple[int, int], Any],
    ends: FloatArray,
    lots: ObjectArray,
) -> Net:
    """Add links until everything hangs together."""
    k = len(xy)
    at_end = np.unique(_nodes_at(xy, ends)) if len(ends) else np.zeros(0, dtype=np.int64)
    one, other = _neighbours(xy[at_end])
    one, other = at_end[one], at_end[other]
    length = np.hypot(*(xy[one] - xy[other]).T)
    is_free = (length <= LINK_M) & np.array(
        [pair not in cuts for pair in zip(one.tolist(), other.tolist(), strict=True)]
    )
    one, other, length = one[is_free], other[is_free], length[is_free]
    if len(one) and len(lots):
        straight = shapely.linestrings(np.stack([xy[one], xy[other]], axis=1))
        is_free = np.ones(len(one), dtype=bool)
        is_free[shapely.STRtree(lots).query(straight, predicate="intersects")[0]] = False
        one, other, length = one[is_free], other[is_free], length[is_free]
    if len(one):
        # a bend needs no link from end to end
        starts, row = np.unique(one, return_inverse=True)
        along = dijkstra(_matrix(steps, k), directed=False, indices=starts, limit=DETOUR * LINK_M)
        is_free = along[row.ravel(), other] > DETOUR * length
        one, other, length = one[is_free], other[is_free], length[is_free]
    every = [*steps, *zip(one.tolist(), other.tolist(), length.tolist(), strict=True)]
    n_parts, part = connected_components(_matrix(every, k), directed=False)
    if n_parts > 1:
        one, other = _neighbours(xy)
        apart = part[one] != part[other]
        one, other = one[apart], other[apart]
        length = np.maximum(np.hypot(*(xy[one] - xy[other]).T), _SAME_M)
        order = np.lexsort((other, one, length, np.maximum(part[one], part[other]), np.minimum(part[one], part[other])))
        low, high = np.minimum(part[one], part[other])[order], np.maximum(part[one], part[other])[order]
        first = np.flatnonzero((np.diff(low, prepend=-1) != 0) | (np.diff(high, prepend=-1) != 0))
        shortest = order[first]
        between = coo_array((length[shortest], (low[first], high[first])), shape=(n_parts, n_parts))
        tree = minimum_spanning_tree(between.tocsr()).tocoo()
        link_of = {(int(low[i]), int(high[i])): int(order[i]) for i in first}
        for a, b in zip(tree.row.tolist(), tree.col.tolist(), strict=True):
            link = link_of[min(a, b), max(a, b)]
            every.append((int(one[link]), int(other[link]), float(length[link])))
    return Net(xy, _matrix(every, k), node, cuts)


def _nodes_at(xy: FloatArray, points: FloatArray) -> IntArray:
    """Nodes of points that are nodes."""
    keys = {tuple(key): i for i, key in enumerate(np.round(xy / _SAME_M).astype(np.int64).tolist())}
    wanted = np.round(points / _SAME_M).astype(np.int64).tolist()
    return np.array([keys[tuple(key)] for key in wanted if tuple(key) in keys], dtype=np.int64)


def _neighbours(xy: FloatArray) -> tuple[IntArray, IntArray]:
    """Pairs of points that are neighbours, among them those of the shortest tree (Delaunay)."""
    n = len(xy)
    if n < 2:
        none = np.zeros(0, dtype=np.int64)
        return none, none
    try:
        # far from the origin the coordinates would lose digits
        corners = Delaunay(xy - xy.mean(axis=0)).simplices if n > 2 else np.zeros((0, 3), dtype=np.int64)
    except QhullError:
        corners = np.zeros((0, 3), dtype=np.int64)
    # points in line make no triangle: there every point and the next; the same for those that Qhull merged
    row = np.lexsort((xy[:, 1], xy[:, 0]))
    pairs = np.concatenate(
        [corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [0, 2]], np.column_stack([row[:-1], row[1:]])]
    )
    pairs = np.unique(np.sort(pairs, axis=1), axis=0).astype(np.int64)
    return pairs[:, 0], pairs[:, 1]


def _matrix(steps: Sequence[tuple[int, int, float]], k: int) -> csr_array:
    """Sparse matrix of the shortest step between any two nodes, both ways."""
    if not steps:
        return csr_array((k, k))
    one, other, length = (np.array(values) for values in zip(*steps, strict=True))
    low, high = np.minimum(one, other), np.maximum(one, other)
    order = np.lexsort((length, high, low))
    first = np.flatnonzero((np.diff(low[order], prepend=-1) != 0) | (np.diff(high[order], prepend=-1) != 0))
    keep = order[first]
    # a step of no length would be no entry
    size = np.maximum(length[keep], 1e-6)
    ends = (np.concatenate([low[keep], high[keep]]), np.concatenate([high[keep], low[keep]]))
    return csr_array((np.concatenate([size, size]), ends), shape=(k, k))


def distances_m(net: Net, side: IntArray) -> FloatArray:
    """Distances between all places along the net.

    Parameters
    ----------
    net : Net
    side : (n,) int array
        Street side of each place; -1 for none.

    Returns
    -------
    (n, n) array
        In metres; between different sides with `CROSSING_M`, so that nobody zigzags. Both are metrics, so is the sum.
    """
    is_across = (side[:, None] != side[None, :]) & (side[:, None] >= 0) & (side[None, :] >= 0)
    if net.is_straight:
        step = net.xy_m[:, None] - net.xy_m[None]
        return np.asarray(np.hypot(step[..., 0], step[..., 1]) + CROSSING_M * is_across)
    nodes, place = np.unique(net.node, return_inverse=True)
    between = np.empty((len(nodes), len(nodes)))
    for start in range(0, len(nodes), _ROWS):
        rows = nodes[start : start + _ROWS]
        between[start : start + _ROWS] = dijkstra(net.steps, directed=False, indices=rows)[:, nodes]
    # the same number both ways, whatever the order of summing
    between = np.minimum(between, between.T)
    return np.asarray(between[np.ix_(place.ravel(), place.ravel())] + CROSSING_M * is_across)


def way_along(net: Net, places: Sequence[int]) -> Any:
    """Line of a way from place to place along the net; a single place gives a line of no length.

    Parameters
    ----------
    net : Net
    places : sequence of int
        In the order of the way.
    """
    nodes = net.node[np.asarray(places)]
    if net.is_straight:
        return _line(net.xy_m[nodes])
    corners = [net.xy_m[nodes[:1]]]
    for start in range(0, len(nodes) - 1, _ROWS):
        rows = nodes[start : start + _ROWS + 1]
        _, before = dijkstra(net.steps, directed=False, indices=rows[:-1], return_predecessors=True)
        for here, there, previous in zip(rows[:-1], rows[1:], before, strict=True):
            way = [int(there)]
            while way[-1] != here:
                way.append(int(previous[way[-1]]))
            way.reverse()
            corners += [_step(net, one, other) for one, other in pairwise(way)]
    return _line(np.concatenate(corners))


def _line(corners: FloatArray) -> Any:
    """Line without repeated corners; of one corner a line of no length."""
    corners = corners[np.concatenate([[True], (np.diff(corners, axis=0) != 0.0).any(axis=1)])]
    return shapely.linestrings(corners if len(corners) > 1 else np.repeat(corners, 2, axis=0))


def _step(net: Net, one: int, other: int) -> FloatArray:
    """Corners of the piece from one node to another."""
    cut = net.piece.get((min(one, other), max(one, other)))
    straight = net.xy_m[[one, other]]
    if cut is None:
        return np.asarray(straight)
    part, begin, end = cut
    inner = shapely.get_coordinates(substring(part, begin, end))
    inner = inner if one < other else inner[::-1]
    return np.asarray(np.concatenate([straight[:1], inner[1:-1], straight[1:]]))
