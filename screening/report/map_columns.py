"""Which columns of the result stand on the page of the map, and how they are written there.

A column is a list, or for texts that come again and again ``{"values": [...], "rows": [...]}`` with a place in the
values for every row, -1 for none. Numbers are in the units of people, rounded as they read them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    import numpy.typing as npt

    from screening.report.quantities import Units

_TEXT: Final = "text"
_CODE: Final = "code"
_COUNT: Final = "count"
_PERCENT: Final = "percent"
_CHANCE: Final = "chance"
_SCORE: Final = "score"

_SCORE_DECIMALS: Final = 3

SHOWN: Final[Mapping[str, tuple[tuple[str, str, str], ...]]] = {
    "candidate_homes": (
        ("rank", "rank", _COUNT),
        ("id", "home_id", _TEXT),
        ("parcel", "parcel_id", _TEXT),
        ("address", "address", _TEXT),
        ("street", "street", _CODE),
        ("district", "district", _CODE),
        ("roof", "roof_area_m2", "m2"),
        ("spouts", "n_downspouts", _COUNT),
        ("slope", "ground_slope_pct", "%"),
        ("downslope", "downslope_deg", "deg"),
        ("lot", "parcel_area_m2", "m2"),
        ("open", "open_area_m2", "m2"),
        ("gardens", "n_gardens", _COUNT),
        ("area", "garden_area_m2", "m2"),
        ("treated", "treated_roof_frac", _PERCENT),
        ("volume", "diverted_m3_y", "m3/y"),
        ("low", "diverted_low_m3_y", "m3/y"),
        ("high", "diverted_high_m3_y", "m3/y"),
        ("score", "score", _SCORE),
        ("score_volume", "score_volume_frac", _SCORE),
        ("score_confidence", "score_confidence_frac", _SCORE),
        ("score_treated", "score_treated_frac", _SCORE),
        ("confidence", "confidence_frac", _PERCENT),
        ("flags", "flags", _CODE),
        ("best", "rank_best", _COUNT),
        ("worst", "rank_worst", _COUNT),
        ("chance", "first_n_chance_frac", _CHANCE),
        ("cause", "main_cause_code", _CODE),
        ("cause_share", "main_cause_frac", _PERCENT),
    ),
    "gardens": (
        ("id", "garden_id", _TEXT),
        ("shape", "shape_code", _CODE),
        ("area", "area_m2", "m2"),
        ("length", "length_m", "m"),
        ("width", "width_m", "m"),
        ("slope", "slope_pct", "%"),
        ("depth", "ponding_depth_mm", "mm"),
        ("own", "own_building_dist_m", "m"),
        ("other", "other_building_dist_m", "m"),
        ("line", "lot_line_dist_m", "m"),
        ("spouts", "n_downspouts", _COUNT),
        ("roof", "treated_roof_m2", "m2"),
        ("fall", "fall_m", "m"),
        ("run", "run_m", "m"),
        ("soak", "drawdown_h", "h"),
        ("volume", "diverted_m3_y", "m3/y"),
        ("end", "overflow_code", _CODE),
    ),
    "other_parcels": (
        ("parcel", "parcel_id", _TEXT),
        ("id", "home_id", _TEXT),
        ("address", "address", _TEXT),
        ("reason", "reason_code", _CODE),
        ("text", "reason_text", _CODE),
        ("tightest", "tightest_rule_code", _CODE),
        ("margin", "tightest_margin_m", "m"),
        ("instead", "alternative_code", _CODE),
        ("instead_volume", "alternative_m3_y", "m3/y"),
        ("lot", "area_m2", "m2"),
    ),
    "merged_parcels": (
        ("parcel", "parcel_id", _TEXT),
        ("address", "address", _TEXT),
        ("kept", "kept_parcel_id", _TEXT),
    ),
    "streets": (("name", "street", _TEXT),),
    "downspouts": (),
    "inlet_runs": (),
    "overflow_paths": (("end", "end_code", _CODE), ("length", "length_m", "m")),
    "buildings": (),
    "roof_parts": (),
    "open_ground": (),
}
"""Columns on the page by layer: name on the page, column of the layer, its unit or kind."""

LINKS: Final[Mapping[str, tuple[str, ...]]] = {
    "gardens": ("home_id",),
    "downspouts": ("downspout_id", "home_id", "garden_id", "is_measured"),
    "inlet_runs": ("home_id",),
    "overflow_paths": ("home_id", "garden_id"),
    "buildings": ("home_id", "role_code"),
    "roof_parts": ("home_id", "downspout_id"),
    "open_ground": ("home_id",),
}
"""Columns read beside those: what hangs together with what."""


def page_columns(layer: str, table: pa.Table, units: Units) -> dict[str, Any]:
    """Bring a layer's rows to the page.

    Parameters
    ----------
    layer : str
        One of `SHOWN`.
    table : pyarrow.Table
        Rows of the layer.
    units : Units
        Units of people.

    Returns
    -------
    dict
        Columns by their names on the page.
    """
    return {name: _page_column(table[column], kind, units) for name, column, kind in SHOWN[layer]}


def _page_column(values: pa.ChunkedArray, kind: str, units: Units) -> Any:
    if kind in {_TEXT, _COUNT}:
        return values.to_pylist()
    if kind == _CODE:
        return _coded(values)
    if kind == _PERCENT:
        in_base, decimals = 0.01, 0
    elif kind == _CHANCE:
        # 99.9 % is not certain
        in_base, decimals = 0.01, 1
    elif kind == _SCORE:
        in_base, decimals = 1.0, _SCORE_DECIMALS
    else:
        _, in_base, decimals = units.scale(kind)
    rounded = pc.round(pc.divide(values, in_base), ndigits=decimals)
    return (rounded.cast(pa.int64()) if decimals == 0 else rounded).to_pylist()


def _coded(values: pa.ChunkedArray) -> dict[str, list[Any]]:
    """Write every text once."""
    coded = values.combine_chunks().dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    return {"values": coded.dictionary.to_pylist(), "rows": pc.fill_null(coded.indices, -1).to_pylist()}


def kept_rows(column: Any, mask: npt.NDArray[np.bool_]) -> Any:
    """Leave rows of a column out."""
    if isinstance(column, dict):
        return column | {"rows": kept_rows(column["rows"], mask)}
    return [value for value, is_kept in zip(column, mask, strict=True) if is_kept]
