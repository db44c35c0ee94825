"""``screening map``: the result as one HTML page that opens without a network."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from screening.cli.options import output_option, overwrite_option, result_argument
from screening.cli.plain import echo
from screening.cli.run import BoundsType

if TYPE_CHECKING:
    from screening.cli.run import Bounds


@click.command()
@result_argument
@output_option("Page to write, .html.", required=True)
@click.option(
    "--plan", "plan_file", type=click.Path(path_type=Path), help="Plan of streets to visit, to be shown on it."
)
@click.option(
    "--bbox",
    "bounds_m",
    type=BoundsType(),
    metavar="X0,Y0,X1,Y1",
    help="Only lots that touch this box, in metres of the result's coordinate system.",
)
@click.option(
    "--units", type=click.Choice(["metric", "us"]), help="Units on the page.  [default: the run's output.display_units]"
)
@overwrite_option
def command(
    *,
    result: Path,
    output: Path,
    plan_file: Path | None,
    bounds_m: Bounds | None,
    units: str | None,
    overwrite: bool,
) -> None:
    """Make a page with a map of the result.

    OUT.gpkg is the result of a run; only this is read, and the plan if one is given. The page is one file that opens
    from disk in a browser, without a network. It shows single homes, so it is for staff.
    """
    from screening.write.destination import check_file, staged_files

    check_file(output, endings=(".html",), overwrite=overwrite)
    from screening.report.lists import FOR_STAFF
    from screening.report.map_data import read_map
    from screening.report.map_page import map_page

    plan = None
    if plan_file is not None:
        from screening.report.map_plan import read_plan
        from screening.report.result_layers import ResultLayers

        plan = read_plan(plan_file, crs_wkt=ResultLayers(result).record.get("crs_wkt", ""))
    data = read_map(result, display_units=units, plan=plan, bounds_m=bounds_m)
    page = map_page(data).encode()
    with staged_files((output,), overwrite=overwrite, needed_bytes=len(page)) as (staged,):
        staged.write_bytes(page)
    echo(f"{output}: {data.n_homes:,} candidates, {data.n_others:,} other parcels, {len(page) / 1e6:.1f} MB")
    echo(FOR_STAFF)
