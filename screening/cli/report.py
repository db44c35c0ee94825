"""``screening report``: one page about a result for a council or a funder."""

from __future__ import annotations

from pathlib import Path

import click

from screening.cli.options import output_option, overwrite_option
from screening.cli.plain import echo

_ENDINGS = (".html", ".pdf")


@click.command()
@click.argument("result", metavar="OUT.gpkg", type=click.Path(path_type=Path))
@output_option("Page to write, .html or .pdf.", required=True)
@click.option("--place", default="", metavar="NAME", help="Name of the town, for the title.")
@click.option(
    "--plan",
    "plan_file",
    type=click.Path(path_type=Path),
    metavar="FILE.gpkg",
    help="Plan of visits that `screening streets` wrote: its sums, and its streets on the map.",
)
@click.option(
    "--by",
    "kind",
    type=click.Choice(["streets", "districts", "squares"]),
    help="What homes are counted by.  [default: as of `screening publish`]",
)
@click.option("--units", type=click.Choice(["metric", "us"]), help="Units.  [default: the run's output.display_units]")
@click.option(
    "--paper",
    type=click.Choice(["letter", "a4"]),
    help="Size of the paper of a PDF.  [default: letter with US units, a4 with metric ones]",
)
@overwrite_option
def command(
    *,
    result: Path,
    output: Path,
    place: str,
    plan_file: Path | None,
    kind: str | None,
    units: str | None,
    paper: str | None,
    overwrite: bool,
) -> None:
    """Write one page for a council or a funder.

    OUT.gpkg is the result of a run; only this is read, and the plan if one is given. The page says what was asked, of
    which data, how many homes, how much water with its range, where, and what it is not. It may be published: it shows
    no home, and small counts as `screening publish` does.
    """
    from screening.write.destination import check_file, staged_files

    check_file(output, endings=_ENDINGS, overwrite=overwrite)
    from screening.council.page import write_page
    from screening.report.publication import PUBLIC

    with staged_files((output,), overwrite=overwrite, needed_bytes=0) as (staged,):
        write_page(
            result,
            staged,
            is_pdf=output.suffix.lower() == ".pdf",
            kind=kind,
            place=place,
            plan_file=plan_file,
            display_units=units,
            paper=paper,
        )
    echo(f"{output}: one page about {result.name}")
    echo(PUBLIC)
