"""The unit of heights: from the vertical part of the CRS, the band, or the run file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from screening.errors import UnitsError
from screening.units import FOOT_M, LENGTH_UNITS_M, US_SURVEY_FOOT_M

if TYPE_CHECKING:
    from pyproj import CRS

_UNIT_NAMES_M: Final[dict[str, float]] = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters", "mtr"), 1.0),
    **dict.fromkeys(("ft", "foot", "feet", "international foot", "intl foot"), FOOT_M),
    **dict.fromkeys(
        ("us-ft", "ftus", "us ft", "us survey foot", "us survey feet", "foot us", "survey foot"),
        US_SURVEY_FOOT_M,
    ),
    **dict.fromkeys(("cm", "centimetre", "centimeter", "centimetres", "centimeters"), 0.01),
    **dict.fromkeys(("dm", "decimetre", "decimeter", "decimetres", "decimeters"), 0.1),
}

# Two feet that differ by 2 parts in a million are the same answer for heights of a town.
_SAME_UNIT_REL: Final = 1e-5


def unit_size_m(unit: str) -> float | None:
    """Size in metres of a length unit by its name, or None for a name that isn't known."""
    text = unit.strip().lower().replace("_", " ").replace(".", "")
    return LENGTH_UNITS_M.get(text, _UNIT_NAMES_M.get(text))


def stated_heights_m(crs: CRS | None, band_unit: str) -> tuple[float, ...]:
    """Metres in one unit of height, as the vertical part of a raster's CRS and its band say it; empty if neither does.

    Parameters
    ----------
    crs : pyproj.CRS or None
        CRS of the raster, with its vertical part if it has one.
    band_unit : str
        Unit that the band carries; empty if none.
    """
    return tuple(_said(crs, band_unit).values())


def _said(crs: CRS | None, band_unit: str) -> dict[str, float]:
    """Metres per unit, by the words that say who says so."""
    said: dict[str, float] = {}
    if crs is not None:
        flat = crs.source_crs if crs.is_bound and crs.source_crs is not None else crs
        for axis in flat.axis_info:
            if axis.direction.lower() == "up":
                said[f"its coordinate system says {axis.unit_name}"] = axis.unit_conversion_factor
    size_m = unit_size_m(band_unit) if band_unit.strip() else None
    if size_m is not None:
        said[f"its band says {band_unit.strip()}"] = size_m
    return said


def vertical_factor(*, crs: CRS | None, band_unit: str, stated_unit: str, where: str) -> float:
    """Metres in one unit of an elevation raster.

    The vertical part of the CRS says it, else the band's unit, else the run file.  Where file and
    run file disagree it is an error; where CRS and band disagree the run file decides.

    Parameters
    ----------
    crs : pyproj.CRS or None
        CRS of the raster, with its vertical part if it has one.
    band_unit : str
        Unit that the band carries; empty if none.
    stated_unit : str
        ``[inputs] elevation_unit``: ``""``, ``"m"``, ``"ft"`` or ``"us-ft"``.
    where : str
        The file's name, for the message.

    Returns
    -------
    float
        Metres per unit [m].

    Raises
    ------
    UnitsError
        If nothing says the unit, a name isn't known, or the sources contradict each other.
    """
    way_out = 'set elevation_unit = "m", "ft" or "us-ft" under [inputs]'
    said = _said(crs, band_unit)
    stated_m = unit_size_m(stated_unit) if stated_unit else None
    if band_unit.strip() and not said and stated_m is None:
        msg = f"{where}: the band's height unit {band_unit.strip()!r} isn't known; {way_out}."
        raise UnitsError(msg, code="vertical_unit_missing")
    sizes_m = list(said.values())
    if stated_m is None:
        if not sizes_m:
            msg = f"{where} doesn't say in which unit its heights are; {way_out}."
            raise UnitsError(msg, code="vertical_unit_missing")
        if not _same_size(sizes_m[0], sizes_m[-1]):
            msg = f"{where} contradicts itself about its height unit ({', '.join(said)}); {way_out}."
            raise UnitsError(msg, code="vertical_unit_doubtful")
        return sizes_m[0]
    for size_m in sizes_m:
        if _same_size(size_m, stated_m):
            return size_m
    if sizes_m:
        msg = (
            f"{where}: {' and '.join(said)}, but the run file says elevation_unit = "
            f"{stated_unit!r}; take the entry out, or correct the unit in the file."
        )
        raise UnitsError(msg, code="vertical_unit_doubtful")
    return stated_m


def _same_size(one_m: float, other_m: float) -> bool:
    return abs(one_m - other_m) <= _SAME_UNIT_REL * other_m
