"""Rows of a layer in their final order, with few of them in memory: sorted by way of the disk where there are many."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from screening.columns import GEOMETRY_NAME

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    import numpy.typing as npt

    IntArray = npt.NDArray[np.int64]
    Pieces = Callable[[], Iterable[tuple[pa.Table, IntArray, IntArray]]]
    Finish = Callable[[pa.Table, IntArray, IntArray], pa.Table]

MOST_ROWS: Final = 150_000
"""About so many rows are sorted at a time."""

_PLACE: Final = " place"
_ROW: Final = " row"


class SortedRows:
    """A layer that is sorted while it is read.

    Attributes
    ----------
    num_rows : int
    nbytes : int
        What the rows take in memory, about.
    n_without_geometry : int
        Known when all rows have been read.
    """

    def __init__(
        self,
        pieces: Pieces,
        size: tuple[int, int],
        n_places: int,
        keys: tuple[str, ...],
        finish: Finish,
        scratch: Path,
    ) -> None:
        """Say where the rows come from.

        Parameters
        ----------
        pieces : callable
            Gives tables with the place of each row (rows of one place are ordered by the keys) and a number that
            `finish` wants to know each row by.
        size : tuple of int
            Rows and bytes of all pieces.
        n_places : int
            Places are below it.
        keys : tuple of str
            Columns by which rows of one place are ordered.
        finish : callable
            Makes the final rows from sorted ones, their places and numbers.
        scratch : Path
            Folder for what does not fit into memory.
        """
        self.num_rows, self.nbytes = size
        self.n_without_geometry = 0
        self._pieces, self._n_places, self._keys = pieces, n_places, keys
        self._finish, self._scratch = finish, scratch
        self._error: BaseException | None = None

    def read(self) -> pa.RecordBatchReader:
        """The rows in their final order."""
        tables = self._tables()
        first = next(tables)

        def batches() -> Iterator[pa.RecordBatch]:
            try:
                yield from self._batches(first, first.schema)
                for table in tables:
                    yield from self._batches(table, first.schema)
            except BaseException as error:
                self._error = error
                raise

        return pa.RecordBatchReader.from_batches(first.schema, batches())

    def raise_error(self) -> None:
        """Raise what went wrong while the rows were read."""
        if self._error is not None:
            raise self._error

    def _batches(self, table: pa.Table, schema: pa.Schema) -> Iterator[pa.RecordBatch]:
        """Rows of a sorted table in one form."""
        if GEOMETRY_NAME in table.column_names:
            self.n_without_geometry += table[GEOMETRY_NAME].null_count
        yield from table.cast(schema).combine_chunks().to_batches()

    def _tables(self) -> Iterator[pa.Table]:
        """Sorted tables, one after another."""
        n_shares = -(-self.num_rows // MOST_ROWS)
        if n_shares <= 1:
            yield self._sorted(pa.concat_tables(_marked(*piece) for piece in self._pieces()))
            return
        for share in self._shared_out(n_shares):
            yield self._sorted(share)

    def _sorted(self, table: pa.Table) -> pa.Table:
        """Rows in order."""
        keys = [(name, "ascending") for name in (_PLACE, *self._keys)]
        table = table.take(pc.sort_indices(table.select([_PLACE, *self._keys]), sort_keys=keys))
        place, row = (table[name].to_numpy() for name in (_PLACE, _ROW))
        return self._finish(table.drop_columns([_PLACE, _ROW]), place, row)

    def _shared_out(self, n_shares: int) -> Iterator[pa.Table]:
        """The rows shared out by place into files, which are read one by one."""
        files = [self._scratch / f"share_{id(self)}_{k}.arrow" for k in range(n_shares)]
        with contextlib.ExitStack() as stack:
            writers: list[Any] = []
            for table in _gathered(self._pieces(), MOST_ROWS // 2):
                if not writers:
                    writers = [
                        stack.enter_context(
                            pa.ipc.new_stream(stack.enter_context(pa.OSFile(str(file), "wb")), table.schema)
                        )
                        for file in files
                    ]
                share = table[_PLACE].to_numpy() * n_shares // max(self._n_places, 1)
                order = np.argsort(share, kind="stable")
                ends = np.searchsorted(share[order], np.arange(n_shares + 1))
                sorted_out = table.take(pa.array(order)).combine_chunks()
                for k, writer in enumerate(writers):
                    if ends[k] < ends[k + 1]:
                        writer.write_table(sorted_out.slice(ends[k], ends[k + 1] - ends[k]))
        for file in files:
            with pa.OSFile(str(file), "rb") as source, pa.ipc.open_stream(source) as reader:
                table = reader.read_all()
            file.unlink()
            if table.num_rows:
                yield table


def _marked(table: pa.Table, place: IntArray, row: IntArray) -> pa.Table:
    """A table with the places and numbers of its rows."""
    return table.append_column(_PLACE, pa.array(place)).append_column(_ROW, pa.array(row))


def _gathered(pieces: Iterable[tuple[pa.Table, IntArray, IntArray]], n_rows: int) -> Iterator[pa.Table]:
    """Pieces put together to tables of at least so many rows, but for the last."""
    waiting: list[pa.Table] = []
    n_waiting = 0
    for piece in pieces:
        waiting.append(_marked(*piece))
        n_waiting += waiting[-1].num_rows
        if n_waiting >= n_rows:
            yield pa.concat_tables(waiting)
            waiting, n_waiting = [], 0
    if waiting:
        yield pa.concat_tables(waiting)
