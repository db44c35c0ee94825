"""``screening compare``: two results of the same town beside each other."""

from __future__ import annotations

from pathlib import Path

import click

from screening.cli.options import json_option, output_option, overwrite_option
from screening.cli.plain import echo, echo_json
from screening.errors import ParameterError

_LISTS = ("homes", "causes", "differences")


@click.command()
@click.argument("first", metavar="A.gpkg", type=click.Path(path_type=Path))
@click.argument("second", metavar="B.gpkg", type=click.Path(path_type=Path))
@output_option("File to write: .xlsx with every list, .csv or .parquet with one.")
@click.option(
    "--list", "name", type=click.Choice(_LISTS), help="List to write into a .csv or .parquet.  [default: homes]"
)
@click.option(
    "--units", type=click.Choice(["metric", "us"]), help="Units.  [default: the second run's output.display_units]"
)
@click.option("--all", "is_everything", is_flag=True, help="List every home that changed.")
@overwrite_option
@json_option
def command(
    *,
    first: Path,
    second: Path,
    output: Path | None,
    name: str | None,
    units: str | None,
    is_everything: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Say what differs between two results, and why.

    A.gpkg and B.gpkg are results of runs of the same town; only these are read. Told are the input files, parameters
    and versions that differ, the homes gained and lost with the reason in the other run, how homes moved in rank, and
    what changed the total.
    """
    from screening.write.tables import WORKBOOK, check_tables, write_tables

    if output is not None:
        check_tables(output, overwrite=overwrite)
        if name is not None and output.suffix.lower() == WORKBOOK:
            raise ParameterError(
                f"'{output}' gets every list: leave out --list {name}, or write it as .csv or .parquet"
            )
    from screening.comparison import words
    from screening.comparison.compare import compare_results

    comparison = compare_results(first, second)
    display_units = units or comparison.second.record.get("param.output.display_units", "metric")
    if output is not None:
        from screening.report.lists import guide, in_units
        from screening.report.quantities import Units

        tables = words.comparison_tables(comparison)
        if output.suffix.lower() != WORKBOOK:
            tables = {name or "homes": tables[name or "homes"]}
        tables = {one: in_units(table, Units(display_units)) for one, table in tables.items()}
        write_tables(
            output,
            tables,
            guide=guide(tables),
            record=words.comparison_record(comparison),
            about=words.comparison_about(),
            overwrite=overwrite,
        )
    if as_json:
        echo_json(words.comparison_data(comparison))
        return
    echo(words.comparison_text(comparison, display_units=display_units, is_everything=is_everything))
    if output is not None:
        echo(f"\nList: {output}")
