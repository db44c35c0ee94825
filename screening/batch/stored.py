"""Layers of a city on disk, row by row near each other: what worker processes read their surroundings from.

A layer is an Arrow file with outlines and texts beside plain arrays of boxes and places. All of them are mapped into
memory, never read as a whole: a process holds what its tile touches, however large the city is.
"""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from screening.outlines import as_boxes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from screening.batch.spilled import Column

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]
    BoolArray = npt.NDArray[np.bool_]
    ObjectArray = npt.NDArray[Any]

NEIGHBOURHOOD_M: Final = 250.0
"""Rows of a square of this side lie one after another."""

BATCH_ROWS: Final = 4096
"""Rows of a batch of the file: the least that is looked at to get one."""

BOXES_AT_A_TIME: Final = 65_536
"""Boxes that are in memory as shapes at a time."""

MANY_SQUARES: Final = 256
"""Of more squares within the box around all boxes, those are sorted out first that lie between them."""

_OUTLINE: Final = "outline"


def write_layer(
    folder: Path,
    name: str,
    outline: Column,
    bounds: FloatArray,
    *,
    text: Mapping[str, Column] | None = None,
    arrays: Mapping[str, npt.NDArray[Any]] | None = None,
    place: FloatArray | None = None,
) -> None:
    """Write a layer; its rows are given in the order in which they are to be found again.

    Parameters
    ----------
    folder : Path
    name : str
    outline : (n,) column of WKB
        [m]
    bounds : (n, 4) array
        [m]
    text : mapping, optional
        Further columns of the Arrow file.
    arrays : mapping, optional
        Further plain arrays of n rows.
    place : (n, 2) array, optional
        By what rows are sorted into squares; the middles of their boxes if left out [m].

    Raises
    ------
    OSError
        If the disk is full.
    """
    middle = (bounds[:, :2] + bounds[:, 2:]) / 2.0 if place is None else place
    square = np.floor(middle / NEIGHBOURHOOD_M).astype(np.int64)
    by_place = np.lexsort((np.arange(len(square)), square[:, 0], square[:, 1]))
    square = square[by_place]
    is_first = np.ones(len(square), dtype=bool)
    is_first[1:] = (square[1:] != square[:-1]).any(axis=1)
    first = np.flatnonzero(is_first)
    bounds = np.ascontiguousarray(bounds[by_place])
    extent = np.empty((len(first), 4))
    if len(first):
        extent[:, :2] = np.minimum.reduceat(bounds[:, :2], first)
        extent[:, 2:] = np.maximum.reduceat(bounds[:, 2:], first)
    columns: dict[str, Column] = {_OUTLINE: outline, **(text or {})}
    schema = pa.schema([(key, values.type) for key, values in columns.items()])
    with pa.OSFile(str(folder / f"{name}.arrow"), "wb") as sink, pa.ipc.new_file(sink, schema) as writer:
        for begin in range(0, len(by_place), BATCH_ROWS):
            rows = pa.array(by_place[begin : begin + BATCH_ROWS])
            writer.write(pa.record_batch([values.take(rows) for values in columns.values()], schema=schema))
    plain = {
        "bounds": bounds,
        "order": by_place,
        "extent": extent,
        "first": np.append(first, len(by_place)),
        **{key: np.ascontiguousarray(values[by_place]) for key, values in (arrays or {}).items()},
    }
    for key, values in plain.items():
        _save(folder / f"{name}.{key}.npy", values)


def _save(path: Path, values: npt.NDArray[Any]) -> None:
    """Write a plain array; numpy's own writing does not say when the disk is full."""
    packed = io.BytesIO()
    np.save(packed, values)
    path.write_bytes(packed.getbuffer())


def write_street_names(folder: Path, number: IntArray, names: Sequence[str]) -> None:
    """Write the street of every row of the layer ``parcels``, by place: its number among the names, -1 for none."""
    _save(folder / "parcels.street.npy", number.astype(np.int32))
    (folder / "street_names.json").write_text(json.dumps(list(names)), encoding="utf-8")


def read_street_names(folder: Path) -> ObjectArray:
    """Names of streets by number; the last is None, for -1."""
    names = json.loads((folder / "street_names.json").read_text(encoding="utf-8"))
    return np.array([*names, None], dtype=object)


class StoredLayer:
    """A layer written by `write_layer`.

    Attributes
    ----------
    bounds : (n, 4) array
        Boxes [m].
    order : (n,) int array
        Place of each row in the order in which it was given.
    """

    def __init__(self, folder: Path, name: str) -> None:
        """Map the files; nothing is read yet."""
        self._folder, self._name = folder, name
        self.bounds: FloatArray = self.array("bounds")
        self.order: IntArray = self.array("order")
        self._extent: FloatArray = np.array(self.array("extent"))
        self._first: IntArray = np.array(self.array("first"))
        self._source = pa.memory_map(str(folder / f"{name}.arrow"))
        self._file = pa.ipc.open_file(self._source)

    def __len__(self) -> int:
        """Number of rows."""
        return len(self.order)

    @property
    def point(self) -> FloatArray:
        """A point inside each (n, 2), where the layer has them [m]."""
        return self.array("point")

    def array(self, key: str) -> npt.NDArray[Any]:
        """A plain array of the layer."""
        path = self._folder / f"{self._name}.{key}.npy"
        try:
            return np.asarray(np.load(path, mmap_mode="r"))
        except ValueError:  # nothing to map in an empty array
            return np.asarray(np.load(path))

    def within(self, box: FloatArray) -> IntArray:
        """Rows whose box touches one box (4,), by place."""
        return self._of_squares(np.flatnonzero(_touch(self._extent, box)), box)

    def _of_squares(self, squares: IntArray, box: FloatArray) -> IntArray:
        """Rows of some squares whose box touches one box (4,)."""
        if not len(squares):
            return np.empty(0, dtype=np.int64)
        rows = np.concatenate([np.arange(self._first[k], self._first[k + 1]) for k in squares])
        return rows[_touch(self.bounds[rows], box)]

    def hits(self, boxes: FloatArray, distance_m: float = 0.0) -> IntArray:
        """Rows whose boxes touch any of some boxes (k, 4) grown by a distance: all that may matter, and a few more.

        What lies farther away is told apart by the stages; here exact distances would cost more than they save.
        """
        if len(boxes) == 0:
            return np.empty(0, dtype=np.int64)
        grown = boxes + np.array([-1.0, -1.0, 1.0, 1.0]) * distance_m
        asked = shapely.STRtree(as_boxes(grown))
        whole = np.concatenate([grown[:, :2].min(axis=0), grown[:, 2:].max(axis=0)])
        rows = self._near(whole, asked)
        found = [np.empty(0, dtype=np.int64)]
        for begin in range(0, len(rows), BOXES_AT_A_TIME):
            some = rows[begin : begin + BOXES_AT_A_TIME]
            found.append(some[np.unique(asked.query(as_boxes(self.bounds[some]))[0])])
        return np.concatenate(found)

    def _near(self, whole: FloatArray, asked: shapely.STRtree) -> IntArray:
        """Rows whose box touches one box (4,), but for squares that touch none of those asked for."""
        touched = np.flatnonzero(_touch(self._extent, whole))
        if len(touched) > MANY_SQUARES:
            touched = touched[np.unique(asked.query(as_boxes(self._extent[touched]))[0])]
        return self._of_squares(touched, whole)

    def in_order(self, rows: IntArray) -> IntArray:
        """The rows in the order in which they were given."""
        return np.asarray(rows[np.argsort(self.order[rows], kind="stable")])

    def outlines(self, rows: IntArray) -> ObjectArray:
        """Outlines of rows (n,) [m]."""
        return np.asarray(shapely.from_wkb(self._column(_OUTLINE, rows)), dtype=object)

    def text(self, name: str, rows: IntArray) -> ObjectArray:
        """A column of text, None where there is none."""
        return self._column(name, rows)

    def _column(self, name: str, rows: IntArray) -> ObjectArray:
        """Values of a column."""
        out = np.empty(len(rows), dtype=object)
        batch = rows // BATCH_ROWS
        for k in np.unique(batch):
            of_batch = np.flatnonzero(batch == k)
            values = self._file.get_batch(int(k)).column(name)
            out[of_batch] = values.take(pa.array(rows[of_batch] - k * BATCH_ROWS)).to_numpy(zero_copy_only=False)
        return out


def _touch(boxes: FloatArray, box: FloatArray) -> BoolArray:
    """Which boxes (n, 4) touch a box (4,)."""
    return np.asarray(
        (boxes[:, 2] >= box[0]) & (boxes[:, 0] <= box[2]) & (boxes[:, 3] >= box[1]) & (boxes[:, 1] <= box[3])
    )
