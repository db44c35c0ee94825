"""The yield table arranged for being asked millions of times."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from screening.kernels import draws as kernel
from screening.kernels.yield_table import located, runoff_at

FloatArray = npt.NDArray[np.float64]

MOST_CELLS: Final = 4096
"""Cells of an axis' directory; where intervals are shorter than a cell, the rest is walked."""


def quick_table(table: Any, loss_mm: FloatArray) -> kernel.Table:
    """Arrange a yield table.

    Parameters
    ----------
    table : YieldTable
    loss_mm : (n,) array
        Initial losses that will be asked for [mm].

    Raises
    ------
    ValueError
        If the table's losses do not span them: it would hold them to its ends without a word.
    """
    reach = 1e-9 + 1e-9 * float(loss_mm.max())
    if loss_mm.min() < table.loss_mm[0] - reach or loss_mm.max() > table.loss_mm[-1] + reach:
        msg = f"a table of losses {table.loss_mm} mm was asked for {loss_mm.min():g} to {loss_mm.max():g} mm"
        raise ValueError(msg)
    kept = table.kept_frac
    # an axis of one entry is carried on at its value
    for axis in range(2, kept.ndim):
        if kept.shape[axis] == 1:
            kept = np.repeat(kept, 2, axis=axis)
    strides = np.array([np.prod(kept.shape[k:], dtype=np.int64) for k in range(1, kept.ndim)], dtype=np.uint64)
    places = [located(table.loss_mm, float(loss)) for loss in loss_mm]
    years = range(len(table.runoff_mm_y))
    runoff = [[runoff_at(table.runoff_mm_y, table.loss_mm, year, float(loss)) for loss in loss_mm] for year in years]
    return kernel.Table(
        kept_frac=np.ascontiguousarray(kept).reshape(-1),
        strides=strides,
        share=_axis(table.share),
        rate=_axis(table.ln_rate[1:]),
        store=_axis(table.store_mm),
        loss=np.array([i for i, _ in places], dtype=np.int64),
        loss_weight=np.array([w for _, w in places]),
        runoff_mm_y=np.array(runoff),
    )


def _axis(at: FloatArray) -> kernel.Axis:
    """An axis with its directory."""
    if len(at) == 1:
        at = np.array([at[0], at[0] + 1.0])
    step = np.diff(at)
    length = float(at[-1] - at[0])
    n_cells = int(min(np.ceil(length / step.min()), MOST_CELLS))
    lower = at[0] + np.arange(n_cells) * (length / n_cells)
    cell = np.clip(np.searchsorted(at, lower, side="right") - 1, 0, len(step) - 1)
    # rounding must not hand out an interval behind the one wanted: walking only goes up
    cell = np.where(at[cell] > lower, np.maximum(cell - 1, 0), cell)
    return kernel.Axis(np.ascontiguousarray(at), 1.0 / step, cell.astype(np.int64), float(at[0]), n_cells / length)
