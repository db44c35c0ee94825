"""``screening table``: lists of a result for a spreadsheet or another program."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from screening.cli.options import output_option, overwrite_option, result_argument
from screening.cli.plain import echo
from screening.errors import ParameterError
from screening.report.list_kinds import LISTS

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@result_argument
@output_option("File to write: .xlsx has every list, .csv or .parquet one.", required=True)
@click.option(
    "--list", "name", type=click.Choice(list(LISTS)), help="List to write into a .csv or .parquet.  [default: homes]"
)
@click.option(
    "--units",
    type=click.Choice(["metric", "us"]),
    help="Units, which also stand in the names of the columns.  [default: the run's output.display_units]",
)
@overwrite_option
def command(*, result: Path, output: Path, name: str | None, units: str | None, overwrite: bool) -> None:
    """Write lists of a result for a spreadsheet.

    OUT.gpkg is the result of a run; only this is read. A .csv or .parquet gets the run record as a file beside it, an
    .xlsx has a sheet for it.
    """
    from screening.write.tables import WORKBOOK, check_tables, record_beside, write_tables

    check_tables(output, overwrite=overwrite)
    is_workbook = output.suffix.lower() == WORKBOOK
    if is_workbook and name is not None:
        raise ParameterError(f"'{output}' gets every list: leave out --list {name}, or write it as .csv or .parquet")
    from screening.report.lists import FOR_STAFF, read_lists

    lists = read_lists(result, None if is_workbook else (name or "homes",), display_units=units)
    write_tables(output, lists.tables, guide=lists.guide, record=lists.record, about=lists.about, overwrite=overwrite)
    counted = ", ".join(f"{one} ({table.num_rows:,})" for one, table in lists.tables.items())
    echo(f"{output}: {counted}")
    beside = record_beside(output)
    if beside is not None:
        echo(f"{beside}: run record and what the columns mean")
    if FOR_STAFF in lists.about:
        echo(f"{FOR_STAFF} `screening publish` writes sums that may be published.")
