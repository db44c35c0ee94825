"""Which street a home counts to, and what each street holds."""

from __future__ import annotations

import re
from collections import Counter
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

ObjectArray = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]

LOTS_AT_A_TIME: Final = 8192
"""Lots whose outlines are in memory at a time."""

NEAR_STREET_M = 60.0
"""A lot counts to no street line that is farther away (program default)."""

_HOUSE_NUMBER = re.compile(r"^\s*\d+[A-Za-z]?(?:\s*[-/]\s*\d+[A-Za-z]?)?(?:\s+1/2)?\s+")

# USPS Publication 28, Postal Addressing Standards, appendix C1 (street suffix abbreviations): the usual ones, from
# memory. The standard abbreviation stands first, after it what it is also written as.
_TYPES: Final = """
    ALY ALLEY; AVE AVENUE AV; BLVD BOULEVARD; CIR CIRCLE; CT COURT; CV COVE; CRES CRESCENT; XING CROSSING; DR DRIVE;
    EXPY EXPRESSWAY; EXT EXTENSION; FWY FREEWAY; GDNS GARDENS; GLN GLEN; GRN GREEN; GRV GROVE; HTS HEIGHTS;
    HWY HIGHWAY; HL HILL; HLS HILLS; JCT JUNCTION; KNL KNOLL; LNDG LANDING; LN LANE; LOOP; MNR MANOR; MDW MEADOW;
    MDWS MEADOWS; ML MILL; MTN MOUNTAIN; PARK; PKWY PARKWAY PKY; PASS; PATH; PIKE; PL PLACE; PLZ PLAZA; PT POINT;
    RDG RIDGE; RD ROAD; RTE ROUTE RT; ROW; RUN; SQ SQUARE; STA STATION; ST STREET; TER TERRACE TERR; TRL TRAIL;
    TPKE TURNPIKE; VLY VALLEY; VW VIEW; VLG VILLAGE; VIS VISTA; WALK; WAY WY
"""
_TYPE: Final[Mapping[str, str]] = {word: group.split()[0] for group in _TYPES.split(";") for word in group.split()}
# The same publication, appendix B and section 233 (directionals), from memory.
_DIRECTION: Final[Mapping[str, str]] = {
    word: short
    for long, short in (
        ("NORTH", "N"),
        ("SOUTH", "S"),
        ("EAST", "E"),
        ("WEST", "W"),
        ("NORTHEAST", "NE"),
        ("NORTHWEST", "NW"),
        ("SOUTHEAST", "SE"),
        ("SOUTHWEST", "SW"),
    )
    for word in (long, short)
}
_INITIAL: Final = re.compile(r"(?<=\b\w)\.(?=\w\b)")


@cache
def street_key(name: str) -> str:
    """What two spellings of one street have in common.

    Case, blanks and dots don't count, and the usual words for the type and direction of a street count as their
    abbreviations: "North Alder Street" and "N. ALDER ST" have the key ``N ALDER ST``. A word that is the name itself
    is left alone: "North Street" is not "N Street", and "Court Street" begins with ``COURT``.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
        For comparing only; "" where the name has no letter and no digit.
    """
    words = _INITIAL.sub("", name.upper()).replace(".", " ").split()
    before, words = _take_direction(words, at_end=False)
    after, words = _take_direction(words, at_end=True)
    # of the words at the end that are types the first word of all is none: "Court Street", "Park Place"
    k = len(words) - 1
    while k > 0 and words[k] in _TYPE:
        words[k] = _TYPE[words[k]]
        k -= 1
    # a type may stand before a number or a letter as well: "Highway 9", "Avenue B"
    for i, word in enumerate(words[1:]):
        if word[0].isdigit() or (len(word) == 1 and i == 0):
            words[i] = _TYPE.get(words[i], words[i])
    return " ".join([*before, *words, *after])


def _take_direction(words: list[str], *, at_end: bool) -> tuple[list[str], list[str]]:
    """Direction at one end of a name, abbreviated, and the words that are left; none if no name would be left."""
    for n in (2, 1):
        part, rest = (words[-n:], words[:-n]) if at_end else (words[:n], words[n:])
        short = "".join(_DIRECTION.get(word, "?") for word in part)
        is_name = len(rest) > 1 or (len(rest) == 1 and rest[0] not in _TYPE)
        if len(part) == n and short in _DIRECTION and is_name:
            return [short], rest
    return [], words


def one_spelling(names: ObjectArray, preferred: ObjectArray) -> ObjectArray:
    """Write every street in one way: as the preferred names do, else as most of the names do.

    Parameters
    ----------
    names : (n,) array of str or None
    preferred : (m,) array of str or None
        Names of the street layer. Of several spellings there the most frequent counts too.

    Returns
    -------
    (n,) array of str or None
        Of equally frequent spellings the first in the alphabet.
    """
    spelling = _most_frequent(names) | _most_frequent(preferred)
    return np.array([spelling[street_key(name)] if isinstance(name, str) else None for name in names], dtype=object)


def _most_frequent(names: ObjectArray) -> dict[str, str]:
    """The most frequent spelling by key; an order of rows that is another gives the same."""
    counts = Counter(name for name in names if isinstance(name, str))
    found: dict[str, str] = {}
    for name, _ in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        found.setdefault(street_key(name), name)
    return found


def street_from_address(address: str | None) -> str | None:
    """Street part of an address: what follows the house number."""
    if not address:
        return None
    name = _HOUSE_NUMBER.sub("", address.split(",")[0]).strip()
    return name or None


def street_of(
    given: ObjectArray,
    address: ObjectArray,
    outlines: Callable[[IntArray], ObjectArray],
    streets: gpd.GeoDataFrame | None,
) -> ObjectArray:
    """Street of each lot: the given one, else that of the address, else the nearest street with a name.

    Names that differ in case, blanks, dots or usual abbreviations only are one street (`street_key`); it is written
    as in the street layer, where that has it.

    Parameters
    ----------
    given, address : (n,) array of str or None
    outlines : callable
        Gives the outlines of some lots [m].
    streets : GeoDataFrame or None
        ``street_name`` and geometry [m].
    """
    out = np.array([g if isinstance(g, str) else None for g in given], dtype=object)
    for i in np.flatnonzero(pd.isna(out)):
        out[i] = street_from_address(address[i] if isinstance(address[i], str) else None)
    rest = np.flatnonzero(pd.isna(out))
    known = np.empty(0, dtype=object) if streets is None else streets["street_name"].to_numpy(dtype=object)
    if streets is not None and len(rest):
        named = streets[streets["street_name"].notna() & ~streets.geometry.is_empty & streets.geometry.notna()]
        if len(named):
            named = named.sort_values("street_name", kind="stable")
            names = named["street_name"].to_numpy(dtype=object)
            tree = shapely.STRtree(named.geometry.to_numpy())
            for begin in range(0, len(rest), LOTS_AT_A_TIME):
                some = rest[begin : begin + LOTS_AT_A_TIME]
                lot, line = tree.query_nearest(outlines(some), max_distance=NEAR_STREET_M, all_matches=True)
                # of equally near lines the first in the alphabet
                order = np.lexsort((line, lot))
                first = np.ones(len(order), dtype=bool)
                first[1:] = lot[order][1:] != lot[order][:-1]
                out[some[lot[order][first]]] = names[line[order][first]]
    return one_spelling(out, known)


def street_totals(
    homes: pd.DataFrame, volumes: pd.DataFrame, streets: gpd.GeoDataFrame | None, crs: Any
) -> gpd.GeoDataFrame:
    """Totals of every street with a candidate, the street with the largest volume first.

    Parameters
    ----------
    homes : DataFrame
        ``street, n_gardens`` of the candidates.
    volumes : DataFrame
        By street: sums of what is diverted, with their range and main cause.
    streets : GeoDataFrame or None
        ``street_name`` and lines [m].
    crs : CRS
        Working coordinate system.
    """
    named = homes[homes["street"].notna()]
    totals = (
        named.groupby("street", sort=True)
        .agg(
            n_candidates=("street", "size"),
            n_gardens=("n_gardens", "sum"),
        )
        .join(volumes)
        .reset_index()
    )
    order = np.lexsort((totals["street"].astype(str), -np.round(totals["diverted_m3_y"].to_numpy(dtype=float), 6)))
    totals = totals.iloc[order].reset_index(drop=True)
    geometry = np.full(len(totals), None, dtype=object)
    totals["length_m"] = np.nan
    if streets is not None:
        rows = _rows_by_key(streets["street_name"].to_numpy(dtype=object))
        lines = streets.geometry.to_numpy()
        for i, name in enumerate(totals["street"]):
            parts = shapely.get_parts(lines[rows.get(street_key(name), [])])
            parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING]
            if len(parts):
                # in an order that does not depend on the file's
                parts = shapely.normalize(parts)
                parts = parts[np.argsort(shapely.to_wkb(parts), kind="stable")]
                geometry[i] = shapely.multilinestrings(parts)
                totals.loc[i, "length_m"] = float(shapely.length(parts).sum())
    return gpd.GeoDataFrame(totals, geometry=geometry, crs=crs)


def _rows_by_key(names: Sequence[Any]) -> dict[str, list[int]]:
    """Rows of each street, whatever its spelling."""
    keys = {name: street_key(name) for name in set(names) if isinstance(name, str)}
    rows: dict[str, list[int]] = {}
    for i, name in enumerate(names):
        if name in keys:
            rows.setdefault(keys[name], []).append(i)
    return rows
