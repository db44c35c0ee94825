"""What has to be known of all features of a layer to put them in order; the outlines may lie elsewhere."""

from __future__ import annotations

from hashlib import blake2b
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from screening.clean.shapes import points_inside

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

ObjectArray = npt.NDArray[Any]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


class Features(NamedTuple):
    """What has to be known of all usable features of a layer; rows as in the file.

    Attributes
    ----------
    text : Table
        The columns that name a feature; text or null.
    bounds : (n, 4) array
        [m]
    outline : (n,) array of bytes
        Digest of the outline: equal for equal outlines, however they are written.
    point : (n, 2) array
        A point inside [m].
    area_m2, perimeter_m : (n,) arrays
    is_repaired : (n,) bool array
    """

    text: pa.Table
    bounds: FloatArray
    outline: pa.Array
    point: FloatArray
    area_m2: FloatArray
    perimeter_m: FloatArray
    is_repaired: BoolArray

    @classmethod
    def of(cls, geometry: ObjectArray, text: pa.Table, is_repaired: BoolArray) -> Features:
        """Look at usable polygons."""
        wkb = shapely.to_wkb(shapely.normalize(geometry))
        outline = pa.array([blake2b(one, digest_size=16).digest() for one in wkb], type=pa.binary(16))
        return cls(
            text,
            shapely.bounds(geometry).reshape(-1, 4),
            outline,
            points_inside(geometry),
            shapely.area(geometry),
            shapely.length(geometry),
            is_repaired,
        )

    @classmethod
    def together(cls, pieces: Sequence[Features]) -> Features:
        """Pieces of a layer as one."""
        return cls(
            pa.concat_tables([piece.text for piece in pieces]).combine_chunks(),
            np.concatenate([piece.bounds for piece in pieces]),
            pa.concat_arrays([piece.outline for piece in pieces]),
            np.concatenate([piece.point for piece in pieces]),
            np.concatenate([piece.area_m2 for piece in pieces]),
            np.concatenate([piece.perimeter_m for piece in pieces]),
            np.concatenate([piece.is_repaired for piece in pieces]),
        )

    def in_order(self, *names: str) -> IntArray:
        """Rows by some columns (null last), then by place and outline, so that the file's order does not matter."""
        columns = {name: self.text[name] for name in names}
        columns |= {f"bound {k}": pa.array(np.ascontiguousarray(self.bounds[:, k])) for k in range(4)}
        columns |= {"outline": self.outline}
        columns |= {name: self.text[name] for name in self.text.column_names if name not in names}
        columns |= {"is_repaired": pa.array(self.is_repaired)}
        keys = [(name, "ascending") for name in columns]
        return np.asarray(pc.sort_indices(pa.table(columns), sort_keys=keys), dtype=np.int64)

    def outline_numbers(self, order: IntArray) -> IntArray:
        """Number of each different outline, (n,), in the order of the rows given."""
        encoded = self.outline.take(pa.array(order)).dictionary_encode()
        return np.asarray(encoded.indices, dtype=np.int64)

    def column(self, name: str) -> pa.Array:
        """Text of all rows."""
        values = self.text[name]
        return values.chunk(0) if values.num_chunks == 1 else values.combine_chunks()

    def words(self, name: str, rows: IntArray) -> ObjectArray:
        """Text of some rows, None where there is none."""
        return np.asarray(self.text[name].take(pa.array(rows)).to_numpy(zero_copy_only=False), dtype=object)


def in_text_order(names: ObjectArray) -> IntArray:
    """Order of texts (n,) by their letters; equal ones as they stand."""
    return np.asarray(pc.sort_indices(pa.array(names, type=pa.string())), dtype=np.int64)


def text_table(frame: pd.DataFrame, names: Sequence[str]) -> pa.Table:
    """Columns of a frame as text; a column that is not there is null."""
    nothing = np.full(len(frame), None, dtype=object)
    found = {name: frame[name].to_numpy(dtype=object) if name in frame.columns else nothing for name in names}
    return pa.table({name: pa.array(values, type=pa.string(), from_pandas=True) for name, values in found.items()})
