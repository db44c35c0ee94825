"""``screening publish``: sums of a result that may be published."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from screening.cli.options import json_option, output_option, overwrite_option
from screening.cli.plain import echo, echo_json
from screening.errors import ParameterError

if TYPE_CHECKING:
    from screening.report.publication import Publication

_LISTS = ("places", "totals", "reasons")
_GEOPACKAGE = ".gpkg"


@click.command()
@click.argument("result", metavar="OUT.gpkg", type=click.Path(path_type=Path))
@output_option("File to write: .gpkg with a map layer, .xlsx with every list, .csv or .parquet with one.")
@click.option(
    "--by",
    "kind",
    type=click.Choice(["streets", "districts", "squares"]),
    help="What homes are counted by.  [default: districts if the result has any, else streets, else squares]",
)
@click.option(
    "--square-m",
    type=click.FloatRange(min=50.0, max=100_000.0),
    help="Side of the squares, in metres; only with --by squares.  [default: 250]",
)
@click.option(
    "--list", "name", type=click.Choice(_LISTS), help="List to write into a .csv or .parquet.  [default: places]"
)
@click.option(
    "--units",
    type=click.Choice(["metric", "us"]),
    help="Units of texts and lists; a .gpkg is metric.  [default: the run's output.display_units]",
)
@overwrite_option
@json_option
def command(
    *,
    result: Path,
    output: Path | None,
    kind: str | None,
    square_m: float | None,
    name: str | None,
    units: str | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Write sums of a result that may be published.

    OUT.gpkg is the result of a run; only this is read. Homes are counted by street, district or square, never one by
    one: no address, no identifier and no outline of a lot is in the copy. Counts from 1 to 9 stand together with
    others, so that no subtraction finds them. Publish one copy of one result.
    """
    if square_m is not None and kind != "squares":
        raise ParameterError("--square-m is the side of squares: it needs --by squares")
    if output is not None:
        _check_output(output, name, overwrite=overwrite)
    from screening.report.public_places import SQUARE_M
    from screening.report.publication import publication_data, publication_text, read_publication

    publication = read_publication(result, kind, square_m=square_m or SQUARE_M)
    display_units = units or publication.record.get("param.output.display_units", "metric")
    if output is not None:
        _write(publication, output, name, display_units=display_units, overwrite=overwrite)
    if as_json:
        echo_json(publication_data(publication))
        return
    echo(publication_text(publication, display_units=display_units))
    if output is not None:
        echo(f"\nCopy: {output}")


def _check_output(output: Path, name: str | None, *, overwrite: bool) -> None:
    """Refuse a place for the copy that cannot take it, before reading anything."""
    from screening.write.derived_package import check_derived
    from screening.write.tables import TABLE_ENDINGS, WORKBOOK, check_tables

    ending = output.suffix.lower()
    if ending not in {_GEOPACKAGE, *TABLE_ENDINGS}:
        raise ParameterError(
            f"the copy '{output}' must end in .gpkg, {', '.join(TABLE_ENDINGS[:-1])} or {TABLE_ENDINGS[-1]}"
        )
    if name is not None and ending in {_GEOPACKAGE, WORKBOOK}:
        raise ParameterError(f"'{output}' gets every list: leave out --list {name}, or write it as .csv or .parquet")
    if ending == _GEOPACKAGE:
        check_derived(output, "a public copy", overwrite=overwrite)
    else:
        check_tables(output, overwrite=overwrite)


def _write(publication: Publication, output: Path, name: str | None, *, display_units: str, overwrite: bool) -> None:
    """Write the copy in the form that its name asks for."""
    from screening.report.publication import publication_layers, publication_lists, publication_record

    if output.suffix.lower() == _GEOPACKAGE:
        from screening.write.derived_package import write_derived

        tables, layers = publication_layers(publication)
        write_derived(
            output,
            tables,
            layers,
            what="a public copy",
            crs=publication.crs,
            record=publication_record(publication),
            overwrite=overwrite,
        )
        return
    from screening.write.tables import WORKBOOK, write_tables

    only = None if output.suffix.lower() == WORKBOOK else name or "places"
    lists, guide = publication_lists(publication, only, display_units=display_units)
    write_tables(output, lists, guide=guide, record=publication.record, about=publication.about, overwrite=overwrite)
