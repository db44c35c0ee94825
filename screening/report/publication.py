"""A copy of a result that may be published: sums by street, district or square; no home, and no small count."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import shapely

from screening import columns
from screening.columns import Column, Layer
from screening.report.cautions import CAUTIONS, STANDING
from screening.report.figures import count_outcomes, sum_up, warn_of_missing_rows
from screening.report.list_kinds import LISTS
from screening.report.lists import guide, in_units
from screening.report.public_lists import (
    HIDDEN,
    PLACE_DIGITS,
    TOGETHER,
    TOTAL_DIGITS,
    public_lists,
    public_record,
    to_digits,
)
from screening.report.public_places import SQUARE_M, read_places, usual_places
from screening.report.quantities import Units
from screening.report.result_layers import ResultLayers
from screening.report.season_read import read_crs
from screening.report.season_text import one_line

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    import pyproj

logger = logging.getLogger(__name__)

PUBLIC: Final = "Copy for publication: no single homes, and small counts only together with others."
"""What stands in a copy that may be published."""

RULES: Final = (
    "Counts from 1 to 9 never stand alone; others stand with them, so that subtraction finds none.",
    "Sums are rounded, so that they don't add up exactly: exact ones could be matched with the roofs on a map.",
    "Publish one copy of one result: two that differ a little tell of the homes by which they differ.",
)
"""How it was made, and how to use it."""

_DTYPES: Final = {pa.string(): "str", pa.int64(): "int", pa.float64(): "float", pa.bool_(): "bool"}


@dataclass(frozen=True, slots=True)
class Publication:
    """A copy for publication.

    Attributes
    ----------
    kind : str
        What homes are counted by: ``"streets"``, ``"districts"`` or ``"squares"``; also the name of that list.
    tables : Mapping[str, pyarrow.Table]
        That list, ``totals`` and ``reasons``, in the units of the layers.
    shapes : mapping of str to geometry
        Lines or outlines of the places shown, by name. [m]
    geometry_type : str
        What they are.
    crs : pyproj.CRS
        Working CRS.
    record : Mapping[str, str]
        What of the run record may be published.
    about : tuple of str
        What somebody should know who has only this.
    """

    kind: str
    tables: Mapping[str, pa.Table]
    shapes: Mapping[str, Any]
    geometry_type: str
    crs: pyproj.CRS
    record: Mapping[str, str]
    about: tuple[str, ...]

    @property
    def place(self) -> str:
        """Name of the column that names the places."""
        return self.kind.removesuffix("s")

    @property
    def totals(self) -> Mapping[str, Mapping[str, Any]]:
        """Rows of the totals by quantity; a figure that is not shown is None."""
        return {row["quantity"]: row for row in self.tables["totals"].to_pylist()}


def read_publication(path: Path, kind: str | None = None, *, square_m: float = SQUARE_M) -> Publication:
    """Make a copy for publication.

    Parameters
    ----------
    path : Path
        A result of a run; only this is read.
    kind : str or None
        What homes are counted by; None: districts if the result has them, else streets, else squares.
    square_m : float
        Side of the squares [m].

    Raises
    ------
    InputError
        No result of a run, or one that is damaged or of another version.
    ParameterError
        The result has no such places.
    """
    result = ResultLayers(path)
    warn_of_missing_rows(result)
    places = read_places(result, kind or usual_places(result), square_m)
    shown = public_lists(places.table, sum_up(result), count_outcomes(result))
    if not shown.places.num_rows:
        logger.warning("%s", _nothing_shown(result, places.kind))
    names = set(shown.places[places.kind.removesuffix("s")].to_pylist())
    return Publication(
        kind=places.kind,
        tables={places.kind: shown.places, "totals": shown.totals, "reasons": shown.reasons},
        shapes={name: shape for name, shape in places.shapes.items() if name in names},
        geometry_type=places.geometry_type,
        crs=read_crs(path),
        record=public_record(result.record),
        about=(PUBLIC, *RULES, STANDING, *CAUTIONS),
    )


def _nothing_shown(result: ResultLayers, kind: str) -> str:
    if not result.table("candidate_homes").num_rows:
        return f"{result.path.name} has no candidates: the copy has no {kind}"
    way_out = "larger --square-m" if kind == "squares" else "--by squares"
    return f"none of the {kind} has 10 candidate homes or more, so that none is shown; try {way_out}"


def publication_lists(
    publication: Publication, only: str | None = None, *, display_units: str
) -> tuple[dict[str, pa.Table], pa.Table]:
    """Return the lists for a spreadsheet, in people's units, and what their columns mean.

    Parameters
    ----------
    publication : Publication
    only : str or None
        ``"places"``, ``"totals"`` or ``"reasons"``; None for all.
    display_units : str
        ``"metric"`` or ``"us"``.
    """
    units = Units(display_units)
    wanted = {None: set(publication.tables), "places": {publication.kind}}.get(only, {only})
    tables = {
        name: to_digits(
            in_units(table.replace_schema_metadata({"n_fixed": "1"}), units),
            PLACE_DIGITS if name == publication.kind else TOTAL_DIGITS,
        )
        for name, table in publication.tables.items()
        if name in wanted
    }
    return tables, guide(tables)


def publication_layers(publication: Publication) -> tuple[dict[str, pa.Table], tuple[Layer, ...]]:
    """Return the layers for a GeoPackage: the places with their shapes, and plain tables of totals and reasons."""
    tables, layers = {}, []
    for name, table in publication.tables.items():
        listed = {one.name: one for one in columns.layer(LISTS[name].layer).columns} if _is_layer(name) else {}
        described = tuple(
            listed.get(field.name)
            or Column(
                field.name,
                _DTYPES[field.type],  # type: ignore[arg-type]  # one of the four words
                field.metadata[b"unit"].decode(),
                field.metadata[b"meaning"].decode(),
            )
            for field in table.schema
        )
        is_place = name == publication.kind
        tables[name] = _with_shapes(table, publication) if is_place else table
        layers.append(
            Layer(name, publication.geometry_type if is_place else None, described)  # type: ignore[arg-type]
        )
    return tables, tuple(layers)


def _is_layer(name: str) -> bool:
    return name in LISTS and bool(LISTS[name].layer)


def _with_shapes(table: pa.Table, publication: Publication) -> pa.Table:
    shapes = [publication.shapes.get(name) for name in table[publication.place].to_pylist()]
    if publication.geometry_type == "MultiLineString":
        shapes = [None if one is None else shapely.multilinestrings(shapely.get_parts(one)) for one in shapes]
    wkb = shapely.to_wkb(np.array(shapes, dtype=object), flavor="iso", byte_order=1)
    return table.append_column(columns.GEOMETRY_NAME, pa.array(wkb.tolist(), type=pa.binary()))


def publication_record(publication: Publication) -> dict[str, str]:
    """Return the record of a GeoPackage, with what somebody should know who has only that."""
    about = {f"about.{number}": text for number, text in enumerate(publication.about, start=1)}
    return dict(publication.record) | about


def publication_data(publication: Publication) -> dict[str, Any]:
    """Return the copy as plain data, ready for JSON, in the units of the layers."""
    return {
        "about": list(publication.about),
        "counted_by": publication.kind,
        **{name: table.to_pylist() for name, table in publication.tables.items()},
        "run_record": dict(publication.record),
    }


def publication_text(publication: Publication, *, display_units: str) -> str:
    """Write the copy for people: the whole, then every place that is shown."""
    return "\n".join(_lines(publication, Units(display_units)))


def _lines(publication: Publication, units: Units) -> Iterator[str]:
    yield PUBLIC
    yield ""
    totals = publication.totals
    homes, water = totals["n_candidate_homes"]["value"], totals["diverted_m3_y"]
    yield f"Candidate homes     {_count(homes)}"
    amount = units.rough(water["value"], "m3/y") if water["value"] is not None else HIDDEN
    span = "" if water["low"] is None else f"  ({units.rough_span(water['low'], water['high'], 'm3/y')})"
    yield f"Diverted a year     {amount}{span}"
    yield ""
    table = publication.tables[publication.kind]
    names = [one_line(str(name)) for name in table[publication.place].to_pylist()]
    width = max((len(name) for name in (publication.place.capitalize(), *names)), default=0)
    yield f"  {publication.place.capitalize():<{width}}  {'homes':>7}  {'a year, likely':>16}  low to high"
    for name, row in zip(names, table.to_pylist(), strict=True):
        likely, low, high = (row.get(f"diverted{part}_m3_y") for part in ("", "_low", "_high"))
        shown = "" if likely is None else units.rough(likely, "m3/y", digits=PLACE_DIGITS)
        ends = "" if low is None else units.rough_span(low, high, "m3/y", digits=PLACE_DIGITS)
        yield f"  {name:<{width}}  {row['n_candidates']:>7,}  {shown:>16}  {ends}".rstrip()
    if TOGETHER in table[publication.place].to_pylist():
        yield "  No more is told of those counted together, for it would tell of fewer than 10 homes."
    yield ""
    yield from publication.about[1:]


def _count(value: float | None) -> str:
    return HIDDEN if value is None else f"{int(value):,}"
