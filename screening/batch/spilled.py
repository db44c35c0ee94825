"""Outlines laid aside on the disk while a layer is read, and fetched again in any order."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import numpy.typing as npt

    IntArray = npt.NDArray[np.int64]
    ObjectArray = npt.NDArray[Any]


class Column(Protocol):
    """What rows can be taken of: an Arrow array, or something that lies elsewhere."""

    @property
    def type(self) -> pa.DataType:
        """Type of its values."""
        ...

    def take(self, rows: pa.Array) -> pa.Array:
        """Values of some rows."""
        ...


class SpilledOutlines:
    """Outlines of a layer as WKB, one after another in a file; memory holds where each begins.

    The file is mapped anew each time rows are asked for: pages that were looked at once count as memory of the process
    as long as they are mapped.
    """

    def __init__(self, path: Path) -> None:
        """Begin with none."""
        self._path = path
        path.write_bytes(b"")
        self._ends: list[IntArray] = [np.zeros(1, dtype=np.int64)]

    @property
    def type(self) -> pa.DataType:
        """Type of the values."""
        return pa.large_binary()

    def add(self, geometry: ObjectArray) -> None:
        """Lay outlines aside.

        Raises
        ------
        OSError
            If the disk is full.
        """
        wkb = packed(geometry)
        if not len(wkb):
            return
        ends = np.cumsum(np.asarray(pc.binary_length(wkb), dtype=np.int64))
        with self._path.open("ab") as file:
            # an array made in one go begins at the beginning of its bytes
            file.write(memoryview(wkb.buffers()[2])[: int(ends[-1])])
        self._ends.append(ends + self._ends[-1][-1])

    def take(self, rows: pa.Array) -> pa.Array:
        """WKB of some rows."""
        if not len(rows):
            return pa.array([], type=self.type)
        if len(self._ends) > 1:
            self._ends = [np.concatenate(self._ends)]
        (begins,) = self._ends
        with pa.memory_map(str(self._path)) as file:
            whole = pa.LargeBinaryArray.from_buffers(
                self.type, len(begins) - 1, [None, pa.py_buffer(begins), file.read_buffer()]
            )
            return whole.take(rows)

    def outlines(self, rows: IntArray) -> ObjectArray:
        """Outlines of some rows [m]."""
        return np.asarray(shapely.from_wkb(self.take(pa.array(rows)).to_numpy(zero_copy_only=False)), dtype=object)

    def remove(self) -> None:
        """Give the room on the disk back."""
        self._path.unlink()


class Picked:
    """Some rows of a column in another order; a few of them may have other values."""

    def __init__(self, column: Column, row: IntArray, others: Mapping[int, Any] | None = None) -> None:
        """Say which.

        Parameters
        ----------
        column : Column
        row : (n,) int array
            Rows of the column.
        others : mapping of int to geometry, optional
            Outlines that stand in the place of the column's, by place in `row`.
        """
        self._column, self._row, self._others = column, row, others or {}
        self._is_other = np.zeros(len(row) if self._others else 0, dtype=bool)
        self._is_other[list(self._others)] = True

    @property
    def type(self) -> pa.DataType:
        """Type of the values."""
        return self._column.type

    def take(self, rows: pa.Array) -> pa.Array:
        """Values of some rows."""
        place = np.asarray(rows, dtype=np.int64)
        found = self._column.take(pa.array(self._row[place]))
        if not self._others or not self._is_other[place].any():
            return found
        is_other = self._is_other[place]
        shapes = np.array([self._others[int(k)] for k in place[is_other]], dtype=object)
        return pc.replace_with_mask(found, pa.array(is_other), packed(shapes))


def packed(geometry: ObjectArray) -> pa.Array:
    """Outlines as WKB."""
    return pa.array(shapely.to_wkb(geometry), type=pa.large_binary())
