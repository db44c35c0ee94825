"""``screening sheets``: one printed page a home, for the visit."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from screening.cli.options import output_option, overwrite_option, progress_option, result_argument
from screening.cli.plain import echo


@click.command()
@result_argument
@output_option("PDF to write.", required=True)
@click.option(
    "--plan",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Plan of visits, .csv or .gpkg with a column home_id: only its homes, in its walk order.",
)
@click.option("--home", "homes", metavar="HOME_ID", multiple=True, help="Only this home; repeatable, in this order.")
@click.option("--street", "streets", metavar="NAME", multiple=True, help="Only homes on this street; repeatable.")
@click.option("--first", type=click.IntRange(min=1), metavar="N", help="Only the first N homes of the order.")
@click.option(
    "--order",
    type=click.Choice(["rank", "address"]),
    default="rank",
    show_default=True,
    help="Order without a plan: the best home first, or by street and house number.",
)
@click.option(
    "--paper",
    type=click.Choice(["letter", "a4"]),
    help="Size of the paper.  [default: letter with US units, a4 with metric ones]",
)
@click.option("--units", type=click.Choice(["metric", "us"]), help="Units.  [default: the run's output.display_units]")
@click.option(
    "--language",
    type=click.Choice(["en", "fr", "es"]),
    default="en",
    show_default=True,
    help="Language of the sheets: English, French or Spanish.",
)
@click.option(
    "--font",
    type=click.Path(path_type=Path),
    metavar="FILE.ttf",
    help="Font for addresses in a script that the own one lacks, such as Chinese.",
)
@progress_option
@overwrite_option
def command(
    *,
    result: Path,
    output: Path,
    plan: Path | None,
    homes: tuple[str, ...],
    streets: tuple[str, ...],
    first: int | None,
    order: str,
    paper: str | None,
    units: str | None,
    language: str,
    font: Path | None,
    no_progress: bool,
    overwrite: bool,
) -> None:
    """Print a sheet for the visit of each home.

    OUT.gpkg is the result of a run; only this is read, and the plan if one is given. Each candidate home gets one page:
    a plan to scale with two tapes to every peg of the garden, its numbers, what to check first, materials, upkeep,
    cautions, and room to write. Print at 100 %, or the scale is wrong. Sheets are about single homes, so they are for
    staff.
    """
    from screening.write.destination import check_file, staged_files

    check_file(output, endings=(".pdf",), overwrite=overwrite)
    from screening.cli.progress import show_progress
    from screening.report.cautions import STANDING
    from screening.report.lists import FOR_STAFF
    from screening.report.result_layers import ResultLayers
    from screening.sheets.book import write_book

    layers = ResultLayers(result)
    with (
        staged_files((output,), overwrite=overwrite, needed_bytes=0) as (staged,),
        show_progress(wanted=not no_progress and sys.stderr.isatty()) as on_progress,
    ):
        book = write_book(
            layers,
            staged,
            plan=plan,
            homes=homes,
            streets=streets,
            first=first,
            by_address=order == "address",
            paper=paper,
            display_units=units,
            language=language,
            font_file=font,
            on_progress=on_progress,
        )
    echo(f"{output}: {book.n_pages:,} sheets on {book.paper} paper, to be printed at 100 %")
    for note in book.notes:
        echo(note)
    echo(STANDING)
    echo(FOR_STAFF)
