"""What a comparison reads of a result, and whether two results can be compared."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pyogrio
import shapely

from screening.errors import InputError
from screening.report.result_layers import ResultLayers
from screening.report.season_read import read_crs

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pandas as pd
    import pyproj

FloatArray = npt.NDArray[np.float64]
ObjectArray = npt.NDArray[Any]

NUMBERS: Final = (
    "rank",
    "roof_area_m2",
    "treated_roof_m2",
    "treated_roof_frac",
    "n_gardens",
    "garden_area_m2",
    "storage_m3",
    "open_area_m2",
    "soil_rate_mm_h",
    "runoff_roof_m3_y",
    "all_likely_m3_y",
    "diverted_m3_y",
    "diverted_low_m3_y",
    "diverted_high_m3_y",
    "confidence_frac",
)
_TEXTS: Final = ("home_id", "parcel_id", "address", "street", "overflow_code")

NOT_THERE: Final = "not_there"
MERGED: Final = "merged"
_LEAST_COMMON_FRAC: Final = 0.05


@dataclass(frozen=True)
class RunHomes:
    """A result, as far as it is compared.

    Attributes
    ----------
    path : Path
    result : ResultLayers
    crs : pyproj.CRS
        Working CRS.
    """

    path: Path
    result: ResultLayers
    crs: pyproj.CRS

    @property
    def record(self) -> Mapping[str, str]:
        """The run record."""
        return self.result.record

    @cached_property
    def homes(self) -> pd.DataFrame:
        """Candidates by `home_id`, with the mean depth of their gardens [mm] and the runoff of their roofs [mm/y]."""
        table = self.result.table("candidate_homes", needs=(*_TEXTS, *NUMBERS)).select([*_TEXTS, *NUMBERS])
        frame: pd.DataFrame = table.to_pandas().set_index("home_id")
        frame[list(NUMBERS)] = frame[list(NUMBERS)].astype(float)
        if frame.index.hasnans or frame.index.has_duplicates or frame["diverted_m3_y"].isna().any():
            raise InputError(
                f"candidates of '{self.path}' lack their identifiers or volumes, or two have the same: the file was "
                "changed since the run, so run again"
            )
        gardens = self.result.table("gardens", needs=("home_id", "area_m2", "ponding_depth_mm"))
        areas = gardens.select(["home_id", "area_m2", "ponding_depth_mm"]).to_pandas()
        areas["volume"] = areas["area_m2"] * areas["ponding_depth_mm"]
        sums = areas.groupby("home_id")[["area_m2", "volume"]].sum()
        frame["depth_mm"] = (sums["volume"] / sums["area_m2"]).reindex(frame.index)
        frame["runoff_mm_y"] = (
            1000.0 * frame["runoff_roof_m3_y"] / frame["roof_area_m2"].where(frame["roof_area_m2"] > 0.0)
        )
        return frame

    @cached_property
    def others(self) -> pd.DataFrame:
        """Other parcels: `home_id, parcel_id, reason_code, reason_text`."""
        names = ["home_id", "parcel_id", "reason_code", "reason_text"]
        found: pd.DataFrame = self.result.table("other_parcels", needs=names).select(names).to_pandas()
        return found

    @cached_property
    def merged(self) -> frozenset[str]:
        """Identifiers of the parcels that count with another one."""
        if "merged_parcels" not in self.result.names:
            return frozenset()
        return frozenset(self.result.table("merged_parcels", needs=("parcel_id",))["parcel_id"].drop_null().to_pylist())

    def lots(self, layer: str) -> ObjectArray:
        """Outlines of a layer [m], in the order of the file."""
        return np.asarray(pyogrio.read_dataframe(self.path, layer=layer, columns=[], use_arrow=False).geometry)

    @cached_property
    def bounds_m(self) -> FloatArray:
        """West, south, east and north of all parcels [m]; nan where there are none."""
        found = [
            np.asarray(pyogrio.read_info(self.path, layer=layer, force_total_bounds=True)["total_bounds"], dtype=float)
            for layer in ("candidate_homes", "other_parcels")
            if pyogrio.read_info(self.path, layer=layer)["features"]
        ]
        finite = [one for one in found if np.isfinite(one).all()]
        if not finite:
            return np.full(4, np.nan)
        corners = np.array(finite)
        return np.array([*corners[:, :2].min(axis=0), *corners[:, 2:].max(axis=0)])

    @cached_property
    def names(self) -> frozenset[str]:
        """Identifiers of all homes and parcels."""
        texts = [*self.homes.index, *self.homes["parcel_id"].dropna()]
        return frozenset([*texts, *self.others["home_id"].dropna(), *self.others["parcel_id"].dropna()])

    def total(self, which: str = "") -> float | None:
        """Return what the run says of all candidates together (``""``, ``"_low"`` or ``"_high"``) [m3/y]."""
        try:
            return float(self.record[f"total_diverted{which}_m3_y"])
        except (KeyError, ValueError):
            return None


def read_pair(first: Path, second: Path) -> tuple[RunHomes, RunHomes]:
    """Read two results.

    Raises
    ------
    InputError
        One is no result of a run, or they are of different places or in different coordinate systems.
    """
    a, b = (RunHomes(path, ResultLayers(path), read_crs(path)) for path in (first, second))
    if not a.crs.equals(b.crs, ignore_axis_order=True):
        raise InputError(
            f"'{a.path}' is in {a.crs.name} and '{b.path}' in {b.crs.name}: results are compared in one coordinate "
            "system; run one of them again with [inputs] working_crs"
        )
    west, south = np.maximum(a.bounds_m[:2], b.bounds_m[:2])
    east, north = np.minimum(a.bounds_m[2:], b.bounds_m[2:])
    if west >= east or south >= north:
        raise InputError(
            f"'{a.path}' and '{b.path}' are of different places: no parcel of one lies where the other has any; name "
            "two results of the same town"
        )
    smaller = min(len(a.names), len(b.names))
    if smaller and len(a.names & b.names) < _LEAST_COMMON_FRAC * smaller:
        fields = " and ".join(f"'{run.record.get('param.fields.parcel_id', '')}'" for run in (a, b))
        raise InputError(
            f"'{a.path}' and '{b.path}' call the same parcels by different names ([fields] parcel_id is {fields}): run "
            "one of them again with the other's field"
        )
    return a, b


def reasons_in(run: RunHomes, gone: pd.DataFrame, lots: ObjectArray) -> list[tuple[str, str]]:
    """Find why homes are no candidates in another run.

    Parameters
    ----------
    run : RunHomes
        That run.
    gone : DataFrame
        Homes of the one run, by `home_id`.
    lots : (n,) array
        Their outlines [m].

    Returns
    -------
    list of (str, str)
        Reason code and text of each; `MERGED` or `NOT_THERE` where it has no row of its own.
    """
    by_home: dict[str, int] = {}
    by_parcel: dict[str, int] = {}
    others = run.others
    for row, (home, parcel) in enumerate(zip(others["home_id"], others["parcel_id"], strict=True)):
        if home is not None:
            by_home.setdefault(home, row)
        if parcel is not None:
            by_parcel.setdefault(parcel, row)
    at_place = _rows_at(run, lots) if len(gone) else {}
    found = []
    for number, (home, parcel) in enumerate(zip(gone.index, gone["parcel_id"], strict=True)):
        row_there = by_home.get(home, by_parcel.get(parcel))
        if row_there is None and parcel in run.merged:
            found.append((MERGED, "it counts with another parcel of the same outline"))
            continue
        row_there = at_place.get(number) if row_there is None else row_there
        if row_there is None:
            found.append((NOT_THERE, _not_there(run)))
        else:
            found.append((str(others["reason_code"].iloc[row_there]), str(others["reason_text"].iloc[row_there])))
    return found


def _rows_at(run: RunHomes, lots: ObjectArray) -> dict[int, int]:
    """Other parcels that hold a point inside each lot."""
    tree = shapely.STRtree(run.lots("other_parcels"))
    inside, row = tree.query(shapely.point_on_surface(lots), predicate="intersects")
    pairs = sorted(zip(inside.tolist(), row.tolist(), strict=True), reverse=True)
    return dict(pairs)


def _not_there(run: RunHomes) -> str:
    part = run.record.get("bounds_m") or run.record.get("limit")
    return "no such parcel, for only a part of the town was run" if part else "no such parcel in the input"
