"""Geometries as flat arrays of edges, the form in which the kernels read them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def edges_of(geometry: npt.NDArray[Any], origin: FloatArray | None = None) -> tuple[FloatArray, IntArray]:
    """Edges of all rings (or lines) of each geometry, one geometry after another.

    Parameters
    ----------
    geometry : (n,) array of geometries
        Polygons, multipolygons or lines; None and empty ones have no edges.
    origin : (n, 2) array, optional
        Point each geometry is reckoned from [m].

    Returns
    -------
    edges : (m, 4) array
        ``x1, y1, x2, y2`` [m].
    first : (n + 1,) array
        The edges of geometry ``i`` are ``first[i]`` to ``first[i + 1]``.
    """
    n = len(geometry)
    parts, owner = shapely.get_parts(geometry, return_index=True)
    is_area = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, ring_part = shapely.get_rings(parts[is_area], return_index=True)
    lines = np.concatenate([rings, parts[~is_area]])
    line_owner = np.concatenate([owner[is_area][ring_part], owner[~is_area]])
    order = np.argsort(line_owner, kind="stable")
    lines = lines[order]
    line_owner = line_owner[order]
    xy, line = shapely.get_coordinates(lines, return_index=True)
    if len(xy) == 0:
        return np.empty((0, 4)), np.zeros(n + 1, dtype=np.int64)
    if origin is not None:
        xy = xy - origin[line_owner[line]]
    same = line[1:] == line[:-1]
    edges = np.hstack([xy[:-1], xy[1:]])[same]
    edge_owner = line_owner[line[:-1]][same]
    first = np.searchsorted(edge_owner, np.arange(n + 1)).astype(np.int64)
    return np.ascontiguousarray(edges), first


def as_boxes(bounds: FloatArray) -> npt.NDArray[Any]:
    """Shapes with some boxes (n, 4), for search trees that look at boxes only: lines from corner to corner.

    They take a third of the time that polygons take to make.
    """
    return np.asarray(shapely.linestrings(np.ascontiguousarray(bounds).reshape(-1, 2, 2)), dtype=object)


def gather(
    edges: FloatArray, first: IntArray, pick: IntArray, group: IntArray, n_groups: int
) -> tuple[FloatArray, IntArray]:
    """Edges of picked geometries put together by group.

    Parameters
    ----------
    edges, first
        As `edges_of` returns them.
    pick, group : (k,) array
        Geometry ``pick[i]`` belongs to group ``group[i]``; sorted by group.
    n_groups : int
        Number of groups.

    Returns
    -------
    edges, first
        The same form, one entry a group.
    """
    counts = first[pick + 1] - first[pick]
    total = int(counts.sum())
    starts = np.cumsum(counts) - counts
    index = np.arange(total) - np.repeat(starts, counts) + np.repeat(first[pick], counts)
    per_group = np.bincount(group, weights=counts, minlength=n_groups).astype(np.int64)
    return edges[index], np.concatenate([[0], np.cumsum(per_group)]).astype(np.int64)
