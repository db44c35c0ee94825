"""The overflow of a garden: names of its ends, and which of two ends is worse."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from screening.kernels import flow

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

FloatArray = npt.NDArray[np.float64]

END_CODE: Final[Mapping[int, str]] = MappingProxyType(
    {
        flow.STREET: "street",
        flow.DRAINAGE: "drainage",
        flow.OWN_GROUND: "own_ground",
        flow.OWN_LOW_SPOT: "own_low_spot",
        flow.OFF_ELEVATION: "off_elevation",
        flow.NEIGHBOUR_LOT: "neighbour_lot",
        flow.BUILDING_SETBACK: "building_setback",
    }
)
"""Codes of the output, in order from best to worst."""

DRAINAGE_KINDS: Final = frozenset({"water", "stream", "creek", "river", "lake", "pond", "ditch", "drain", "swale"})
"""Kinds of keep-away layers that take water away: an overflow that reaches one has arrived."""

_ORDER: Final = tuple(END_CODE.values())


def worst(codes: Iterable[str]) -> str:
    """The worst of several ends."""
    return max(codes, key=_ORDER.index)


def path_lengths_m(paths: npt.NDArray[Any]) -> FloatArray:
    """Length [m] of each way, an array of (k, 2) arrays."""
    if not len(paths):
        return np.empty(0)
    xy = np.concatenate(list(paths))
    way = np.repeat(np.arange(len(paths)), [len(path) for path in paths])
    step = np.hypot(*np.diff(xy, axis=0).T)
    same = way[1:] == way[:-1]
    return np.asarray(np.bincount(way[1:][same], weights=step[same], minlength=len(paths)), dtype=float)
