"""What a layer and a column of the output are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

Kind = Literal["str", "int", "float", "bool"]
GeometryType = Literal["Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a layer.

    Attributes
    ----------
    name : str
        Name; the unit is its last part.
    dtype : str
        "str", "int", "float" or "bool".
    unit : str
        Unit; "" for text, codes, counts and switches.
    meaning : str
        What the value says, one sentence.
    codes : Mapping[str, str] or None
        Allowed codes with their meanings, where the column holds codes.
    is_required : bool
        Whether every row has a value.
    is_list : bool
        Whether the value is several codes joined by ``;``.
    needs_town : bool
        Whether the value hangs on all homes of a run: parts of tiles are without it.
    """

    name: str
    dtype: Kind
    unit: str
    meaning: str
    codes: Mapping[str, str] | None = None
    is_required: bool = False
    is_list: bool = False
    needs_town: bool = False


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of the output.

    Attributes
    ----------
    name : str
        Name of the layer.
    geometry_type : str or None
        Type of its geometry; None for a table.
    columns : tuple of Column
        Columns in their order, without the geometry.
    one_row_per : str
        What a row stands for.
    key : str
        Column whose values are all different; "" if there is none.
    geometry_may_be_null : bool
        Whether a row, or the whole layer, may come without geometry.
    is_detail : bool
        Whether the layer is left out with ``[output] detail = "lean"``.
    """

    name: str
    geometry_type: GeometryType | None
    columns: tuple[Column, ...]
    one_row_per: str = ""
    key: str = ""
    geometry_may_be_null: bool = False
    is_detail: bool = False

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the columns in their order."""
        return tuple(column.name for column in self.columns)
