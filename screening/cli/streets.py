"""``screening streets``: which streets to visit with so many visits, and in which order to walk."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import click

from screening.cli.options import json_option, output_option, overwrite_option, result_argument
from screening.cli.plain import echo, echo_json
from screening.errors import ParameterError

if TYPE_CHECKING:
    from screening.report.season_model import SeasonPlan
    from screening.street_plan import Response

_LISTS = ("visits", "plan_streets", "walks")


@click.command()
@result_argument
@click.option("--visits", "n_visits", type=click.IntRange(min=1), required=True, help="Visits there are, one a home.")
@click.option(
    "--response-pct",
    "response_text",
    metavar="LOW,LIKELY,HIGH",
    default="3,20,50",
    show_default=True,
    help="Of 100 homes visited, how many take a garden; one number for all three.",
)
@click.option("--priority", type=click.Path(path_type=Path), help="File with the priority areas (polygons).")
@click.option("--priority-layer", default="", help="Layer of that file, where it has several.")
@click.option(
    "--priority-pct",
    type=click.FloatRange(0.0, 100.0),
    default=0.0,
    show_default=True,
    help="Least part of the visits in the priority areas, in percent.",
)
@click.option(
    "--min-homes",
    type=click.IntRange(min=1),
    help="Least homes of a street side.  [default: 4, or 1 where no side has as many]",
)
@click.option(
    "--side-visits",
    type=click.IntRange(min=1),
    help="Most visits to a street side: its best homes.  [default: all its homes]",
)
@click.option("--lock-in", multiple=True, metavar="STREET", help="Street, or 'STREET, SIDE', in the plan; repeatable.")
@click.option("--lock-out", multiple=True, metavar="STREET", help="The same, not in the plan; repeatable.")
@click.option("--whole-streets", is_flag=True, help="Both sides of a street are one choice.")
@click.option(
    "--near-bonus-pct",
    type=click.FloatRange(0.0, 100.0),
    default=0.0,
    show_default=True,
    help="What neighbouring sides count more if both are in, in percent of the smaller one.",
)
@click.option("--per-day", type=click.IntRange(min=1), default=8, show_default=True, help="Visits a day.")
@click.option(
    "--start",
    default="",
    metavar="PLACE",
    help="Where days begin and end: LONGITUDE,LATITUDE, X,Y in metres, or a candidate home.  [default: no fixed place]",
)
@output_option("File to write: .gpkg with everything, .xlsx with every list, .csv or .parquet with one.")
@click.option(
    "--list", "name", type=click.Choice(_LISTS), help="List to write into a .csv or .parquet.  [default: visits]"
)
@click.option(
    "--units",
    type=click.Choice(["metric", "us"]),
    help="Units of texts and lists.  [default: the run's output.display_units]",
)
@click.option("--all", "is_everything", is_flag=True, help="List every street side left out.")
@overwrite_option
@json_option
def command(
    *,
    result: Path,
    n_visits: int,
    response_text: str,
    priority: Path | None,
    priority_layer: str,
    priority_pct: float,
    min_homes: int | None,
    side_visits: int | None,
    lock_in: tuple[str, ...],
    lock_out: tuple[str, ...],
    whole_streets: bool,
    near_bonus_pct: float,
    per_day: int,
    start: str,
    output: Path | None,
    name: str | None,
    units: str | None,
    is_everything: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Plan a season of visits: which streets, and in which order.

    OUT.gpkg is the result of a run; only this is read, and it is never changed.
    """
    response = _response(response_text)
    if priority is None and (priority_pct or priority_layer):
        raise ParameterError("--priority-pct and --priority-layer need --priority, the file with the priority areas")
    if output is not None:
        _check_output(output, name, overwrite=overwrite)
    from screening.report.season import plan_season
    from screening.report.season_model import SeasonWishes
    from screening.report.season_read import read_crs

    areas = None
    if priority is not None:
        from screening.cli.priority import read_areas

        areas = read_areas(priority, priority_layer, read_crs(result))
    wishes = SeasonWishes(
        n_visits=n_visits,
        response=response,
        areas=areas,
        areas_name="" if priority is None else priority.name,
        least_priority_frac=Fraction(round(100 * priority_pct), 10_000),
        min_homes=min_homes,
        side_visits=side_visits,
        lock_in=lock_in,
        lock_out=lock_out,
        whole_streets=whole_streets,
        bonus_frac=near_bonus_pct / 100.0,
        per_day=per_day,
        start=start,
    )
    plan = plan_season(result, wishes)
    display_units = units or plan.record.get("param.output.display_units", "metric")
    if output is not None:
        _write(plan, output, name, display_units=display_units, overwrite=overwrite)
    if as_json:
        from screening.report.season_tables import plan_data

        echo_json(plan_data(plan))
        return
    from screening.report.season_text import season_text

    echo(season_text(plan, display_units=display_units, is_everything=is_everything))
    if output is not None:
        echo(f"\nPlan: {output}")


def _response(text: str) -> Response:
    """Read the rates of response."""
    from screening.street_plan import Response

    try:
        pct = [float(part) for part in text.split(",")]
    except ValueError:
        pct = []
    if len(pct) == 1:
        pct *= 3
    if len(pct) != 3 or not all(0.0 <= one <= 100.0 for one in pct) or sorted(pct) != pct:
        raise ParameterError(
            f"--response-pct {text}: give three rising numbers from 0 to 100, as 3,20,50, or one; of 100 homes "
            "visited, how many take a garden"
        )
    if 0.0 < pct[2] < 1.0:
        raise ParameterError(
            f"--response-pct {text}: less than one home of 100, so it looks like a fraction; a quarter is 25"
        )
    return Response(*(one / 100.0 for one in pct))


def _check_output(output: Path, name: str | None, *, overwrite: bool) -> None:
    """Refuse a place for the plan that cannot take it, before reading anything."""
    from screening.write.derived_package import check_derived
    from screening.write.tables import TABLE_ENDINGS, WORKBOOK, check_tables

    ending = output.suffix.lower()
    if ending not in {".gpkg", *TABLE_ENDINGS}:
        raise ParameterError(
            f"the plan '{output}' must end in .gpkg, {', '.join(TABLE_ENDINGS[:-1])} or {TABLE_ENDINGS[-1]}"
        )
    if name is not None and ending in {".gpkg", WORKBOOK}:
        raise ParameterError(f"'{output}' gets every list: leave out --list {name}, or write it as .csv or .parquet")
    if ending == ".gpkg":
        check_derived(output, "a plan", overwrite=overwrite)
    else:
        check_tables(output, overwrite=overwrite)


def _write(plan: SeasonPlan, output: Path, name: str | None, *, display_units: str, overwrite: bool) -> None:
    """Write the plan in the form that its name asks for."""
    from screening.report import season_tables

    record = season_tables.plan_record(plan)
    if output.suffix.lower() == ".gpkg":
        from screening.write.derived_package import write_derived

        tables = season_tables.plan_tables(plan, display_units=display_units)
        write_derived(
            output,
            tables,
            season_tables.PLAN_LAYERS,
            what="a plan",
            crs=plan.crs,
            record=record,
            overwrite=overwrite,
        )
        return
    from screening.write.tables import WORKBOOK, write_tables

    lists = season_tables.list_tables(plan, display_units=display_units)
    if output.suffix.lower() != WORKBOOK:
        lists = {name or "visits": lists[name or "visits"]}
    write_tables(
        output,
        lists,
        guide=season_tables.list_guide(lists),
        record=record,
        about=season_tables.plan_about(),
        overwrite=overwrite,
    )
