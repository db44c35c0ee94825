"""``screening explain``: one home in words and, if asked for, in a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from screening.cli.options import json_option, output_option, overwrite_option, result_argument
from screening.cli.plain import echo, echo_json

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@result_argument
@click.argument("home_id", metavar="HOME_ID")
@output_option("Picture to write, .png or .svg.")
@click.option(
    "--units",
    type=click.Choice(["metric", "us"]),
    help="Units of text and picture.  [default: the run's output.display_units]",
)
@overwrite_option
@json_option
def command(
    *, result: Path, home_id: str, output: Path | None, units: str | None, overwrite: bool, as_json: bool
) -> None:
    """Show one home: its numbers and its picture.

    OUT.gpkg is the result of a run; HOME_ID is the identifier of a home in it, or of a parcel, which may be one where
    no garden fits. Only the result is read.
    """
    if output is not None:
        # Before reading anything.
        from screening.write.destination import check_file

        check_file(output, endings=(".png", ".svg"), overwrite=overwrite)
    from screening.report.explain import explain_data, explain_text
    from screening.report.result_file import read_home

    home = read_home(result, home_id, display_units=units)
    # First the words: what a damaged result can't be told of gets no picture either.
    words = explain_data(home) if as_json else explain_text(home)
    if output is not None:
        from screening.report.picture import save_picture

        save_picture(home, output)
    if as_json:
        echo_json(words)
        return
    echo(str(words))
    if output is not None:
        echo(f"\nPicture: {output}")
